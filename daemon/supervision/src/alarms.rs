//! The alarms of a layout: delays, latching, shelving, and what is told of them.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::Arc,
};

use wiring::{
    index::DistrictIx,
    units::{Micros, Mono},
};

use self::bursts::Bursts;
use crate::{
    alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Priority, Transition},
    alarm_state::{AlarmEvent, is_active, is_unseen, next},
    commission::When,
    input::{NodeIx, Shelving},
    output::Refusal,
    snapshot::Hand,
    start::RememberedAlarm,
    words::alarm_table,
};

mod bursts;

/// A remembered condition that does not come again within this is gone.
const ASKED_AFRESH: Micros = Micros::from_millis(30_000);
/// Longest shelving of an alarm of high priority.
const SHELVED_HIGH: Micros = Micros::from_millis(15 * 60_000);

/// How grave the case is: the usual priority of the kind, or the other one of its row.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Grade {
    /// As the table says first.
    Usual,
    /// The case of its own.
    Other,
}

/// One alarm that is not normal, or whose delay runs.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    /// Its state.
    pub(crate) state: AlarmState,
    /// Its condition stands.
    pub(crate) stands: bool,
    /// The condition as announced follows at this instant.
    pending: Option<Mono>,
    /// Its priority.
    pub(crate) priority: Priority,
    /// It latches.
    pub(crate) latched: bool,
    /// The district it belongs to.
    pub(crate) district: Option<DistrictIx>,
    /// What was seen.
    pub(crate) text: Arc<str>,
    /// First of its burst.
    pub(crate) first_out: bool,
    /// Gathered under this one.
    pub(crate) under: Option<AlarmKey>,
    /// The node that is to blame, and the alarm that told of it first.
    node: Option<NodeIx>,
    led_by: Option<AlarmKey>,
    /// How often its condition came since it was raised.
    count: u32,
    /// Its source had given such a condition shortly before: it stands until that has been quiet for long.
    chatters: bool,
    /// When it was raised last.
    pub(crate) raised: Mono,
    /// When its condition went.
    pub(crate) cleared: Option<Mono>,
    /// When a shelving ends at the latest.
    pub(crate) shelved_until: Option<Mono>,
    /// It ends with the session.
    pub(crate) for_session: bool,
    /// Who brought it into its state.
    pub(crate) by: Option<Hand>,
}

impl Entry {
    /// Nothing stands and nothing was seen yet.
    fn normal(priority: Priority, latched: bool, district: Option<DistrictIx>, now: Mono) -> Self {
        Self {
            state: AlarmState::Normal,
            stands: false,
            pending: None,
            priority,
            latched,
            district,
            text: Arc::default(),
            first_out: false,
            under: None,
            node: None,
            led_by: None,
            count: 0,
            chatters: false,
            raised: now,
            cleared: None,
            shelved_until: None,
            for_session: false,
            by: None,
        }
    }
}

/// Who gives conditions that are there for an instant only: a node, or an object of which none is known.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
enum Source {
    Node(NodeIx),
    Alarm(AlarmKey),
}

/// A source that gives another within this chatters, and is quiet when it has given none for as long. Common practice, no
/// source.
const CHATTERS_WITHIN: Micros = Micros::from_millis(30 * 60 * 1000);

/// All alarms.
#[derive(Debug, Default)]
pub(crate) struct Alarms {
    entries: BTreeMap<AlarmKey, Entry>,
    /// When a source last gave a condition that is there for an instant only.
    pulsed: BTreeMap<Source, Mono>,
    bursts: Bursts,
    changes: VecDeque<(Mono, AlarmChange)>,
}

/// A condition as its owner sees it.
pub(crate) struct Condition {
    /// Which alarm.
    pub(crate) key: AlarmKey,
    /// The district it belongs to.
    pub(crate) district: Option<DistrictIx>,
    /// How grave.
    pub(crate) grade: Grade,
}

impl Condition {
    fn priority(&self) -> Priority {
        let row = alarm_table::row(self.key.kind);
        match (self.grade, row.else_priority) {
            (Grade::Other, Some((other, _))) => other,
            (Grade::Other, None) | (Grade::Usual, _) => row.priority,
        }
    }
}

