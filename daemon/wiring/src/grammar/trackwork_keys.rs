//! Keys of trackwork and frogs.

use super::{
    CONDUCTORS, Fill, LIST_LENGTH_MAX, Referent, Table, Value, at, depends, length, may, must, or,
    resistance,
};
use crate::trackwork::{FrogName, Port};

/// What a kind of trackwork has and takes.
#[derive(Debug)]
pub struct KindRule {
    /// As `kind` writes it.
    pub word: &'static str,
    /// With its article.
    pub words: &'static str,
    /// Its ports.
    pub ports: &'static [Port],
    /// Its frogs with their names in the file.
    pub frogs: &'static [(&'static str, FrogName)],
    /// Keys of `[trackwork.ID]` that it takes beyond `kind`, `block` and `left`.
    pub keys: &'static [&'static str],
}

const CROSSED: &[Port] = &[Port::ALeft, Port::ARight, Port::BLeft, Port::BRight];
const CROSSED_FROGS: &[(&str, FrogName)] = &[
    ("a", FrogName::A),
    ("b", FrogName::B),
    ("k-left", FrogName::KLeft),
    ("k-right", FrogName::KRight),
];

/// Every kind of trackwork.
pub static KINDS: [KindRule; 5] = [
    KindRule {
        word: "turnout",
        words: "a turnout",
        ports: &[Port::Points, Port::Left, Port::Right],
        frogs: &[("frog", FrogName::Only)],
        keys: &["hand", "normal", "machine", "frog"],
    },
    KindRule {
        word: "three-way",
        words: "a three-way",
        ports: &[Port::Points, Port::Left, Port::Centre, Port::Right],
        frogs: &[
            ("left", FrogName::Left),
            ("middle", FrogName::Middle),
            ("right", FrogName::Right),
        ],
        keys: &["machines", "frogs"],
    },
    KindRule {
        word: "single-slip",
        words: "a single slip",
        ports: CROSSED,
        frogs: CROSSED_FROGS,
        keys: &["machines", "slip", "frogs"],
    },
    KindRule {
        word: "double-slip",
        words: "a double slip",
        ports: CROSSED,
        frogs: CROSSED_FROGS,
        keys: &["machines", "normal", "frogs"],
    },
    KindRule {
        word: "crossing",
        words: "a crossing",
        ports: CROSSED,
        frogs: CROSSED_FROGS,
        keys: &["routes", "machine", "normal", "frogs"],
    },
];

/// All ports of all kinds.
pub const ALL_PORTS: [Port; 8] = [
    Port::Points,
    Port::Left,
    Port::Centre,
    Port::Right,
    Port::ALeft,
    Port::ARight,
    Port::BLeft,
    Port::BRight,
];

/// `[trackwork.ID]`.
pub(super) static TRACKWORK: Table = Table {
    header: "trackwork.ID",
    doc: "A turnout, three-way, slip or crossing.",
    keys: &[
        must(
            "kind",
            Value::Word(&["turnout", "three-way", "single-slip", "double-slip", "crossing"]),
            "What it is.",
        ),
        must("block", Value::Id(Referent::Block), "The block it stands in."),
        depends(
            "hand",
            Value::Word(&["left", "right", "wye"]),
            "right, where `normal` is not given either",
            "Of a turnout: the side on which the diverging leg lies.",
        ),
        may(
            "left",
            CONDUCTORS,
            "Conductor of the left stock rail, looking from the points toward the frog.",
        ),
        depends(
            "normal",
            Value::OneOf(&[
                Value::Word(&["left", "right", "a-left", "a-right"]),
                Value::Table(&SLIP_NORMAL),
            ]),
            "the straight leg",
            "What normal leads to: of a turnout a leg, of a crossing an a-port, of a double slip \
             { a = \"b-left\", b = \"a-left\" }.",
        ),
        depends(
            "machine",
            Value::Id(Referent::Machine),
            "of a turnout, a machine of the same id",
            "The machine of a turnout, or the one that names a crossing's route.",
        ),
        depends(
            "machines",
            Value::Table(&MACHINES),
            "ID-left and ID-right, or ID-a and ID-b",
            "The two machines of a three-way or slip.",
        ),
        may(
            "routes",
            Value::Table(&ROUTES),
            "Of a crossing: when each route is in use, by machine and position.",
        ),
        may(
            "slip",
            Value::Word(&["a-left", "a-right"]),
            "Of a single slip, and required there: the a-port that the slip route starts from.",
        ),
        may("frog", Value::Table(&FROG), "The frog of a turnout and its feed."),
        may("frogs", Value::Table(&FROGS), "The frogs of trackwork that has several, by name."),
    ],
    subject: "trackwork",
    fill: Fill::Assume,
    open: false,
};

