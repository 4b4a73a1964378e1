//! Keys of everything but trackwork, protection and links.

use super::{
    CONDUCTORS, DELAY, Fill, LIST_LENGTH_MAX, MILLI, POLES_MAX, Referent, SMALL_CURRENT, SPAN,
    SUPPLY_CURRENT, TEXT, Table, Value, at, depends, length, link_keys, may, must, or,
    protection_keys, resistance, trackwork_keys,
};
use crate::quantity::Dimension;

/// The whole file.
pub static ROOT: Table = Table {
    header: "",
    doc: "A layout: what is fed by what, and through which contacts.",
    keys: &[
        or("schema", Value::Count { least: 1, most: 1 }, "1", "Version of this file format."),
        depends("layout", Value::Table(&LAYOUT), "its defaults", "The layout as a whole."),
        may("booster", Value::ById(&BOOSTER), "Boosters and power packs, by id."),
        may("district", Value::ById(&DISTRICT), "Districts, by id."),
        may("block", Value::ById(&BLOCK), "Blocks, by id."),
        may("track", Value::ById(&TRACK), "Plain track, by id: the track plan."),
        may("trackwork", Value::ById(&trackwork_keys::TRACKWORK), "Trackwork, by id."),
        may("machine", Value::ById(&MACHINE), "Switch machines, by id."),
        depends(
            "defaults",
            Value::Table(&DEFAULTS),
            "its defaults",
            "Values for every table that does not say.",
        ),
        may("reverser", Value::ById(&REVERSER), "Automatic reversers, by id."),
        may(
            "colours",
            Value::Map(&TEXT),
            "Wire colours for the sheets only, by what the wire is: A, B (or DISTRICT/A), frog, motor, jumper.",
        ),
        may("protection", Value::Table(&protection_keys::PROTECTION), "Settings of protection."),
        may("links", Value::Table(&link_keys::LINKS), "Sensors and actuators."),
        may("history", Value::Table(&link_keys::HISTORY), "Where history is kept."),
        depends(
            "dashboard",
            Value::Table(&link_keys::DASHBOARD),
            "its defaults",
            "The page for the browser.",
        ),
    ],
    subject: "layout",
    fill: Fill::Assume,
    open: false,
};

