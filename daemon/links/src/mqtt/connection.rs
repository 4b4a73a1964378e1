//! One connection to the broker: connects, subscribes, hands messages on, and starts anew when it ends.
//!
//! Client and event loop are made anew for every attempt. What was accepted and not sent dies with them: an order must
//! never go out seconds late.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::{Mutex, PoisonError},
    time::{Duration, Instant},
};

use supervision::input::OrderId;
use tokio::{sync::Notify, time::sleep};

use super::{
    client::{Client, Events, Heard, Letter, Message, Verdict, open},
    options::ClientOptions,
};

/// Shortest and longest pause between attempts.
const SHORTEST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// A broker that does not acknowledge for this long is left.
const UNACKNOWLEDGED_AFTER: Duration = Duration::from_secs(5);

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
    client: Option<Client>,
    /// QoS 1 messages in the client that have no number yet, in their order.
    waiting: VecDeque<Posted>,
    trouble: String,
    /// The goodbye was given to the client: that the broker hangs up then is no trouble.
    parting: bool,
    connections: u64,
}

/// A QoS 1 message that the broker has not acknowledged.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) struct Posted {
    pub(crate) topic: String,
    /// The order it carries.
    pub(crate) order: Option<OrderId>,
}

/// By the numbers under which they went out.
type Unacknowledged = BTreeMap<u16, (Instant, Posted)>;

/// What happened on a connection.
#[derive(Debug)]
pub(crate) enum Happened {
    /// Connected, subscriptions asked for.
    Up,
    /// Not connected any more; why, where that is news.
    Down(Option<String>),
    /// A message came.
    Message(Message, Instant),
    /// The broker refused a subscription.
    Refused(String),
    /// The broker did not deliver a message: refused, or nobody listens.
    Undelivered(Posted, Verdict),
}

impl Wire {
    /// Hands a message to the client; false when there is no connection or no room. Never waits.
    pub(crate) fn hand_over(&self, letter: Letter, order: Option<OrderId>) -> bool {
        let mut state = self.lock();
        let Some(client) = &state.client else { return false };
        let taken = client.publish(letter);
        if taken && letter.sure {
            // Under the lock, so that the numbers are given out in the same order.
            state.waiting.push_back(Posted { topic: letter.topic.to_owned(), order });
        }
        taken
    }

    pub(crate) fn unsubscribe(&self, filter: &str) {
        if let Some(client) = &self.lock().client {
            client.unsubscribe(filter);
        }
    }

    pub(crate) fn part(&self) -> bool {
        let mut state = self.lock();
        state.parting = state.client.as_ref().is_some_and(Client::part);
        state.parting
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

    fn up(&self, client: Client) {
        let mut state = self.lock();
        state.waiting.clear();
        state.client = Some(client);
        state.trouble.clear();
        state.parting = false;
        state.connections += 1;
    }

    /// Returns true when this is news.
    fn down(&self, trouble: &str) -> bool {
        let mut state = self.lock();
        state.client = None;
        state.waiting.clear();
        let news = !state.parting && state.trouble != trouble;
        trouble.clone_into(&mut state.trouble);
        news
    }

    /// Runs until the task is ended.
    pub(crate) async fn run(
        &self,
        options: ClientOptions,
        filters: Vec<(String, bool)>,
        mut on: impl FnMut(Happened) + Send,
    ) {
        let mut pause = SHORTEST_PAUSE;
        loop {
            let connections = self.connections();
            let trouble = self.session(&options, &filters, &mut on).await;
            let is_news = self.down(&trouble);
            on(Happened::Down(is_news.then_some(trouble)));
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
        options: &ClientOptions,
        filters: &[(String, bool)],
        on: &mut (impl FnMut(Happened) + Send),
    ) -> String {
        let (client, mut events) = open(options);
        let mut unacknowledged = Unacknowledged::new();
        loop {
            match next(&mut events, &unacknowledged).await {
                Ok(Heard::Connected) => {
                    if !filters.is_empty() && !client.subscribe(filters) {
                        return "the subscriptions do not fit the client".to_owned();
                    }
                    self.up(client.clone());
                    on(Happened::Up);
                }
                Ok(Heard::Message(message)) => on(Happened::Message(message, Instant::now())),
                Ok(Heard::Subscribed(good)) => {
                    let refused = good.iter().zip(filters).filter(|(good, _)| !**good);
                    refused.for_each(|(_, (filter, _))| on(Happened::Refused(filter.clone())));
                }
                Ok(Heard::Sent(number)) => {
                    if let Some(posted) = self.lock().waiting.pop_front() {
                        unacknowledged.insert(number, (Instant::now(), posted));
                    }
                }
                Ok(Heard::Taken(number, verdict)) => {
                    let posted = unacknowledged.remove(&number);
                    if let (Some((_, posted)), true) = (posted, verdict != Verdict::Took) {
                        on(Happened::Undelivered(posted, verdict));
                    }
                }
                Ok(Heard::Parted) => self.parted.notify_one(),
                Ok(Heard::Other) => {}
                Err(trouble) => return trouble,
            }
        }
    }
}

/// The next event. Polling is never broken off half-way, but a broker that stopped acknowledging is left.
async fn next(events: &mut Events, unacknowledged: &Unacknowledged) -> Result<Heard, String> {
    let oldest = unacknowledged.values().map(|(sent, _)| *sent).min();
    let poll = events.poll();
    let Some(oldest) = oldest else { return poll.await };
    tokio::select! {
        biased;
        event = poll => event,
        () = tokio::time::sleep_until((oldest + UNACKNOWLEDGED_AFTER).into()) => {
            Err("the broker does not acknowledge".to_owned())
        }
    }
}
