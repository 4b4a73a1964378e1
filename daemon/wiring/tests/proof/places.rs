//! The one table between the names of the check values and ours.
//!
//! The check values name legs and frogs by compass, west being end a, and give each kind its own machine labels.

use wiring::layout::Position::{self, Normal, Reverse};

/// A kind of trackwork as the check values know it.
pub(crate) struct Kind {
    /// Its name in `geometry-vectors.json`.
    pub(crate) name: &'static str,
    /// The layout, without what every layout needs.
    pub(crate) layout: &'static str,
    /// Frogs: theirs, ours.
    pub(crate) frogs: &'static [(&'static str, &'static str)],
    /// Positions: theirs as `MACHINE=LABEL`; machines have the same names here.
    pub(crate) labels: &'static [(&'static str, Position)],
}

const TWO: &[(&str, Position)] = &[("N", Normal), ("R", Reverse)];
const DIAMOND_FROGS: &[(&str, &str)] =
    &[("DW", "D.a"), ("DE", "D.b"), ("KN", "D.k-left"), ("KS", "D.k-right")];
const TURNOUT: &[(&str, &str)] = &[("F", "F")];
const CROSSOVER_FROGS: &[(&str, &str)] = &[("F1", "F1"), ("F2", "F2")];

const SCISSORS_FROGS: &[(&str, &str)] = &[
    ("FW1", "FW1"),
    ("FE2", "FE2"),
    ("FW2", "FW2"),
    ("FE1", "FE1"),
    ("DW", "D.a"),
    ("DE", "D.b"),
    ("KN", "D.k-left"),
    ("KS", "D.k-right"),
];

const SCISSORS: &str = r#"
trackwork.FW1 = { kind = "turnout", hand = "right", block = "q", left = "A", machine = "MX" }
trackwork.FE2 = { kind = "turnout", hand = "right", block = "q", left = "B", machine = "MX" }
trackwork.FW2 = { kind = "turnout", hand = "left", block = "q", left = "A", machine = "MY" }
trackwork.FE1 = { kind = "turnout", hand = "left", block = "q", left = "B", machine = "MY" }
trackwork.D = { kind = "crossing", block = "q", routes = { a-left = { MX = "reverse" }, a-right = { MY = "reverse" } } }
"#;

const SLIP: &str = r#"trackwork.D = { kind = "single-slip", block = "q", machines = { a = "MW", b = "ME" }, slip = "a-right" }"#;

