//! What goes to the browser: the layout's fixed facts once, and rows of values that change.
//!
//! Currents are whole milliamperes, voltages millivolts, times milliseconds since 1970-01-01 UTC, shares and images
//! percent. Every value is absolute, never an increment: a row applied twice does no harm.

pub(crate) mod alarms;
pub(crate) mod delta;
pub(crate) mod fixed;
pub(crate) mod names;
pub(crate) mod rows;
pub(crate) mod sessions;

use serde::Serialize;

use self::{
    alarms::AlarmRow,
    fixed::Fixed,
    rows::{BlockRow, FeedRow, LinkRow, NodeRow, TurnoutRow},
    sessions::SessionRow,
};
use crate::view::View;

/// The changing part of the state at one instant.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Frame {
    pub(crate) boosters: Vec<FeedRow>,
    pub(crate) districts: Vec<FeedRow>,
    pub(crate) blocks: Vec<BlockRow>,
    pub(crate) turnouts: Vec<TurnoutRow>,
    pub(crate) alarms: Vec<AlarmRow>,
    pub(crate) nodes: Vec<NodeRow>,
    pub(crate) links: Vec<LinkRow>,
    pub(crate) recent: usize,
    /// Until when no screen sounds. Unit: ms since 1970-01-01 UTC; 0: they sound.
    pub(crate) silent: i64,
    pub(crate) history_ok: bool,
    pub(crate) sessions: Vec<SessionRow>,
}

impl Frame {
    /// The rows of a view.
    pub(crate) fn new(fixed: &Fixed, view: &View) -> Self {
        let snapshot = &view.snapshot;
        let layout = &fixed.layout;
        Self {
            boosters: snapshot.boosters.iter().map(|it| FeedRow::new(layout, it)).collect(),
            districts: snapshot.districts.iter().map(|it| FeedRow::new(layout, it)).collect(),
            blocks: snapshot.blocks.iter().map(BlockRow::new).collect(),
            turnouts: fixed.turnouts.iter().map(|it| TurnoutRow::new(layout, it, view)).collect(),
            alarms: snapshot.alarms.iter().map(|it| AlarmRow::new(fixed, view, it)).collect(),
            nodes: snapshot.nodes.iter().map(|it| NodeRow::new(snapshot.at, it)).collect(),
            links: view.links.iter().map(LinkRow::new).collect(),
            recent: snapshot.alarms_in_ten_minutes,
            silent: 0,
            history_ok: view.history_ok,
            sessions: SessionRow::all(layout, view),
        }
    }
}

/// A fixed row and its values as one JSON object.
#[derive(Serialize)]
pub(crate) struct Joined<'a, F, N> {
    #[serde(flatten)]
    fixed: &'a F,
    #[serde(flatten)]
    now: &'a N,
}

/// Pairs of fixed rows and values, as far as both go.
pub(crate) fn joined<'a, F, N>(fixed: &'a [F], now: &'a [N]) -> Vec<Joined<'a, F, N>> {
    fixed.iter().zip(now).map(|(fixed, now)| Joined { fixed, now }).collect()
}
