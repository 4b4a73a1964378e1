//! The face of this crate: start the links of a layout, give orders, publish states, ask how the links are.

use std::{net::SocketAddr, sync::Arc, time::Instant};

use supervision::{
    input::LinkReport,
    output::{Action, Order, PowerState, StateValue},
    snapshot::Snapshot,
};
use tokio::task::JoinSet;
use wiring::{channel::ChannelTable, index::ChannelIx, links::LinkSettings};

use crate::{
    clp::port::Port,
    driver::Driver,
    lcc::node::Node,
    modbus::bus::Bus,
    mqtt::{self, BETWEEN_CUTS, MqttLink},
    nodes::NodeNumbers,
    queue::{Arrivals, Sink, queue},
    status::LinkStatus,
    tick::Tick,
};

/// Longest wait for the last writes of Modbus lines.
const LAST_WRITES: std::time::Duration = std::time::Duration::from_millis(500);

/// What the links say about the program they belong to.
#[derive(Clone, Debug)]
pub struct Options {
    /// A number of this run, told to nodes and part of every order's id.
    pub run: u16,
    /// The program's version, for `ROOT/-/daemon`.
    pub version: String,
}

/// Why the links cannot be started. A missing broker or device is none of these: it is awaited.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The address of the embedded broker is in use or not ours.
    #[error(
        "the embedded broker cannot listen on {listen}: {why}; where a broker runs there already, write broker = \"mqtt://{listen}\" in place of `embedded`"
    )]
    Broker {
        /// As configured.
        listen: String,
        /// The system's answer.
        why: String,
    },
    /// This build has no embedded broker.
    #[error("this build has no embedded broker: name one with `broker = \"mqtt://HOST:PORT\"`")]
    NoBroker,
    /// Mistakes in `[links]`, all of them.
    #[error("[links]: {}", .0.join("; "))]
    Settings(Vec<String>),
}

/// An alarm as it stands, for `ROOT/-/alarm/KIND/SUBJECT`.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct AlarmMessage {
    /// `raised`, `acknowledged` …
    pub state: String,
    /// `high`, `medium`, `low`.
    pub priority: String,
    /// What was seen, in words.
    pub text: String,
}

/// What became of an order on one link, or on all.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Delivery {
    /// The link has no such output.
    NotMine,
    /// It has, and could not hand the order over.
    NotSent,
    /// It handed it over.
    Sent,
}

impl Delivery {
    /// Over several means: one that took it is enough.
    pub(crate) const fn or(self, other: Self) -> Self {
        match (self, other) {
            (Self::Sent, _) | (_, Self::Sent) => Self::Sent,
            (Self::NotSent, _) | (_, Self::NotSent) => Self::NotSent,
            (Self::NotMine, Self::NotMine) => Self::NotMine,
        }
    }
}

/// All links of a layout, running.
#[derive(Debug)]
pub struct Links {
    sink: Sink,
    mqtt: Vec<Arc<MqttLink>>,
    serial: Vec<Arc<Driver<Port>>>,
    modbus: Vec<Arc<Driver<Bus>>>,
    lcc: Vec<Arc<Driver<Node>>>,
    tasks: JoinSet<()>,
}

/// Starts every link of `settings`. Links that have no broker or device yet keep trying.
///
/// # Errors
/// [`StartError`] for settings that can never work, and when the embedded broker's address is taken.
pub async fn start(
    settings: &LinkSettings,
    channels: Arc<ChannelTable>,
    tick: Tick,
    options: Options,
) -> Result<(Links, Arrivals), StartError> {
    begin(settings, channels, tick, options, Manner::Supervising).await
}

/// Starts every link only to hear: as another client at a broker, without states, orders or permits, and without a word
/// on an LCC bus. Nodes of a serial line are asked to introduce themselves, and Modbus units are asked for their
/// values: both speak only when asked, and neither line can be shared with a running daemon.
///
/// An embedded broker that runs already is used; else one is started, and the notes say so.
///
/// # Errors
/// As [`start`].
pub async fn listen(
    settings: &LinkSettings,
    channels: Arc<ChannelTable>,
    run: u16,
) -> Result<(Links, Arrivals, Vec<String>), StartError> {
    let (settings, notes) = mqtt::as_listener(settings, run).await;
    let options = Options { run, version: String::new() };
    // Nobody beats this tick: no permit leaves.
    let begun = begin(&settings, channels, Tick::new(), options, Manner::Listening).await?;
    Ok((begun.0, begun.1, notes))
}

