//! The links of a test, and waiting for what arrives by them.

use std::{sync::Arc, time::Duration};

use links::{Arrivals, Links, Options, Tick};
use supervision::{
    cause::Cause,
    input::{Input, LinkReport, OrderId},
    output::{Action, Order},
};
use wiring::{channel::ChannelTable, links::LinkSettings};

use super::layout;

/// Nothing that a test waits for takes this long, unless it does not come.
pub(crate) const PATIENCE: Duration = Duration::from_secs(15);

/// The links of a test, and what arrives by them.
pub(crate) struct Bench {
    pub(crate) links: Links,
    pub(crate) arrivals: Arrivals,
    pub(crate) tick: Tick,
    pub(crate) channels: Arc<ChannelTable>,
}

impl Bench {
    pub(crate) async fn start(settings: &LinkSettings) -> Self {
        let (channels, tick) = (layout::channels(), Tick::new());
        let options = Options { run: 0x51E7, version: "0.0.0".to_owned() };
        let (links, arrivals) =
            links::start(settings, Arc::clone(&channels), tick.clone(), options)
                .await
                .expect("good settings");
        Self { links, arrivals, tick, channels }
    }

    /// Waits for an input of which `found` makes something.
    pub(crate) async fn until<T>(&mut self, mut found: impl FnMut(&Input) -> Option<T>) -> T {
        let arrived = async {
            loop {
                let arrived = self.arrivals.recv().await.expect("the links run");
                if let Some(it) = found(&arrived.input) {
                    return it;
                }
            }
        };
        tokio::time::timeout(PATIENCE, arrived).await.expect("the awaited input")
    }

    /// Waits for a report on an order.
    pub(crate) async fn until_report(&mut self, wanted: fn(&LinkReport) -> bool) {
        self.until(|input| match input {
            Input::Link(report) if wanted(report) => Some(()),
            _ => None,
        })
        .await;
    }

    /// Waits until every link is up, or every one is down.
    pub(crate) async fn until_up(&self, up: bool) {
        let reached = async {
            while self.links.status().iter().any(|it| it.up != up) {
                tokio::task::yield_now().await;
            }
        };
        tokio::time::timeout(PATIENCE, reached).await.expect("the state of the links");
    }

    pub(crate) fn order(&self, id: u32, channel: &str, action: Action) {
        let channel = self.channels.find(channel).expect("a channel");
        let (id, cause) = (OrderId(id), Cause::Operator);
        self.links.order(&Order { id, channel, action, cause, fault: None, attempt: 1 });
    }
}
