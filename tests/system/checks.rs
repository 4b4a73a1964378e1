//! The promises, looked at after every step. They outlive the process: what is physical stays as it was.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use supervision::{
    Held,
    alarm::{AlarmChange, AlarmKey, AlarmState, Transition},
    cause::Cause,
    input::{Act, Feed, Input, LinkReport, Quality, Reading, Value},
    output::{Action, Decision, EventKind, Order, Output, PowerState},
    record::{FaultNumber, FaultRecord},
    snapshot::Snapshot,
    start::Remembered,
};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::{ChannelIx, DistrictIx},
    layout::Layout,
    protection::PowerOn,
    units::{Micros, Mono},
};

use super::people::feeds;
use crate::trial::bed::Bed;

/// A restore that was asked for may wait so long for its turn.
const TURN: Micros = Micros::from_millis(30_000);
/// A cut is proved, or has failed, within this of its order: one from before the start waits 5 s for its node.
const CUT_KNOWN: Micros = Micros::from_millis(6_000);
/// A record is closed within this of its opening.
const RECORD: Micros = Micros::from_millis(3_500);
/// A record holds what was heard so long before its trigger.
const BEFORE: Micros = Micros::from_millis(2_000);
/// Readings may be as old as this before they are called stale: three periods or a quarter second, and a step.
const SHORTEST_SILENCE: Micros = Micros::from_millis(250);
const STEP: Micros = Micros::from_millis(50);
/// Of a channel whose rate nobody has announced yet.
const WITHOUT_RATE: Micros = Micros::from_millis(1000);

/// Everything bounded, far above what a healthy run holds.
const BOUNDS: Held = Held {
    outputs: 0,
    rest: 0,
    recordings: 16,
    recent: 64,
    faults: 64,
    flips: 64,
    alarms: usize::MAX,
    raised: 256,
    nodes: 64,
    samples: usize::MAX,
};

/// What is known of one feed, over restarts.
#[derive(Clone, Debug, Default)]
struct Known {
    /// A cut was ordered, and nothing has switched on since: when, on the world's axis.
    cut: Option<Mono>,
    /// Locked out as told.
    locked: bool,
    /// When a person asked for its restore last.
    asked: Option<Mono>,
    held: BTreeSet<String>,
}

#[derive(Debug)]
pub struct Checks {
    layout: Arc<Layout>,
    channels: Arc<ChannelTable>,
    feeds: BTreeMap<Feed, Known>,
    /// Of this run: faults opened and not closed, with the instant, and whether the current of their district was
    /// heard in the time before that the record covers. One that was silent then has nothing to show: the booster's
    /// current guards a district that is blind.
    open: BTreeMap<FaultNumber, (Mono, bool)>,
    opened: BTreeSet<FaultNumber>,
    active: BTreeSet<AlarmKey>,
    /// By channel: longest silence by its announced rate, and when it was last heard well.
    silence: BTreeMap<ChannelIx, Micros>,
    heard: BTreeMap<ChannelIx, Mono>,
    /// By channel: the latest instant that a sample of it was kept at, and the one before that.
    kept: BTreeMap<ChannelIx, (Option<Mono>, Option<Mono>)>,
    /// Announced in this run.
    announced: BTreeSet<ChannelIx>,
    /// When this run began, on the world's axis.
    began: Mono,
    pub broken: Option<String>,
    pub trips: u64,
    pub records: u64,
    pub most: Held,
    /// Outputs of all runs as one number: the same seed gives the same.
    pub print: u64,
}

impl Checks {
    pub fn new(bed: &Bed, nodes: &[simulator::Node]) -> Self {
        let mut silence = BTreeMap::new();
        for it in nodes.iter().flat_map(|node| &node.channels) {
            if let Some(hz) = it.hz {
                let period = Micros((3e6 / hz) as u64);
                silence.insert(it.channel, period.max(SHORTEST_SILENCE));
            }
        }
        Self {
            layout: Arc::clone(&bed.layout),
            channels: Arc::clone(&bed.channels),
            feeds: BTreeMap::new(),
            open: BTreeMap::new(),
            opened: BTreeSet::new(),
            active: BTreeSet::new(),
            silence,
            heard: BTreeMap::new(),
            kept: BTreeMap::new(),
            announced: BTreeSet::new(),
            began: Mono::START,
            broken: None,
            trips: 0,
            records: 0,
            most: Held::default(),
            print: 0xcbf2_9ce4_8422_2325,
        }
    }

    fn demand(&mut self, holds: bool, what: impl FnOnce() -> String) {
        if !holds && self.broken.is_none() {
            self.broken = Some(what());
        }
    }

    fn known(&mut self, feed: Feed) -> &mut Known {
        self.feeds.entry(feed).or_default()
    }

