//! Every mistake of `geometry-mistakes.json`, wired as described, and which frogs each route then shorts at or finds dead.

use std::collections::BTreeMap;

/// A contact: the frog it feeds (their name), its machine, and what it is tied to in normal and in reverse.
pub(crate) type Contact = (&'static str, &'static str, &'static str, &'static str);

/// A route: its name, the setting in which it is used (machine, label), and the frogs that it passes.
pub(crate) type Used =
    (&'static str, &'static [(&'static str, &'static str)], &'static [&'static str]);

/// A kind with its healthy wiring, and the mistakes as what differs from it.
pub(crate) struct Wired {
    /// As `geometry-mistakes.json` names it.
    pub(crate) kind: &'static str,
    /// The entry of `geometry-vectors.json` that lays it out.
    pub(crate) layout: &'static str,
    /// The entry that gives the conductors required on each route alone.
    pub(crate) required: &'static str,
    pub(crate) routes: &'static [Used],
    pub(crate) healthy: &'static [Contact],
    pub(crate) mistakes: &'static [(&'static str, &'static [Contact])],
}

impl Wired {
    /// The contacts after a mistake.
    pub(crate) fn contacts(&self, mistake: &str) -> Vec<Contact> {
        let (_, changes) = self
            .mistakes
            .iter()
            .find(|(name, _)| *name == mistake)
            .unwrap_or_else(|| panic!("{}: no wiring for `{mistake}`", self.kind));
        let mut contacts: BTreeMap<_, _> = self.healthy.iter().map(|it| (it.0, *it)).collect();
        contacts.extend(changes.iter().map(|it| (it.0, *it)));
        contacts.into_values().collect()
    }
}

const DIAMOND: &[&str] = &["DW", "DE", "KN", "KS"];
const ACUTE: &[&str] = &["DW", "DE"];