static SLIP_NORMAL: Table = Table {
    header: "trackwork.ID.normal",
    doc: "The ports in use when both machines of a double slip are normal.",
    keys: &[
        at(
            "normal.a",
            or("a", Value::Word(&["b-left", "b-right"]), "b-left", "The b-port, by machine a."),
        ),
        at(
            "normal.b",
            or("b", Value::Word(&["a-left", "a-right"]), "a-left", "The a-port, by machine b."),
        ),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static MACHINES: Table = Table {
    header: "trackwork.ID.machines",
    doc: "The machines of a three-way or slip.",
    keys: &[
        depends("left", Value::Id(Referent::Machine), "ID-left", "Reverse: the left leg."),
        depends("right", Value::Id(Referent::Machine), "ID-right", "Reverse: the right leg."),
        depends("a", Value::Id(Referent::Machine), "ID-a", "The machine at end a of a slip."),
        depends("b", Value::Id(Referent::Machine), "ID-b", "The machine at end b of a slip."),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static POSITIONS: Value = Value::Word(&["normal", "reverse"]);

static ROUTES: Table = Table {
    header: "trackwork.ID.routes",
    doc: "A route is in use when all its machines stand as named.",
    keys: &[
        may("a-left", Value::Map(&POSITIONS), "The route from a-left to b-left."),
        may("a-right", Value::Map(&POSITIONS), "The route from a-right to b-right."),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static FROGS: Table = Table {
    header: "trackwork.ID.frogs",
    doc: "Of a three-way: left, middle, right. Of a slip or crossing: a, b, k-left, k-right.",
    keys: &[
        may("left", Value::Table(&FROG), "Where the left and centre routes cross."),
        may("middle", Value::Table(&FROG), "Where the left and right routes cross."),
        may("right", Value::Table(&FROG), "Where the right and centre routes cross."),
        may("a", Value::Table(&FROG), "The acute frog at end a."),
        may("b", Value::Table(&FROG), "The acute frog at end b."),
        may("k-left", Value::Table(&FROG), "The obtuse frog on the left; fixed where not given."),
        may("k-right", Value::Table(&FROG), "The obtuse frog on the right; fixed where not given."),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static POLE: Value = Value::Pole;

static FROG: Table = Table {
    header: "trackwork.ID.frog",
    doc: "A frog, the contacts that feed it, and what they are tied to.",
    keys: &[
        must(
            "poles",
            Value::List { of: &POLE, least: 1, most: LIST_LENGTH_MAX },
            "The contacts that feed it: [\"T1.1\"]. Several side by side share the current.",
        ),
        must("normal", Value::Tie, "What the normal contact is tied to."),
        must("reverse", Value::Tie, "What the reverse contact is tied to."),
        depends("feed", Value::Table(&FEED), "22 AWG, 0.6 m", "The wire from contact to frog."),
        may("limiter", Value::Table(&LIMITER), "A lamp, PTC or resistor in that wire."),
        or(
            "proved",
            Value::Flag,
            "false",
            "Both poles have been shown to carry their share, by measuring.",
        ),
    ],
    subject: "frog",
    fill: Fill::Assume,
    open: false,
};

static FEED: Table = Table {
    header: "trackwork.ID.frog.feed",
    doc: "The wire from the contact to the frog.",
    keys: &[
        at("feed.gauge", or("gauge", Value::Wire, "22 AWG", "Its size.")),
        at("feed.length", or("length", length(0), "0.6 m", "Its length.")),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};

static LIMITER: Table = Table {
    header: "trackwork.ID.frog.limiter",
    doc: "Something in the frog's feed that limits current.",
    keys: &[
        must("kind", Value::Word(&["lamp", "ptc", "resistor"]), "What it is."),
        at(
            "limiter.ohms-hot",
            or("ohms-hot", resistance(1), "12 ohm", "Its resistance when it limits."),
        ),
    ],
    subject: "",
    fill: Fill::Assume,
    open: false,
};
