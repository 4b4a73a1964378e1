//! MQTT 3.1.1 and 5: the messages of `ROOT/…`, foreign topics by the mapping table, and the embedded broker.
//!
//! Two connections: readings, states and alarms go by one, orders and permits by the other, so that a full queue of
//! ordinary traffic can neither block nor delay a cut.

mod broker;
mod client;
mod connection;
mod desk;
#[cfg(feature = "broker")]
mod door;
mod foreign;
#[cfg(test)]
pub(crate) mod fuzzing;
pub(crate) mod intake;
mod options;
mod outbox;
mod payload;
mod topics;

use std::{
    net::SocketAddr,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant, SystemTime},
};

use serde_json::json;
use supervision::{
    input::{LinkReport, OrderId},
    output::{Order, StateValue},
    value::Written,
};
use wiring::{
    channel::ChannelTable,
    index::ChannelIx,
    links::{BrokerAddress, LinkSettings, MqttSettings},
};

use self::{
    client::{Letter, Message, Verdict},
    connection::{Happened, Posted, Wire},
    desk::{Desk, Outgoing},
    foreign::Mapping,
    intake::{Incoming, Intake, News},
    outbox::Outbox,
    topics::Topics,
};
use crate::{
    links::{AlarmMessage, Delivery, Manner, Options, StartError},
    nodes::NodeNumbers,
    queue::Sink,
    status::{LinkKind, LinkStatus},
    tick::Tick,
};

/// Largest packet. Births of nodes with many channels are larger than the client's default. Unit: octet.
const MOST_PACKET: usize = 256 * 1024;
/// Permits go out this often.
const PERMIT_EVERY: Duration = Duration::from_millis(250);
/// Deadlines are looked at this often.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// What an earlier run left is heard within this after the first connection.
const LEFTOVERS_WITHIN: Duration = Duration::from_secs(2);
/// Pause between the three cuts of everything.
pub(crate) const BETWEEN_CUTS: Duration = Duration::from_millis(50);
/// Under MQTT 5 the broker throws away an order that waits longer: as long as a token is good. Unit: s.
const ORDER_EXPIRES: u32 = 2;
/// And a permit. Unit: s.
const PERMIT_EXPIRES: u32 = 1;
/// A goodbye takes no longer than this.
const PART_WITHIN: Duration = Duration::from_millis(500);

/// The MQTT link.
#[derive(Debug)]
pub(crate) struct MqttLink {
    name: String,
    manner: Manner,
    address: String,
    embedded: Option<SocketAddr>,
    topics: Topics,
    channels: Arc<ChannelTable>,
    sink: Sink,
    main: Wire,
    orders: Wire,
    intake: Mutex<Intake>,
    desk: Mutex<Desk>,
    outbox: Mutex<Outbox>,
    settings: MqttSettings,
    daemon: String,
}

impl MqttLink {
    /// Checks the settings and starts the embedded broker, if there is one.
    pub(crate) async fn new(
        settings: &MqttSettings,
        channels: Arc<ChannelTable>,
        numbers: Arc<NodeNumbers>,
        sink: Sink,
        (options, manner): (&Options, Manner),
    ) -> Result<Arc<Self>, StartError> {
        let topics = Topics::new(&settings.root);
        let mapping =
            Mapping::new(&settings.map, &settings.out, &channels).map_err(StartError::Settings)?;
        options::check(settings).map_err(StartError::Settings)?;
        for warning in options::exposed(settings) {
            tracing::warn!("{warning}");
        }
        let (embedded, address) = match &settings.broker {
            BrokerAddress::External { host, port, tls } => {
                (None, format!("{}://{host}:{port}", if *tls { "mqtts" } else { "mqtt" }))
            }
            BrokerAddress::Embedded { listen } => {
                let login = options::login(settings);
                let login = login.map_err(|why| StartError::Settings(vec![why]))?;
                let address = broker::start(listen, login).await?;
                (Some(address), format!("embedded {address}"))
            }
        };
        let intake =
            Intake::new(&settings.name, topics.clone(), Arc::clone(&channels), numbers, mapping);
        let desk = Desk::new(topics.clone(), Arc::clone(&channels), options.run);
        let run = format!("{:04x}", options.run);
        let link = Arc::new(Self {
            name: settings.name.clone(),
            manner,
            address,
            embedded,
            topics,
            channels,
            sink,
            main: Wire::default(),
            orders: Wire::default(),
            intake: Mutex::new(intake),
            desk: Mutex::new(desk),
            outbox: Mutex::new(Outbox::default()),
            settings: settings.clone(),
            daemon: json!({ "up": true, "version": options.version, "run": run }).to_string(),
        });
        Ok(link)
    }

