//! The alarm table: one row for each kind. Supervision takes priority, latching and delays from it, the page its
//! texts, and the reference `config/ALARMS.md` is printed from it.

use std::fmt::Write;

use wiring::units::Micros;

use crate::alarm::{AlarmKind, Priority};

/// One kind of alarm.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// The kind.
    pub kind: AlarmKind,
    /// What it says.
    pub meaning: &'static str,
    /// What follows if nothing is done.
    pub consequence: &'static str,
    /// What to do.
    pub action: &'static str,
    /// When its condition is gone.
    pub clears: &'static str,
    /// Its priority.
    pub priority: Priority,
    /// Another priority in a case of its own, and that case.
    pub else_priority: Option<(Priority, &'static str)>,
    /// It stays until it is acknowledged and reset.
    pub latched: bool,
    /// How long the condition stands before the alarm is raised, beyond the times of `[protection]`.
    pub on_delay: Micros,
    /// How long the condition is gone before the alarm clears.
    pub off_delay: Micros,
}

impl Row {
    /// What follows and what to do, as the alarm's detail shows it.
    #[must_use]
    pub fn advice(&self) -> String {
        format!("{} {}", self.consequence, self.action)
    }
}

/// The row of a kind.
#[must_use]
pub const fn row(kind: AlarmKind) -> &'static Row {
    &TABLE[kind as usize]
}

const NONE: Micros = Micros::ZERO;

