//! What answers mean.

use std::time::{Duration, Instant};

use supervision::input::{Input, Invalid, LinkReport, Quality, Reading, Value};
use wiring::channel::Object;

use super::{Bus, Job, Settled};
use crate::modbus::{
    decode::{value, words},
    pdu::{Answer, Question, exception},
    plan::{Block, Meaning},
    unit::{Check, IDENTITY_EVERY, Life, Write},
    wire::Fault,
};

/// A relay's contact follows its coil within this.
const RELAY_TIME: Duration = Duration::from_millis(20);
/// A write, and a read-back, is tried so often.
const TRIES: u8 = 3;

impl Bus {
    /// The question under way is answered, or has failed.
    pub(super) fn settle(&mut self, result: Settled, at: Instant) {
        let Some((job, question)) = self.asked.take() else { return };
        let unit = match job {
            Job::Read(unit, _)
            | Job::Separate(unit)
            | Job::Identity(unit)
            | Job::Write(unit, _)
            | Job::Check(unit, _)
            | Job::Pulse(unit, _) => unit,
            Job::AllOff => return,
        };
        match result {
            Ok(answer) => {
                self.units[unit].doubts.handle_answer(&question, &answer, at);
                self.last = Some((unit, question.clone()));
                self.answered(job, &question, &answer, at);
            }
            Err(fault) => {
                self.last = None;
                self.units[unit].doubts.handle_failure(&question, at);
                self.failed(job, fault, at);
            }
        }
    }

    fn answered(&mut self, job: Job, question: &Question, answer: &Answer, at: Instant) {
        match job {
            Job::Identity(unit) => return self.identified(unit, answer, at),
            // Nobody is believed before it has shown who it is.
            Job::Read(unit, _)
            | Job::Separate(unit)
            | Job::Write(unit, _)
            | Job::Check(unit, _)
            | Job::Pulse(unit, _)
                if self.units[unit].identity.is_none() || self.units[unit].life == Life::Alive =>
            {
                self.lives(unit, at);
            }
            Job::Read(..)
            | Job::Separate(_)
            | Job::Write(..)
            | Job::Check(..)
            | Job::Pulse(..)
            | Job::AllOff => {}
        }
        match (job, answer) {
            (Job::Read(unit, block), Answer::Data(data)) => {
                self.read(unit, block, data, at);
                self.was_read(unit, block, at);
            }
            (Job::Read(unit, block), Answer::Exception(code)) => {
                self.unreadable(unit, block, *code, at);
            }
            (Job::Write(unit, output), Answer::Done) => self.written(unit, output, at),
            (Job::Write(unit, output), Answer::Exception(code)) => {
                self.refused(unit, output, exception(*code), at);
            }
            (Job::Check(unit, output), Answer::Data(data)) => {
                if let Some(block) = self.units[unit].block_of(output) {
                    self.read(unit, block, data, at);
                }
                self.checked(unit, output, data, question, at);
            }
            (Job::Check(unit, output), Answer::Exception(code)) => {
                self.units[unit].outputs[output].check = None;
                self.tell_unusable(
                    Some(unit),
                    &format!("its output cannot be read back: {}", exception(*code)),
                    at,
                );
            }
            (Job::Pulse(unit, nth), Answer::Done) => {
                let every = self.units[unit].pulse_every;
                let pulse = &mut self.units[unit].pulses[nth];
                pulse.on = !pulse.on;
                pulse.due = (pulse.due + every).max(at);
            }
            (Job::Pulse(unit, nth), Answer::Exception(code)) => {
                self.units[unit].pulses[nth].due = at + self.units[unit].pulse_every;
                self.tell_unusable(
                    Some(unit),
                    &format!("its pulse coil cannot be written: {}", exception(*code)),
                    at,
                );
            }
            (Job::Read(..) | Job::Check(..), Answer::Done)
            | (Job::Write(..) | Job::Pulse(..), Answer::Data(_))
            | (Job::Separate(_) | Job::Identity(_) | Job::AllOff, _) => {}
        }
    }

