//! Which events the node produces and consumes, what each means, and whether it is so now. Our own events are the node ID
//! and a suffix `kind(4) index(9) state(3)` (links.md 4.4); those of others are as configured.

use std::collections::BTreeMap;

use supervision::{
    input::{MachinePosition, MeasuredPolarity, Value},
    output::{Occupancy, PowerState},
    snapshot::{Measured, Snapshot},
    value::from_text,
};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::{BlockIx, ChannelIx, DistrictIx, FrogIx, MachineIx},
    layout::{Conductor, Position},
    links::{LccObject, LccSettings},
};

use super::message::{EventId, NodeId, Validity};

/// Cut everything. Well known: NMRA S-9.7.0.4 (2016), as are the next.
pub(crate) const EMERGENCY_OFF: EventId = EventId([1, 0, 0, 0, 0, 0, 0xFF, 0xFF]);
const CLEAR_EMERGENCY_OFF: EventId = EventId([1, 0, 0, 0, 0, 0, 0xFF, 0xFE]);
const EMERGENCY_STOP: EventId = EventId([1, 0, 0, 0, 0, 0, 0xFF, 0xFD]);
const CLEAR_EMERGENCY_STOP: EventId = EventId([1, 0, 0, 0, 0, 0, 0xFF, 0xFC]);
/// Two nodes have one ID.
pub(crate) const DUPLICATE_ID: EventId = EventId([1, 1, 0, 0, 0, 0, 2, 1]);

/// What an event that we produce tells of.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) enum Told {
    Position(MachineIx, u8),
    Occupied(BlockIx, bool),
    Power(DistrictIx, u8),
    Polarity(FrogIx, MeasuredPolarity),
    Life(String, bool),
    /// An order to a foreign output.
    Order,
    /// The well-known emergency off.
    EmergencyOff,
}

/// What an event that we consume does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Heard {
    /// A reading.
    Reading(ChannelIx, Value),
    /// Our own request event: the panel asks for a position.
    Asked(ChannelIx, Position),
    /// Cut this.
    Cut(Object),
    /// Cut everything.
    CutAll,
    /// Shown to people, and nothing else.
    Note(&'static str),
}

/// An event with what it is for.
#[derive(Clone, Debug)]
pub(crate) struct Produced {
    pub(crate) event: EventId,
    pub(crate) told: Told,
    pub(crate) validity: Validity,
    /// Whether it was so when that was known last.
    was: Option<bool>,
    /// It was identified since the last login.
    pub(crate) announced: bool,
}

/// An event that is listened to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Consumed {
    pub(crate) event: EventId,
    pub(crate) heard: Heard,
    /// What was heard last of its channel.
    pub(crate) validity: Validity,
    /// Of another node, which can be asked for its state.
    pub(crate) foreign: bool,
}

/// All events of a node.
#[derive(Clone, Debug, Default)]
pub(crate) struct Events {
    pub(crate) produced: Vec<Produced>,
    pub(crate) consumed: Vec<Consumed>,
    /// Orders: channel, event that cuts or throws to normal, event that switches on or throws to reverse.
    pub(crate) orders: BTreeMap<ChannelIx, (EventId, EventId)>,
}

impl Events {
    pub(crate) fn new(settings: &LccSettings, channels: &ChannelTable) -> Self {
        let mut it = Self::default();
        let node = NodeId(settings.node_id);
        for (object, index) in &settings.own {
            it.own(node, object, *index, channels);
        }
        for row in &settings.events_in {
            it.foreign(EventId(row.event), row.channel, &row.value, channels);
        }
        for row in &settings.events_out {
            let (off, on) = (EventId(row.off), EventId(row.on));
            it.orders.insert(row.channel, (off, on));
            it.produce(off, Told::Order);
            it.produce(on, Told::Order);
        }
        it.produce(EMERGENCY_OFF, Told::EmergencyOff);
        it.consume(EMERGENCY_OFF, Heard::CutAll, false);
        for (event, text) in [
            (
                CLEAR_EMERGENCY_OFF,
                "clears the emergency off: Checkrail restores by its own rules only",
            ),
            (EMERGENCY_STOP, "stops all trains in an emergency: trains are not Checkrail's"),
            (CLEAR_EMERGENCY_STOP, "clears the emergency stop of trains"),
        ] {
            it.consume(event, Heard::Note(text), false);
        }
        it
    }

    fn produce(&mut self, event: EventId, told: Told) {
        let validity = Validity::Unknown;
        self.produced.push(Produced { event, told, validity, was: None, announced: false });
    }

    fn consume(&mut self, event: EventId, heard: Heard, foreign: bool) {
        self.consumed.push(Consumed { event, heard, validity: Validity::Unknown, foreign });
    }

    fn own(&mut self, node: NodeId, object: &LccObject, index: u16, channels: &ChannelTable) {
        let event = |kind: u16, state: u8| own_event(node, kind, index, state);
        match object {
            LccObject::Machine(it) => {
                (0..3).for_each(|s| self.produce(event(1, s), Told::Position(*it, s)));
                let asked = channels.index(Object::Machine(*it), Quantity::Asked);
                for (state, to) in [(0, Position::Normal), (1, Position::Reverse)] {
                    let heard = asked.map(|channel| Heard::Asked(channel, to));
                    heard.into_iter().for_each(|it| self.consume(event(2, state), it, false));
                }
            }
            LccObject::Block(it) => {
                for (state, occupied) in [(0, false), (1, true)] {
                    self.produce(event(3, state), Told::Occupied(*it, occupied));
                }
            }
            LccObject::District(it) => {
                (0..4).for_each(|s| self.produce(event(4, s), Told::Power(*it, s)));
                self.consume(event(6, 0), Heard::Cut(Object::District(*it)), false);
            }
            LccObject::Frog(it) => {
                for (state, polarity) in [
                    (0, MeasuredPolarity::On(Conductor::A)),
                    (1, MeasuredPolarity::On(Conductor::B)),
                    (2, MeasuredPolarity::Dead),
                ] {
                    self.produce(event(5, state), Told::Polarity(*it, polarity));
                }
            }
            LccObject::Node(name) => {
                for (state, fresh) in [(0, true), (1, false)] {
                    self.produce(event(7, state), Told::Life(name.clone(), fresh));
                }
            }
        }
    }