/// What the links are started for.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Manner {
    /// To supervise: everything.
    Supervising,
    /// To hear: nothing that another could act upon is said.
    Listening,
}

async fn begin(
    settings: &LinkSettings,
    channels: Arc<ChannelTable>,
    tick: Tick,
    options: Options,
    manner: Manner,
) -> Result<(Links, Arrivals), StartError> {
    let (sink, arrivals) = queue();
    let numbers = Arc::new(NodeNumbers::default());
    let mut tasks = JoinSet::new();
    let mqtt = MqttLink::all(settings, &channels, &numbers, &sink, (&options, manner)).await?;
    for link in &mqtt {
        tasks.spawn(Arc::clone(link).run_main());
        if manner == Manner::Supervising {
            tasks.spawn(Arc::clone(link).run_orders());
        }
        tasks.spawn(Arc::clone(link).run_clock(tick.clone()));
    }
    let mut serial = Vec::new();
    for it in &settings.serial {
        let (channels, numbers) = (Arc::clone(&channels), Arc::clone(&numbers));
        let port = Port::new(&it.name, channels, numbers, options.run, Instant::now());
        let link = Driver::new(&it.name, &it.device, it.into(), port);
        tasks.spawn(Arc::clone(&link).run(sink.clone(), tick.clone()));
        serial.push(link);
    }
    let mut modbus = Vec::new();
    let buses = Bus::all(&settings.modbus, &channels, &numbers).map_err(StartError::Settings)?;
    for (it, bus) in settings.modbus.iter().zip(buses) {
        let link = Driver::new(&it.name, &it.device, it.into(), bus);
        tasks.spawn(Arc::clone(&link).run(sink.clone(), tick.clone()));
        modbus.push(link);
    }
    let mut lcc = Vec::new();
    for it in &settings.lcc {
        let (channels, numbers) = (Arc::clone(&channels), Arc::clone(&numbers));
        let node = Node::new(it, channels, numbers, Instant::now());
        let link = match manner {
            Manner::Supervising => Driver::new(&it.name, &it.device, it.into(), node),
            // The daemon on the same bus may have the same node id.
            Manner::Listening => Driver::mute(&it.name, &it.device, it.into(), node),
        };
        tasks.spawn(Arc::clone(&link).run(sink.clone(), tick.clone()));
        lcc.push(link);
    }
    Ok((Links { sink, mqtt, serial, modbus, lcc, tasks }, arrivals))
}

impl Links {
    /// Hands an order to every means that its channel has. Never blocks and never queues for a link that is down: what
    /// cannot be sent comes back as `NotSent` at once. A cut is remembered and given again on every connection until
    /// its state is published as cut; a restore whose link is down is forgotten.
    pub fn order(&self, order: &Order) {
        let mut delivery = Delivery::NotMine;
        for link in &self.serial {
            let now = Instant::now();
            delivery = delivery.or(link.with(&self.sink, |port| port.order(order, now)));
        }
        for link in &self.modbus {
            let now = Instant::now();
            delivery = delivery.or(link.with(&self.sink, |bus| bus.order(order, now)));
        }
        for link in &self.lcc {
            delivery = delivery.or(link.with(&self.sink, |node| node.order(order)));
        }
        // Of one broker it is not asked: there is no other.
        let taken = self.mqtt.len() > 1 && self.mqtt.iter().any(|link| link.takes(order.channel));
        for link in &self.mqtt {
            // Anybody is asked only where nobody is known to take it.
            let elsewhere = delivery != Delivery::NotMine || (taken && !link.takes(order.channel));
            delivery = delivery.or(link.order(order, elsewhere));
        }
        match delivery {
            Delivery::Sent => {}
            Delivery::NotSent | Delivery::NotMine => {
                // A restore that did not go out is forgotten, and permits nothing.
                if order.action == Action::On {
                    self.power_wanted(order.channel, false);
                }
                self.sink.report(Instant::now(), LinkReport::NotSent { order: order.id });
            }
        }
    }

