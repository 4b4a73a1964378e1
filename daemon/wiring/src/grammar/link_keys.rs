//! Keys of `[links]` but MQTT and Modbus, `[history]` and `[dashboard]`.

use super::{
    Fill, Key, SPAN, TEXT, Table, Value, depends, may, modbus_keys::MODBUS, mqtt_keys::MQTT, must,
    or,
};

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

static NUMBER: Value = Value::Number;

/// Keys of every row that makes a value of a number.
pub(super) const SCALE: Key = or("scale", Value::Number, "1", "Value = number x scale + offset.");
pub(super) const OFFSET: Key = or("offset", Value::Number, "0", "See `scale`.");
pub(super) const RANGE: Key = may(
    "range",
    Value::List { of: &NUMBER, least: 2, most: 2 },
    "Allowed values, [least, most]; one outside is bad and not clamped.",
);
pub(super) const AVERAGING: Key = may("averaging", SPAN, "Its source averages over this time.");
pub(super) const STALE_AFTER: Key = may("stale-after", SPAN, "Longest silence.");

/// Bits per second of a serial device.
pub(super) const fn baud(default: &'static str) -> Key {
    or("baud", Value::Count { least: 300, most: 4_000_000 }, default, "Bits per second.")
}

static SERIAL: Table = table(
    "links.serial.NAME",
    "A serial line with a node that speaks the line protocol.",
    "links/serial",
    &[
        must("device", TEXT, "The serial device; prefer a path under /dev/serial/by-id."),
        baud("115200"),
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
        baud("115200"),
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
