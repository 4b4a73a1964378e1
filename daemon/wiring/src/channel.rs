//! Channels: every quantity that is measured or commanded, by name and by dense index.
//!
//! The table of a layout is complete: a channel that is not in it does not exist. A link resolves a name once, at its
//! edge; everything behind works with [`ChannelIx`] and [`Channel`].

mod names;

use std::collections::BTreeMap;

use self::names::Names;

use crate::{
    index::{BlockIx, BoosterIx, ChannelIx, DistrictIx, FrogIx, MachineIx, PoleIx, ReverserIx},
    layout::Layout,
};

/// What a channel is of.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Object {
    /// `booster/ID`.
    Booster(BoosterIx),
    /// `district/ID`.
    District(DistrictIx),
    /// `block/ID`.
    Block(BlockIx),
    /// `machine/ID`.
    Machine(MachineIx),
    /// `frog/ID`.
    Frog(FrogIx),
    /// `pole/MACHINE.N`.
    Pole(PoleIx),
    /// `reverser/ID`.
    Reverser(ReverserIx),
}

/// The quantity of a channel.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Quantity {
    /// Current, in.
    Current,
    /// Voltage, in.
    Voltage,
    /// What an actuator says of itself, in.
    Feedback,
    /// A yes/no detector, in; occupancy as Checkrail sees it, out.
    Occupied,
    /// Highest current since the last report, in.
    Peak,
    /// Position of a machine, in.
    Position,
    /// What panel or fascia asked a machine for, in.
    Asked,
    /// Measured polarity of a frog, in.
    Polarity,
    /// State of a reverser, in.
    State,
    /// Polarity that a frog should have, out.
    Expected,
    /// Thermal image of a pole, out.
    Load,
    /// The order to an actuator, and its proved state, out.
    Power,
    /// The order to throw a machine, out.
    Throw,
}

impl Quantity {
    /// As in a channel name.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Current => "current",
            Self::Voltage => "voltage",
            Self::Feedback => "feedback",
            Self::Occupied => "occupied",
            Self::Peak => "peak",
            Self::Position => "position",
            Self::Asked => "asked",
            Self::Polarity => "polarity",
            Self::State => "state",
            Self::Expected => "expected",
            Self::Load => "load",
            Self::Power => "power",
            Self::Throw => "throw",
        }
    }

    /// A sensor may send it.
    #[must_use]
    pub const fn is_input(self) -> bool {
        match self {
            Self::Current
            | Self::Voltage
            | Self::Feedback
            | Self::Occupied
            | Self::Peak
            | Self::Position
            | Self::Asked
            | Self::Polarity
            | Self::State => true,
            Self::Expected | Self::Load | Self::Power | Self::Throw => false,
        }
    }

    /// The words that a reading of it may be; empty where it is a number, and for what is no input.
    #[must_use]
    pub const fn words(self) -> &'static [&'static str] {
        match self {
            Self::Feedback => &["on", "off"],
            Self::Occupied => &["yes", "no"],
            Self::Position => &["normal", "reverse", "moving", "unknown"],
            Self::Asked => &["normal", "reverse"],
            Self::Polarity => &["A", "B", "dead"],
            Self::State => &["straight", "swapped", "unknown"],
            Self::Current
            | Self::Voltage
            | Self::Peak
            | Self::Expected
            | Self::Load
            | Self::Power
            | Self::Throw => &[],
        }
    }

    /// An actuator takes it as an order.
    #[must_use]
    pub const fn is_order(self) -> bool {
        matches!(self, Self::Power | Self::Throw)
    }
}

/// One channel.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Channel {
    /// What it is of.
    pub object: Object,
    /// Its quantity.
    pub quantity: Quantity,
}

/// All channels of a layout. Order: by object kind, object, quantity; the same for the same file.
#[derive(Clone, Debug)]
pub struct ChannelTable {
    channels: Vec<Channel>,
    names: Names,
    by_channel: BTreeMap<Channel, ChannelIx>,
}