impl Alarms {
    /// What came back from the history.
    pub(crate) fn remember(
        &mut self,
        alarms: Vec<RememberedAlarm>,
        district: impl Fn(AlarmKey) -> Option<DistrictIx>,
        now: Mono,
    ) {
        for RememberedAlarm { alarm, state, text, shelved_until, by } in alarms {
            // A cut's cause stands until power is restored. Every other condition is asked afresh: what does not come
            // again soon goes.
            let row = alarm_table::row(alarm.kind);
            let stands = is_active(state) && row.latched;
            let entry = Entry {
                state,
                stands,
                pending: (is_active(state) && !stands).then(|| now + ASKED_AFRESH),
                text: text.into(),
                shelved_until,
                by,
                ..Entry::normal(row.priority, row.latched, district(alarm), now)
            };
            self.entries.insert(alarm, entry);
        }
    }

    /// The condition stands: raised after the on-delay of its kind. `text` is asked when it is new.
    pub(crate) fn set(&mut self, it: Condition, now: Mono, text: impl FnOnce() -> String) {
        let row = alarm_table::row(it.key.kind);
        let priority = it.priority();
        let latched = row.latched && priority == row.priority;
        let entry = self.entry(&it, now);
        let graver = priority < entry.priority && is_active(entry.state);
        if entry.stands && !graver {
            return;
        }
        entry.text = text().into();
        entry.district = it.district;
        entry.stands = true;
        if graver {
            // The warning is over, the cut is announced by itself.
            self.apply(it.key, AlarmEvent::Goes, now);
        }
        let Some(entry) = self.entries.get_mut(&it.key) else { return };
        entry.priority = priority;
        entry.latched = latched;
        entry.pending = (!is_active(entry.state)).then(|| now + row.on_delay);
        self.settle(it.key, now);
    }

    /// The condition is gone: cleared after the off-delay of its kind.
    pub(crate) fn clear(&mut self, key: AlarmKey, now: Mono) {
        let Some(entry) = self.entries.get_mut(&key) else { return };
        if !entry.stands {
            return;
        }
        entry.stands = false;
        let delay = alarm_table::row(key.kind).off_delay;
        entry.pending = is_active(entry.state).then(|| now + delay);
        self.settle(key, now);
        self.forget(key);
    }

    /// A condition that is there for an instant only, and is held for the off-delay of its kind, or for half an hour where
    /// its source chatters: what comes again within it is the same alarm, counted. What a node is to blame for stands under
    /// the first such alarm of that node. `text` is given how often it came.
    pub(crate) fn pulse(
        &mut self,
        it: Condition,
        node: Option<NodeIx>,
        now: Mono,
        text: impl FnOnce(u32) -> String,
    ) {
        let key = it.key;
        let source = node.map_or(Source::Alarm(key), Source::Node);
        let last = self.pulsed.insert(source, now);
        let off_delay = alarm_table::row(key.kind).off_delay;
        let quiet = |chatters| now + if chatters { CHATTERS_WITHIN } else { off_delay };
        let leads = |(other, entry): &(&AlarmKey, &mut Entry)| {
            let active = is_active(entry.state) && entry.led_by.is_none();
            other.kind == key.kind
                && **other != key
                && node.is_some()
                && entry.node == node
                && active
        };
        let mut leader = None;
        if let Some((other, entry)) = self.entries.iter_mut().find(leads) {
            entry.pending = Some(quiet(entry.chatters));
            leader = Some(*other);
        }
        if let Some(entry) = self.entries.get_mut(&key)
            && is_active(entry.state)
        {
            entry.count = entry.count.saturating_add(1);
            entry.text = text(entry.count).into();
            entry.pending = Some(quiet(entry.chatters));
            return;
        }
        let chatters = last.is_some_and(|last| now.since(last) <= CHATTERS_WITHIN);
        let entry = self.entry(&it, now);
        (entry.node, entry.led_by, entry.count) = (node, leader, 1);
        entry.chatters = chatters && leader.is_none();
        self.set(it, now, || text(1));
        self.clear(key, now);
        if let Some(entry) = self.entries.get_mut(&key).filter(|it| is_active(it.state)) {
            entry.pending = Some(quiet(entry.chatters));
        }
    }

    /// The entry of a condition, made where it is new.
    fn entry(&mut self, it: &Condition, now: Mono) -> &mut Entry {
        let row = alarm_table::row(it.key.kind);
        let latched = row.latched && it.priority() == row.priority;
        self.entries
            .entry(it.key)
            .or_insert_with(|| Entry::normal(it.priority(), latched, it.district, now))
    }

