//! Keys of `[links.mqtt]`.

use super::{
    ANY_TEXT, Key, SMALL_CURRENT, SPAN, TEXT, Table, Value,
    link_keys::{AVERAGING, OFFSET, RANGE, SCALE, STALE_AFTER, table},
    may, must, or,
};

/// `[links.mqtt]`.
pub(super) static MQTT: Table = table(
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
    may("user", TEXT, "User name. An embedded broker takes nobody without it."),
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
    "A foreign topic, and the channel that its value is of. `pointer`, `between` and `regex` exclude each other.",
    "",
    &[
        must("topic", TEXT, "Topic filter; each + captures {1}, {2}, and so on."),
        must("channel", TEXT, "Channel name, with captures: block/{1}/current."),
        or(
            "encoding",
            Value::Word(&["json", "cbor"]),
            "json",
            "How the payload is written; plain text counts as json.",
        ),
        may(
            "pointer",
            ANY_TEXT,
            "JSON pointer (RFC 6901) to the value; \"\", or none, is the whole payload.",
        ),
        may(
            "between",
            Value::List { of: &ANY_TEXT_ITEM, least: 2, most: 2 },
            "The value stands between these two texts; the second may be \"\", the end.",
        ),
        may("regex", TEXT, "Regular expression with one group in parentheses, which is the value."),
        SCALE,
        OFFSET,
        RANGE,
        may("values", Value::Map(&TEXT), "Words: payload to value."),
        may("other", TEXT, "Value of payloads that `values` does not list."),
        may(
            "time",
            ANY_TEXT,
            "JSON pointer to the sender's own time: a reading that waited on its way is known as late.",
        ),
        or(
            "time-unit",
            Value::Word(&["s", "ms", "us"]),
            "ms",
            "What `time` counts, since any moment.",
        ),
        may(
            "seq",
            ANY_TEXT,
            "JSON pointer to the number of the sender's message: repeated and older ones are known.",
        ),
        AVERAGING,
        STALE_AFTER,
    ],
    false,
);

static ANY_TEXT_ITEM: Value = ANY_TEXT;

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
            "retain",
            Value::Flag,
            "false",
            "Orders are never retained: a relay that starts again would get an old one.",
        ),
        or(
            "deadman",
            Value::Word(&["node", "external", "none"]),
            "none",
            "What switches it off when Checkrail falls silent.",
        ),
        may("proof", Value::Table(&PROOF), "The current that shows that it cut."),
    ],
    false,
);

static BELOW: [Value; 2] = [SMALL_CURRENT, Value::Number];

static PROOF: Table = table(
    "links.mqtt.out.proof",
    "What proves a cut by this output. Its readings do although they may carry neither number nor time.",
    "",
    &[
        must("channel", TEXT, "The current of the same district or booster: district/ID/current."),
        may(
            "below",
            Value::OneOf(&BELOW),
            "Below this no current flows, in place of `cut-residual`; a bare number is in amperes.",
        ),
        may("within", SPAN, "Proof is due after this, in place of `cut-within`."),
    ],
    false,
);
