//! The model of a layout, every reference resolved: what `read` makes of a layout file and all other crates work on.
//!
//! Plain data. Ids are kept for texts; everything else refers by dense index.

use std::collections::BTreeMap;

use crate::{
    index::{
        BlockIx, BoosterIx, DistrictIx, FrogIx, JointIx, MachineIx, PoleIx, ReverserIx, TrackIx,
        TrackworkIx,
    },
    links::LinkSettings,
    protection::ProtectionTable,
    trackwork::{FrogName, Hand, Kind, Port},
    units::{Gauge, Microamps, Micrometres, Microohms, Micros, Millicelsius, Millivolts},
};

/// A range of bytes in the layout file.
#[derive(Clone, Copy, Debug, Default, Eq, Ord, PartialEq, PartialOrd)]
pub struct Span {
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
}

/// One of the two bus conductors of a district.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Conductor {
    /// Conductor A.
    A,
    /// Conductor B.
    B,
}

impl Conductor {
    /// The other one.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }

    /// `A` or `B`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
        }
    }
}

/// A side, looking along the track or into trackwork from the end named.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Side {
    /// The left rail.
    Left,
    /// The right rail.
    Right,
}

impl Side {
    /// The other one.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::Left => Self::Right,
            Self::Right => Self::Left,
        }
    }
}

/// The two rest positions of a switch machine.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Position {
    /// The position that the owner calls normal.
    Normal,
    /// The other one.
    Reverse,
}

impl Position {
    /// `normal` or `reverse`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Reverse => "reverse",
        }
    }
}

/// How trains are driven.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Control {
    /// Constant track voltage.
    Dcc,
    /// Track voltage follows the throttle.
    Dc,
}

/// Everything the file says, resolved.
#[derive(Clone, Debug)]
pub struct Layout {
    /// `[layout] name`.
    pub name: String,
    /// `[layout] control`.
    pub control: Control,
    /// `[layout] ambient`.
    pub ambient: Millicelsius,
    /// Boosters, in file order; so are all lists below.
    pub boosters: Vec<Booster>,
    /// Districts.
    pub districts: Vec<District>,
    /// Blocks.
    pub blocks: Vec<Block>,
    /// Plain track. Empty when the file has no track plan.
    pub tracks: Vec<Track>,
    /// Named ends that are no port.
    pub joints: Vec<Joint>,
    /// Trackwork.
    pub trackwork: Vec<Trackwork>,
    /// Frogs, those of one trackwork beside each other.
    pub frogs: Vec<Frog>,
    /// Machines: those with a table of their own first, then those only named.
    pub machines: Vec<Machine>,
    /// Poles, those of one machine beside each other in ascending number.
    pub poles: Vec<Pole>,
    /// Automatic reversers.
    pub reversers: Vec<Reverser>,
    /// `[colours]`: what the owner's wires look like, for the sheets.
    pub colours: BTreeMap<String, String>,
    /// `[protection]` and its overrides.
    pub protection: ProtectionTable,
    /// `[links]`, `[history]`, `[dashboard]`.
    pub links: LinkSettings,
    /// Every value that the file leaves to a default, for `check --verbose`.
    pub assumed: Vec<Assumed>,
}

impl Default for Layout {
    /// A layout with nothing in it, with what `[layout]` is taken for where the file has none.
    fn default() -> Self {
        Self {
            name: "Layout".to_owned(),
            control: Control::Dcc,
            ambient: Millicelsius(22_000),
            boosters: Vec::new(),
            districts: Vec::new(),
            blocks: Vec::new(),
            tracks: Vec::new(),
            joints: Vec::new(),
            trackwork: Vec::new(),
            frogs: Vec::new(),
            machines: Vec::new(),
            poles: Vec::new(),
            reversers: Vec::new(),
            colours: BTreeMap::new(),
            protection: ProtectionTable::default(),
            links: LinkSettings::default(),
            assumed: Vec::new(),
        }
    }
}

/// A value that the file does not state.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Assumed {
    /// `machine/T1`, `district/quarry` …
    pub subject: String,
    /// The key as it would be written.
    pub key: &'static str,
    /// The value as it would be written.
    pub value: String,
}

/// What feeds the track: booster or power pack.
#[derive(Clone, Debug)]
pub struct Booster {
    /// Id.
    pub id: String,
    /// The table's header.
    pub span: Span,
    /// Open-circuit voltage.
    pub volts: Millivolts,
    /// The most it delivers into a short.
    pub limit: Microamps,
    /// How long it stays at its limit before it shuts itself down.
    pub trip_delay: Micros,
    /// Source resistance.
    pub resistance: Microohms,
    /// There is an actuator by which Checkrail may cut the booster.
    pub cut: bool,
    /// Longest time from order to open contact of that actuator.
    pub opens_in: Micros,
}