impl ChannelTable {
    /// Every channel that `layout` can have.
    #[must_use]
    pub fn new(layout: &Layout) -> Self {
        use Quantity as Q;
        let mut table =
            Self { channels: Vec::new(), names: Names::default(), by_channel: BTreeMap::new() };
        let powered = [Q::Current, Q::Voltage, Q::Feedback, Q::Power];
        for (at, it) in layout.boosters.iter().enumerate() {
            table.add(Object::Booster(BoosterIx::new(at)), "booster", &it.id, &powered);
        }
        for (at, it) in layout.districts.iter().enumerate() {
            table.add(Object::District(DistrictIx::new(at)), "district", &it.id, &powered);
        }
        for (at, it) in layout.blocks.iter().enumerate() {
            let quantities = [Q::Current, Q::Occupied, Q::Peak];
            table.add(Object::Block(BlockIx::new(at)), "block", &it.id, &quantities);
        }
        for (at, it) in layout.machines.iter().enumerate() {
            let quantities = [Q::Position, Q::Asked, Q::Throw];
            table.add(Object::Machine(MachineIx::new(at)), "machine", &it.id, &quantities);
        }
        for (at, it) in layout.frogs.iter().enumerate() {
            let quantities = [Q::Polarity, Q::Current, Q::Expected];
            table.add(Object::Frog(FrogIx::new(at)), "frog", &it.id, &quantities);
        }
        for at in 0..layout.poles.len() {
            let pole = PoleIx::new(at);
            table.add(Object::Pole(pole), "pole", &layout.pole_name(pole), &[Q::Load]);
        }
        for (at, it) in layout.reversers.iter().enumerate() {
            table.add(Object::Reverser(ReverserIx::new(at)), "reverser", &it.id, &[Q::State]);
        }
        table
    }

    fn add(&mut self, object: Object, kind: &str, id: &str, quantities: &[Quantity]) {
        for &quantity in quantities {
            let channel = Channel { object, quantity };
            let index = ChannelIx::new(self.channels.len());
            let name = format!("{kind}/{id}/{}", quantity.word());
            self.channels.push(channel);
            self.names.push(name);
            self.by_channel.insert(channel, index);
        }
    }

    /// Number of channels.
    #[must_use]
    pub fn len(&self) -> usize {
        self.channels.len()
    }

    /// A layout without a channel does not exist; for completeness.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.channels.is_empty()
    }

    /// The channel of a name such as `district/quarry/current`.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<ChannelIx> {
        self.names.find(name).map(ChannelIx::new)
    }

    /// The index of a channel.
    #[must_use]
    pub fn index(&self, object: Object, quantity: Quantity) -> Option<ChannelIx> {
        self.by_channel.get(&Channel { object, quantity }).copied()
    }

    /// What an index stands for.
    #[must_use]
    pub fn channel(&self, index: ChannelIx) -> Channel {
        self.channels[index.at()]
    }

    /// The name of a channel.
    #[must_use]
    pub fn name(&self, index: ChannelIx) -> &str {
        self.names.get(index.at())
    }

    /// The object part of a channel's name: `district/quarry`.
    #[must_use]
    pub fn object_name(&self, index: ChannelIx) -> &str {
        let name = self.name(index);
        name.rsplit_once('/').map_or(name, |(object, _)| object)
    }

    /// All names, in order of index.
    #[must_use]
    pub fn names(&self) -> &[String] {
        self.names.all()
    }

    /// All channels with their indices.
    pub fn iter(&self) -> impl Iterator<Item = (ChannelIx, Channel)> + '_ {
        self.channels.iter().enumerate().map(|(at, channel)| (ChannelIx::new(at), *channel))
    }
}

/// `district/quarry`: the subject of alarms, suspects and findings about an object.
#[must_use]
pub fn subject(layout: &Layout, object: Object) -> String {
    match object {
        Object::Booster(it) => format!("booster/{}", layout.boosters[it.at()].id),
        Object::District(it) => format!("district/{}", layout.districts[it.at()].id),
        Object::Block(it) => format!("block/{}", layout.blocks[it.at()].id),
        Object::Machine(it) => format!("machine/{}", layout.machines[it.at()].id),
        Object::Frog(it) => format!("frog/{}", layout.frogs[it.at()].id),
        Object::Pole(it) => format!("pole/{}", layout.pole_name(it)),
        Object::Reverser(it) => format!("reverser/{}", layout.reversers[it.at()].id),
    }
}
