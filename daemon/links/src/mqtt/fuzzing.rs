//! What comes in by MQTT, as a whole: intake, table of foreign topics and order desk, for damaged messages.

use std::{sync::Arc, time::Instant};

use supervision::{input::Input, output::Action};

use wiring::layout::Position;

use super::{
    desk::Desk,
    foreign::Mapping,
    intake::{Incoming, Intake, News},
    topics::Topics,
};
use crate::{
    nodes::NodeNumbers,
    testing::{channels, order},
};

const FOREIGN: &str = r#"
[links.mqtt]
broker = "mqtt://127.0.0.1:1883"
map = [
  { topic = "sensors/+/telemetry", channel = "district/{1}/current", pointer = "/ina/0/ma", scale = 0.001, range = [0, 10] },
  { topic = "shed/adc3", channel = "district/quarry/voltage", scale = 0.01, offset = -0.05, range = [0, 30] },
  { topic = "points/+", channel = "machine/{1}/position", pointer = "/state", values = { "0" = "normal", "1" = "reverse", "2" = "moving" }, other = "unknown" },
  { topic = "csv/q1", channel = "block/q1/current", between = ["I=", "A"] },
  { topic = "meter/yard", channel = "district/yard/current", regex = "^I=([-0-9.]+) *A;", seq = "/n" },
  { topic = "packed/q1", channel = "block/q1/peak", encoding = "cbor", pointer = "/ina/0", scale = 0.001, time = "/ts", seq = "/n" },
  { topic = "shed/relay3", channel = "district/quarry/feedback", values = { ON = "on", OFF = "off" } },
]
"#;

/// Everything behind the connection.
pub(crate) struct Receiver {
    intake: Intake,
    desk: Desk,
}

impl Receiver {
    pub(crate) fn new(now: Instant) -> Self {
        let text = include_str!("../../tests/support/layout.toml");
        let layout = wiring::read(&format!("{text}{FOREIGN}")).layout.expect("a good layout file");
        let rules = &layout.links.mqtt.as_ref().expect("it is there").map;
        let (channels, numbers) = (channels(), Arc::new(NodeNumbers::default()));
        let mapping = Mapping::new(rules, &[], &channels).expect("a good table");
        let topics = Topics::new("checkrail");
        let mut desk = Desk::new(topics.clone(), Arc::clone(&channels), 0x51E7);
        // Two orders are open: `51e7-0000` cuts, `51e7-0001` throws.
        let throw = Action::Throw(Position::Reverse);
        for (id, channel, action) in
            [(7, "district/quarry/power", Action::Cut), (8, "machine/T14/throw", throw)]
        {
            let order = order(id, &channels, channel, action);
            desk.remember(&order, &[], false);
            let _ = desk.order(&order, &[], false, now);
        }
        let intake = Intake::new("mqtt", topics, channels, numbers, mapping);
        Self { intake, desk }
    }

    /// A message; what the supervisor is told.
    pub(crate) fn hear(
        &mut self,
        topic: &str,
        payload: &[u8],
        retained: bool,
        at: Instant,
    ) -> Vec<Input> {
        self.intake.handle(Incoming { topic, payload, retained, at });
        self.ready(at)
    }

    /// Time passes; what the supervisor is told.
    pub(crate) fn wait(&mut self, now: Instant) -> Vec<Input> {
        self.intake.handle_timeout(now);
        let _ = self.desk.handle_timeout(now);
        self.ready(now)
    }

    fn ready(&mut self, now: Instant) -> Vec<Input> {
        for news in self.intake.take_news() {
            match news {
                News::Outputs(offer) => drop(self.desk.offered(offer, now)),
                News::Ack { node, channel, ack } => {
                    drop(self.desk.answered(&node, &channel, &ack, now));
                }
                News::Leftover { .. } => {}
            }
        }
        let mut told: Vec<Input> = self.intake.drain_ready().collect();
        told.extend(self.desk.take_reports().into_iter().map(Input::Link));
        told
    }
}