/// All rows, in the order of [`AlarmKind::ALL`].
pub const TABLE: [Row; 25] = [
    Row {
        kind: AlarmKind::ShortCircuit,
        meaning: "a short circuit, the district is cut",
        consequence: "Every contact in the path has carried the fault current: one hit each.",
        action: "See the suspects. Throw the turnout for the train or back the train, then restore.",
        clears: "the district is restored and no fault current flows",
        priority: Priority::High,
        else_priority: None,
        latched: true,
        on_delay: NONE,
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::HalfShort,
        meaning: "a short that no breaker sees, the district is cut and locked out",
        consequence: "Left alone it heats a contact, a wheel or a tie until something melts.",
        action: "Look for a train on a frog or a wheel across a gap, and measure that contact. Then restore.",
        clears: "the district is restored and the step is gone",
        priority: Priority::High,
        else_priority: None,
        latched: true,
        on_delay: NONE,
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::AtLimit,
        meaning: "the booster at its limit, the district is cut",
        consequence: "The booster feeds a short, or more trains than it can carry.",
        action: "See the suspects. Take trains off or spread them over districts, then restore.",
        clears: "the district is restored and current is below the limit",
        priority: Priority::High,
        else_priority: None,
        latched: true,
        on_delay: NONE,
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::TrippedElsewhere,
        meaning: "breaker or booster tripped before Checkrail, the district is cut",
        consequence: "Left on, the breaker recloses on the fault and each time is a hit.",
        action: "See the suspects, remove the fault, then restore.",
        clears: "the district is restored and no fault current flows",
        priority: Priority::High,
        else_priority: None,
        latched: true,
        on_delay: NONE,
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::ContactOverload,
        meaning: "a contact's heat at its limit, the district is cut",
        consequence: "A contact past its limit softens, burns open or welds.",
        action: "Stop the train on that frog. Prove the contact before it carries a train again.",
        clears: "contact heat is below 10 %, or below the warning where nothing was cut",
        priority: Priority::High,
        else_priority: Some((Priority::Medium, "warning only, nothing is cut")),
        latched: true,
        on_delay: NONE,
        off_delay: Micros::from_millis(2000),
    },
    Row {
        kind: AlarmKind::Overload,
        meaning: "more current for longer than the curve allows, the district is cut",
        consequence: "The breaker opens soon, or the wiring runs hot.",
        action: "Take trains off this district or stop some, then restore.",
        clears: "current is below 90 % of the breaker's trip",
        priority: Priority::High,
        else_priority: Some((Priority::Medium, "warning only, nothing is cut")),
        latched: true,
        on_delay: NONE,
        off_delay: Micros::from_millis(2000),
    },
    Row {
        kind: AlarmKind::FrogMismatch,
        meaning: "a frog on the wrong rail",
        consequence: "A train over it shorts the district through the machine's contact.",
        action: "Keep trains off this turnout. Check that the machine stands where its position says, then swap the wires on its contact.",
        clears: "the frog matches its rail, measured with power on",
        priority: Priority::Medium,
        else_priority: Some((Priority::High, "a train is on it and the district is cut")),
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(500),
    },
    Row {
        kind: AlarmKind::FrogDead,
        meaning: "a frog without power where the wiring feeds it",
        consequence: "Short engines stall on it. Often a burnt contact.",
        action: "Measure the contact's drop, or use the spare pole. If engines do not stall, check the sense wire.",
        clears: "the frog is measured on its conductor",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: Micros::from_millis(1000),
        off_delay: Micros::from_millis(1000),
    },
    Row {
        kind: AlarmKind::FrogNotSwitching,
        meaning: "a frog on one conductor in both positions",
        consequence: "One of its routes is a certain short. Often a welded contact.",
        action: "Use only the route that matches. Replace the contact or move to the spare pole, then prove it.",
        clears: "the frog is measured on both conductors, each in its position",
        priority: Priority::Medium,
        else_priority: None,
        latched: true,
        on_delay: NONE,
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::FrogNotMeasured,
        meaning: "no polarity reading of a frog that has a sensor",
        consequence: "A wrong frog shows only when a train shorts it.",
        action: "Check the sense wire and its node.",
        clears: "a polarity reading comes",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: Micros::from_millis(5000),
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::MachineSlow,
        meaning: "a throw took over 1.5 times the machine's time",
        consequence: "Stiff points or a tired machine. It gets stuck later.",
        action: "Clean and free the points, check the linkage.",
        clears: "a throw is in time",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::MachineStuck,
        meaning: "a machine under way for over 2.5 times its time",
        consequence: "Points may be half open and the frog on neither rail.",
        action: "Keep trains off. Look for ballast in the points, then throw again.",
        clears: "the machine is at rest",
        priority: Priority::Medium,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::MachineOutOfStep,
        meaning: "a machine at rest elsewhere than asked",
        consequence: "A train takes the other leg, or runs through it.",
        action: "Throw it again, or set the panel to where it stands.",
        clears: "position and what was asked agree",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: Micros::from_millis(500),
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::PositionsInvalid,
        meaning: "machines of one trackwork in a combination that no route uses",
        consequence: "A train over it shorts or derails.",
        action: "Set the machines for one route before a train comes.",
        clears: "the combination is a route",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: Micros::from_millis(2000),
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::RunThrough,
        meaning: "a train came from a leg that the turnout is not set for",
        consequence: "Its wheels short the frog: one hit for each axle. The points derail it next.",
        action: "Stop the train. With the district cut, throw the turnout for it or back it off, then restore.",
        clears: "the leg is clear or the turnout is set for it",
        priority: Priority::Medium,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(2000),
    },
    Row {
        kind: AlarmKind::CutFailed,
        meaning: "a cut that is not proved",
        consequence: "Current may still flow into the fault. The booster is cut instead.",
        action: "Switch the booster off by hand now. Check the actuator before power is restored.",
        clears: "the cut is proved",
        priority: Priority::High,
        else_priority: None,
        latched: true,
        on_delay: NONE,
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::PowerCut,
        meaning: "power went off without an order of Checkrail",
        consequence: "Trains in it stand still. The contacts in the path may have carried a fault.",
        action: "See the fault. Find out whether a breaker tripped or a plug is out.",
        clears: "power is back",
        priority: Priority::High,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(500),
    },
    Row {
        kind: AlarmKind::VoltageLow,
        meaning: "voltage low while current flows",
        consequence: "Trains slow down, and a short here may not trip its breaker.",
        action: "Look for a half-short first. Then check feeders, joints and load.",
        clears: "voltage is above the limit",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(1000),
    },
    Row {
        kind: AlarmKind::CurrentUnaccounted,
        meaning: "a sum of currents that does not agree",
        consequence: "A sensor lies, or a feed bypasses its detector: protection and occupancy are in doubt.",
        action: "Compare the sensors at one load. Look for a feeder before the detector.",
        clears: "the sums agree within their tolerance",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(3000),
    },
    Row {
        kind: AlarmKind::ReadingStale,
        meaning: "readings have stopped, or never came",
        consequence: "What is shown is last known. What needs it is not supervised.",
        action: "Check the sensor and its node.",
        clears: "readings come again",
        priority: Priority::Low,
        else_priority: Some((Priority::High, "a district's current: not protected")),
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(500),
    },
    Row {
        kind: AlarmKind::ReadingBad,
        meaning: "a reading that cannot be used",
        consequence: "It counts as no reading: it never cuts and never proves.",
        action: "Check the sensor, its range and its mapping.",
        clears: "good readings for 5 s, or for 30 minutes where its node gave a bad one in the 30 minutes before; until then what comes again is counted, and bad readings of the same node stand under the first",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(5000),
    },
    Row {
        kind: AlarmKind::NodeOffline,
        meaning: "a node is silent",
        consequence: "All its readings are last known. Its outputs switch off when their permit ends.",
        action: "Check its power and its cable.",
        clears: "the node is back",
        priority: Priority::Medium,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(1000),
    },
    Row {
        kind: AlarmKind::BlockHeld,
        meaning: "occupancy is held, the block cannot be read",
        consequence: "It counts as occupied: throws on it are refused.",
        action: "Restore its power, or look and confirm by eye.",
        clears: "the block is read again",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: Micros::from_millis(5000),
        off_delay: NONE,
    },
    Row {
        kind: AlarmKind::ClockSkew,
        meaning: "a node's clock does not agree",
        consequence: "The order of events from this node is uncertain.",
        action: "Restart the node. Replace it if this returns.",
        clears: "the clocks agree",
        priority: Priority::Low,
        else_priority: None,
        latched: false,
        on_delay: Micros::from_millis(2000),
        off_delay: Micros::from_millis(2000),
    },
    Row {
        kind: AlarmKind::HistoryFailing,
        meaning: "the history cannot be written",
        consequence: "Supervision goes on. What happens now may be missing from the record.",
        action: "Check free space and rights of the data directory.",
        clears: "writing works again",
        priority: Priority::Medium,
        else_priority: None,
        latched: false,
        on_delay: NONE,
        off_delay: Micros::from_millis(1000),
    },
];

