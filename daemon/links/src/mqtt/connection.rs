//! One connection to the broker: connects, subscribes, hands messages on, and starts anew when it ends.
//!
//! Client and event loop are made anew for every attempt. What was accepted and not sent dies with them: an order must
//! never go out seconds late.

use std::{
    collections::BTreeMap,
    sync::{Mutex, PoisonError},
    time::{Duration, Instant},
};

use rumqttc::{
    AsyncClient, ConnectReturnCode, Event, EventLoop, Incoming, MqttOptions, NetworkOptions,
    Outgoing as Sent, Publish, QoS, SubscribeFilter, SubscribeReasonCode,
};
use tokio::{sync::Notify, time::sleep};

/// Shortest and longest pause between attempts.
const SHORTEST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// A broker that does not acknowledge for this long is left.
const UNACKNOWLEDGED_AFTER: Duration = Duration::from_secs(5);
/// Unit: s.
const CONNECT_WITHIN: u64 = 5;
/// Requests that may wait in the client.
const MOST_REQUESTS: usize = 128;

/// A connection as others see it.
#[derive(Debug, Default)]
pub(crate) struct Wire {
    state: Mutex<State>,
    /// Our own goodbye was sent.
    pub(crate) parted: Notify,
}

#[derive(Debug, Default)]
struct State {
    /// Present only while connected.
    client: Option<AsyncClient>,
    trouble: String,
    connections: u64,
}

/// What happened on a connection.
#[derive(Debug)]
pub(crate) enum Happened {
    /// Connected, subscriptions asked for.
    Up,
    /// Not connected any more.
    Down,
    /// A message came.
    Message(Publish, Instant),
    /// The broker refused a subscription.
    Refused(String),
}

impl Wire {
    /// Hands a message to the client; false when there is no connection or no room. Never waits.
    pub(crate) fn hand_over(&self, topic: &str, payload: &str, sure: bool, retain: bool) -> bool {
        let qos = if sure { QoS::AtLeastOnce } else { QoS::AtMostOnce };
        let state = self.lock();
        let Some(client) = &state.client else { return false };
        client.try_publish(topic, qos, retain, payload.as_bytes()).is_ok()
    }

    pub(crate) fn unsubscribe(&self, filter: &str) {
        if let Some(client) = &self.lock().client {
            // Not unsubscribed means only that we go on hearing ourselves.
            let _ = client.try_unsubscribe(filter);
        }
    }

    pub(crate) fn part(&self) -> bool {
        self.lock().client.as_ref().is_some_and(|client| client.try_disconnect().is_ok())
    }

    pub(crate) fn is_up(&self) -> bool {
        self.lock().client.is_some()
    }

    pub(crate) fn trouble(&self) -> String {
        self.lock().trouble.clone()
    }

    pub(crate) fn connections(&self) -> u64 {
        self.lock().connections
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn up(&self, client: AsyncClient) {
        let mut state = self.lock();
        state.client = Some(client);
        state.trouble.clear();
        state.connections += 1;
    }

    /// Returns true when this is news.
    fn down(&self, trouble: &str) -> bool {
        let mut state = self.lock();
        state.client = None;
        let news = state.trouble != trouble;
        trouble.clone_into(&mut state.trouble);
        news
    }

    /// Runs until the task is ended.
    pub(crate) async fn run(
        &self,
        options: MqttOptions,
        filters: Vec<(String, bool)>,
        mut on: impl FnMut(Happened) + Send,
    ) {
        let mut pause = SHORTEST_PAUSE;
        loop {
            let connections = self.connections();
            let trouble = self.session(&options, &filters, &mut on).await;
            if self.down(&trouble) {
                let client = options.client_id();
                tracing::warn!(client, trouble, "not connected to the MQTT broker");
            }
            on(Happened::Down);
            if self.connections() > connections {
                pause = SHORTEST_PAUSE;
            }
            sleep(pause).await;
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// One connection, until it ends; why, in words.
    async fn session(
        &self,
        options: &MqttOptions,
        filters: &[(String, bool)],
        on: &mut (impl FnMut(Happened) + Send),
    ) -> String {
        let (client, mut events) = AsyncClient::new(options.clone(), MOST_REQUESTS);
        let mut network = NetworkOptions::new();
        // Without it a QoS 1 order waits about 40 ms for a delayed acknowledgement.
        network.set_tcp_nodelay(true);
        network.set_connection_timeout(CONNECT_WITHIN);
        events.set_network_options(network);
        let mut unacknowledged = BTreeMap::new();
        loop {
            match next(&mut events, &unacknowledged).await {
                Ok(Event::Incoming(Incoming::ConnAck(ack))) => {
                    if ack.code != ConnectReturnCode::Success {
                        return format!("the broker refuses us: {:?}", ack.code);
                    }
                    if !subscribe(&client, filters) {
                        return "the subscriptions do not fit the client".to_owned();
                    }
                    self.up(client.clone());
                    on(Happened::Up);
                }
                Ok(Event::Incoming(Incoming::Publish(message))) => {
                    on(Happened::Message(message, Instant::now()));
                }
                Ok(Event::Incoming(Incoming::SubAck(ack))) => {
                    for filter in refused(&ack.return_codes, filters) {
                        on(Happened::Refused(filter));
                    }
                }
                Ok(Event::Incoming(Incoming::PubAck(ack))) => {
                    unacknowledged.remove(&ack.pkid);
                }
                Ok(Event::Outgoing(Sent::Publish(id))) if id != 0 => {
                    unacknowledged.insert(id, Instant::now());
                }
                Ok(Event::Outgoing(Sent::Disconnect)) => self.parted.notify_one(),
                Ok(Event::Incoming(_) | Event::Outgoing(_)) => {}
                Err(trouble) => return trouble,
            }
        }
    }
}

/// The next event. Polling is never broken off half-way, but a broker that stopped acknowledging is left.
async fn next(
    events: &mut EventLoop,
    unacknowledged: &BTreeMap<u16, Instant>,
) -> Result<Event, String> {
    let oldest = unacknowledged.values().min().copied();
    let poll = events.poll();
    let Some(oldest) = oldest else { return poll.await.map_err(|error| error.to_string()) };
    tokio::select! {
        biased;
        event = poll => event.map_err(|error| error.to_string()),
        () = tokio::time::sleep_until((oldest + UNACKNOWLEDGED_AFTER).into()) => {
            Err("the broker does not acknowledge".to_owned())
        }
    }
}

fn subscribe(client: &AsyncClient, filters: &[(String, bool)]) -> bool {
    let wanted = filters.iter().map(|(filter, sure)| {
        let qos = if *sure { QoS::AtLeastOnce } else { QoS::AtMostOnce };
        SubscribeFilter::new(filter.clone(), qos)
    });
    filters.is_empty() || client.try_subscribe_many(wanted).is_ok()
}

fn refused<'a>(
    codes: &'a [SubscribeReasonCode],
    filters: &'a [(String, bool)],
) -> impl Iterator<Item = String> + 'a {
    let failed = |(code, _): &(&SubscribeReasonCode, _)| **code == SubscribeReasonCode::Failure;
    codes.iter().zip(filters).filter(failed).map(|(_, (filter, _))| filter.clone())
}