    fn settle(&mut self, key: AlarmKey, now: Mono) {
        let due = self.entries.get(&key).and_then(|entry| entry.pending);
        if due.is_none_or(|due| now < due) {
            return;
        }
        let Some(entry) = self.entries.get_mut(&key) else { return };
        entry.pending = None;
        let event = if entry.stands { AlarmEvent::Comes } else { AlarmEvent::Goes };
        self.apply(key, event, now);
    }

    /// Applies an event and announces what came of it.
    fn apply(&mut self, key: AlarmKey, event: AlarmEvent, now: Mono) -> bool {
        let Some(entry) = self.entries.get(&key) else { return false };
        let Some((state, transition)) = next(entry.state, event, entry.latched) else {
            return false;
        };
        if transition == Transition::Raised {
            self.mark(key, now);
        }
        let Some(entry) = self.entries.get_mut(&key) else { return false };
        entry.state = state;
        match transition {
            Transition::Raised => {
                entry.raised = now;
                entry.cleared = None;
            }
            Transition::Cleared | Transition::ClearedUnacknowledged => entry.cleared = Some(now),
            Transition::Acknowledged
            | Transition::Shelved
            | Transition::Unshelved
            | Transition::OutOfService
            | Transition::InService
            | Transition::Reset => {}
        }
        if transition.is_unsigned() {
            entry.by = None;
        }
        let change = AlarmChange {
            alarm: key,
            transition,
            state,
            priority: entry.priority,
            first_out: entry.first_out,
            under: entry.under,
            text: Arc::clone(&entry.text),
        };
        self.changes.push_back((now, change));
        true
    }

    /// First-out and gathering of an alarm that is raised now.
    fn mark(&mut self, key: AlarmKey, now: Mono) {
        let Some(entry) = self.entries.get_mut(&key) else { return };
        let place = self.bursts.handle_raised(key, entry.district, now);
        entry.first_out = place.first_out;
        entry.under = place.under.or(entry.led_by);
    }

    fn forget(&mut self, key: AlarmKey) {
        let idle = |entry: &Entry| {
            entry.state == AlarmState::Normal && !entry.stands && entry.pending.is_none()
        };
        if self.entries.get(&key).is_some_and(idle) {
            self.entries.remove(&key);
        }
    }