static LAYOUT: Table = Table {
    header: "layout",
    doc: "The layout as a whole.",
    keys: &[
        or("name", TEXT, "Layout", "What the layout is called."),
        or(
            "control",
            Value::Word(&["dcc", "dc"]),
            "dcc",
            "How trains are driven: constant track voltage (dcc) or by the throttle's (dc).",
        ),
        or(
            "ambient",
            Value::Amount { dimension: Dimension::Temperature, least: -40_000, most: 85_000 },
            "22 C",
            "Temperature of the room; copper resistance depends on it.",
        ),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static BOOSTER: Table = Table {
    header: "booster.ID",
    doc: "Whatever feeds the track: booster or power pack.",
    keys: &[
        must(
            "volts",
            Value::Amount { dimension: Dimension::Voltage, least: 1, most: 60 * MILLI },
            "Voltage with nothing on the track. At most 60 V.",
        ),
        must("limit", SUPPLY_CURRENT, "The most current it delivers into a short."),
        or("trip-delay", DELAY, "150 ms", "How long at its limit before it shuts itself down."),
        or("resistance", resistance(0), "0.05 ohm", "Resistance of the source."),
        or("cut", Value::Flag, "false", "There is an actuator: Checkrail may cut the booster."),
        or("opens-in", DELAY, "15 ms", "Longest time from the order to the open contact."),
    ],
    subject: "booster",
    fill: Fill::Assume,
    open: false,
};

static DISTRICT: Table = Table {
    header: "district.ID",
    doc: "A part of the layout behind one breaker.",
    keys: &[
        must("booster", Value::Id(Referent::Booster), "The booster that feeds it."),
        may("breaker", Value::Table(&BREAKER), "Its breaker; taken as none where not given."),
        depends("bus", Value::Table(&BUS), "14 AWG, 6 m", "Its bus, from booster to far end."),
        or("cut", Value::Flag, "false", "There is an actuator: Checkrail may cut the district."),
        or("opens-in", DELAY, "15 ms", "Longest time from the order to the open contact."),
        depends(
            "averaging",
            SPAN,
            "that of its register or foreign topic, else 10 ms",
            "Its current sensor averages over this time, which `study` adds to the time of a cut.",
        ),
        may(
            "protection",
            Value::Table(&protection_keys::DISTRICT),
            "Settings for this district alone.",
        ),
    ],
    subject: "district",
    fill: Fill::Assume,
    open: false,
};

static BREAKER: Table = Table {
    header: "district.ID.breaker",
    doc: "What protects a district. Checkrail never replaces it.",
    keys: &[
        at(
            "breaker.kind",
            or(
                "kind",
                Value::Word(&["electronic", "fuse", "ptc", "lamp", "none"]),
                "electronic",
                "What it is.",
            ),
        ),
        may("trip", SUPPLY_CURRENT, "Current at which it acts. Of a fuse or PTC: its trip rating."),
        at("breaker.delay", or("delay", DELAY, "0 ms", "How long it takes at that current.")),
        may("ohms-hot", resistance(1), "Resistance of a glowing lamp or of a tripped PTC."),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static BUS: Table = Table {
    header: "district.ID.bus",
    doc: "The bus of a district.",
    keys: &[
        at("bus.gauge", or("gauge", Value::Wire, "14 AWG", "Size of one conductor.")),
        at("bus.length", or("length", length(0), "6 m", "One way; the loop is twice that.")),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static BLOCK: Table = Table {
    header: "block.ID",
    doc: "One detection section inside a district.",
    keys: &[
        must("district", Value::Id(Referent::District), "The district it belongs to."),
        depends("feeder", Value::Table(&FEEDER), "20 AWG, 0.4 m, 1 pair", "Its feeder."),
        or("standing-load", SMALL_CURRENT, "0 mA", "Lamps and the like that draw all the time."),
        or("left", CONDUCTORS, "A", "Conductor of the left rail of its tracks and trackwork."),
        may("protection", Value::Table(&protection_keys::BLOCK), "Settings for this block alone."),
    ],
    subject: "block",
    fill: Fill::Assume,
    open: false,
};

static FEEDER: Table = Table {
    header: "block.ID.feeder",
    doc: "The wires from bus to rail.",
    keys: &[
        at("feeder.gauge", or("gauge", Value::Wire, "20 AWG", "Size of one conductor.")),
        at("feeder.length", or("length", length(0), "0.4 m", "One way.")),
        at(
            "feeder.pairs",
            or("pairs", Value::Count { least: 1, most: 1000 }, "1", "Pairs side by side."),
        ),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static TRACK: Table = Table {
    header: "track.ID",
    doc: "Plain track between two ends.",
    keys: &[
        depends(
            "block",
            Value::Id(Referent::Block),
            "the only block, where there is one",
            "The block it belongs to.",
        ),
        depends("from", Value::End, "a buffer of its own", "Where it starts."),
        depends("to", Value::End, "a buffer of its own", "Where it ends."),
        or("length", length(0), "1 m", "Its length."),
        or("rail", Value::Rail, "code 83", "Its rail, by height in thousandths of an inch."),
        may("left", CONDUCTORS, "Conductor of its left rail, looking from `from` to `to`."),
        may(
            "gaps",
            Value::List { of: &GAP_FORM, least: 0, most: 4 },
            "Ends with both rails gapped; { end = \"to\", rail = \"left\" } for one rail.",
        ),
        depends(
            "feeders",
            Value::List { of: &ENDS, least: 0, most: 2 },
            "[\"from\"] where `left` is given, else none",
            "Ends at which a feeder pair of its block joins the rails.",
        ),
    ],
    subject: "track",
    fill: Fill::Assume,
    open: false,
};

static ENDS: Value = Value::Word(&["from", "to"]);
static GAP_FORM: Value = Value::OneOf(&[Value::Word(&["from", "to"]), Value::Table(&GAP)]);

static GAP: Table = Table {
    header: "track.ID.gaps",
    doc: "A gap in one rail.",
    keys: &[
        must("end", Value::Word(&["from", "to"]), "At which end."),
        may(
            "rail",
            Value::Word(&["left", "right"]),
            "In which rail, looking from `from` to `to`; both where not given.",
        ),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

const POLES: Value = Value::Count { least: 0, most: POLES_MAX };

/// `[defaults]`.
static DEFAULTS: Table = Table {
    header: "defaults",
    doc: "Values for every table that does not say otherwise.",
    keys: &[depends(
        "machine",
        Value::Table(&DEFAULT_MACHINE),
        "its defaults",
        "For every machine.",
    )],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

/// `[defaults.machine]`; a machine's own list tells which of these it assumes.
pub static DEFAULT_MACHINE: Table = Table {
    header: "defaults.machine",
    doc: "For every machine that does not say otherwise.",
    keys: &[
        or("poles", POLES, "2", "Change-over contacts."),
        or("contact-rating", SUPPLY_CURRENT, "1 A", "Per pole, continuous."),
        or("contact-resistance", resistance(0), "30 mohm", "Of one closed contact."),
        or("contact-time-constant", SPAN, "2 s", "Of the thermal image."),
        or("throw-time", SPAN, "2.5 s", "Time of one throw."),
        may("terminal-hole", HOLE, "Diameter of the hole in a terminal, for the sheets."),
    ],
    subject: "",
    fill: Fill::Quiet,
    open: false,
};

/// From a tenth of a millimetre to a centimetre.
const HOLE: Value = Value::Amount { dimension: Dimension::Length, least: 100, most: 10_000 };
const BY_DEFAULTS: &str = "as [defaults.machine]";
static LABELS: Value = Value::List { of: &TEXT, least: 1, most: LIST_LENGTH_MAX };

static PAIR: Value = Value::List { of: &TEXT, least: 2, most: 2 };
const PAIRS_OF: Value = Value::List { of: &PAIR, least: 1, most: POLES_MAX as usize };

static TRUTH: Table = Table {
    header: "machine.ID.truth",
    doc: "What a meter found on the bare machine: which pairs of terminals beep in each position.",
    keys: &[
        must("normal", PAIRS_OF, "Pairs that beep when the machine is normal: [[\"2\", \"3\"]]."),
        must("reverse", PAIRS_OF, "Pairs that beep when it is reverse: [[\"1\", \"2\"]]."),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static MACHINE: Table = Table {
    header: "machine.ID",
    doc: "A switch machine. One that trackwork names needs no table of its own.",
    keys: &[
        depends("poles", POLES, BY_DEFAULTS, "Change-over contacts."),
        depends("contact-rating", SUPPLY_CURRENT, BY_DEFAULTS, "Per pole, continuous."),
        depends("contact-resistance", resistance(0), BY_DEFAULTS, "Of one closed contact."),
        depends(
            "contact-time-constant",
            SPAN,
            BY_DEFAULTS,
            "Of the thermal image; assumed unless measured.",
        ),
        depends("throw-time", SPAN, BY_DEFAULTS, "Time of one throw."),
        or("supply", TEXT, "own", "What powers the motor: \"own\" or \"district/ID\"."),
        may(
            "uses",
            Value::List { of: &TEXT, least: 0, most: POLES_MAX as usize },
            "Other uses of its poles, one pole each: [\"signal\"].",
        ),
        may(
            "terminals",
            Value::Map(&LABELS),
            "Labels of its terminals, for the sheets: motor, and pole-1 … as common, normal, reverse.",
        ),
        may(
            "truth",
            Value::Table(&TRUTH),
            "Instead of pole-1 … in `terminals`: the table that a meter gives.",
        ),
        depends("terminal-hole", HOLE, BY_DEFAULTS, "Diameter of the hole in a terminal."),
        may(
            "protection",
            Value::Table(&protection_keys::MACHINE),
            "Settings for this machine alone.",
        ),
    ],
    subject: "machine",
    fill: Fill::Assume,
    open: false,
};

static REVERSER: Table = Table {
    header: "reverser.ID",
    doc: "An automatic reverser: it may swap A and B of one block.",
    keys: &[must("block", Value::Id(Referent::Block), "The block behind it.")],
    subject: "reverser",
    fill: Fill::Assume,
    open: false,
};
