//! What the node says when it is asked, and of itself.

use super::{
    super::{
        frame::Frame,
        message::{EventId, Validity, addressed_frames, message_frame, mti},
    },
    Call, MOST_WAITING, Node, Stage,
};

/// Events, and simple node information.
const PROTOCOLS: [u8; 3] = [0x04, 0x10, 0x00];
/// The standard's code for a permanent refusal, for messages of a protocol in which this node takes no part (S-9.7.3).
const TAKES_NO_PART: [u8; 2] = [0x10, 0x43];

impl Node {
    /// A message to one node.
    pub(super) fn to(&mut self, mti: u16, alias: u16, data: &[u8]) {
        let frames = addressed_frames(mti, self.aliases.now(), alias, data);
        self.answer_with(frames);
    }

    /// A message to all.
    pub(super) fn say(&mut self, mti: u16, data: &[u8]) {
        let frame = message_frame(mti, self.aliases.now(), data);
        self.answer_with(vec![frame]);
    }

    fn answer_with(&mut self, frames: Vec<Frame>) {
        if self.stage == Stage::Permitted && self.answers.len() + frames.len() <= MOST_WAITING {
            self.answers.extend(frames);
        }
    }

    pub(super) fn verified(&mut self) {
        self.say(mti::VERIFIED, &self.id.0.clone());
    }

    pub(super) fn protocols(&mut self, to: u16) {
        self.to(mti::PROTOCOLS_REPLY, to, &PROTOCOLS);
    }

    pub(super) fn reject_datagram(&mut self, to: u16) {
        self.to(mti::DATAGRAM_REJECTED, to, &TAKES_NO_PART);
    }

    pub(super) fn reject(&mut self, to: u16, mti: u16) {
        let [high, low] = mti.to_be_bytes();
        let [one, two] = TAKES_NO_PART;
        self.to(mti::REJECTED, to, &[one, two, high, low]);
    }

    /// Who made the node, and what its owner calls it: texts, each ended by a zero.
    pub(super) fn node_info(&mut self, to: u16) {
        let mut data = vec![4];
        for text in ["Checkrail", "daemon", "", env!("CARGO_PKG_VERSION")] {
            data.extend_from_slice(text.as_bytes());
            data.push(0);
        }
        data.push(2);
        for text in [self.name.as_str(), ""] {
            data.extend_from_slice(text.as_bytes());
            data.push(0);
        }
        self.to(mti::NODE_INFO_REPLY, to, &data);
    }

    pub(super) fn producers(&mut self, event: EventId) {
        for at in 0..self.events.produced.len() {
            if self.events.produced[at].event == event {
                let frame = self.call(Call::Produced(at));
                self.answer_with(vec![frame]);
            }
        }
    }

    pub(super) fn consumers(&mut self, event: EventId) {
        for at in 0..self.events.consumed.len() {
            if self.events.consumed[at].event == event {
                let frame = self.call(Call::Consumed(at));
                self.answer_with(vec![frame]);
            }
        }
    }

    /// A report, with the identification that must go before the first of its event.
    pub(super) fn report(&mut self, at: usize) {
        if !self.events.produced[at].announced {
            let frame = self.call(Call::Produced(at));
            self.calls.remove(&Call::Produced(at));
            self.answer_with(vec![frame]);
        }
        let event = self.events.produced[at].event;
        self.say(mti::REPORT, &event.0);
    }

    /// The frame of an announcement or question, with the state as it is now.
    pub(super) fn call(&mut self, call: Call) -> Frame {
        let (mti, event) = match call {
            Call::Produced(at) => {
                let it = &mut self.events.produced[at];
                it.announced = true;
                (of(it.validity, mti::PRODUCER), it.event)
            }
            Call::Consumed(at) => {
                let it = self.events.consumed[at];
                (of(it.validity, mti::CONSUMER), it.event)
            }
            Call::Ask(at) => (mti::IDENTIFY_PRODUCER, self.events.consumed[at].event),
        };
        message_frame(mti, self.aliases.now(), &event.0)
    }
}

const fn of(validity: Validity, [valid, invalid, unknown]: [u16; 3]) -> u16 {
    match validity {
        Validity::Valid => valid,
        Validity::Invalid => invalid,
        Validity::Unknown => unknown,
    }
}