    fn identified(&mut self, unit: usize, answer: &Answer, at: Instant) {
        let Some((identity, due)) = &mut self.units[unit].identity else { return };
        *due = at + IDENTITY_EVERY;
        let found = match answer {
            Answer::Data(data) => {
                let count = u16::try_from(identity.equals.len()).unwrap_or(1);
                words(identity.table, data, count)
            }
            Answer::Done | Answer::Exception(_) => Vec::new(),
        };
        if found == identity.equals {
            return self.lives(unit, at);
        }
        let what = format!(
            "its identity reads {found:?}, not {:?}: another unit answers",
            identity.equals
        );
        self.tell_unusable(Some(unit), &what, at);
        self.lost(unit, &what, at);
    }

    fn read(&mut self, unit: usize, block: usize, data: &[u8], at: Instant) {
        let block = self.units[unit].blocks[block].clone();
        let words = words(block.table, data, block.count);
        for place in &block.places {
            let from = usize::from(place.address - block.start);
            let words = words.get(from..).unwrap_or_default();
            match place.meaning {
                Meaning::Point(nth) => self.point(unit, nth, words, at),
                Meaning::Output(nth) => {
                    let output = &self.units[unit].outputs[nth];
                    let on = words.first().is_some_and(|word| (*word != 0) == output.on);
                    if let Some(channel) = output.feedback {
                        self.reading(channel, Value::Feedback(on));
                    }
                }
            }
        }
    }

    fn point(&mut self, unit: usize, nth: usize, words: &[u16], at: Instant) {
        let point = &self.units[unit].points[nth];
        let (channel, alternative) = (point.channel, point.settings.alternative);
        if alternative && self.usable.contains(&channel) {
            return;
        }
        match value(&point.settings, point.quantity, words) {
            Ok(value) => {
                let usable = !matches!(value, Value::Invalid(_));
                if !alternative {
                    self.mark_usable(channel, usable);
                }
                self.reading(channel, value);
            }
            Err(why) => {
                let what = format!("{}: {why}", point.settings.channel);
                if !alternative {
                    self.mark_usable(channel, false);
                }
                self.tell_unusable(Some(unit), &what, at);
                self.reading(channel, Value::Invalid(Invalid::Malformed));
            }
        }
    }

    fn mark_usable(&mut self, channel: wiring::index::ChannelIx, usable: bool) {
        if usable {
            self.usable.insert(channel);
        } else {
            self.usable.remove(&channel);
        }
    }

    fn reading(&mut self, channel: wiring::index::ChannelIx, value: Value) {
        let quality = Quality::Good;
        self.ready.push(Input::Reading(Reading { channel, value, quality, node_ms: None }));
    }

    fn was_read(&mut self, unit: usize, block: usize, at: Instant) {
        let poll = self.units[unit].poll;
        self.units[unit].blocks[block].was_read(poll, at);
    }

    /// The unit refuses a read. Addresses that nobody wants may be why: then they are asked around.
    fn unreadable(&mut self, unit: usize, block: usize, code: u8, at: Instant) {
        const ILLEGAL_ADDRESS: u8 = 2;
        let it = self.units[unit].blocks[block].clone();
        if code == ILLEGAL_ADDRESS
            && let Some(plain) = it.without_spare()
        {
            self.units[unit].blocks.splice(block..=block, plain);
            return;
        }
        let Block { table, start, count, .. } = &it;
        let what = format!(
            "cannot be read by function {} at {start}, {count} long: {}",
            table.function(),
            exception(code)
        );
        self.tell_unusable(Some(unit), &what, at);
        for place in &it.places {
            if let Meaning::Point(nth) = place.meaning {
                let channel = self.units[unit].points[nth].channel;
                self.mark_usable(channel, false);
                self.reading(channel, Value::Invalid(Invalid::Sensor));
            }
        }
        self.was_read(unit, block, at);
    }

    fn written(&mut self, unit: usize, output: usize, at: Instant) {
        let it = &mut self.units[unit].outputs[output];
        let Some(write) = it.write.take() else { return };
        it.check = Some(Check { write: Write { tries: 0, ..write }, from: at });
        self.counts.orders_sent += u64::from(write.order.is_some());
    }

