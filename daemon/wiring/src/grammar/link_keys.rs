//! Keys of `[links]`, `[history]` and `[dashboard]`.

use super::{Fill, Key, SPAN, TEXT, Table, Value, depends, may, modbus_keys::MODBUS, must, or};

pub(super) const fn table(
    header: &'static str,
    doc: &'static str,
    subject: &'static str,
    keys: &'static [Key],
    open: bool,
) -> Table {
    Table { header, doc, keys, subject, fill: Fill::Assume, open }
}

/// `[links]`.
pub(super) static LINKS: Table = table(
    "links",
    "Sensors and actuators: how readings come in and orders go out.",
    "",
    &[
        may("mqtt", Value::Table(&MQTT), "An MQTT broker."),
        may("serial", Value::ById(&SERIAL), "Nodes that speak the line protocol, by name."),
        may("modbus", Value::ById(&MODBUS), "Modbus meters and relay boards, by name."),
        may("lcc", Value::ById(&LCC), "LCC adapters, by name."),
    ],
    false,
);

pub(super) static NUMBER: Value = Value::Number;

static MQTT: Table = table(
    "links.mqtt",
    "Where the MQTT broker is. Give `broker` or `embedded`.",
    "links/mqtt",
    &with_more_brokers(BROKER),
    false,
);

static ALSO: Table = table(
    "links.mqtt.also.NAME",
    "A further MQTT broker, with nodes of its own. Give `broker` or `embedded`.",
    "links/mqtt/also",
    &BROKER,
    false,
);

/// Keys of every broker.
const BROKER: [Key; 12] = [
    may("broker", TEXT, "A broker of its own: mqtt://host:1883 or mqtts://host:8883."),
    may("embedded", TEXT, "Checkrail brings its own, listening here: 127.0.0.1:1883."),
    or("version", Value::Word(&["3.1.1", "5"]), "3.1.1", "Version of MQTT to speak."),
    or("root", TEXT, "checkrail", "Root of all topics."),
    or("client-id", TEXT, "checkrail", "Name that the broker knows Checkrail by."),
    may("user", TEXT, "User name."),
    may("password-file", TEXT, "File that holds the password; readable by Checkrail alone."),
    may("ca-file", TEXT, "Certificate of the broker's authority."),
    may("certificate-file", TEXT, "Certificate of Checkrail; with `key-file`."),
    may("key-file", TEXT, "Key of that certificate."),
    may("map", Value::Rows(&MAP), "Foreign topics that carry readings."),
    may("out", Value::Rows(&OUT), "Foreign topics that take orders."),
];

/// Only the first broker has others beside it.
const fn with_more_brokers(keys: [Key; 12]) -> [Key; 13] {
    let last = may("also", Value::ById(&ALSO), "Further brokers, by name.");
    let mut all = [last; 13];
    let mut at = 0;
    while at < keys.len() {
        all[at] = keys[at];
        at += 1;
    }
    all
}

static MAP: Table = table(
    "links.mqtt.map",
    "A foreign topic, and the channel that its value is of.",
    "",
    &[
        must("topic", TEXT, "Topic filter; each + captures {1}, {2}, and so on."),
        must("channel", TEXT, "Channel name, with captures: block/{1}/current."),
        may("pointer", TEXT, "JSON pointer (RFC 6901) to the value; default the whole payload."),
        may(
            "between",
            Value::List { of: &TEXT, least: 2, most: 2 },
            "The value stands between these two texts.",
        ),
        or("scale", Value::Number, "1", "Value = number x scale + offset."),
        or("offset", Value::Number, "0", "See `scale`."),
        may(
            "range",
            Value::List { of: &NUMBER, least: 2, most: 2 },
            "Allowed values, [least, most]; one outside is bad and not clamped.",
        ),
        may("values", Value::Map(&TEXT), "Words: payload to value."),
        may("other", TEXT, "Value of payloads that `values` does not list."),
        may("stale-after", SPAN, "Longest silence."),
    ],
    false,
);

