//! The composition: every machine of the layout, fed by one input at a time, drained into one list of outputs.
//!
//! Its parts are machines of their own, tested alone; here they only meet. A reading that cuts does so before anything
//! else is done with it. Deadlines are derived from the parts' state and settled in the order of time.

mod again;
mod commissioning;
mod conditions;
mod contacts;
mod facts;
mod held;
mod joined;
mod links;
mod operators;
mod power;
mod readings;
mod records;
mod resettle;
mod rest;
mod slots;
mod steps;
#[cfg(test)]
mod tests;
mod trips;
mod view;

use std::{
    collections::{BTreeMap, VecDeque},
    sync::Arc,
};

use wiring::{
    channel::ChannelTable,
    index::{BlockIx, DistrictIx, PoleIx},
    layout::Layout,
    polarity::PolarityProof,
    units::{Micros, Mono},
};

use crate::{
    alarm::{AlarmKey, AlarmKind, Subject},
    alarms::{Alarms, Condition, Grade},
    contact::Contact,
    deadlines::Deadlines,
    frog::Frog,
    input::{Feed, Input, NodeIx, ReverserState, Transport},
    machine::Machine,
    model::Model,
    occupancy::Occupied,
    output::{Decision, Event, EventKind, Occupancy, Output},
    power::Power,
    protect::Guard,
    record::{Accused, FaultNumber},
    recorder::Recording,
    residual::Residual,
    restore::Restore,
    snapshot::{DistrictLoad, Snapshot},
    start::{Start, StartPower},
    store::Store,
    trains::Trains,
    words::{self, Seen},
};
pub use held::Held;
use rest::{Rest, Stage};
use slots::{Slots, Timer};

/// Contact loads fade and are shown at this pace.
const HOUSEKEEPING: Micros = Micros::from_millis(1000);
/// Events kept from before a fault.
const RECENT_EVENTS: usize = 64;

/// A node as links report it.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    name: String,
    transport: Transport,
    up: bool,
    heard: Mono,
    permit: bool,
    outputs: Vec<Feed>,
}

/// A fault current under watch in one district.
#[derive(Clone, Debug)]
pub(crate) struct Episode {
    /// When it began.
    onset: Mono,
    /// The poles that may carry it.
    poles: Vec<PoleIx>,
    /// A machine of theirs that moved meanwhile.
    thrown: Option<wiring::index::MachineIx>,
    /// It led to this fault.
    fault: Option<FaultNumber>,
    /// The load before it.
    base: wiring::units::Microamps,
    /// What the district drew above that when it was read last.
    step: wiring::units::Microamps,
}

/// What is shown and is only shown again when it changes.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct ShownFrog {
    wrong: bool,
    dead: bool,
    stays: bool,
}

/// The supervision of one layout. Pure: time is an argument, outputs are drained, the deadline is derived from state.
#[derive(Debug)]
pub struct Supervisor {
    model: Arc<Model>,
    start_power: StartPower,
    started: Mono,
    store: Store,
    /// By feed: boosters first, then districts.
    powers: Vec<Power>,
    restores: Vec<Restore>,
    residuals: Vec<Residual>,
    /// By booster: guards all its districts that send no current, where there are several.
    booster_guards: Vec<Option<Guard>>,
    /// By district.
    guards: Vec<Guard>,
    episodes: Vec<Option<Episode>>,
    /// By district: what contacts carried lately in fault currents that ended without a trip of ours, with the end.
    carried: Vec<Vec<(Mono, crate::record::ContactStress)>>,
    /// Nothing can cut it: one trip is told, and no other until the current has gone.
    told_only: Vec<bool>,
    /// Frogs found on the wrong conductor.
    mismatches: Vec<u32>,
    /// By booster: before this instant no other district is switched on.
    turns: Vec<Mono>,
    machines: Vec<Machine>,
    frogs: Vec<Frog>,
    shown_frogs: Vec<ShownFrog>,
    /// The block through whose detector a wheel on a frog draws now, and the frogs by such block.
    seen_by: Vec<Option<BlockIx>>,
    seeing: Vec<Vec<wiring::index::FrogIx>>,
    proved_pairs: Vec<bool>,
    commissioning: commissioning::Commissioning,
    culprits: Vec<u32>,
    blocks: Vec<Occupied>,
    shown_blocks: Vec<Occupancy>,
    trains: Trains,
    /// The trains that stood where current stepped in faults of late, with the block.
    train_faults: VecDeque<(u32, BlockIx)>,
    contacts: Vec<Contact>,
    reversers: Vec<Option<(Mono, ReverserState)>>,
    flips: VecDeque<(Mono, wiring::index::ReverserIx)>,
    alarms: Alarms,
    /// By district: when its power last went without an order, and what it drew before.
    gone: Vec<Option<(Mono, wiring::units::Microamps)>>,
    /// By booster: when it last shut itself down at its limit with its voltage gone.
    shut_down: Vec<Option<Mono>>,
    recordings: Vec<Recording>,
    closed: VecDeque<(FaultNumber, Vec<Accused>)>,
    nodes: BTreeMap<NodeIx, Node>,
    deadlines: Deadlines,
    slots: Slots,
    housekeeping: Option<Mono>,
    outputs: VecDeque<Output>,
    /// What is left to do behind an order that waits to be taken.
    rest: VecDeque<Rest>,
    stage: Stage,
    recent: VecDeque<Output>,
    now: Mono,
    next_fault: u32,
    next_order: u32,
    /// By feed: its latest order.
    ordered: Vec<Option<crate::input::OrderId>>,
}

