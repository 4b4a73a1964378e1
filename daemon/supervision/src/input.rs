//! What comes in: readings, link health, operators' requests, reports of order delivery.

use wiring::{
    index::{BoosterIx, ChannelIx, DistrictIx, MachineIx},
    layout::{Conductor, Position},
    units::{Microamps, Micros, Millivolts},
};

use crate::{alarm::AlarmKey, record::FaultNumber};

/// Everything that the supervisor acts on.
#[derive(Clone, Debug)]
pub enum Input {
    /// A measured value.
    Reading(Reading),
    /// What a link learned about a node, an output or an order.
    Link(LinkReport),
    /// What a person asks for.
    Operator(OperatorRequest),
    /// Nothing but the passing of time.
    Tick,
}

/// A measured value, resolved and checked by the link that brought it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The channel.
    pub channel: ChannelIx,
    /// The value.
    pub value: Value,
    /// How far it may be believed.
    pub quality: Quality,
    /// Milliseconds on the node's own clock, where it sends them.
    pub node_ms: Option<u32>,
}

/// A value, of the type that its channel has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value {
    /// Amperes.
    Current(Microamps),
    /// Volts.
    Voltage(Millivolts),
    /// A machine's position.
    Position(MachinePosition),
    /// What a panel asked a machine for.
    Asked(Position),
    /// A frog's measured polarity.
    Polarity(MeasuredPolarity),
    /// A yes/no detector.
    Occupied(bool),
    /// What an actuator says of itself: true is on.
    Feedback(bool),
    /// A reverser's state.
    Reverser(ReverserState),
    /// No value, and why.
    Invalid(Invalid),
}

/// Why a reading has no value.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Invalid {
    /// Above the top of the sensor's range: at least full scale.
    OverRange,
    /// Below the bottom of its range.
    UnderRange,
    /// The sensor is open.
    Open,
    /// The sensor itself reports a fault.
    Sensor,
    /// Not of the channel's type.
    Malformed,
}

/// A machine's position as a sensor tells it.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum MachinePosition {
    /// At rest in normal.
    Normal,
    /// At rest in reverse.
    Reverse,
    /// Under way.
    Moving,
    /// Neither.
    Unknown,
}

impl MachinePosition {
    /// The rest position, where there is one.
    #[must_use]
    pub const fn at_rest(self) -> Option<Position> {
        match self {
            Self::Normal => Some(Position::Normal),
            Self::Reverse => Some(Position::Reverse),
            Self::Moving | Self::Unknown => None,
        }
    }
}

/// A frog's polarity as a sensor tells it.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum MeasuredPolarity {
    /// On a conductor of its district.
    On(Conductor),
    /// On none.
    Dead,
}

/// A reverser's state.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum ReverserState {
    /// A to A.
    Straight,
    /// A to B.
    Swapped,
    /// Not known.
    Unknown,
}

/// How far a reading may be believed. Bad news is believed on weak evidence, good news only on strong.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Quality {
    /// Checked, in order, fresh.
    Good,
    /// Without order or age: may cause a cut, may prove one only where it is the only reading there is.
    Bare,
    /// Known to be old: may cause a cut, proves nothing.
    Late,
    /// The same boot and number, or the same node time, as one before: never trips, raises `reading-bad`.
    Resent,
}

/// A node, numbered by the links in order of appearance.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct NodeIx(pub u16);

/// The transport of a node: it decides how long silence and proof may take.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Transport {
    /// MQTT.
    Mqtt,
    /// The line protocol.
    Serial,
    /// Modbus.
    Modbus,
    /// LCC.
    Lcc,
    /// A journal: readings count as fresh, ordered and checked; nothing goes stale by a node's silence.
    Journal,
}

/// One announced channel of a node.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Announced {
    /// The channel.
    pub channel: ChannelIx,
    /// Time between readings; none: on change.
    pub period: Option<Micros>,
    /// It is an output.
    pub output: bool,
    /// Longest silence, where the channel's source states one; else the layout's `stale-after` holds.
    pub stale_after: Option<Micros>,
    /// The source averages over this time: a current that is gone shows so much later.
    pub averaging: Option<Micros>,
}

impl Announced {
    /// An input with a period, or on change.
    #[must_use]
    pub const fn input(channel: ChannelIx, period: Option<Micros>) -> Self {
        Self { channel, period, output: false, stale_after: None, averaging: None }
    }

    /// An output.
    #[must_use]
    pub const fn output(channel: ChannelIx) -> Self {
        Self { channel, period: None, output: true, stale_after: None, averaging: None }
    }
}

