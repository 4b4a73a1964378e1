//! Fault scenarios as data: what is done to the layout, and what a good supervisor makes of it.

pub use crate::scenario_table::SCENARIOS;

/// What a good supervisor does.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Expected {
    /// Cuts the district.
    Cut,
    /// Tells, and leaves the power on.
    Alarm,
    /// Either is right: it clears by itself, or it becomes a short only when a train comes.
    CutOrAlarm,
    /// Nothing at all.
    Nothing,
}

/// How a scenario is brought about.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Inject {
    /// A driver trails through a turnout set against him.
    RunThrough,
    /// One wheelset rolls over the wrong gap.
    Wheelset,
    /// A run-through whose frog contact is resistive.
    RunThroughResistive,
    /// A run-through whose engine stays on the gap, while a quick breaker opens and closes again by itself.
    RunThroughStays,
    /// A run-through through a resistive contact, while the operator throws: the contact opens under the fault current.
    RunThroughThrown,
    /// A run-through just after an innocent turnout was thrown.
    RunThroughDecoy,
    /// A run-through of a frog that is fed from the neighbouring district.
    RunThroughForeign,
    /// A run-through whose leg, from the frog on, lies in another district of the same booster.
    RunThroughBoundary,
    /// A train stops just before the wrong gap.
    StopsShort,
    /// A turnout is thrown under a train.
    ThrownUnderTrain,
    /// Nothing is done.
    Nothing,
    /// Throw wires exchanged.
    TiesSwapped,
    /// Both throw wires on one rail.
    TiesEqual,
    /// The common wire is off.
    TiesOpen,
    /// One throw wire is off.
    TieOpen,
    /// The gap of the leg that is set is closed, then the turnout is thrown; of a crossover's leg.
    GapClosed {
        /// At a leg that leads to another turnout's leg.
        crossover: bool,
    },
    /// Power returns after work on the wiring, with a feeder more, on the wrong conductor.
    FeederWrong,
    /// A district out of phase.
    DistrictSwapped,
    /// An object on the rails, the breaker not in circuit.
    BreakerBypassed,
    /// Slip frogs on each other's machines.
    SlipUncrossed,
    /// The contacts of a frog burnt open.
    ContactsBurnt,
    /// The contacts of a frog grow resistive.
    ContactsResistive,
    /// The contacts of a frog welded.
    ContactsWelded,
    /// A contact joins both sides.
    ContactBridged,
    /// One of two poles does not carry.
    PoleDead,
    /// Film on the contacts of a frog.
    ContactsFilmed,
    /// The contact changes over before the points have left the rail, at every throw.
    ChangesEarly,
    /// A machine stops midway, or creeps.
    MachineStalls,
    /// A machine does not move.
    MachineDead,
    /// The machine moves, the points do not.
    PointsOff,
    /// The position report is stuck.
    ReportStuck,
    /// One end of a crossover does not follow the other, or is thrown by hand.
    OutOfStep,
    /// A machine moves without having been asked.
    Uncommanded,
    /// Positions of a district are unknown.
    ReportsUnknown,
    /// No machine of a district moves any more.
    MachinesDead,
    /// Power returns to many engines at once.
    Inrush,
    /// A booster is unplugged.
    BoosterOff,
    /// An object on the rails, the actuator welded.
    ActuatorWelded,
    /// A short that draws less than the breaker's trip.
    WeakShort,
    /// Loads grow beyond the breaker's trip.
    Overload,
    /// The feeders of a track are off.
    FeederOff,
    /// The feeders of a block are resistive.
    FeederWeak,
    /// The reverser is slower than the breaker.
    ReverserSlow,
    /// A train bridges the gaps at both ends of a reversing section.
    SectionShort,
    /// Two reversers of one speed share a gap.
    ReversersFight,
    /// A short in a district that only a lamp limits.
    LampShort,
    /// A hit opens a frog's resettable fuse, which cools later.
    FrogFuse,
    /// An object on the rails, the breaker slower than the booster.
    BoosterFirst,
    /// A booster's volts sag.
    Sag,
    /// A derailment on plain track.
    Derailment,
    /// A wheel touches the open point for moments.
    WheelAtPoint,
    /// A wide tread bridges at the frog's nose for moments.
    WheelAtNose,
    /// An object on the rails.
    Object,
    /// An engine with a short inside.
    Vehicle,
    /// A wheel parked on the gap of the leg that is set, then the turnout is thrown.
    ParkedOnGap,
    /// Wet scenery.
    Leakage,
    /// A current sensor frozen.
    CurrentStuck,
    /// A detector that always says occupied.
    OccupiedStuck,
    /// A detector that loses its train.
    OccupiedLost,
    /// A node falls silent.
    NodeSilent,
    /// The sense wire of a frog is off.
    SenseOff,
    /// Messages out of order, clocks apart.
    Disorder,
    /// A run-through, and within a second an inrush in another district.
    Two,
}

/// One scenario.
#[derive(Clone, Copy, Debug)]
pub struct Scenario {
    /// `F01` …
    pub id: &'static str,
    /// What happens.
    pub name: &'static str,
    /// How it is brought about.
    pub inject: Inject,
    /// What a good supervisor does.
    pub expected: Expected,
    /// The diagnosis, in words.
    pub diagnosis: &'static str,
    /// What to do, in words.
    pub action: &'static str,
    /// Ids of what it must be told from.
    pub look_alikes: &'static [&'static str],
}

/// The scenario of an id.
#[must_use]
pub fn find(id: &str) -> Option<&'static Scenario> {
    SCENARIOS.iter().find(|scenario| scenario.id == id)
}