    /// The process starts. What the history knows durably holds at once.
    pub fn started(&mut self, remembered: &Remembered, snapshot: &Snapshot, now: Mono) {
        self.began = now;
        self.open.clear();
        self.heard.clear();
        self.kept.clear();
        self.announced.clear();
        for known in self.feeds.values_mut() {
            known.held.clear();
            known.locked = false;
        }
        for locked in &remembered.locked_out {
            self.known(Feed::District(locked.district)).locked = true;
            let shown = snapshot.districts[locked.district.at()].locked_out;
            self.demand(shown, || format!("{:?} was locked out before the start", locked.district));
        }
        let standing = snapshot.alarms.iter().filter(|it| is_active(it.state));
        self.active = standing.map(|it| it.alarm).collect();
        let next = remembered.next_fault;
        self.opened.retain(|it| it.0 < next);
    }

    /// Every lock-out that was durable is remembered.
    pub fn remembers(&mut self, durable: &BTreeSet<DistrictIx>, remembered: &Remembered) {
        for district in durable {
            let kept = remembered.locked_out.iter().any(|it| it.district == *district);
            self.demand(kept, || {
                format!("the lock-out of {district:?} was saved and is forgotten")
            });
        }
    }

    pub fn asked(&mut self, who: &str, act: &Act, now: Mono) {
        match act {
            Act::Restore { feed, .. } => self.known(*feed).asked = Some(now),
            Act::Hold(feed) => {
                self.known(*feed).held.insert(who.to_owned());
            }
            Act::Release(feed) => {
                self.known(*feed).held.remove(who);
            }
            Act::Acknowledge(_)
            | Act::Reset(_)
            | Act::ResetFirstOut(_)
            | Act::Shelve { .. }
            | Act::Unshelve(_)
            | Act::OutOfService(_)
            | Act::InService(_)
            | Act::Cut(_)
            | Act::Throw { .. }
            | Act::Commission { .. }
            | Act::NameCulprit { .. }
            | Act::Shutdown => {}
        }
    }

    /// An input is handed over.
    pub fn input(&mut self, input: &Input, now: Mono) {
        match input {
            Input::Reading(reading) => self.heard(reading, now),
            Input::Link(LinkReport::Born { channels, .. }) => {
                self.announced.extend(channels.iter().map(|it| it.channel));
            }
            Input::Link(_) | Input::Operator(_) | Input::Tick => {}
        }
    }

    fn heard(&mut self, reading: &Reading, now: Mono) {
        let kept = reading.quality != Quality::Resent;
        if kept {
            let before = self.kept.get(&reading.channel).copied().unwrap_or_default();
            let earlier = before.1.filter(|at| *at < now).or(before.0);
            self.kept.insert(reading.channel, (earlier, Some(now)));
        }
        // One that waited somewhere refreshes nothing.
        let fresh = kept && reading.quality != Quality::Late;
        if fresh && !matches!(reading.value, Value::Invalid(_)) {
            self.heard.insert(reading.channel, now);
        }
    }

    /// When a sample of a channel was last kept before this instant.
    fn kept_before(&self, channel: ChannelIx, now: Mono) -> Option<Mono> {
        let (earlier, last) = *self.kept.get(&channel)?;
        last.filter(|at| *at < now).or(earlier)
    }

