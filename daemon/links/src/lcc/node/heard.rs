//! What a frame from the bus does. Nothing from here is more than `Bare`: the text has no check, the event no time.

use std::time::Instant;

use supervision::input::{
    Act, Feed, Input, MachinePosition, OperatorRequest, Quality, Reading, RequestId, ReverserState,
    Transport, Value,
};
use wiring::{
    channel::{Object, Quantity},
    index::ChannelIx,
};

use super::{
    super::{
        events::Heard,
        frame::Frame,
        message::{Asked, EventId, Message, NodeId, Said, Validity, control_frame, mti},
    },
    Node, Stage,
};

impl Node {
    pub(super) fn handle_frame(&mut self, frame: &Frame, at: Instant) {
        let Some(message) = Message::read(frame) else {
            self.counts.bad += 1;
            self.tell(None, "a frame has a wrong length for what it says", at);
            return;
        };
        self.counts.received += 1;
        if self.is_ours(message, at) {
            return;
        }
        let node = self.remotes.node(message.from);
        if let Some(node) = node
            && self.remotes.lives(node, at, &mut self.ready)
        {
            self.ask_all();
        }
        match message.said {
            Said::MapDefinition(id) | Said::Verified(id) => self.learn(message.from, id, at),
            Said::Initialized(id) => {
                self.learn(message.from, id, at);
                if self.remotes.restarted(id, at) {
                    self.ask_all();
                }
            }
            Said::MapReset(_) => self.remotes.forget(message.from),
            Said::Report(event) => self.happened(message.from, node, event, at),
            Said::Producer(event, validity) => self.state(message.from, node, event, validity, at),
            Said::CheckId(..) | Said::ReserveId | Said::Consumer(..) | Said::Other => {}
            Said::MapEnquiry(_)
            | Said::Verify(_)
            | Said::IdentifyProducer(_)
            | Said::IdentifyConsumer(_)
            | Said::IdentifyEvents
            | Said::To(..) => {
                if self.stage == Stage::Permitted {
                    self.answer(message.from, message.said);
                }
            }
        }
    }

    /// Frames under our own alias: nobody else may send them.
    fn is_ours(&mut self, message: Message, at: Instant) -> bool {
        let ours = message.from == self.aliases.now();
        match (self.stage, message.said) {
            (Stage::Closed | Stage::Duplicate | Stage::Pausing(_), _) => ours,
            (_, _) if !ours => false,
            (Stage::Permitted, Said::CheckId(..)) => {
                let frame = control_frame(0x700, message.from, &[]);
                self.urgent.push_back(frame);
                true
            }
            (Stage::Checking(_) | Stage::Permitted, Said::MapDefinition(id)) if id == self.id => {
                self.duplicate(at);
                true
            }
            (Stage::Checking(_) | Stage::Permitted, _) => {
                self.alias_taken(at);
                true
            }
        }
    }

    fn learn(&mut self, alias: u16, id: NodeId, at: Instant) {
        if id == self.id {
            return self.duplicate(at);
        }
        self.remotes.learn(alias, id);
        if self.remotes.lives(id, at, &mut self.ready) {
            self.ask_all();
        }
    }

    fn answer(&mut self, from: u16, said: Said) {
        match said {
            Said::MapEnquiry(id) if id.is_none_or(|id| id == self.id) => {
                let frame = control_frame(0x701, self.aliases.now(), &self.id.0);
                self.urgent.push_back(frame);
            }
            Said::Verify(id) if id.is_none_or(|id| id == self.id) => self.verified(),
            Said::IdentifyProducer(event) => self.producers(event),
            Said::IdentifyConsumer(event) => self.consumers(event),
            Said::IdentifyEvents => self.announce_all(),
            Said::To(to, asked) if to == self.aliases.now() => self.asked(from, asked),
            // For another node.
            Said::To(..) => self.counts.skipped += 1,
            Said::MapEnquiry(_) | Said::Verify(_) => {}
            Said::CheckId(..)
            | Said::ReserveId
            | Said::MapDefinition(_)
            | Said::MapReset(_)
            | Said::Initialized(_)
            | Said::Verified(_)
            | Said::Producer(..)
            | Said::Consumer(..)
            | Said::Report(_)
            | Said::Other => {}
        }
    }

    fn asked(&mut self, from: u16, asked: Asked) {
        match asked {
            Asked::Verify => self.verified(),
            Asked::IdentifyEvents => self.announce_all(),
            Asked::Protocols => self.protocols(from),
            Asked::NodeInfo => self.node_info(from),
            Asked::Datagram => self.reject_datagram(from),
            Asked::Unknown(mti) => self.reject(from, mti),
            Asked::Answer | Asked::Part => {}
        }
    }

