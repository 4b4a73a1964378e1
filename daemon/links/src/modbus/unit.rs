//! One unit of a line: what is read of it, what it switches, and whether it lives.

use std::{
    collections::BTreeSet,
    time::{Duration, Instant},
};

use supervision::input::{Announced, NodeIx, OrderId};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::ChannelIx,
    links::{Deadman, ModbusIdentity, ModbusTable, ModbusUnit},
    units::Micros,
};

use super::{
    doubt::Doubts,
    pdu::{Question, Shape},
    plan::{Block, Meaning, Place, Point, blocks},
};

/// Failed questions in a row after which a unit may be lost,
pub(crate) const LOST_AFTER: u8 = 3;
/// and for how many polls it must have been silent.
pub(crate) const LOST_POLLS: u32 = 3;
/// A lost unit is asked again this often.
pub(crate) const RETRY_EVERY: Duration = Duration::from_secs(2);
/// The identity is read this often.
pub(crate) const IDENTITY_EVERY: Duration = Duration::from_secs(5);

/// Whether a unit answers.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Life {
    /// Not asked often enough to know.
    Unknown,
    /// It answers.
    Alive,
    /// It does not.
    Lost,
}

/// A write that is to be done.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct Write {
    /// Power on or off.
    pub(crate) power: bool,
    /// The order that wants it; none for one of our own.
    pub(crate) order: Option<OrderId>,
    /// Failed attempts.
    pub(crate) tries: u8,
}

/// A read-back that is to be done after a write.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct Check {
    pub(crate) write: Write,
    /// Relays take time: not before.
    pub(crate) from: Instant,
}

/// A coil that switches power.
#[derive(Clone, Debug)]
pub(crate) struct Output {
    pub(crate) channel: ChannelIx,
    /// Where its read-back goes; none where another row supplies that channel.
    pub(crate) feedback: Option<ChannelIx>,
    pub(crate) coil: u16,
    pub(crate) on: bool,
    pub(crate) deadman: Deadman,
    pub(crate) pulse: Option<u16>,
    pub(crate) write: Option<Write>,
    pub(crate) check: Option<Check>,
}

/// A coil that keeps a time relay picked up.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pulse {
    pub(crate) coil: u16,
    pub(crate) on: bool,
    pub(crate) due: Instant,
}

/// One unit.
#[derive(Debug)]
pub(crate) struct Unit {
    pub(crate) ix: NodeIx,
    pub(crate) name: String,
    pub(crate) address: u8,
    pub(crate) poll: Duration,
    pub(crate) pulse_every: Duration,
    pub(crate) points: Vec<Point>,
    pub(crate) blocks: Vec<Block>,
    pub(crate) outputs: Vec<Output>,
    pub(crate) pulses: Vec<Pulse>,
    pub(crate) identity: Option<(ModbusIdentity, Instant)>,
    pub(crate) life: Life,
    pub(crate) was_born: bool,
    pub(crate) trouble: String,
    pub(crate) misses: u8,
    pub(crate) heard: Instant,
    pub(crate) told_alive: Instant,
    pub(crate) retry: Instant,
    pub(crate) doubts: Doubts,
}

impl Unit {
    /// Names what the layout does not have.
    pub(crate) fn new(
        settings: &ModbusUnit,
        name: String,
        ix: NodeIx,
        channels: &ChannelTable,
        supplied: &BTreeSet<String>,
        now: Instant,
    ) -> Result<Self, String> {
        let find = |name: &str| {
            channels.find(name).ok_or_else(|| format!("`{name}` is no channel of the layout"))
        };
        let mut points = Vec::new();
        for it in &settings.points {
            let channel = find(&it.channel)?;
            let quantity = channels.channel(channel).quantity;
            points.push(Point { settings: it.clone(), channel, quantity });
        }
        let mut outputs = Vec::new();
        for it in &settings.outputs {
            let channel = find(&it.channel)?;
            let object = channels.channel(channel).object;
            let feedback = channels
                .index(object, Quantity::Feedback)
                .filter(|it| !supplied.contains(channels.name(*it)));
            outputs.push(Output {
                channel,
                feedback,
                coil: it.coil,
                on: it.on,
                deadman: it.deadman,
                pulse: it.pulse,
                write: None,
                check: None,
            });
        }
        let identity = settings.identity.as_ref().map(|it| identity_question(it).shape());
        let coils: BTreeSet<u16> = outputs.iter().filter_map(|it| it.pulse).collect();
        let pulses = coils.into_iter().map(|coil| Pulse { coil, on: false, due: now }).collect();
        Ok(Self {
            ix,
            name,
            address: settings.address,
            poll: Duration::from_micros(settings.poll.0),
            pulse_every: Duration::from_micros(settings.pulse_every.0),
            blocks: blocks(places(settings), identity, now),
            points,
            outputs,
            pulses,
            identity: settings.identity.clone().map(|it| (it, now)),
            life: Life::Unknown,
            was_born: false,
            trouble: String::new(),
            misses: 0,
            heard: now,
            told_alive: now,
            retry: now,
            doubts: Doubts::default(),
        })
    }