    /// Settles delays and shelvings that end at `now`.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        let due: Vec<AlarmKey> = self
            .entries
            .iter()
            .filter(|(_, it)| it.due() == Some(now))
            .map(|(it, _)| *it)
            .collect();
        for key in due {
            self.settle(key, now);
            let ends = |entry: &Entry| entry.shelved_until.is_some_and(|until| until <= now);
            if self.entries.get(&key).is_some_and(ends) {
                self.unshelve(key, now);
            }
            self.forget(key);
        }
    }

    /// When the next delay or shelving ends.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        self.entries.values().filter_map(Entry::due).min()
    }

    /// The next change, oldest first.
    pub(crate) fn poll(&mut self) -> Option<(Mono, AlarmChange)> {
        self.changes.pop_front()
    }

    /// A person acknowledges.
    pub(crate) fn acknowledge(&mut self, key: AlarmKey, now: Mono) -> Result<(), Refusal> {
        self.act(key, AlarmEvent::Acknowledge, now)
    }

    /// A person takes the first-out mark away: an action of its own (ISA-18.1). What nobody has acknowledged keeps it.
    pub(crate) fn reset_first_out(&mut self, key: AlarmKey) -> Result<(), Refusal> {
        let marked = self.entries.get_mut(&key).filter(|entry| entry.first_out);
        let Some(entry) = marked else { return Err(Refusal::NotInThatState) };
        if is_unseen(entry.state) {
            return Err(Refusal::AcknowledgeFirst);
        }
        entry.first_out = false;
        Ok(())
    }

    /// Keeps who did what was just done to an alarm.
    pub(crate) fn sign(&mut self, key: AlarmKey, who: &str, at: Mono) {
        if let Some(entry) = self.entries.get_mut(&key) {
            entry.by = Some(Hand { who: who.to_owned(), at: When::Run(at) });
        }
    }

    /// A person resets.
    pub(crate) fn reset(&mut self, key: AlarmKey, now: Mono) -> Result<(), Refusal> {
        self.act(key, AlarmEvent::Reset, now)
    }

    /// A person shelves.
    pub(crate) fn shelve(
        &mut self,
        key: AlarmKey,
        lasts: Shelving,
        now: Mono,
    ) -> Result<(), Refusal> {
        let span = lasts.span();
        let Some(entry) = self.entries.get(&key) else { return Err(Refusal::NotInThatState) };
        let most = if entry.priority == Priority::High { SHELVED_HIGH } else { Shelving::MOST };
        if span == Micros::ZERO || most < span {
            return Err(Refusal::ShelvingLimit);
        }
        self.act(key, AlarmEvent::Shelve, now)?;
        if let Some(entry) = self.entries.get_mut(&key) {
            entry.pending = None;
            entry.shelved_until = Some(now + span);
            entry.for_session = lasts == Shelving::Session;
        }
        Ok(())
    }

    /// A person, or time, ends a shelving.
    pub(crate) fn unshelve(&mut self, key: AlarmKey, now: Mono) {
        let stands = self.entries.get(&key).is_some_and(|entry| entry.stands);
        self.apply(key, AlarmEvent::Unshelve { stands }, now);
        if let Some(entry) = self.entries.get_mut(&key) {
            entry.shelved_until = None;
        }
        self.forget(key);
    }

    /// A person ends a shelving.
    pub(crate) fn end_shelving(&mut self, key: AlarmKey, now: Mono) -> Result<(), Refusal> {
        if self.state(key) != AlarmState::Shelved {
            return Err(Refusal::NotInThatState);
        }
        self.unshelve(key, now);
        Ok(())
    }

    /// A person takes it out of service. An alarm that is normal is taken out before it comes.
    pub(crate) fn remove(&mut self, it: Condition, now: Mono) -> Result<(), Refusal> {
        let key = it.key;
        if !self.entries.contains_key(&key) {
            self.set(it, now, String::new);
            self.changes.pop_back();
            if let Some(entry) = self.entries.get_mut(&key) {
                entry.stands = false;
            }
        }
        self.act(key, AlarmEvent::Remove, now)?;
        if let Some(entry) = self.entries.get_mut(&key) {
            entry.pending = None;
            entry.shelved_until = None;
        }
        Ok(())
    }

    /// A person returns it to service.
    pub(crate) fn return_to_service(&mut self, key: AlarmKey, now: Mono) -> Result<(), Refusal> {
        let stands = self.entries.get(&key).is_some_and(|entry| entry.stands);
        self.act(key, AlarmEvent::Return { stands }, now)
    }

    fn act(&mut self, key: AlarmKey, event: AlarmEvent, now: Mono) -> Result<(), Refusal> {
        let done = self.apply(key, event, now);
        self.forget(key);
        if done { Ok(()) } else { Err(Refusal::NotInThatState) }
    }

    /// The state of an alarm.
    pub(crate) fn state(&self, key: AlarmKey) -> AlarmState {
        self.entries.get(&key).map_or(AlarmState::Normal, |entry| entry.state)
    }

    /// Its condition stands, announced or not.
    pub(crate) fn stands(&self, key: AlarmKey) -> bool {
        self.entries.get(&key).is_some_and(|entry| entry.stands)
    }

    /// It stands, with high priority.
    pub(crate) fn is_high(&self, key: AlarmKey) -> bool {
        self.entries.get(&key).is_some_and(|entry| entry.priority == Priority::High)
    }

    /// Alarms that are not normal.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (&AlarmKey, &Entry)> {
        self.entries.iter().filter(|(_, entry)| entry.state != AlarmState::Normal)
    }

    /// Entries and counted raisings that are held.
    pub(crate) fn held(&self) -> (usize, usize) {
        (self.entries.len(), self.bursts.held())
    }

    /// Alarms of these kinds whose condition stands and that belong to a district.
    pub(crate) fn standing(&self, district: DistrictIx, kinds: &[AlarmKind]) -> Vec<AlarmKey> {
        let mine = |(key, entry): &(&AlarmKey, &Entry)| {
            entry.stands && entry.district == Some(district) && kinds.contains(&key.kind)
        };
        self.entries.iter().filter(mine).map(|(key, _)| *key).collect()
    }

    /// Raised in the ten minutes before `now`, those gathered under a first-out not counted.
    pub(crate) fn in_ten_minutes(&self, now: Mono) -> usize {
        let is_gathered = |key| self.entries.get(&key).is_some_and(|it| it.under.is_some());
        self.bursts.in_ten_minutes(now).filter(|key| !is_gathered(*key)).count()
    }
}

impl Entry {
    fn due(&self) -> Option<Mono> {
        self.pending.into_iter().chain(self.shelved_until).min()
    }
}

#[cfg(test)]
mod tests;