    /// An event was reported. Requests to cut are believed of anybody; the rest only of nodes that are known.
    fn happened(&mut self, from: u16, node: Option<NodeId>, event: EventId, at: Instant) {
        let heard: Vec<Heard> = self.consumed(event);
        if heard.is_empty() {
            return;
        }
        if node.is_some_and(|node| self.remotes.is_repeated(node, event, at)) {
            self.counts.out_of_order += 1;
            return;
        }
        for it in heard {
            match (it, node) {
                (Heard::CutAll, _) => self.cut_all(from, node),
                (Heard::Cut(object), _) => self.cut(from, node, object),
                (Heard::Note(text), _) => self.tell(node, text, at),
                (Heard::Reading(channel, value), Some(node)) => {
                    self.reads(node, channel, value, at)
                }
                (Heard::Asked(channel, to), Some(_)) => self.reading(channel, Value::Asked(to)),
                (Heard::Reading(..) | Heard::Asked(..), None) => self.stranger(from, at),
            }
        }
    }

    /// A producer told the state of its event. It carries no request.
    fn state(
        &mut self,
        from: u16,
        node: Option<NodeId>,
        event: EventId,
        validity: Validity,
        at: Instant,
    ) {
        for it in self.consumed(event) {
            let Heard::Reading(channel, value) = it else { continue };
            let Some(node) = node else {
                self.stranger(from, at);
                continue;
            };
            match validity {
                Validity::Valid => self.reads(node, channel, value, at),
                Validity::Unknown => {
                    if let Some(unknown) = unknown(value) {
                        self.reads(node, channel, unknown, at);
                    }
                }
                // The event that is valid tells the value.
                Validity::Invalid => {}
            }
        }
    }

    fn consumed(&self, event: EventId) -> Vec<Heard> {
        self.events.consumed.iter().filter(|it| it.event == event).map(|it| it.heard).collect()
    }

    /// A node that nobody introduced: what it says is not used, and it is asked who it is.
    fn stranger(&mut self, alias: u16, at: Instant) {
        self.counts.skipped += 1;
        if self.remotes.ask(alias, at) {
            self.to(mti::VERIFY_TO, alias, &[]);
            self.ask_all();
        }
    }

    fn reads(&mut self, node: NodeId, channel: ChannelIx, value: Value, at: Instant) {
        let numbers = &self.numbers;
        let number = || numbers.number(Transport::Lcc, &node.to_string());
        self.remotes.tells(node, channel, number, at);
        self.reading(channel, value);
    }

    fn reading(&mut self, channel: ChannelIx, value: Value) {
        self.events.heard(channel, value);
        let quality = Quality::Bare;
        self.ready.push(Input::Reading(Reading { channel, value, quality, node_ms: None }));
    }

    fn cut_all(&mut self, from: u16, node: Option<NodeId>) {
        let powers = self.channels.iter().filter(|(_, it)| it.quantity == Quantity::Power);
        let objects: Vec<Object> = powers.map(|(_, it)| it.object).collect();
        for object in objects {
            self.cut(from, node, object);
        }
    }

    fn cut(&mut self, from: u16, node: Option<NodeId>, object: Object) {
        let feed = match object {
            Object::Booster(it) => Feed::Booster(it),
            Object::District(it) => Feed::District(it),
            Object::Block(_)
            | Object::Machine(_)
            | Object::Frog(_)
            | Object::Pole(_)
            | Object::Reverser(_) => return,
        };
        let who = match node {
            Some(node) => format!("node {node} (lcc {})", self.name),
            None => format!("a node with alias {from:03X} (lcc {})", self.name),
        };
        self.requests += 1;
        let id = RequestId(self.requests);
        self.ready.push(Input::Operator(OperatorRequest { id, who, act: Act::Cut(feed) }));
    }
}

/// What a channel reads whose producer does not know; none where the channel has no word for that.
const fn unknown(value: Value) -> Option<Value> {
    match value {
        Value::Position(_) => Some(Value::Position(MachinePosition::Unknown)),
        Value::Reverser(_) => Some(Value::Reverser(ReverserState::Unknown)),
        Value::Current(_)
        | Value::Voltage(_)
        | Value::Asked(_)
        | Value::Polarity(_)
        | Value::Occupied(_)
        | Value::Feedback(_)
        | Value::Invalid(_) => None,
    }
}
