//! Births: how nodes introduce themselves.

use supervision::input::{Announced, Input, LinkReport, Transport};
use wiring::{index::ChannelIx, units::Micros};

use super::{Incoming, Intake, News, Offer, nodes::Birth};
use crate::{mqtt::payload, unusable::printable};

/// Readings a second that a node may announce.
const FASTEST_RATE: f64 = 100_000.0;

impl Intake {
    pub(super) fn birth(&mut self, name: &str, message: Incoming) {
        if message.payload.is_empty() {
            return;
        }
        let birth = match payload::birth(message.payload) {
            Ok(birth) => birth,
            Err(why) => return self.unusable(message.topic, &why.to_string(), message.at),
        };
        let (announced, outputs) = self.offered(&birth, message);
        let (boot, permit) = (birth.boot_number(), birth.permit_ms.is_some_and(|ms| ms > 0));
        let Some(node) = self.node(name, message.at) else {
            return self.unusable(message.topic, "is of one node too many", message.at);
        };
        let born = Birth { channels: announced.clone(), permit };
        let restarted = node.is_born(boot, born, message.at);
        let node = node.ix;
        self.ready.push(Input::Link(LinkReport::Born {
            node,
            name: format!("{}{name}", self.prefix),
            transport: Transport::Mqtt,
            channels: announced,
            permit,
            restarted,
        }));
        let (node, permit_ms) = (name.to_owned(), birth.permit_ms.filter(|ms| *ms > 0));
        let offer = Offer { node, boot: birth.boot, permit_ms, outputs, restarted };
        self.news.push(News::Outputs(offer));
    }

    /// Channels of a birth that the layout has.
    fn offered(
        &mut self,
        birth: &payload::Birth,
        message: Incoming,
    ) -> (Vec<Announced>, Vec<(ChannelIx, bool)>) {
        let mut announced = Vec::new();
        let mut outputs = Vec::new();
        for (name, offered) in &birth.channels {
            let found = self.channels.find(name).filter(|it| {
                let quantity = self.channels.channel(*it).quantity;
                if offered.out { quantity.is_order() } else { quantity.is_input() }
            });
            let Some(channel) = found else {
                let kind = if offered.out { "output" } else { "input" };
                let what =
                    format!("announces `{}`, which is no {kind} of the layout", printable(name));
                self.unusable(&format!("{} {name}", message.topic), &what, message.at);
                continue;
            };
            let rate = offered.hz.filter(|hz| hz.is_finite() && *hz > 0.0 && *hz <= FASTEST_RATE);
            let period = rate.map(|hz| Micros((1e6 / hz).round() as u64));
            announced.push(Announced {
                output: offered.out,
                averaging: offered.avg_ms.map(|ms| Micros::from_millis(u64::from(ms))),
                ..Announced::input(channel, period)
            });
            if offered.out {
                outputs.push((channel, offered.arm));
            }
        }
        (announced, outputs)
    }
}