    fn refused(&mut self, unit: usize, output: usize, why: &str, at: Instant) {
        let it = &mut self.units[unit].outputs[output];
        let order = it.write.take().and_then(|write| write.order);
        it.check = None;
        if let Some(order) = order {
            let reason = why.to_owned();
            self.ready.push(Input::Link(LinkReport::Refused { order, reason }));
        }
        self.tell_unusable(Some(unit), &format!("refuses an order: {why}"), at);
    }

    /// The state read back is compared with the order. What proves a cut is the current, which is asked for at once.
    fn checked(
        &mut self,
        unit: usize,
        output: usize,
        data: &[u8],
        question: &Question,
        at: Instant,
    ) {
        let Question::Read { table, address, count } = question else { return };
        let meaning = Meaning::Output(output);
        let blocks = self.units[unit].blocks.iter();
        let place = blocks.flat_map(|it| &it.places).find(|place| place.meaning == meaning);
        let Some(from) = place.map(|place| usize::from(place.address - *address)) else { return };
        let state = words(*table, data, *count).get(from).is_some_and(|word| *word != 0);
        let it = &mut self.units[unit].outputs[output];
        let Some(check) = it.check.take() else { return };
        let Write { power, order, tries } = check.write;
        if (state == it.on) == power {
            let object = self.channels.channel(it.channel).object;
            self.ready.extend(order.map(|order| Input::Link(LinkReport::Acknowledged { order })));
            return self.hurry(object, at);
        }
        if tries + 1 < TRIES {
            let write = Write { tries: tries + 1, ..check.write };
            it.check = Some(Check { write, from: at + RELAY_TIME });
            return;
        }
        let reason = format!("it reads back as {}", if power { "off" } else { "on" });
        self.tell_unusable(Some(unit), &format!("an output was written, and {reason}"), at);
        self.ready.extend(order.map(|order| Input::Link(LinkReport::Refused { order, reason })));
    }

    fn hurry(&mut self, object: Object, at: Instant) {
        let channels = std::sync::Arc::clone(&self.channels);
        self.units.iter_mut().for_each(|unit| unit.hurry(object, &channels, at));
    }

    fn failed(&mut self, job: Job, fault: Fault, at: Instant) {
        match job {
            Job::Read(unit, block) => {
                self.missed(unit, fault, at);
                // It was due and stays so, behind what else is due by now.
                let it = &mut self.units[unit];
                it.retry = at.max(it.retry);
                it.blocks[block].due = at;
            }
            Job::Separate(unit) => self.missed(unit, fault, at),
            Job::Identity(unit) => {
                self.missed(unit, fault, at);
                let it = &mut self.units[unit];
                if let Some((_, due)) = &mut it.identity {
                    *due = at;
                }
            }
            Job::Pulse(unit, nth) => {
                self.missed(unit, fault, at);
                self.units[unit].pulses[nth].due = at;
            }
            Job::Check(unit, output) => {
                self.missed(unit, fault, at);
                let it = &mut self.units[unit].outputs[output];
                if let Some(check) = it.check.take().filter(|it| it.write.tries + 1 < TRIES) {
                    let write = Write { tries: check.write.tries + 1, ..check.write };
                    it.check = Some(Check { write, from: at });
                }
            }
            Job::Write(unit, output) => {
                self.missed(unit, fault, at);
                self.write_failed(unit, output, fault, at);
            }
            Job::AllOff => {}
        }
    }

    fn write_failed(&mut self, unit: usize, output: usize, fault: Fault, at: Instant) {
        let it = &mut self.units[unit].outputs[output];
        let Some(write) = it.write.take() else { return };
        if write.tries + 1 < TRIES {
            it.write = Some(Write { tries: write.tries + 1, ..write });
            return;
        }
        if write.power {
            // Whether it is on is not known, and nobody will ask for it any more.
            it.write = Some(Write { power: false, order: None, tries: 0 });
        }
        self.counts.orders_not_sent += u64::from(write.order.is_some());
        let report = |order| {
            if write.power {
                LinkReport::Refused { order, reason: fault.to_string() }
            } else {
                LinkReport::NotSent { order }
            }
        };
        self.ready.extend(write.order.map(|order| Input::Link(report(order))));
        self.tell_unusable(Some(unit), &format!("did not take an order: {fault}"), at);
    }
}