    /// One output of the supervisor.
    pub fn output(&mut self, output: &Output, now: Mono) {
        for byte in format!("{output:?}").bytes() {
            self.print = (self.print ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
        match &output.what {
            Decision::Order(order) => self.order(order, now),
            Decision::Alarm(change) => self.alarm(change),
            Decision::Event(event) => match &event.kind {
                EventKind::LockedOut(district) => {
                    self.known(Feed::District(*district)).locked = true
                }
                EventKind::LockOutOpened(district) => self.opened_lock(*district, now),
                _ => {}
            },
            Decision::FaultOpened { fault, district, .. } => {
                let at = Mono(self.began.0 + output.at.0);
                self.fault_opened(*fault, *district, at);
            }
            Decision::FaultClosed(record) => self.fault_closed(record),
            Decision::State { .. } | Decision::Commissioned(_) | Decision::Answer { .. } => {}
        }
    }

    fn opened_lock(&mut self, district: DistrictIx, now: Mono) {
        let booster = Feed::Booster(self.layout.districts[district.at()].booster);
        let with_booster = self.known(booster).asked == Some(now);
        let known = self.known(Feed::District(district));
        known.locked = false;
        let asked = with_booster || known.asked == Some(now);
        self.demand(asked, || format!("the lock-out of {district:?} opened by itself"));
    }

    fn feed_of(&self, channel: ChannelIx) -> Option<Feed> {
        match self.channels.channel(channel).object {
            Object::Booster(it) => Some(Feed::Booster(it)),
            Object::District(it) => Some(Feed::District(it)),
            Object::Block(_)
            | Object::Machine(_)
            | Object::Frog(_)
            | Object::Pole(_)
            | Object::Reverser(_) => None,
        }
    }

    fn order(&mut self, order: &Order, now: Mono) {
        let Some(feed) = self.feed_of(order.channel) else { return };
        match order.action {
            Action::Cut => {
                let known = self.known(feed);
                known.cut = known.cut.filter(|_| order.attempt != 1).or(Some(now));
                self.trips += u64::from(order.attempt == 1 && order.fault.is_some());
                self.demand(has_fault(order), || {
                    format!("a cut without a fault record: {order:?}")
                });
            }
            Action::On => {
                self.switched_on(feed, order, now);
                let known = self.known(feed);
                known.cut = None;
            }
            Action::Throw(_) => {}
        }
    }

    fn switched_on(&mut self, feed: Feed, order: &Order, now: Mono) {
        let keys = match feed {
            Feed::Booster(_) => &self.layout.protection.layout,
            Feed::District(it) => {
                let table = &self.layout.protection;
                table.districts.get(it.at()).unwrap_or(&table.layout)
            }
        };
        let (tries, auto) = (keys.restore_tries, keys.power_on == PowerOn::Auto);
        let known = self.known(feed).clone();
        let by_person = known.asked.is_some_and(|asked| now.since(asked) <= TURN);
        let allowed = match order.cause {
            Cause::Operator => by_person,
            Cause::Retry(count) => !known.locked && 1 <= count && count <= tries,
            Cause::Start => !known.locked && auto,
            _ => false,
        };
        self.demand(allowed, || format!("switched on though nobody may: {order:?}, {known:?}"));
        self.demand(known.held.is_empty(), || {
            format!("switched on though held: {order:?}, {known:?}")
        });
    }

    fn alarm(&mut self, change: &AlarmChange) {
        let active = self.active.contains(&change.alarm);
        let fits = match change.transition {
            Transition::Raised => !active,
            Transition::Cleared | Transition::ClearedUnacknowledged => active,
            Transition::Acknowledged
            | Transition::Shelved
            | Transition::Unshelved
            | Transition::OutOfService
            | Transition::InService
            | Transition::Reset => true,
        };
        self.demand(fits, || format!("raised or cleared twice: {change:?}"));
        if is_active(change.state) {
            self.active.insert(change.alarm);
        } else {
            self.active.remove(&change.alarm);
        }
    }

    fn fault_opened(&mut self, fault: FaultNumber, district: DistrictIx, now: Mono) {
        let fresh = self.opened.insert(fault);
        self.demand(fresh, || format!("{fault:?} was given twice"));
        let current = self.channels.index(Object::District(district), Quantity::Current);
        let kept = current.and_then(|it| self.kept_before(it, now));
        let measured = kept.is_some_and(|at| now.since(at) < BEFORE);
        self.open.insert(fault, (now, measured));
    }

    fn fault_closed(&mut self, record: &FaultRecord) {
        self.records += 1;
        let opened = self.open.remove(&record.number);
        self.demand(opened.is_some(), || format!("{:?} closed and was not open", record.number));
        let current = self.channels.index(Object::District(record.district), Quantity::Current);
        let before = record.waveforms.iter().any(|it| {
            Some(it.channel) == current
                && it.samples.first().is_some_and(|(at, _)| *at < record.trigger)
        });
        let measured = opened.is_some_and(|(_, measured)| measured);
        self.demand(before || !measured, || {
            format!("{:?} has no sample from before its trigger", record.number)
        });
        self.demand(record.onset <= record.trigger && record.trigger <= record.closed, || {
            format!("{:?} is out of order in time", record.number)
        });
        self.demand(!record.suspects.is_empty(), || format!("{:?} names nobody", record.number));
    }

    /// After a step: what is shown, and what is held.
    pub fn after_step(&mut self, snapshot: &Snapshot, held: Held, now: Mono) {
        self.bounded(held);
        for (feed, view) in feeds(snapshot) {
            self.cut_stays(feed, view.power, now);
            let object = match feed {
                Feed::Booster(it) => Object::Booster(it),
                Feed::District(it) => Object::District(it),
            };
            let fresh = |it: &supervision::snapshot::Measured<_>| !it.stale;
            let shown = view.protected || view.current.as_ref().is_some_and(fresh);
            self.fresh(object, shown, now);
        }
        for (at, view) in snapshot.blocks.iter().enumerate() {
            let object = Object::Block(wiring::index::BlockIx::new(at));
            self.fresh(object, view.current.is_some_and(|it| !it.stale), now);
        }
        let overdue = |(_, (at, _)): &(&FaultNumber, &(Mono, bool))| RECORD < now.since(*at);
        let late = self.open.iter().find(overdue).map(|(it, _)| *it);
        self.demand(late.is_none(), || format!("the record of {late:?} is still open"));
        for district in 0..snapshot.districts.len() {
            let feed = Feed::District(DistrictIx::new(district));
            let (told, shown) = (self.known(feed).locked, snapshot.districts[district].locked_out);
            self.demand(told == shown, || {
                format!("district {district} is shown as locked out: {shown}, and was told: {told}")
            });
        }
    }

    fn cut_stays(&mut self, feed: Feed, power: PowerState, now: Mono) {
        let began = self.began;
        let Some(at) = self.known(feed).cut else { return };
        // What a killed process ordered is no more than what the next one finds.
        if at < began {
            return;
        }
        let off = matches!(power, PowerState::Cutting | PowerState::Cut | PowerState::CutFailed);
        self.demand(off, || {
            format!("{feed:?} was cut and is {power:?}, and nothing switched it on")
        });
        let open = power == PowerState::Cutting && CUT_KNOWN < now.since(at);
        self.demand(!open, || format!("{feed:?}: neither proved nor failed"));
    }

    fn fresh(&mut self, object: Object, shown: bool, now: Mono) {
        let Some(channel) = self.channels.index(object, Quantity::Current) else { return };
        let announced = self.announced.contains(&channel);
        let silence = self.silence.get(&channel).filter(|_| announced).copied();
        let silence = silence.unwrap_or(WITHOUT_RATE);
        let heard = self.heard.get(&channel).copied();
        let fits = !shown || heard.is_some_and(|at| now.since(at) <= silence + STEP);
        let name = self.channels.name(channel).to_owned();
        self.demand(fits, || format!("{name} is shown as fresh, heard at {heard:?}"));
    }

    fn bounded(&mut self, held: Held) {
        let most = &mut self.most;
        most.recordings = most.recordings.max(held.recordings);
        most.recent = most.recent.max(held.recent);
        most.faults = most.faults.max(held.faults);
        most.flips = most.flips.max(held.flips);
        most.alarms = most.alarms.max(held.alarms);
        most.raised = most.raised.max(held.raised);
        most.nodes = most.nodes.max(held.nodes);
        most.samples = most.samples.max(held.samples);
        let samples = 320 * self.channels.len();
        let alarms = 25 * self.channels.len();
        let fits = held.outputs == BOUNDS.outputs
            && held.rest == BOUNDS.rest
            && held.recordings <= BOUNDS.recordings
            && held.recent <= BOUNDS.recent
            && held.faults <= BOUNDS.faults
            && held.flips <= BOUNDS.flips
            && held.alarms <= alarms
            && held.raised <= BOUNDS.raised
            && held.nodes <= BOUNDS.nodes
            && held.samples <= samples;
        self.demand(fits, || format!("too much is held: {held:?}"));
    }

    /// Districts that are locked out as told.
    pub fn locked(&self) -> Vec<DistrictIx> {
        let locked = self.feeds.iter().filter(|(_, it)| it.locked);
        locked
            .filter_map(|(feed, _)| match feed {
                Feed::District(it) => Some(*it),
                Feed::Booster(_) => None,
            })
            .collect()
    }

    /// All is well again.
    pub fn converged(&self, snapshot: &Snapshot) -> Result<(), String> {
        for (feed, view) in feeds(snapshot) {
            if view.power != PowerState::On {
                return Err(format!("{feed:?} is {:?}, {:?}", view.power, view.cause));
            }
            if view.locked_out {
                return Err(format!("{feed:?} is locked out"));
            }
        }
        use supervision::alarm::AlarmKind as Kind;
        let bad = snapshot.alarms.iter().find(|it| {
            let kind = matches!(
                it.alarm.kind,
                Kind::CutFailed | Kind::ReadingStale | Kind::NodeOffline | Kind::HistoryFailing
            );
            kind && is_active(it.state)
        });
        bad.map_or(Ok(()), |it| Err(format!("{:?} stands: {}", it.alarm, it.text)))
    }
}

/// A cut by protection belongs to a fault; one by a person, a stop or a failed permit need not.
fn has_fault(order: &Order) -> bool {
    match order.cause {
        Cause::Short { .. }
        | Cause::HalfShort { .. }
        | Cause::AtLimit { .. }
        | Cause::Overload { .. }
        | Cause::Contact { .. }
        | Cause::Mismatch { .. }
        | Cause::TrippedElsewhere { .. }
        | Cause::LowVoltage { .. }
        | Cause::TestLimit { .. }
        | Cause::Stale => order.fault.is_some(),
        Cause::PowerGone { .. }
        | Cause::CutFailure { .. }
        | Cause::Operator
        | Cause::Shutdown
        | Cause::Retry(_)
        | Cause::Start => true,
    }
}

const fn is_active(state: AlarmState) -> bool {
    matches!(state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
}
