//! Foreign topics: which channel a message is of, what it says, and what that is worth. No I/O.
//!
//! A foreign message carries no boot. Where a rule names a number or a time in it, repetition, order and delay are judged
//! as for nodes of one's own; else its readings are bare.

mod document;
mod map;
mod order;

use std::{collections::BTreeMap, time::Instant};

use supervision::input::{Quality, Reading};
use wiring::{channel::ChannelTable, index::ChannelIx};

pub(crate) use self::map::Mapping;
use self::{
    map::{BadForeign, Mapped},
    order::{Judged, Source},
};

/// The mapping table at work.
#[derive(Debug)]
pub(crate) struct Foreign {
    mapping: Mapping,
    /// Of the channels that were heard of: few or none on most layouts, and all of them are asked for their delay.
    sources: BTreeMap<ChannelIx, Source>,
    pub(crate) counts: ForeignCounts,
}

/// Counters.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct ForeignCounts {
    pub(crate) out_of_order: u64,
    /// Messages missing between two numbers of a sender.
    pub(crate) lost: u64,
}

/// A foreign message as it came.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ForeignMessage<'a> {
    pub(crate) topic: &'a str,
    pub(crate) payload: &'a [u8],
    pub(crate) retained: bool,
    pub(crate) at: Instant,
}

/// What a foreign message gave.
#[derive(Debug, Default)]
pub(crate) struct Given {
    /// No rule names its topic.
    pub(crate) is_unknown: bool,
    pub(crate) readings: Vec<Reading>,
    /// What of it could not be used.
    pub(crate) wrong: Vec<BadForeign>,
}

impl Foreign {
    pub(crate) fn new(mapping: Mapping) -> Self {
        Self { mapping, sources: BTreeMap::new(), counts: ForeignCounts::default() }
    }

    pub(crate) const fn mapping(&self) -> &Mapping {
        &self.mapping
    }

    /// Takes a message.
    pub(crate) fn handle(&mut self, message: ForeignMessage, channels: &ChannelTable) -> Given {
        let found = self.mapping.read(message.topic, message.payload, channels);
        let mut given = Given { is_unknown: found.is_empty(), ..Given::default() };
        let mut lost = 0;
        for result in found {
            match result {
                Ok(mapped) => {
                    let (quality, missing) = self.judge(&mapped, message);
                    lost = lost.max(missing);
                    let Mapped { channel, value, stamp, .. } = mapped;
                    let node_ms = stamp.time.map(|time| time.ms);
                    given.readings.extend(quality.map(|quality| Reading {
                        channel,
                        value,
                        quality,
                        node_ms,
                    }));
                    given.wrong.extend(mapped.lacks);
                }
                Err(why) => given.wrong.push(why),
            }
        }
        // Several rules for one topic see the same gap.
        self.counts.lost += lost;
        given
    }

    /// What a reading is worth, and how many messages are missing before it; nothing where a newer state is known.
    fn judge(&mut self, mapped: &Mapped, message: ForeignMessage) -> (Option<Quality>, u64) {
        if message.retained {
            return (Some(Quality::Late), 0);
        }
        let source = self.sources.entry(mapped.channel).or_default();
        let Judged { quality, out_of_order, missing } =
            source.judge(mapped.stamp, mapped.is_measured, message.at);
        self.counts.out_of_order += u64::from(out_of_order);
        (quality, missing)
    }

    /// Largest extra delay of any sender lately. Unit: ms.
    pub(crate) fn lag(&self) -> u32 {
        self.sources.values().map(Source::lag).max().unwrap_or(0)
    }
}