    /// A link for every broker of the settings.
    pub(crate) async fn all(
        settings: &LinkSettings,
        channels: &Arc<ChannelTable>,
        numbers: &Arc<NodeNumbers>,
        sink: &Sink,
        (options, manner): (&Options, Manner),
    ) -> Result<Vec<Arc<Self>>, StartError> {
        let mut links = Vec::new();
        for broker in settings.brokers() {
            let (channels, numbers) = (Arc::clone(channels), Arc::clone(numbers));
            let start = (options, manner);
            links.push(Self::new(broker, channels, numbers, sink.clone(), start).await?);
        }
        Ok(links)
    }

    /// The connection for everything but orders.
    pub(crate) async fn run_main(self: Arc<Self>) {
        let filters = lock(&self.intake).filters(self.manner);
        let down = json!({ "up": false }).to_string();
        let will = (self.manner == Manner::Supervising).then(|| (self.topics.daemon(), down));
        let Ok(options) = options::client(&self.settings, self.embedded, "", will) else {
            return;
        };
        self.main.run(options, filters, |happened| self.on_main(happened)).await;
    }

    /// The connection for orders and permits.
    pub(crate) async fn run_orders(self: Arc<Self>) {
        let Ok(options) = options::client(&self.settings, self.embedded, "-orders", None) else {
            return;
        };
        self.orders.run(options, Vec::new(), |happened| self.on_orders(happened)).await;
    }

    /// Deadlines, permits, and what could not be sent at once.
    pub(crate) async fn run_clock(self: Arc<Self>, tick: Tick) {
        let mut look = tokio::time::interval(LOOK_EVERY);
        look.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut permitted = Instant::now();
        let mut connected: Option<Instant> = None;
        let mut leftovers = self.manner == Manner::Supervising;
        loop {
            look.tick().await;
            let now = Instant::now();
            self.settle(now);
            if now.duration_since(permitted) >= PERMIT_EVERY && tick.is_young() {
                permitted = now;
                let permits = lock(&self.desk).permits();
                self.send(permits);
            }
            if leftovers && self.main.is_up() {
                let since = *connected.get_or_insert(now);
                leftovers = now.duration_since(since) < LEFTOVERS_WITHIN;
                if !leftovers {
                    self.topics.own_filters().iter().for_each(|it| self.main.unsubscribe(it));
                }
            }
        }
    }

    fn settle(&self, now: Instant) {
        {
            let mut intake = lock(&self.intake);
            intake.handle_timeout(now);
            self.sink.send_all(now, intake.drain_ready());
        }
        let again = lock(&self.desk).handle_timeout(now);
        self.send(again);
        self.flush();
    }

    fn on_main(&self, happened: Happened) {
        match happened {
            Happened::Up => {
                tracing::info!(broker = self.address, "connected to the MQTT broker");
                if self.manner == Manner::Listening {
                    return;
                }
                let mut outbox = lock(&self.outbox);
                outbox.set(self.topics.daemon(), self.daemon.clone());
                outbox.connected();
                drop(outbox);
                self.flush();
            }
            Happened::Down(Some(trouble)) => {
                tracing::warn!(broker = self.address, trouble, "not connected to the MQTT broker");
            }
            Happened::Down(None) => {}
            Happened::Message(message, at) => self.message(&message, at),
            Happened::Refused(filter) => {
                tracing::error!(filter, "the broker refuses a subscription");
                let source = format!("MQTT broker {}", self.address);
                let what = format!(
                    "refuses the subscription to `{filter}`: what comes there is not heard"
                );
                lock(&self.intake).unusable(&source, &what, Instant::now());
            }
            Happened::Undelivered(posted, verdict) => self.undelivered(&posted, &verdict),
        }
    }

    /// Nobody need listen to states and alarms, but a broker that refuses them is set up wrongly.
    fn undelivered(&self, posted: &Posted, verdict: &Verdict) {
        let Verdict::Refused(why) = verdict else { return };
        let source = format!("MQTT broker {}", self.address);
        let what = format!("refuses what we say on `{}`: {why}", posted.topic);
        tracing::error!("{source} {what}");
        lock(&self.intake).unusable(&source, &what, Instant::now());
    }