impl Supervisor {
    /// A supervisor of `layout` that starts at `now`. `neighbours` lists, by block, the blocks that a wheel can roll
    /// into from it.
    #[must_use]
    pub fn new(
        layout: Arc<Layout>,
        channels: Arc<ChannelTable>,
        proof: Arc<PolarityProof>,
        neighbours: Vec<Vec<BlockIx>>,
        start: Start,
        now: Mono,
    ) -> Self {
        Self::of(Arc::new(Model::new(layout, channels, proof, neighbours)), start, now)
    }

    /// The same, of a layout that was looked through before: for many supervisors of one layout.
    #[must_use]
    pub fn of(model: Arc<Model>, start: Start, now: Mono) -> Self {
        let mut it = slots::build(model, &start, now);
        it.begin(start, now);
        it
    }

    /// Settles every deadline up to `now`, then acts on `input`. Drain [`Self::poll_output`] to empty after it.
    ///
    /// # Panics
    /// When `now` is before an instant given earlier: the shell delivers in time order.
    pub fn handle(&mut self, input: Input, now: Mono) {
        self.settle_until(now);
        let settled = self.outputs.len();
        match input {
            Input::Reading(reading) => self.handle_reading(&reading, now),
            Input::Link(report) => self.handle_link(report, now),
            Input::Operator(request) => self.handle_operator(request, now),
            Input::Tick => {}
        }
        self.put_orders_first(settled);
    }

    /// Everything up to `now`, with nothing left behind an order.
    fn settle_until(&mut self, now: Mono) {
        self.handle_timeout(now);
        while self.waits() {
            self.settle();
            self.handle_timeout(now);
        }
    }

    /// Of what one input caused, orders go first: whoever drains the outputs hands them over before all else.
    fn put_orders_first(&mut self, settled: usize) {
        let is_order = |output: &Output| matches!(output.what, Decision::Order(_));
        let mut front = settled;
        for nth in settled..self.outputs.len() {
            if !is_order(&self.outputs[nth]) {
                continue;
            }
            if front < nth
                && let Some(order) = self.outputs.remove(nth)
            {
                self.outputs.insert(front, order);
            }
            front += 1;
        }
    }

    /// The next output, orders of a reading before all else that it caused. What follows from an order is made when
    /// nothing else is left to take: hand the order over before the next call.
    pub fn poll_output(&mut self) -> Option<Output> {
        if self.outputs.is_empty() {
            self.settle();
        }
        self.outputs.pop_front()
    }

    /// Whether orders were taken and what follows from them is still to be made: by the next [`Self::poll_output`], or
    /// before the next input is looked at. The order has time to pass until then.
    #[must_use]
    pub fn owes(&self) -> bool {
        self.waits() && self.outputs.is_empty()
    }

    /// When to call [`Self::handle_timeout`] next: at once while outputs wait to be drained. Ask again after every call.
    #[must_use]
    pub fn poll_deadline(&self) -> Option<Mono> {
        if self.waits() {
            return Some(self.now);
        }
        self.deadlines.earliest().map(|(at, _)| at)
    }

    /// Settles every deadline up to `now`, each output stamped with the instant it fell due.
    ///
    /// # Panics
    /// When `now` is before an instant given earlier.
    pub fn handle_timeout(&mut self, now: Mono) {
        assert!(self.now <= now, "the shell must deliver events in time order");
        while self.deadlines.earliest().is_some_and(|(at, _)| at <= now) {
            // An order of the deadline before: what follows from it may change what is due next.
            self.settle();
            let Some((at, slot)) = self.deadlines.earliest().filter(|(at, _)| *at <= now) else {
                break;
            };
            self.now = self.now.max(at);
            let settled = self.outputs.len();
            self.fire(slot, at);
            self.put_orders_first(settled);
        }
        if !self.waits() {
            self.now = now;
        }
    }

    /// The end of a journal, or a stop: open fault windows are closed at `now` and their records emitted.
    pub fn finish(&mut self, now: Mono) {
        self.settle_until(now);
        while !self.recordings.is_empty() {
            self.close_recording(0, now);
        }
        self.emit_event(now, EventKind::Stopping, None);
    }