static OUT: Table = table(
    "links.mqtt.out",
    "An output that takes its orders on a foreign topic.",
    "",
    &[
        must("channel", TEXT, "The channel: district/ID/power or booster/ID/power."),
        must("topic", TEXT, "The topic."),
        must("off", TEXT, "Payload that cuts."),
        must("on", TEXT, "Payload that switches on."),
        or(
            "deadman",
            Value::Word(&["node", "external", "none"]),
            "none",
            "What switches it off when Checkrail falls silent.",
        ),
    ],
    false,
);

static SERIAL: Table = table(
    "links.serial.NAME",
    "A serial line with a node that speaks the line protocol.",
    "links/serial",
    &[
        must("device", TEXT, "The serial device; prefer a path under /dev/serial/by-id."),
        or("baud", Value::Count { least: 300, most: 4_000_000 }, "115200", "Bits per second."),
    ],
    false,
);

static LCC: Table = table(
    "links.lcc.NAME",
    "An LCC adapter (NMRA S-9.7) that speaks CAN frames as text. Give `device` or `tcp`.",
    "links/lcc",
    &[
        may("device", TEXT, "The serial device of the CAN adapter."),
        may("tcp", TEXT, "HOST:12021."),
        or("baud", Value::Count { least: 300, most: 4_000_000 }, "115200", "Bits per second."),
        must("node-id", TEXT, "Six bytes of your own range: 03.00.12.34.56.01."),
        may(
            "own",
            Value::Map(&INDEX),
            "Index of objects in Checkrail's own events: { \"machine/T14\" = 14 }.",
        ),
        may("in", Value::Rows(&LCC_IN), "Events of other nodes that carry readings."),
        may("out", Value::Rows(&LCC_OUT), "Events of other nodes that take orders."),
    ],
    false,
);

static INDEX: Value = Value::Count { least: 0, most: 511 };

static LCC_IN: Table = table(
    "links.lcc.NAME.in",
    "An event of another node, and what it says.",
    "links/lcc",
    &[
        must("event", TEXT, "Eight bytes: 05.01.01.01.22.00.00.10."),
        must("channel", TEXT, "The channel: machine/ID/position, block/ID/occupied, and so on."),
        must("value", TEXT, "Its value; `cut` for a power channel asks Checkrail to cut it."),
    ],
    false,
);

static LCC_OUT: Table = table(
    "links.lcc.NAME.out",
    "An output that takes its orders as events. It may not be a district's only means to cut.",
    "links/lcc",
    &[
        must(
            "channel",
            TEXT,
            "The channel: district/ID/power, booster/ID/power, machine/ID/throw.",
        ),
        may("off", TEXT, "Event that cuts."),
        may("on", TEXT, "Event that switches on."),
        may("normal", TEXT, "Event that throws to normal."),
        may("reverse", TEXT, "Event that throws to reverse."),
    ],
    false,
);

/// `[history]`.
pub(super) static HISTORY: Table = table(
    "history",
    "Where history is kept.",
    "",
    &[
        depends("path", TEXT, "the state directory", "Directory of the database."),
        may("journal", TEXT, "Directory into which `run` records every reading."),
    ],
    false,
);

/// `[dashboard]`.
pub(super) static DASHBOARD: Table = table(
    "dashboard",
    "The page for the browser.",
    "dashboard",
    &[
        or("listen", TEXT, "127.0.0.1:8080", "Address and port that it listens on."),
        may(
            "hosts",
            Value::List { of: &TEXT, least: 1, most: 16 },
            "Names besides its address under which browsers may open it, without port: `[\"layout.lan\"]`.",
        ),
        may("read-token-file", TEXT, "File with the token that reading needs."),
        depends(
            "operator-token-file",
            TEXT,
            "a new token at each start",
            "File with the token that acting needs.",
        ),
    ],
    false,
);