    fn on_orders(&self, happened: Happened) {
        let now = Instant::now();
        match happened {
            Happened::Up => {
                let again = lock(&self.desk).connected(now);
                self.send(again);
            }
            Happened::Down(news) => {
                lock(&self.desk).disconnected();
                // A broker that is away is told of by the other connection.
                if let (Some(trouble), true) = (news, self.main.is_up()) {
                    let broker = &self.address;
                    tracing::warn!(broker, trouble, "not connected to the MQTT broker for orders");
                }
            }
            Happened::Undelivered(posted, verdict) => {
                self.undelivered(&posted, &verdict);
                if let Some(order) = posted.order {
                    lock(&self.desk).undelivered(order, &posted.topic);
                }
            }
            Happened::Message(..) | Happened::Refused(_) => {}
        }
        self.report(now);
    }

    fn message(&self, message: &Message, at: Instant) {
        let Some(topic) = message.topic() else { return };
        if self.manner == Manner::Listening && self.topics.is_said_by_us(topic) {
            return;
        }
        let (payload, retained) = (message.payload(), message.retained());
        let incoming = Incoming { topic, payload, retained, at };
        let news = {
            let mut intake = lock(&self.intake);
            intake.handle(incoming);
            self.sink.send_all(at, intake.drain_ready());
            intake.take_news()
        };
        for it in news {
            self.news(it, at);
        }
    }

    fn news(&self, news: News, now: Instant) {
        let messages = match news {
            News::Outputs(offer) => lock(&self.desk).offered(offer, now),
            News::Ack { node, channel, ack } => {
                lock(&self.desk).answered(&node, &channel, &ack, now)
            }
            News::Leftover { topic } => {
                lock(&self.outbox).leftover(&topic);
                self.flush();
                return;
            }
        };
        self.send(messages);
    }

    /// Hands messages to the orders' connection; those of an order that it does not take are named.
    fn hand_over(&self, messages: Vec<Outgoing>) -> (bool, Vec<OrderId>) {
        let mut sent = false;
        let mut failed = Vec::new();
        for Outgoing { topic, payload, sure, order } in messages {
            // One that waits longer at the broker is worse than none.
            let expires = Some(if sure { ORDER_EXPIRES } else { PERMIT_EXPIRES });
            let (topic, payload) = (&*topic, &*payload);
            let letter = Letter { topic, payload, sure, retain: false, expires };
            if self.orders.hand_over(letter, order) {
                sent |= order.is_some();
            } else {
                failed.extend(order);
            }
        }
        if !failed.is_empty() {
            lock(&self.desk).failed(&failed);
        }
        (sent, failed)
    }

    /// Sends what follows from an order given before, and reports what cannot be sent.
    fn send(&self, messages: Vec<Outgoing>) {
        let now = Instant::now();
        let (_, failed) = self.hand_over(messages);
        for order in failed {
            self.sink.report(now, LinkReport::NotSent { order });
        }
        self.report(now);
    }

    fn report(&self, now: Instant) {
        let reports: Vec<LinkReport> = lock(&self.desk).take_reports();
        for report in reports {
            self.sink.report(now, report);
        }
    }

    fn flush(&self) {
        lock(&self.outbox).flush(|topic, payload| {
            let letter = Letter { topic, payload, sure: true, retain: true, expires: None };
            self.main.hand_over(letter, None)
        });
    }

    /// Takes an order. `elsewhere`: another link has this output.
    pub(crate) fn order(&self, order: &Order, elsewhere: bool) -> Delivery {
        let now = Instant::now();
        let foreign: Vec<_> = lock(&self.intake).mapping().out(order.channel).cloned().collect();
        let messages = {
            let mut desk = lock(&self.desk);
            desk.remember(order, &foreign, elsewhere);
            desk.order(order, &foreign, elsewhere, now)
        };
        if messages.is_empty() {
            return Delivery::NotMine;
        }
        let (sent, _) = self.hand_over(messages);
        self.report(now);
        let delivery = if sent { Delivery::Sent } else { Delivery::NotSent };
        lock(&self.desk).count(delivery);
        delivery
    }

    /// Whether somebody at this broker takes orders for a channel.
    pub(crate) fn takes(&self, channel: ChannelIx) -> bool {
        let foreign = lock(&self.intake).mapping().out(channel).next().is_some();
        foreign || lock(&self.desk).takes(channel)
    }

    /// A cut was proved.
    pub(crate) fn proved(&self, channel: ChannelIx) {
        lock(&self.desk).proved(channel);
    }

