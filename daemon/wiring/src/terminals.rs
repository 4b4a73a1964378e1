//! What is under the table: the terminals of every switch machine, the wires that go there, and how to prove them on
//! the bench. Data for the wiring sheets; the texts are made where they are printed.

pub mod bench;
pub mod fit;
mod home;
pub mod sheet;
pub mod totals;
pub mod truth;
mod wires;
pub mod words;

use crate::{
    index::{DistrictIx, FrogIx, MachineIx, PoleIx, TrackworkIx},
    layout::{Conductor, Layout, Tie},
    trackwork::Port,
    units::{Gauge, Micrometres},
};

/// All machines and all wires of a layout.
#[derive(Clone, Debug)]
pub struct Wiring {
    /// By machine, in the order of the layout.
    pub machines: Vec<MachineWiring>,
    /// Every wire: those of the machines in their order, then fixed frogs, then feeders, then buses.
    pub wires: Vec<WireRun>,
    /// By trackwork: its ports, each with the conductors of its left and right rail, looking in from there; none where
    /// no feeder reaches the rail.
    pub rails: Vec<Vec<(Port, [Option<Conductor>; 2])>>,
}

/// One switch machine.
#[derive(Clone, Debug)]
pub struct MachineWiring {
    /// Which.
    pub machine: MachineIx,
    /// The district of its trackwork, or else of the frogs that it feeds; none when it has neither.
    pub district: Option<DistrictIx>,
    /// The trackwork that it sets, or of which it feeds a frog; those that it sets first.
    pub trackwork: Vec<TrackworkIx>,
    /// The frogs that its contacts feed.
    pub frogs: Vec<FrogIx>,
    /// Its terminals in the order in which they sit on the machine, as far as their labels tell.
    pub terminals: Vec<Terminal>,
    /// Its wires: positions in [`Wiring::wires`].
    pub wires: std::ops::Range<usize>,
}

/// One terminal of a machine.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Terminal {
    /// What the file calls it.
    pub label: Option<String>,
    /// What it is.
    pub function: Function,
    /// What its pole is for.
    pub purpose: Purpose,
}

/// What a terminal is.
#[derive(Clone, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Function {
    /// A lead of the motor, 1 or 2.
    Motor(u8),
    /// A terminal of a change-over contact.
    Contact(PoleIx, Throw),
    /// One with a label of the owner's own: its group, and its place in it.
    Other(String, u8),
}

/// A terminal of a change-over contact.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Throw {
    /// The one that moves.
    Common,
    /// Joined to the common when the machine is normal.
    Normal,
    /// Joined to the common when the machine is reverse.
    Reverse,
}

impl Throw {
    /// All three, in the order in which the file lists them.
    pub const ALL: [Self; 3] = [Self::Common, Self::Normal, Self::Reverse];

    /// `common`, `normal` or `reverse`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Common => "common",
            Self::Normal => "normal",
            Self::Reverse => "reverse",
        }
    }
}

/// What the pole of a terminal is for.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Purpose {
    /// It moves the points.
    Motor,
    /// It feeds a frog.
    Frog,
    /// Something else that the file names in `uses`.
    Use(String),
    /// Nothing.
    Spare,
}

/// A wire, or several alike side by side.
#[derive(Clone, Debug)]
pub struct WireRun {
    /// Its number on labels, from 1 through the whole layout; none for a jumper, which needs no label.
    pub number: Option<u32>,
    /// What it is.
    pub kind: WireKind,
    /// Where it starts; of a wire at a machine, the machine.
    pub from: Place,
    /// Where it ends.
    pub to: Place,
    /// Its colour in the owner's words.
    pub colour: Option<String>,
    /// Its size; none where the file does not state it.
    pub gauge: Option<Gauge>,
    /// Length of each; none where the file does not state it.
    pub length: Option<Micrometres>,
    /// So many alike side by side.
    pub count: u16,
    /// The district on whose sheet it stands.
    pub district: Option<DistrictIx>,
}

impl WireRun {
    /// Length of all of them together.
    #[must_use]
    pub fn total(&self) -> Option<Micrometres> {
        self.length.map(|each| Micrometres(each.0.saturating_mul(u64::from(self.count))))
    }
}

/// What a wire is.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum WireKind {
    /// To the motor of a machine.
    Motor,
    /// From a contact to a frog.
    Frog,
    /// From a contact to a rail or a bus.
    Tie,
    /// Between two contacts of a machine.
    Jumper,
    /// From a rail to a frog that needs no contact.
    FixedFrog,
    /// From a bus to the rails.
    Feeder,
    /// From the breaker to the far end of a district.
    Bus,
}

/// An end of a wire.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Place {
    /// A terminal of a machine.
    Terminal(MachineIx, Function),
    /// What drives the motor of a machine: one of its two leads.
    Drive(MachineIx, u8),
    /// A frog.
    Frog(FrogIx),
    /// What a frog is tied to. The conductor is that of the rail, as far as it is fed.
    Tied {
        /// The frog whose tie it is.
        frog: FrogIx,
        /// The tie.
        tie: Tie,
        /// On which conductor that is.
        conductor: Option<Conductor>,
    },
    /// A conductor of a bus.
    Bus(DistrictIx, Conductor),
    /// The rails of a block that are on a conductor.
    Rails(crate::index::BlockIx, Conductor),
    /// The breaker of a district, or the booster where it has none.
    Breaker(DistrictIx, Conductor),
}

impl Wiring {
    /// All terminals and wires of a layout.
    #[must_use]
    pub fn new(layout: &Layout) -> Self {
        wires::all(layout)
    }

    /// The wires of a machine.
    #[must_use]
    pub fn of(&self, machine: &MachineWiring) -> &[WireRun] {
        &self.wires[machine.wires.clone()]
    }

    /// The wires at a terminal of a machine, each with its other end.
    pub fn at<'a>(
        &'a self,
        machine: &'a MachineWiring,
        function: &'a Function,
    ) -> impl Iterator<Item = (&'a WireRun, &'a Place)> {
        let here = move |place: &Place| matches!(place, Place::Terminal(at, it) if *at == machine.machine && it == function);
        self.of(machine).iter().filter_map(move |wire| match (here(&wire.from), here(&wire.to)) {
            (true, _) => Some((wire, &wire.to)),
            (false, true) => Some((wire, &wire.from)),
            (false, false) => None,
        })
    }
}

impl MachineWiring {
    /// The terminal that does this.
    #[must_use]
    pub fn terminal(&self, function: &Function) -> Option<&Terminal> {
        self.terminals.iter().find(|it| it.function == *function)
    }
}