    /// What the supervisor is told about it.
    pub(crate) fn announced(&self) -> Vec<Announced> {
        let period = Some(Micros::from_millis(u64::try_from(self.poll.as_millis()).unwrap_or(1)));
        let first = self.points.iter().filter(|it| !it.settings.alternative);
        let points = first.map(|it| Announced {
            stale_after: it.settings.stale_after,
            averaging: it.settings.averaging,
            ..Announced::input(it.channel, period)
        });
        let feedbacks = self.outputs.iter().filter_map(|it| it.feedback);
        let feedbacks = feedbacks.map(|it| Announced::input(it, period));
        let outputs = self.outputs.iter().map(|it| Announced::output(it.channel));
        points.chain(feedbacks).chain(outputs).collect()
    }

    /// Every output falls off by itself when Checkrail is silent.
    pub(crate) fn falls_off(&self) -> bool {
        !self.outputs.is_empty() && self.outputs.iter().all(|it| it.deadman != Deadman::None)
    }

    /// Any message keeps its watchdog content, so it gets none while the supervisor is not alive.
    pub(crate) fn has_watchdog(&self) -> bool {
        self.outputs.iter().any(|it| it.deadman == Deadman::Node)
    }

    /// The block holds a current or voltage of something that is not known to be off.
    pub(crate) fn is_safety(
        &self,
        block: &Block,
        channels: &ChannelTable,
        off: &BTreeSet<ChannelIx>,
    ) -> bool {
        block.places.iter().any(|place| match place.meaning {
            Meaning::Output(_) => false,
            Meaning::Point(at) => {
                let point = &self.points[at];
                let measured = matches!(point.quantity, Quantity::Current | Quantity::Voltage);
                let object = channels.channel(point.channel).object;
                let power = channels.index(object, Quantity::Power);
                measured && power.is_none_or(|power| !off.contains(&power))
            }
        })
    }

    /// Reads the currents and voltages of an object at once.
    pub(crate) fn hurry(&mut self, object: Object, channels: &ChannelTable, now: Instant) {
        for block in &mut self.blocks {
            let of_it = block.places.iter().any(|place| match place.meaning {
                Meaning::Output(_) => false,
                Meaning::Point(at) => channels.channel(self.points[at].channel).object == object,
            });
            if of_it {
                block.due = block.due.min(now);
            }
        }
    }

    /// The question that must go before this one, if any.
    pub(crate) fn separator(
        &mut self,
        question: &Question,
        last: Option<&Question>,
        now: Instant,
    ) -> Option<Question> {
        let identity = self.identity.iter().map(|(it, _)| identity_question(it).shape());
        let own: Vec<Shape> =
            self.blocks.iter().map(|it| it.question().shape()).chain(identity).collect();
        self.doubts.separator(question, last, &own, now)
    }

    /// The block that reads an output back.
    pub(crate) fn block_of(&self, output: usize) -> Option<usize> {
        let of_it = |place: &Place| place.meaning == Meaning::Output(output);
        self.blocks.iter().position(|block| block.places.iter().any(of_it))
    }
}

/// The question for an identity.
pub(crate) fn identity_question(identity: &ModbusIdentity) -> Question {
    let count = u16::try_from(identity.equals.len()).unwrap_or(1);
    Question::Read { table: identity.table, address: identity.address, count }
}

fn places(settings: &ModbusUnit) -> Vec<(ModbusTable, Place)> {
    let points = settings.points.iter().enumerate().map(|(at, it)| {
        let (address, width) = (it.address, it.raw.width());
        (it.table, Place { address, width, meaning: Meaning::Point(at) })
    });
    let outputs = settings.outputs.iter().enumerate().map(|(at, it)| {
        let (table, address) = it.readback;
        (table, Place { address, width: 1, meaning: Meaning::Output(at) })
    });
    points.chain(outputs).collect()
}