/// What a link learned.
#[derive(Clone, Debug)]
pub enum LinkReport {
    /// A node introduced itself, for the first time or again after a restart of its own.
    Born {
        /// Its number.
        node: NodeIx,
        /// Its name, for texts.
        name: String,
        /// How it is connected.
        transport: Transport,
        /// What it offers.
        channels: Vec<Announced>,
        /// It switches its outputs off when permits stop.
        permit: bool,
        /// It has restarted: what it measured is stale, its outputs are unknown.
        restarted: bool,
    },
    /// A node gave a sign of life.
    Alive {
        /// The node.
        node: NodeIx,
    },
    /// A node has been silent for too long, or its last will says so.
    Lost {
        /// The node.
        node: NodeIx,
    },
    /// A message that could not be used: counted, named, never acted upon.
    Unusable {
        /// Where it came from, for the text.
        source: String,
        /// What was wrong.
        what: String,
    },
    /// The node acknowledged an order. Proof is the measured current, never this.
    Acknowledged {
        /// The order.
        order: OrderId,
    },
    /// The order could not be handed to the transport: counts as not sent.
    NotSent {
        /// The order.
        order: OrderId,
    },
    /// The node refused the order.
    Refused {
        /// The order.
        order: OrderId,
        /// Its word for why.
        reason: String,
    },
    /// A node's clock moved against ours as no crystal does, or agrees again.
    ClockSkew {
        /// The node.
        node: NodeIx,
        /// By how much; none: it agrees.
        off: Option<Micros>,
    },
    /// The history cannot be written; or can again.
    HistoryFailing {
        /// It cannot.
        failing: bool,
        /// Items that are lost for want of room since the start.
        lost: u64,
    },
}

impl LinkReport {
    /// A node's clock is so many milliseconds off; none: it agrees again.
    #[must_use]
    pub fn clock(node: NodeIx, off: Option<u32>) -> Self {
        Self::ClockSkew { node, off: off.map(|ms| Micros::from_millis(u64::from(ms))) }
    }
}

/// Number of an order within this run.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct OrderId(pub u32);

/// Number of a request, given by the asker and returned with the answer.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct RequestId(pub u64);

/// What a person asks for, and who.
#[derive(Clone, Debug)]
pub struct OperatorRequest {
    /// Returned with the answer.
    pub id: RequestId,
    /// Name or initials, as signed in.
    pub who: String,
    /// What.
    pub act: Act,
}

/// Something that power goes through and that can be cut.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Feed {
    /// A booster.
    Booster(BoosterIx),
    /// A district.
    District(DistrictIx),
}

/// How long a shelving lasts. Nothing is shelved for ever.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Shelving {
    /// So long.
    For(Micros),
    /// Until the session ends: Checkrail stops, or [`Shelving::MOST`] has passed.
    Session,
}

impl Shelving {
    /// The longest shelving.
    pub const MOST: Micros = Micros::from_millis(12 * 3_600_000);

    /// The longest that it may last.
    #[must_use]
    pub const fn span(self) -> Micros {
        match self {
            Self::For(span) => span,
            Self::Session => Self::MOST,
        }
    }
}

/// An operator's act.
#[derive(Clone, Debug)]
pub enum Act {
    /// Acknowledge an alarm.
    Acknowledge(AlarmKey),
    /// Reset a latched alarm that is acknowledged and gone.
    Reset(AlarmKey),
    /// Take the first-out mark from an acknowledged alarm (ISA-18.1: an action of its own).
    ResetFirstOut(AlarmKey),
    /// Shelve an alarm.
    Shelve {
        /// The alarm.
        alarm: AlarmKey,
        /// For how long.
        lasts: Shelving,
        /// Why.
        reason: String,
    },
    /// End a shelving.
    Unshelve(AlarmKey),
    /// Take an alarm's subject out of service.
    OutOfService(AlarmKey),
    /// Return it.
    InService(AlarmKey),
    /// Cut.
    Cut(Feed),
    /// Restore.
    Restore {
        /// What.
        feed: Feed,
        /// The person confirmed a restore that needs it: a blind district, a suspect still wrong.
        confirmed: bool,
    },
    /// Nobody restores while a hold stands.
    Hold(Feed),
    /// End one's hold.
    Release(Feed),
    /// Throw a machine.
    Throw {
        /// The machine.
        machine: MachineIx,
        /// Where to.
        to: Position,
        /// The person confirmed that no wheel stands on the points.
        confirmed: bool,
    },
    /// A step of commissioning.
    Commission {
        /// The machine.
        machine: MachineIx,
        /// What.
        request: crate::commission::Request,
    },
    /// After a fault: which turnout or block it was.
    NameCulprit {
        /// The fault.
        fault: FaultNumber,
        /// Its index among the suspects of the record.
        suspect: usize,
    },
    /// Cut everything, prove, stop: SIGTERM.
    Shutdown,
}