    /// The state at this instant as plain data. Drain the outputs before.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        self.view()
    }

    /// Of the same state what the districts draw, in the layout's order.
    pub fn district_loads(&self) -> impl Iterator<Item = DistrictLoad> {
        self.loads()
    }

    fn fire(&mut self, slot: usize, at: Mono) {
        match self.slots.timer(slot) {
            Timer::Power(feed) => {
                self.powers[feed].handle_timeout(at);
                self.drain_power(feed);
            }
            Timer::Restore(feed) => self.handle_restore_due(feed, at),
            Timer::Guard(district) => {
                self.guards[district].handle_timeout(at);
                self.show_guard(DistrictIx::new(district), at);
            }
            Timer::Frog(frog) => {
                self.frogs[frog].handle_timeout(at);
                self.show_frog(wiring::index::FrogIx::new(frog), at);
            }
            Timer::Machine(machine) => {
                self.machines[machine].handle_timeout(at);
                self.follow_machine(wiring::index::MachineIx::new(machine), at);
            }
            Timer::Block(block) => {
                self.blocks[block].handle_timeout(at);
                self.show_block(BlockIx::new(block), at);
            }
            Timer::Residual(feed) => {
                self.residuals[feed].handle_timeout(at);
                self.show_residual(feed, at);
            }
            Timer::Channel(channel) => self.handle_silence(channel, at),
            Timer::Recorder => self.close_due(at),
            Timer::Alarms => {
                self.alarms.handle_timeout(at);
                self.drain_alarms();
            }
            Timer::Housekeeping => self.keep_house(at),
            Timer::Commissioning => self.settle_sessions(at),
        }
        if let Timer::Power(_) = self.slots.timer(slot) {
            self.see_sessions(at);
        }
        self.refresh(slot);
    }

    /// Derives a child's deadline again from its state.
    fn refresh(&mut self, slot: usize) {
        let deadline = match self.slots.timer(slot) {
            Timer::Power(feed) => self.powers[feed].poll_deadline(),
            Timer::Restore(feed) => self.restores[feed].poll_deadline(),
            Timer::Guard(district) => self.guards[district].poll_deadline(),
            Timer::Frog(frog) => self.frogs[frog].poll_deadline(),
            Timer::Machine(machine) => self.machines[machine].poll_deadline(),
            Timer::Block(block) => self.blocks[block].poll_deadline(),
            Timer::Residual(feed) => self.residuals[feed].poll_deadline(),
            Timer::Channel(channel) => {
                self.store.slot(wiring::index::ChannelIx::new(channel)).poll_deadline()
            }
            Timer::Recorder => self.recordings.iter().map(Recording::closes).min(),
            Timer::Alarms => self.alarms.poll_deadline(),
            Timer::Housekeeping => self.housekeeping,
            Timer::Commissioning => self.commissioning.poll_deadline(),
        };
        self.deadlines.set(slot, deadline);
    }

    fn refresh_timer(&mut self, timer: Timer) {
        self.refresh(self.slots.slot(timer));
    }

    fn emit(&mut self, at: Mono, what: Decision) {
        let output = Output { at, what };
        for recording in &mut self.recordings {
            recording.handle_output(&output);
        }
        if matches!(output.what, Decision::Event(_)) {
            if self.recent.len() >= RECENT_EVENTS {
                self.recent.pop_front();
            }
            self.recent.push_back(output.clone());
        }
        self.outputs.push_back(output);
    }

    fn emit_event(&mut self, at: Mono, kind: EventKind, fault: Option<FaultNumber>) {
        self.emit(at, Decision::Event(Event { kind, fault }));
    }

    /// Raises an alarm, or keeps it raised.
    fn raise(&mut self, kind: AlarmKind, subject: Subject, grade: Grade, at: Mono, seen: Seen<'_>) {
        let key = AlarmKey { kind, subject };
        self.set_aside(key, at);
        let district = self.model.district_of(subject);
        let (layout, nodes) = (&self.model.layout, &self.nodes);
        self.alarms.set(Condition { key, district, grade }, at, || {
            words::alarm_text(layout, key, seen, node_name(nodes, subject))
        });
        self.drain_alarms();
    }

    /// Ends an alarm's condition.
    fn lower(&mut self, kind: AlarmKind, subject: Subject, at: Mono) {
        self.alarms.clear(AlarmKey { kind, subject }, at);
        self.drain_alarms();
    }

    /// Raises or ends an alarm by its condition.
    fn hold(&mut self, stands: bool, kind: AlarmKind, subject: Subject, at: Mono, seen: Seen<'_>) {
        if stands {
            self.raise(kind, subject, Grade::Usual, at, seen);
        } else {
            self.lower(kind, subject, at);
        }
    }

    fn drain_alarms(&mut self) {
        while let Some((at, change)) = self.alarms.poll() {
            self.emit(at, Decision::Alarm(change));
        }
        self.refresh_timer(Timer::Alarms);
    }
}

fn node_name(nodes: &BTreeMap<NodeIx, Node>, subject: Subject) -> Option<&str> {
    match subject {
        Subject::Node(node) => nodes.get(&node).map(|node| node.name.as_str()),
        Subject::Object(_) | Subject::Checkrail => None,
    }
}
