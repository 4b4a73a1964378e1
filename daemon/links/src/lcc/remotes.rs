//! The other nodes of the bus: their aliases, and the life of those that tell us something.

use std::{
    collections::{BTreeMap, BTreeSet, btree_map::Entry},
    time::{Duration, Instant},
};

use supervision::input::{Announced, Input, LinkReport, NodeIx, Transport};
use wiring::index::ChannelIx;

use super::message::{EventId, NodeId};
use crate::status::NodeStatus;

/// A node that was silent this long is asked whether it is there. Own time-outs are not below 3 s: S-9.7.3.
const PROBE_AFTER: Duration = Duration::from_secs(3);
/// It is lost when three questions went unanswered.
const LOST_AFTER: Duration = Duration::from_secs(10);
/// New channels of a node are collected this long before they are told.
const SETTLE: Duration = Duration::from_millis(500);
/// The same report again within this is the same report.
const SAME_WITHIN: Duration = Duration::from_millis(100);
/// Signs of life are passed on this often.
const TELL_ALIVE_EVERY: Duration = Duration::from_millis(250);
/// Strangers asked for their names at once.
const MOST_ASKED: usize = 64;

/// A node that has told something of a channel.
#[derive(Debug)]
struct Remote {
    ix: NodeIx,
    channels: BTreeSet<ChannelIx>,
    alive: bool,
    heard: Instant,
    probe: Instant,
    told_alive: Instant,
    /// Channels to be told, then.
    birth: Option<Instant>,
    restarted: bool,
    last: Option<(EventId, Instant)>,
}

impl Remote {
    const fn new(ix: NodeIx, heard: Instant) -> Self {
        Self {
            ix,
            channels: BTreeSet::new(),
            alive: true,
            heard,
            probe: heard,
            told_alive: heard,
            birth: None,
            restarted: false,
            last: None,
        }
    }
}

/// All of them.
#[derive(Debug, Default)]
pub(crate) struct Remotes {
    aliases: BTreeMap<u16, NodeId>,
    remotes: BTreeMap<NodeId, Remote>,
    asked: BTreeMap<u16, Instant>,
}

/// What is due.
#[derive(Debug, Default)]
pub(crate) struct Due {
    pub(crate) inputs: Vec<Input>,
    /// Aliases to ask whether they are there.
    pub(crate) probes: Vec<u16>,
    /// Channels of which nothing is known any more.
    pub(crate) lost: BTreeSet<ChannelIx>,
}

impl Remotes {
    /// An alias and its node.
    pub(crate) fn learn(&mut self, alias: u16, node: NodeId) {
        self.aliases.retain(|_, it| *it != node);
        self.aliases.insert(alias, node);
        self.asked.remove(&alias);
    }

    /// The alias is nobody's any more.
    pub(crate) fn forget(&mut self, alias: u16) {
        self.aliases.remove(&alias);
    }

    pub(crate) fn node(&self, alias: u16) -> Option<NodeId> {
        self.aliases.get(&alias).copied()
    }

    /// Whether a stranger is to be asked who it is: once a second.
    pub(crate) fn ask(&mut self, alias: u16, now: Instant) -> bool {
        self.asked.retain(|_, at| now.duration_since(*at) < Duration::from_secs(1));
        if self.asked.contains_key(&alias) || self.asked.len() >= MOST_ASKED {
            return false;
        }
        self.asked.insert(alias, now);
        true
    }

    /// A node was heard. Returns true when it had been lost: what it told is to be asked for again.
    pub(crate) fn lives(&mut self, node: NodeId, now: Instant, ready: &mut Vec<Input>) -> bool {
        let Some(it) = self.remotes.get_mut(&node) else { return false };
        it.heard = now;
        it.probe = now + PROBE_AFTER;
        let back = !std::mem::replace(&mut it.alive, true);
        if back {
            it.birth = Some(now + SETTLE);
        } else if it.birth.is_none() && now.duration_since(it.told_alive) >= TELL_ALIVE_EVERY {
            it.told_alive = now;
            ready.push(Input::Link(LinkReport::Alive { node: it.ix }));
        }
        back
    }