/// The alarm reference as Markdown: what `config/ALARMS.md` holds.
#[must_use]
pub fn alarm_reference() -> String {
    let mut page = String::from(HEAD);
    for row in &TABLE {
        write_row(&mut page, row);
    }
    page
}

const HEAD: &str = "# Alarms

Printed from the alarm table of the program; a test keeps it so. Checkrail supervises. It never replaces a breaker, a
fuse or a supply whose current is limited.

Priority *high*: power is cut or a short is fed, act now. *Medium*: it will cut or wear out if nothing is done, act this
move. *Low*: worth knowing this session. A *latched* alarm stays until it is acknowledged and reset. The *on-delay* is how
long the condition stands before the alarm is raised, beyond the times of `[protection]`; the *off-delay* is how long it
is gone before the alarm clears.
";

fn write_row(page: &mut String, row: &Row) {
    let priority = match row.else_priority {
        None => row.priority.word().to_owned(),
        Some((other, case)) => format!("{}; {} ({case})", row.priority.word(), other.word()),
    };
    let _ = writeln!(page, "\n## {}\n\n{}.\n", row.kind.word(), super::sentence(row.meaning));
    let mut line = |name: &str, text: &str| {
        let _ = writeln!(page, "- {name}: {text}");
    };
    line("If nothing is done", row.consequence);
    line("What to do", row.action);
    line("Clears when", row.clears);
    line("Priority", &priority);
    line("Latched", if row.latched { "yes" } else { "no" });
    line("On-delay", &row.on_delay.to_string());
    line("Off-delay", &row.off_delay.to_string());
}