    /// The proved state of an output channel, or another state, for everybody. Power published as cut ends the repeating
    /// of that cut.
    pub fn publish_state(&self, channel: ChannelIx, value: StateValue) {
        if value == StateValue::Power(PowerState::Cut) {
            self.serial.iter().for_each(|link| link.with(&self.sink, |port| port.proved(channel)));
            self.modbus.iter().for_each(|link| link.with(&self.sink, |bus| bus.proved(channel)));
            self.lcc.iter().for_each(|link| link.with(&self.sink, |node| node.proved(channel)));
            self.mqtt.iter().for_each(|link| link.proved(channel));
        }
        self.mqtt.iter().for_each(|link| link.publish_state(channel, value));
    }

    /// An alarm as it stands; none when it is normal again.
    pub fn publish_alarm(&self, kind: &str, subject: &str, alarm: Option<&AlarmMessage>) {
        self.mqtt.iter().for_each(|link| link.publish_alarm(kind, subject, alarm));
    }

    /// Whether the power of a channel may be on. Nodes get permits only while one of their outputs may be on. An order
    /// to switch on or to cut says the same by itself.
    pub fn power_wanted(&self, channel: ChannelIx, on: bool) {
        self.mqtt.iter().for_each(|link| link.power_wanted(channel, on));
        for link in &self.serial {
            link.with(&self.sink, |port| port.power_wanted(channel, on));
        }
        for link in &self.modbus {
            link.with(&self.sink, |bus| bus.power_wanted(channel, on));
        }
    }

    /// The layout as it is seen, for links that tell of it by events of their own. Called ten times a second.
    pub fn show(&self, snapshot: &Snapshot) {
        self.lcc.iter().for_each(|link| link.with(&self.sink, |node| node.show(snapshot)));
    }

    /// A link is here that tells of the layout as it is seen: [`Self::show`] is to be called.
    #[must_use]
    pub const fn are_shown(&self) -> bool {
        !self.lcc.is_empty()
    }

    /// How the links are.
    #[must_use]
    pub fn status(&self) -> Vec<LinkStatus> {
        let mqtt = self.mqtt.iter().map(|link| link.status());
        let serial = self.serial.iter().map(|link| link.status(&self.sink));
        let modbus = self.modbus.iter().map(|link| link.status(&self.sink));
        let lcc = self.lcc.iter().map(|link| link.status(&self.sink));
        mqtt.chain(serial).chain(modbus).chain(lcc).collect()
    }

    /// Where the embedded broker listens, with the port that it got.
    #[must_use]
    pub fn embedded_broker(&self) -> Option<SocketAddr> {
        self.mqtt.iter().find_map(|link| link.embedded())
    }

    /// Cuts everything by every link, three times 50 ms apart: on shutdown, and when the supervisor has failed. Permits
    /// end with it.
    pub async fn cut_everything(&self) {
        for again in 0..3 {
            if again > 0 {
                tokio::time::sleep(BETWEEN_CUTS).await;
            }
            self.mqtt.iter().for_each(|link| link.cut_everything());
            self.serial.iter().for_each(|link| link.with(&self.sink, Port::cut_everything));
            self.modbus.iter().for_each(|link| link.with(&self.sink, Bus::cut_everything));
            self.lcc.iter().for_each(|link| link.with(&self.sink, Node::cut_everything));
        }
    }

    /// Ends the links of a listener: nothing is cut and nobody is told.
    pub async fn part(mut self) {
        for link in &self.mqtt {
            link.leave().await;
        }
        self.tasks.shutdown().await;
    }

    /// Cuts everything, says that Checkrail is down, and ends all links.
    pub async fn stop(mut self) {
        self.cut_everything().await;
        for link in &self.mqtt {
            link.part().await;
        }
        // Serial lines get the time that the last cut needs.
        if !self.serial.is_empty() || !self.lcc.is_empty() {
            tokio::time::sleep(BETWEEN_CUTS).await;
        }
        // A line takes its coils one by one; a dead unit is not awaited for ever.
        let until = Instant::now() + LAST_WRITES;
        while self.modbus.iter().any(|link| link.peek(Bus::is_writing)) && Instant::now() < until {
            tokio::time::sleep(BETWEEN_CUTS / 5).await;
        }
        self.tasks.shutdown().await;
    }
}