/// Kind of the protection at the head of a district.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum BreakerKind {
    /// Trips at a current after a delay.
    Electronic,
    /// A fuse, judged by its let-through energy.
    Fuse,
    /// A resettable fuse: opens slowly, and does not open, only limits.
    Ptc,
    /// A lamp in series: limits, never opens.
    Lamp,
    /// Nothing.
    None,
}

/// The protection at the head of a district.
#[derive(Clone, Debug)]
pub struct Breaker {
    /// What it is.
    pub kind: BreakerKind,
    /// Current at which it acts; none for a lamp or where there is no breaker.
    pub trip: Option<Microamps>,
    /// How long it takes at that current; zero when not stated.
    pub delay: Micros,
    /// Hot resistance of a lamp, tripped resistance of a PTC.
    pub ohms_hot: Option<Microohms>,
    /// Where it is written.
    pub span: Span,
}

/// A wire by size and one-way length. Both conductors of a pair count in a loop.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Wire {
    /// Size of one conductor.
    pub gauge: Gauge,
    /// One-way length.
    pub length: Micrometres,
    /// Pairs side by side.
    pub pairs: u16,
}

/// A part of the layout behind one breaker.
#[derive(Clone, Debug)]
pub struct District {
    /// Id.
    pub id: String,
    /// The table's header.
    pub span: Span,
    /// What feeds it.
    pub booster: BoosterIx,
    /// Its protection.
    pub breaker: Breaker,
    /// Its bus.
    pub bus: Wire,
    /// There is an actuator by which Checkrail may cut the district.
    pub cut: bool,
    /// Longest time from order to open contact of that actuator.
    pub opens_in: Micros,
    /// Its current sensor averages over this time, where the file says so.
    pub averaging: Option<Micros>,
}

/// One detection section inside a district.
#[derive(Clone, Debug)]
pub struct Block {
    /// Id.
    pub id: String,
    /// The table's header.
    pub span: Span,
    /// Its district.
    pub district: DistrictIx,
    /// Its feeder.
    pub feeder: Wire,
    /// What draws current in it all the time.
    pub standing_load: Microamps,
    /// Default conductor of the left rail.
    pub left: Conductor,
    /// The reverser that may swap its rails.
    pub reverser: Option<ReverserIx>,
}

/// An end of a track.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum End {
    /// A port of trackwork.
    Port(TrackworkIx, Port),
    /// A named end: a buffer, or a joint shared by two tracks.
    Joint(JointIx),
}

/// Which end of a track.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Which {
    /// Its `from` end.
    From,
    /// Its `to` end.
    To,
}

/// A gap in one rail at one end of a track.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Gap {
    /// The end.
    pub end: Which,
    /// The rail, looking from `from` to `to`.
    pub rail: Side,
}

/// Size of rail, by height in thousandths of an inch.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct RailCode(pub u16);

/// Plain track between two ends.
#[derive(Clone, Debug)]
pub struct Track {
    /// Id.
    pub id: String,
    /// The table's header.
    pub span: Span,
    /// Its block.
    pub block: BlockIx,
    /// Where it starts.
    pub from: End,
    /// Where it ends.
    pub to: End,
    /// Its length.
    pub length: Micrometres,
    /// Its rail.
    pub rail: RailCode,
    /// Conductor of the left rail looking from `from` to `to`, where the file states it.
    pub left: Option<Conductor>,
    /// Gaps, one entry a rail.
    pub gaps: Vec<Gap>,
    /// Ends at which a feeder pair of the block joins the rails.
    pub feeders: Vec<Which>,
}

/// A named end.
#[derive(Clone, Debug)]
pub struct Joint {
    /// Its name.
    pub name: String,
    /// Where it is first named.
    pub span: Span,
    /// The track ends that meet here.
    pub ends: Vec<(TrackIx, Which)>,
}

/// A turnout, three-way, crossing or slip.
#[derive(Clone, Debug)]
pub struct Trackwork {
    /// Id.
    pub id: String,
    /// The table's header.
    pub span: Span,
    /// What it is, with the machines that set it.
    pub kind: Kind,
    /// Hand, of a turnout.
    pub hand: Option<Hand>,
    /// Its block.
    pub block: BlockIx,
    /// Conductor of the left stock rail looking from the points, or from the a-end, where the file states it.
    pub left: Option<Conductor>,
    /// Its frogs.
    pub frogs: Vec<FrogIx>,
    /// What is joined to its ports, in the order of `Kind::ports`.
    pub at_port: Vec<(Port, Option<(TrackIx, Which)>)>,
}