    fn foreign(&mut self, event: EventId, channel: ChannelIx, word: &str, channels: &ChannelTable) {
        let it = channels.channel(channel);
        if it.quantity == Quantity::Power {
            return self.consume(event, Heard::Cut(it.object), true);
        }
        // The layout file takes only words that the channel can have.
        if let Ok(value) = from_text(it.quantity, word) {
            self.consume(event, Heard::Reading(channel, value), true);
        }
    }

    /// Takes the layout as it is seen and tells, by place, which events have come true since it was known that they were
    /// not; and with `false` those of which something is known for the first time, or nothing any more: told quietly.
    pub(crate) fn show(&mut self, seen: &Snapshot) -> Vec<(usize, bool)> {
        let mut news = Vec::new();
        for (at, it) in self.produced.iter_mut().enumerate() {
            let Some(validity) = validity(&it.told, seen) else { continue };
            let before = std::mem::replace(&mut it.validity, validity);
            let was = match validity {
                Validity::Valid => it.was.replace(true),
                Validity::Invalid => it.was.replace(false),
                Validity::Unknown => it.was,
            };
            if validity == Validity::Valid && was == Some(false) {
                news.push((at, true));
            } else if before != validity && [before, validity].contains(&Validity::Unknown) {
                news.push((at, false));
            }
        }
        news
    }

    /// What was heard of a channel: the newest word wins.
    pub(crate) fn heard(&mut self, channel: ChannelIx, value: Value) {
        for it in &mut self.consumed {
            let own = match it.heard {
                Heard::Reading(its, that) => (its == channel).then_some(that),
                Heard::Asked(its, to) => (its == channel).then_some(Value::Asked(to)),
                Heard::Cut(_) | Heard::CutAll | Heard::Note(_) => None,
            };
            if let Some(own) = own {
                it.validity = if own == value { Validity::Valid } else { Validity::Invalid };
            }
        }
    }

    /// Nothing is known of these channels any more.
    pub(crate) fn forget(&mut self, channels: impl Fn(ChannelIx) -> bool) {
        for it in &mut self.consumed {
            if matches!(it.heard, Heard::Reading(channel, _) if channels(channel)) {
                it.validity = Validity::Unknown;
            }
        }
    }
}

/// `kind(4) index(9) state(3)` behind the node ID.
fn own_event(node: NodeId, kind: u16, index: u16, state: u8) -> EventId {
    let suffix = (kind << 12 | index << 3 | u16::from(state)).to_be_bytes();
    let [a, b, c, d, e, f] = node.0;
    EventId([a, b, c, d, e, f, suffix[0], suffix[1]])
}

/// Whether it is so; none where the snapshot does not decide. Stale is unknown, never the last value.
fn validity(told: &Told, seen: &Snapshot) -> Option<Validity> {
    let known = |is: Option<bool>| match is {
        Some(true) => Validity::Valid,
        Some(false) => Validity::Invalid,
        None => Validity::Unknown,
    };
    Some(match told {
        Told::Position(machine, state) => {
            let position = seen.machines.get(machine.at()).and_then(|it| fresh(it.position));
            known(position.map(|it| position_state(it) == *state))
        }
        Told::Occupied(block, occupied) => {
            let is = match seen.blocks.get(block.at()).map(|it| it.occupancy) {
                Some(Occupancy::Occupied) => Some(true),
                Some(Occupancy::Clear) => Some(false),
                Some(Occupancy::Unknown | Occupancy::Held { .. }) | None => None,
            };
            known(is.map(|is| is == *occupied))
        }
        Told::Power(district, state) => {
            let power = seen.districts.get(district.at()).map(|it| it.power);
            known(power.and_then(|it| is_power(it, *state)))
        }
        Told::Polarity(frog, polarity) => {
            let measured = seen.frogs.get(frog.at()).and_then(|it| fresh(it.measured));
            known(measured.map(|it| it == *polarity))
        }
        Told::Life(name, fresh) => {
            known(seen.nodes.iter().find(|it| it.name == *name).map(|it| it.up == *fresh))
        }
        Told::Order | Told::EmergencyOff => return None,
    })
}

fn fresh<T>(measured: Option<Measured<T>>) -> Option<T> {
    measured.filter(|it| !it.stale).map(|it| it.value)
}

const fn position_state(position: MachinePosition) -> u8 {
    match position {
        MachinePosition::Normal => 0,
        MachinePosition::Reverse => 1,
        MachinePosition::Moving | MachinePosition::Unknown => 2,
    }
}

/// None while nothing has shown it yet. One that is being restored is in none of the states.
const fn is_power(power: PowerState, state: u8) -> Option<bool> {
    match power {
        PowerState::On => Some(state == 0),
        PowerState::Cut => Some(state == 1),
        PowerState::Cutting => Some(state == 2),
        PowerState::CutFailed => Some(state == 3),
        PowerState::Restoring => Some(false),
        PowerState::Unknown => None,
    }
}
