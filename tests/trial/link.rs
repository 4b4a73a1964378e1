//! The link between the simulated nodes and the supervisor: what a link would make of each reading, births, silence.

use std::collections::VecDeque;

use simulator::{Node, SimReading, SimValue};
use supervision::{
    input::{Announced, Input, Invalid, LinkReport, NodeIx, Quality, Reading, Transport, Value},
    value,
};
use wiring::{
    channel::{ChannelTable, Quantity},
    units::{Micros, Mono},
};

/// A node that says nothing for so long is lost. links.md 5.4, MQTT.
const LOST_AFTER: Micros = Micros::from_millis(3500);
/// How far back a number is looked for: a message that was sent twice comes twice soon.
const REMEMBERED: usize = 64;

/// What a link remembers of one node.
struct Heard {
    latest: Option<u64>,
    recent: VecDeque<u64>,
    at: Mono,
    lost: bool,
}

/// All nodes of a layout.
pub struct Link {
    nodes: Vec<Heard>,
}

impl Link {
    pub fn new(nodes: usize) -> Self {
        let heard =
            |_| Heard { latest: None, recent: VecDeque::new(), at: Mono::START, lost: false };
        Self { nodes: (0..nodes).map(heard).collect() }
    }

    /// What a reading is by its number: re-sent, overtaken, or in order.
    fn quality(&mut self, reading: &SimReading) -> Quality {
        let heard = &mut self.nodes[reading.node];
        let is_newest = heard.latest.is_none_or(|latest| latest < reading.number);
        // The newest of all cannot have come before.
        if !is_newest && heard.recent.contains(&reading.number) {
            return Quality::Resent;
        }
        if heard.recent.len() == REMEMBERED {
            heard.recent.pop_front();
        }
        heard.recent.push_back(reading.number);
        if !is_newest {
            return Quality::Late;
        }
        heard.latest = Some(reading.number);
        Quality::Good
    }

    /// A reading as a link hands it on, after the sign of life where the node had been lost.
    pub fn reading(
        &mut self,
        reading: &SimReading,
        channels: &ChannelTable,
    ) -> impl Iterator<Item = Input> + use<> {
        let quality = self.quality(reading);
        let heard = &mut self.nodes[reading.node];
        heard.at = reading.at;
        let alive = std::mem::take(&mut heard.lost)
            .then(|| Input::Link(LinkReport::Alive { node: node_ix(reading.node) }));
        let quantity = channels.channel(reading.channel).quantity;
        let input = Input::Reading(Reading {
            channel: reading.channel,
            value: value_of(quantity, reading.value),
            quality,
            node_ms: u32::try_from(reading.node_ms).ok(),
        });
        alive.into_iter().chain([input])
    }

    /// A node has introduced itself at `now`.
    pub fn born(&mut self, node: usize, now: Mono) {
        self.nodes[node].at = now;
        self.nodes[node].lost = false;
    }

    /// Nodes that have been silent for too long at `now`.
    pub fn silences(&mut self, now: Mono) -> Vec<Input> {
        let mut inputs = Vec::new();
        for (at, heard) in self.nodes.iter_mut().enumerate() {
            if !heard.lost && LOST_AFTER <= now.since(heard.at) {
                heard.lost = true;
                inputs.push(Input::Link(LinkReport::Lost { node: node_ix(at) }));
            }
        }
        inputs
    }
}

fn node_ix(at: usize) -> NodeIx {
    NodeIx(u16::try_from(at).expect("a layout has fewer nodes than that"))
}

/// The introduction of a node.
pub fn birth(at: usize, node: &Node) -> Input {
    let channels = node.channels.iter().map(|it| Announced {
        channel: it.channel,
        period: it.hz.map(|hz| Micros((1e6 / hz) as u64)),
        output: it.output,
        averaging: it.avg_ms.map(|ms| Micros::from_millis(u64::from(ms))),
        stale_after: None,
    });
    Input::Link(LinkReport::Born {
        node: node_ix(at),
        name: node.id.clone(),
        transport: Transport::Mqtt,
        channels: channels.collect(),
        permit: true,
        restarted: false,
    })
}

fn value_of(quantity: Quantity, value: SimValue) -> Value {
    let made = match value {
        SimValue::Number(number) => value::from_number(quantity, number),
        SimValue::Word(word) => value::from_text(quantity, word),
        SimValue::Invalid(word) => return Value::Invalid(why(word)),
    };
    made.unwrap_or(Value::Invalid(Invalid::Malformed))
}

fn why(word: &str) -> Invalid {
    match word {
        "over" => Invalid::OverRange,
        "under" => Invalid::UnderRange,
        "open" => Invalid::Open,
        _ => Invalid::Sensor,
    }
}