/// Every kind of the check values. Turnouts with their points to the east have B on the left, seen from the points.
pub(crate) const KINDS: &[Kind] = &[
    Kind {
        name: "turnout RH, points west",
        layout: r#"trackwork.F = { kind = "turnout", hand = "right", block = "q", machine = "M" }"#,
        frogs: TURNOUT,
        labels: TWO,
    },
    Kind {
        name: "turnout LH, points west",
        layout: r#"trackwork.F = { kind = "turnout", hand = "left", block = "q", machine = "M" }"#,
        frogs: TURNOUT,
        labels: TWO,
    },
    Kind {
        name: "wye turnout, points west, normal=left leg",
        layout: r#"trackwork.F = { kind = "turnout", hand = "wye", normal = "left", block = "q", machine = "M" }"#,
        frogs: TURNOUT,
        labels: TWO,
    },
    Kind {
        name: "single crossover RH, two machines",
        layout: r#"
trackwork.F1 = { kind = "turnout", hand = "right", block = "q", left = "A", machine = "M1" }
trackwork.F2 = { kind = "turnout", hand = "right", block = "q", left = "B", machine = "M2" }"#,
        frogs: CROSSOVER_FROGS,
        labels: TWO,
    },
    Kind {
        name: "single crossover RH, one machine",
        layout: r#"
trackwork.F1 = { kind = "turnout", hand = "right", block = "q", left = "A", machine = "M" }
trackwork.F2 = { kind = "turnout", hand = "right", block = "q", left = "B", machine = "M" }"#,
        frogs: CROSSOVER_FROGS,
        labels: TWO,
    },
    Kind {
        name: "single crossover LH, one machine",
        layout: r#"
trackwork.F1 = { kind = "turnout", hand = "left", block = "q", left = "B", machine = "M" }
trackwork.F2 = { kind = "turnout", hand = "left", block = "q", left = "A", machine = "M" }"#,
        frogs: CROSSOVER_FROGS,
        labels: TWO,
    },
    Kind {
        name: "scissors, one machine position per crossover (X,Y)",
        layout: SCISSORS,
        frogs: SCISSORS_FROGS,
        labels: TWO,
    },
    Kind {
        name: "universal double crossover (two crossovers end to end)",
        layout: r#"
trackwork.FW1 = { kind = "turnout", hand = "right", block = "q", left = "A", machine = "MX" }
trackwork.FE2 = { kind = "turnout", hand = "right", block = "q", left = "B", machine = "MX" }
trackwork.FW2 = { kind = "turnout", hand = "left", block = "q", left = "A", machine = "MY" }
trackwork.FE1 = { kind = "turnout", hand = "left", block = "q", left = "B", machine = "MY" }"#,
        frogs: SCISSORS_FROGS,
        labels: TWO,
    },
    Kind {
        name: "scissors, all four thrown together (one position)",
        layout: r#"
trackwork.FW1 = { kind = "turnout", hand = "right", block = "q", left = "A", machine = "M" }
trackwork.FE2 = { kind = "turnout", hand = "right", block = "q", left = "B", machine = "M" }
trackwork.FW2 = { kind = "turnout", hand = "left", block = "q", left = "A", machine = "M" }
trackwork.FE1 = { kind = "turnout", hand = "left", block = "q", left = "B", machine = "M" }
trackwork.D = { kind = "crossing", block = "q", routes = { a-left = { M = "reverse" }, a-right = { M = "reverse" } } }"#,
        frogs: SCISSORS_FROGS,
        labels: TWO,
    },
    Kind {
        name: "three-way",
        layout: r#"trackwork.F = { kind = "three-way", block = "q", machines = { left = "ML", right = "MR" } }"#,
        frogs: &[("LR", "F.middle"), ("LC", "F.left"), ("CR", "F.right")],
        labels: &[("left", Reverse), ("right", Reverse), ("off", Normal)],
    },
    Kind {
        name: "diamond, same sense; selector = route X or Y",
        layout: r#"trackwork.D = { kind = "crossing", block = "q", machine = "SEL", normal = "a-left" }"#,
        frogs: DIAMOND_FROGS,
        labels: &[("X", Normal), ("Y", Reverse)],
    },
    Kind {
        name: "diamond, Y wired in the opposite sense; selector = route",
        layout: r#"
trackwork.D = { kind = "crossing", block = "q", machine = "SEL", normal = "a-left" }
track.nw = { block = "q", to = "D.a-left", left = "A", gaps = ["to"] }
track.se = { block = "q", from = "D.b-left", left = "A", gaps = ["from"] }
track.sw = { block = "q", to = "D.a-right", left = "B", gaps = ["to"] }
track.ne = { block = "q", from = "D.b-right", left = "B" }"#,
        frogs: DIAMOND_FROGS,
        labels: &[("X", Normal), ("Y", Reverse)],
    },
    Kind {
        name: "double slip; MW picks the EAST leg, ME picks the WEST leg",
        layout: r#"trackwork.D = { kind = "double-slip", block = "q", machines = { a = "MW", b = "ME" } }"#,
        frogs: DIAMOND_FROGS,
        labels: &[("toSE", Normal), ("toNE", Reverse), ("toNW", Normal), ("toSW", Reverse)],
    },
    Kind {
        name: "single slip (south), machines independent, all four settings",
        layout: SLIP,
        frogs: DIAMOND_FROGS,
        labels: TWO,
    },
    Kind {
        name: "single slip (south), N,N not used",
        layout: SLIP,
        frogs: DIAMOND_FROGS,
        labels: TWO,
    },
    Kind {
        name: "single slip (south), one machine for both ends",
        layout: r#"trackwork.D = { kind = "single-slip", block = "q", machines = { a = "M", b = "M" }, slip = "a-right" }"#,
        frogs: DIAMOND_FROGS,
        labels: TWO,
    },
];

impl Kind {
    pub(crate) fn named(name: &str) -> &'static Self {
        KINDS.iter().find(|kind| kind.name == name).unwrap_or_else(|| panic!("no kind {name}"))
    }

    /// Our id of one of their frogs.
    pub(crate) fn frog(&self, theirs: &str) -> &'static str {
        let found = self.frogs.iter().find(|(name, _)| *name == theirs);
        found.unwrap_or_else(|| panic!("{} has no frog {theirs}", self.name)).1
    }

    /// The position that one of their labels stands for.
    pub(crate) fn position(&self, label: &str) -> Position {
        let found = self.labels.iter().find(|(name, _)| *name == label);
        found.unwrap_or_else(|| panic!("{} has no position {label}", self.name)).1
    }
}