    pub(crate) fn power_wanted(&self, channel: ChannelIx, on: bool) {
        lock(&self.desk).power_wanted(channel, on);
    }

    pub(crate) fn publish_state(&self, channel: ChannelIx, value: StateValue) {
        let value = match value.written() {
            Written::Number(number) => json!(number),
            Written::Word(word) => json!(word),
            Written::Nothing(_) => json!(null),
        };
        let payload = json!({ "v": value, "t": wall_seconds() }).to_string();
        lock(&self.outbox).set(self.topics.state(self.channels.name(channel)), payload);
        self.flush();
    }

    pub(crate) fn publish_alarm(&self, kind: &str, subject: &str, alarm: Option<&AlarmMessage>) {
        let payload = alarm.map_or_else(String::new, |it| {
            let AlarmMessage { state, priority, text } = it;
            json!({ "state": state, "priority": priority, "text": text, "t": wall_seconds() })
                .to_string()
        });
        lock(&self.outbox).set(self.topics.alarm(kind, subject), payload);
        self.flush();
    }

    /// One `ROOT/-/cut`.
    pub(crate) fn cut_everything(&self) {
        lock(&self.desk).nothing_wanted();
        let payload = json!({ "op": "cut", "cause": "shutdown" }).to_string();
        let (topic, payload) = (&*self.topics.cut_everything(), &*payload);
        let expires = Some(ORDER_EXPIRES);
        let letter = Letter { topic, payload, sure: true, retain: false, expires };
        self.orders.hand_over(letter, None);
    }

    /// Says that Checkrail is down, and parts from the broker.
    pub(crate) async fn part(&self) {
        lock(&self.outbox).set(self.topics.daemon(), json!({ "up": false }).to_string());
        self.flush();
        self.leave().await;
    }

    /// Parts from the broker without a word.
    pub(crate) async fn leave(&self) {
        for wire in [&self.orders, &self.main] {
            if wire.part() {
                // A broker that does not answer must not keep the program.
                let _ = tokio::time::timeout(PART_WITHIN, wire.parted.notified()).await;
            }
        }
    }

    pub(crate) const fn embedded(&self) -> Option<SocketAddr> {
        self.embedded
    }

    pub(crate) fn status(&self) -> LinkStatus {
        let (counts, (unusable, last_unusable), lag_ms, nodes) = {
            let intake = lock(&self.intake);
            let counts = (intake.received(), intake.out_of_order(), intake.lost());
            (counts, intake.unusables(), intake.lag(), intake.node_statuses())
        };
        let (received, out_of_order, lost) = counts;
        let orders = lock(&self.desk).counts;
        let trouble = match (self.main.trouble(), self.orders.trouble()) {
            (main, orders) if main.is_empty() => orders,
            (main, _) => main,
        };
        LinkStatus {
            name: self.name.clone(),
            kind: LinkKind::Mqtt,
            address: self.address.clone(),
            up: self.main.is_up() && (self.manner == Manner::Listening || self.orders.is_up()),
            trouble,
            connections: self.main.connections(),
            received,
            unusable,
            last_unusable,
            out_of_order,
            lost,
            dropped: self.sink.dropped(),
            orders_sent: orders.sent,
            orders_not_sent: orders.not_sent,
            lag_ms,
            nodes,
        }
    }
}

/// The settings as a listener's: another client beside the daemon, at its embedded broker if that runs; and notes.
pub(crate) async fn as_listener(settings: &LinkSettings, run: u16) -> (LinkSettings, Vec<String>) {
    let mut settings = settings.clone();
    let mut notes = Vec::new();
    for broker in settings.mqtt.iter_mut().chain(&mut settings.mqtt_also) {
        broker.client_id = format!("{}-listen-{run:04x}", broker.client_id);
        let BrokerAddress::Embedded { listen } = &broker.broker else { continue };
        let Ok(address) = listen.parse::<SocketAddr>() else { continue };
        let runs = tokio::net::TcpStream::connect(listen).await.is_ok();
        if runs {
            let (host, port) = (address.ip().to_string(), address.port());
            notes.push(format!("listening at the broker that runs on {address}"));
            broker.broker = BrokerAddress::External { host, port, tls: false };
        } else {
            notes.push(format!(
                "no broker runs on {address}: bringing the layout's own for as long as this listens; end this before \
                 `checkrail run`"
            ));
        }
    }
    (settings, notes)
}

/// Seconds since 1970, for others who have no clock of ours.
fn wall_seconds() -> f64 {
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
    (now.as_secs_f64() * 1e3).round() / 1e3
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