pub(crate) const ALL: &[Wired] = &[
    Wired {
        kind: "turnout RH",
        layout: "turnout RH, points west",
        required: "turnout RH, points west",
        routes: &[("S", &[("M", "N")], &["F"]), ("D", &[("M", "R")], &["F"])],
        healthy: &[("F", "M", "B", "A")],
        mistakes: &[
            ("healthy", &[]),
            ("throw wires swapped", &[("F", "M", "A", "B")]),
            ("normal throw wire open", &[("F", "M", "none", "A")]),
            ("reverse throw wire open", &[("F", "M", "B", "none")]),
            ("common open", &[("F", "M", "none", "none")]),
            ("both throw wires on rail B", &[("F", "M", "B", "B")]),
            ("both throw wires on rail A", &[("F", "M", "A", "A")]),
            ("contact welded in normal", &[("F", "M", "B", "B")]),
            ("contact welded in reverse", &[("F", "M", "A", "A")]),
        ],
    },
    Wired {
        kind: "three-way",
        layout: "three-way",
        required: "three-way",
        routes: &[
            ("L", &[("ML", "left"), ("MR", "off")], &["LR", "LC"]),
            ("C", &[("ML", "off"), ("MR", "off")], &["LC", "CR"]),
            ("Rt", &[("ML", "off"), ("MR", "right")], &["LR", "CR"]),
        ],
        healthy: &[("LC", "ML", "A", "B"), ("CR", "MR", "B", "A"), ("LR", "ML", "A", "B")],
        mistakes: &[
            ("healthy, LR tied to LC", &[]),
            ("healthy, LR tied to CR", &[("LR", "MR", "B", "A")]),
            (
                "frog wires LC and CR exchanged, LR with LC terminal",
                &[("LC", "MR", "B", "A"), ("CR", "ML", "A", "B"), ("LR", "MR", "B", "A")],
            ),
            (
                "frog wires LC and CR exchanged, LR stays with ML pole",
                &[("LC", "MR", "B", "A"), ("CR", "ML", "A", "B")],
            ),
            ("ML throw wires swapped", &[("LC", "ML", "B", "A"), ("LR", "ML", "B", "A")]),
            ("MR throw wires swapped (LR tied to LC)", &[("CR", "MR", "A", "B")]),
        ],
    },
    Wired {
        kind: "diamond",
        layout: "diamond, same sense; selector = route X or Y",
        required: "diamond, same sense; selector = route X or Y",
        routes: &[("X", &[("SEL", "X")], DIAMOND), ("Y", &[("SEL", "Y")], DIAMOND)],
        healthy: &[("DW", "SEL", "B", "A"), ("DE", "SEL", "A", "B")],
        mistakes: &[
            ("both switched frogs on one pole", &[("DE", "SEL", "B", "A")]),
            ("selector reversed", &[("DW", "SEL", "A", "B"), ("DE", "SEL", "B", "A")]),
            (
                "acute frogs fixed (wired for X)",
                &[("DW", "SEL", "B", "B"), ("DE", "SEL", "A", "A")],
            ),
        ],
    },
    Wired {
        kind: "scissors",
        layout: "scissors, one machine position per crossover (X,Y)",
        required: "scissors, one machine position per crossover (X,Y)",
        routes: &[
            ("T1", &[("MX", "N"), ("MY", "N")], &["FW1", "FE1"]),
            ("T2", &[("MX", "N"), ("MY", "N")], &["FE2", "FW2"]),
            ("X", &[("MX", "R"), ("MY", "N")], &["FW1", "FE2", "DW", "DE", "KN", "KS"]),
            ("Y", &[("MX", "N"), ("MY", "R")], &["FW2", "FE1", "DW", "DE", "KN", "KS"]),
        ],
        healthy: &[
            ("FW1", "MX", "B", "A"),
            ("FE2", "MX", "A", "B"),
            ("FW2", "MY", "A", "B"),
            ("FE1", "MY", "B", "A"),
            ("DW", "MX", "A", "B"),
            ("DE", "MX", "B", "A"),
        ],
        mistakes: &[
            ("healthy (DE with FW1, DW with FE2)", &[]),
            (
                "healthy alternative (DE with FW2, DW with FE1)",
                &[("DE", "MY", "A", "B"), ("DW", "MY", "B", "A")],
            ),
            ("DW and DE on one pole (both with FE2)", &[("DE", "MX", "A", "B")]),
            ("DW and DE exchanged", &[("DW", "MX", "B", "A"), ("DE", "MX", "A", "B")]),
            ("DW and DE fixed (as for X)", &[("DW", "MX", "B", "B"), ("DE", "MX", "A", "A")]),
            ("KN and KS exchanged", &[("KN", "MX", "B", "B"), ("KS", "MX", "A", "A")]),
        ],
    },
    Wired {
        kind: "double slip",
        layout: "double slip; MW picks the EAST leg, ME picks the WEST leg",
        required: "double slip; MW picks the EAST leg, ME picks the WEST leg",
        routes: &[
            ("X", &[("MW", "toSE"), ("ME", "toNW")], DIAMOND),
            ("Y", &[("MW", "toNE"), ("ME", "toSW")], DIAMOND),
            ("NS", &[("MW", "toNE"), ("ME", "toNW")], ACUTE),
            ("SS", &[("MW", "toSE"), ("ME", "toSW")], ACUTE),
        ],
        healthy: &[("DW", "ME", "B", "A"), ("DE", "MW", "A", "B")],
        mistakes: &[
            ("healthy (crossed)", &[]),
            (
                "each frog from its own end, polarity set to suit X",
                &[("DW", "MW", "B", "A"), ("DE", "ME", "A", "B")],
            ),
            (
                "each frog from its own end, polarity set to suit NS",
                &[("DW", "MW", "A", "B"), ("DE", "ME", "B", "A")],
            ),
            (
                "both frogs from the west machine (suits X and Y)",
                &[("DW", "MW", "B", "A"), ("DE", "MW", "A", "B")],
            ),
            ("one machine's throw wires swapped (MW)", &[("DE", "MW", "B", "A")]),
        ],
    },
    Wired {
        kind: "single slip, one machine",
        layout: "single slip (south), one machine for both ends",
        required: "single slip (south), N,N not used",
        routes: &[
            ("X", &[("M", "N")], DIAMOND),
            ("Y", &[("M", "N")], DIAMOND),
            ("SS", &[("M", "R")], ACUTE),
        ],
        healthy: &[],
        mistakes: &[("both frogs from it", &[("DW", "M", "B", "A"), ("DE", "M", "B", "A")])],
    },
    Wired {
        kind: "single slip, two machines, N,N used",
        layout: "single slip (south), machines independent, all four settings",
        required: "single slip (south), N,N not used",
        routes: &[
            ("X", &[("MW", "N"), ("ME", "N")], DIAMOND),
            ("Y", &[("MW", "N"), ("ME", "N")], DIAMOND),
            ("SS", &[("MW", "R"), ("ME", "R")], ACUTE),
        ],
        healthy: &[],
        mistakes: &[("crossed wiring", &[("DE", "MW", "B", "A"), ("DW", "ME", "B", "A")])],
    },
    Wired {
        kind: "single crossover",
        layout: "single crossover RH, two machines",
        required: "single crossover RH, two machines",
        routes: &[
            ("T1", &[("M1", "N"), ("M2", "N")], &["F1"]),
            ("T2", &[("M1", "N"), ("M2", "N")], &["F2"]),
            ("X", &[("M1", "R"), ("M2", "R")], &["F1", "F2"]),
        ],
        healthy: &[("F1", "M1", "B", "A"), ("F2", "M2", "A", "B")],
        mistakes: &[
            ("both frogs on one pole (F1's)", &[("F2", "M1", "B", "A")]),
            ("frog wires F1 and F2 exchanged", &[("F1", "M2", "A", "B"), ("F2", "M1", "B", "A")]),
        ],
    },
];