    /// A node started anew: what it told is old. Returns true when it had told something.
    pub(crate) fn restarted(&mut self, node: NodeId, now: Instant) -> bool {
        let Some(it) = self.remotes.get_mut(&node) else { return false };
        it.restarted = true;
        it.birth = Some(now);
        true
    }

    /// The same report twice within a moment counts once.
    pub(crate) fn is_repeated(&mut self, node: NodeId, event: EventId, now: Instant) -> bool {
        let Some(it) = self.remotes.get_mut(&node) else { return false };
        let last = it.last.replace((event, now));
        last.is_some_and(|(last, at)| last == event && now.duration_since(at) < SAME_WITHIN)
    }

    /// A node told a channel's value.
    pub(crate) fn tells(
        &mut self,
        node: NodeId,
        channel: ChannelIx,
        number: impl FnOnce() -> Option<NodeIx>,
        now: Instant,
    ) {
        if let Entry::Vacant(place) = self.remotes.entry(node) {
            let Some(ix) = number() else { return };
            place.insert(Remote::new(ix, now));
        }
        for (other, it) in &mut self.remotes {
            if *other == node {
                it.probe = it.probe.max(now + PROBE_AFTER);
                if it.channels.insert(channel) {
                    it.birth = it.birth.or(Some(now + SETTLE));
                }
            } else {
                it.channels.remove(&channel);
            }
        }
    }

    pub(crate) fn poll_deadline(&self) -> Option<Instant> {
        let life = |it: &Remote| {
            let lost = it.alive.then_some([it.probe, it.heard + LOST_AFTER]);
            lost.into_iter().flatten().chain(it.birth).min()
        };
        self.remotes.values().filter_map(life).min()
    }

    /// Births, questions and losses that are due.
    pub(crate) fn handle_timeout(&mut self, now: Instant) -> Due {
        let mut due = Due::default();
        for (node, it) in &mut self.remotes {
            if it.birth.is_some_and(|at| at <= now) {
                it.birth = None;
                due.inputs.push(born(*node, it));
            }
            if it.alive && it.heard + LOST_AFTER <= now {
                lose(it, &mut due);
            } else if it.alive && it.probe <= now {
                it.probe = now + PROBE_AFTER;
                let alias = self.aliases.iter().find(|(_, id)| *id == node);
                due.probes.extend(alias.map(|(alias, _)| *alias));
            }
        }
        due
    }

    /// The adapter is gone: everybody is.
    pub(crate) fn lose_all(&mut self) -> Due {
        let mut due = Due::default();
        self.aliases.clear();
        self.asked.clear();
        self.remotes.values_mut().filter(|it| it.alive).for_each(|it| lose(it, &mut due));
        due
    }

    pub(crate) fn statuses(&self) -> Vec<NodeStatus> {
        let status = |(node, it): (&NodeId, &Remote)| NodeStatus {
            name: node.to_string(),
            alive: it.alive,
            trouble: String::new(),
        };
        self.remotes.iter().map(status).collect()
    }
}

fn lose(it: &mut Remote, due: &mut Due) {
    it.alive = false;
    it.birth = None;
    due.lost.extend(&it.channels);
    due.inputs.push(Input::Link(LinkReport::Lost { node: it.ix }));
}

fn born(node: NodeId, it: &mut Remote) -> Input {
    let channels = it.channels.iter();
    let channels = channels.map(|it| Announced::input(*it, None));
    Input::Link(LinkReport::Born {
        node: it.ix,
        name: node.to_string(),
        transport: Transport::Lcc,
        channels: channels.collect(),
        permit: false,
        restarted: std::mem::take(&mut it.restarted),
    })
}