/// Where the wire of a contact goes.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Tie {
    /// The stock rail of a turnout or three-way, looking from the points.
    Stock(Side),
    /// The rail of a port, looking in from there.
    PortRail(Port, Side),
    /// A conductor of the district of the trackwork's block.
    Bus(Conductor),
    /// A conductor of another district.
    ForeignBus(DistrictIx, Conductor),
    /// Nothing.
    None,
}

/// Something in series with the frog's feed that limits current.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Limiter {
    /// What it is.
    pub kind: LimiterKind,
    /// Its resistance when it limits.
    pub ohms_hot: Microohms,
}

/// Kind of a limiter.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum LimiterKind {
    /// A lamp.
    Lamp,
    /// A resettable fuse.
    Ptc,
    /// A resistor.
    Resistor,
}

/// A frog and its feed.
#[derive(Clone, Debug)]
pub struct Frog {
    /// The object part of its channels without `frog/`: `T1`, or `S1.a` where the trackwork has several.
    pub id: String,
    /// Its table's header, or the trackwork's.
    pub span: Span,
    /// The trackwork it belongs to.
    pub trackwork: TrackworkIx,
    /// Which of the trackwork's frogs.
    pub name: FrogName,
    /// Contacts that feed it, side by side.
    pub poles: Vec<FrogPole>,
    /// Tie of the normal contact.
    pub normal: Tie,
    /// Where the normal tie is written.
    pub normal_span: Span,
    /// Tie of the reverse contact.
    pub reverse: Tie,
    /// Where the reverse tie is written.
    pub reverse_span: Span,
    /// The wire from the contact to the frog.
    pub feed: Wire,
    /// A limiter in that wire.
    pub limiter: Option<Limiter>,
    /// The layout file says that both poles have been shown to carry.
    pub proved: bool,
    /// A fixed frog (an obtuse crossing frog without poles of its own) needs no contact.
    pub fixed: Option<Tie>,
}

/// A pole listed in a frog's `poles`.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct FrogPole {
    /// The pole.
    pub pole: PoleIx,
    /// Where it is written.
    pub span: Span,
}

/// What powers a machine's motor.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Supply {
    /// A supply of its own.
    Own,
    /// Track power of a district.
    District(DistrictIx),
}

/// A switch machine.
#[derive(Clone, Debug)]
pub struct Machine {
    /// Id.
    pub id: String,
    /// Its table's header, or the place where it is first named.
    pub span: Span,
    /// Its poles.
    pub poles: Vec<PoleIx>,
    /// Rating of one pole, continuous.
    pub contact_rating: Microamps,
    /// Resistance of one closed contact.
    pub contact_resistance: Microohms,
    /// Time constant of the thermal image.
    pub contact_time_constant: Micros,
    /// Time of one throw.
    pub throw_time: Micros,
    /// What powers the motor.
    pub supply: Supply,
    /// Other uses of its poles, one pole each.
    pub uses: Vec<String>,
    /// Labels of the terminals, by `motor`, `pole-1` …; those of a pole in the order common, normal, reverse.
    pub terminals: BTreeMap<String, Vec<String>>,
    /// The labels of the poles were found with a meter (`truth`), not taken from a drawing.
    pub terminals_by_meter: bool,
    /// Diameter of the hole in a terminal that a wire goes through.
    pub terminal_hole: Option<Micrometres>,
    /// The time constant is assumed, not measured.
    pub time_constant_assumed: bool,
}

/// A change-over contact.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Pole {
    /// Its machine.
    pub machine: MachineIx,
    /// Its number on the machine, from 1.
    pub number: u8,
}

/// An automatic reverser.
#[derive(Clone, Debug)]
pub struct Reverser {
    /// Id.
    pub id: String,
    /// The table's header.
    pub span: Span,
    /// The block whose A and B it may swap.
    pub block: BlockIx,
}

impl Layout {
    /// The district that an object of the layout belongs to.
    #[must_use]
    pub fn district_of_block(&self, block: BlockIx) -> DistrictIx {
        self.blocks[block.at()].district
    }

    /// The district whose rails a frog belongs to.
    #[must_use]
    pub fn district_of_frog(&self, frog: FrogIx) -> DistrictIx {
        let trackwork = self.frogs[frog.at()].trackwork;
        self.blocks[self.trackwork[trackwork.at()].block.at()].district
    }

    /// The block that a frog stands in.
    #[must_use]
    pub fn block_of_frog(&self, frog: FrogIx) -> BlockIx {
        self.trackwork[self.frogs[frog.at()].trackwork.at()].block
    }

    /// `T14.1`: a pole as its channel names it.
    #[must_use]
    pub fn pole_name(&self, pole: PoleIx) -> String {
        let Pole { machine, number } = self.poles[pole.at()];
        format!("{}.{number}", self.machines[machine.at()].id)
    }
}
