//! The supervisor's task: it owns the supervisor, hands it inputs with their instants, and performs what it decides.
//!
//! Orders leave first. Whatever else a reading caused waits in `later` until no order is left and no reading waits;
//! nothing in this task ever waits for a disk, a network client or the dashboard. After each order the task yields once,
//! so that the link writes it to its wire, also where both share one thread; and before what follows from the last of
//! them, the record and the locating, the thread steps aside, so that a broker or a node on the same machine has the core
//! to itself while the order passes through it.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
    time::{Duration, Instant},
};

use dashboard::{Command, LinkView, Metrics, UnusableView, View, Window, window::TICK};
use links::{Arrivals, Arrived, LinkKind, Links, Tick};
use supervision::{
    Supervisor,
    cause::Cause,
    input::{Act, Feed, Input, LinkReport, OperatorRequest, RequestId},
    output::{Action, Decision, EventKind, Order, Output, PowerState, Refusal, StateValue},
};
use tokio::sync::{mpsc, oneshot};
use tracing::{info, warn};
use wiring::{
    channel::{Object, Quantity},
    index::{BoosterIx, ChannelIx, DistrictIx},
    units::{Micros, Mono},
};

use crate::{
    clock::{Clock, duration, micros},
    run::{archivist::Archivist, notify::Watchdog, recorder::Recorder, showing::Showing, standing},
    sensing::longer_than_studied,
    source::Loaded,
};

/// The supervisor is woken at least this often, so that permits and the watchdog have a young sign of life.
const TICK_EVERY: Micros = micros(TICK);

/// Inputs handled before looking at anything else.
const BATCH_MAX: usize = 256;

/// How long a stop waits for its cuts to be proved.
const STOP_WITHIN: Micros = Micros::from_millis(2000);

/// How the task ended.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Ended {
    /// Every cut that the stop ordered was proved.
    Proved,
    /// At least one was not.
    NotProved,
}

/// What the task is given.
pub struct Parts {
    /// The layout.
    pub loaded: Loaded,
    /// The supervisor, started.
    pub supervisor: Supervisor,
    /// Time.
    pub clock: Clock,
    /// Orders go there.
    pub links: Arc<Links>,
    /// Inputs come from there.
    pub arrivals: Arrivals,
    /// The supervisor's sign of life.
    pub tick: Tick,
    /// Requests of signed-in people.
    pub commands: mpsc::Receiver<Command>,
    /// Where the state is shown.
    pub window: Arc<Window>,
    /// Counters.
    pub metrics: Arc<Metrics>,
    /// The history.
    pub archivist: Archivist,
    /// The journal, where one is recorded.
    pub recorder: Option<Recorder>,
    /// The service manager's watchdog.
    pub watchdog: Watchdog,
    /// Settings read anew.
    pub settings: mpsc::Receiver<Loaded>,
}

/// The task.
pub struct Shell {
    parts: Parts,
    /// Requests that are not answered yet.
    waiting: BTreeMap<u64, Waiting>,
    next_request: u64,
    /// Names of the nodes, by number.
    nodes: Vec<String>,
    later: Vec<Output>,
    last: Mono,
    next_tick: Mono,
    showing: Showing,
    /// Channels that the stop has ordered cut and that are not proved yet.
    stopping: Option<Stopping>,
}

/// A request on its way through the supervisor.
struct Waiting {
    who: String,
    act: Act,
    answer: oneshot::Sender<Result<(), Refusal>>,
}

struct Stopping {
    until: Mono,
    unproved: BTreeSet<ChannelIx>,
}

impl Shell {
    /// Ready to run.
    #[must_use]
    pub fn new(parts: Parts) -> Self {
        let shell = Self {
            parts,
            waiting: BTreeMap::new(),
            next_request: 1,
            nodes: Vec::new(),
            later: Vec::new(),
            last: Mono::START,
            next_tick: Mono::START,
            showing: Showing::default(),
            stopping: None,
        };
        shell.permit_everything();
        shell
    }

    /// Runs until `stop` resolves and its cuts are proved, or [`STOP_WITHIN`] has passed.
    pub async fn run(mut self, mut stop: oneshot::Receiver<()>) -> Ended {
        let alarm = tokio::time::sleep_until(self.wake());
        tokio::pin!(alarm);
        loop {
            let wake = self.wake();
            // Its place among the runtime's timers is kept as long as it holds.
            if alarm.deadline() != wake {
                alarm.as_mut().reset(wake);
            }
            let stopping = self.stopping.is_some();
            tokio::select! {
                // Rare things first: readings may come without a pause.
                biased;
                _ = &mut stop, if !stopping => self.begin_stop().await,
                Some(command) = self.parts.commands.recv() => self.take_command(command).await,
                Some(loaded) = self.parts.settings.recv() => self.resettle(loaded).await,
                arrived = self.parts.arrivals.recv() => match arrived {
                    Some(arrived) => self.take_batch(arrived).await,
                    None => return self.end().await,
                },
                () = &mut alarm => {}
            }
            self.keep_time().await;
            if self
                .stopping
                .as_ref()
                .is_some_and(|it| it.unproved.is_empty() || it.until <= self.last)
            {
                return self.end().await;
            }
        }
    }

    fn wake(&self) -> tokio::time::Instant {
        self.parts.clock.instant(self.next_wake()).into()
    }

    fn next_wake(&self) -> Mono {
        let deadline = self.parts.supervisor.poll_deadline();
        let stop = self.stopping.as_ref().map(|stopping| stopping.until);
        [Some(self.next_tick), deadline, stop].into_iter().flatten().min().unwrap_or(self.next_tick)
    }

    /// The present instant, never before one that was handed to the supervisor.
    fn now(&mut self, at: Mono) -> Mono {
        self.last = self.last.max(at);
        self.last
    }

    /// Acts on all that waits before anything is told of it: the next reading may be the one that cuts.
    async fn take_batch(&mut self, first: Arrived) {
        let mut next = Some(first);
        for _ in 0..BATCH_MAX {
            let Some(arrived) = next else { break };
            self.take(arrived).await;
            next = self.parts.arrivals.try_recv();
            if next.is_none() && !self.later.is_empty() {
                // There is something to tell. What came in meanwhile goes before it.
                tokio::task::yield_now().await;
                next = self.parts.arrivals.try_recv();
            }
        }
        if let Some(arrived) = next {
            self.take(arrived).await;
        }
        self.tell();
    }

    async fn take(&mut self, arrived: Arrived) {
        let now = self.parts.clock.at(arrived.at);
        let now = self.now(now);
        let input = self.notice(arrived.input, now);
        self.parts.supervisor.handle(input, now);
        self.hand_out(Some(arrived.at)).await;
    }

    /// Counts and records an input on its way in; gives requests that come over a link a number of ours.
    fn notice(&mut self, input: Input, now: Mono) -> Input {
        match input {
            Input::Reading(reading) => {
                self.parts.metrics.reading();
                if let Some(recorder) = &mut self.parts.recorder {
                    recorder.reading(now, &reading);
                }
                Input::Reading(reading)
            }
            Input::Link(report) => {
                self.notice_report(&report);
                Input::Link(report)
            }
            Input::Operator(mut request) => {
                request.id = self.number();
                Input::Operator(request)
            }
            Input::Tick => Input::Tick,
        }
    }

    fn notice_report(&mut self, report: &LinkReport) {
        match report {
            LinkReport::Born { node, name, channels, .. } => {
                let Loaded { layout, channels: table, .. } = &self.parts.loaded;
                for warning in longer_than_studied(layout, table, channels) {
                    warn!(node = name.as_str(), "{warning}");
                }
                let at = usize::from(node.0);
                if self.nodes.len() <= at {
                    self.nodes.resize(at + 1, String::new());
                }
                self.nodes[at].clone_from(name);
            }
            LinkReport::Unusable { .. } => self.parts.metrics.reading_bad(),
            LinkReport::Alive { .. }
            | LinkReport::Lost { .. }
            | LinkReport::Acknowledged { .. }
            | LinkReport::NotSent { .. }
            | LinkReport::Refused { .. }
            | LinkReport::ClockSkew { .. }
            | LinkReport::HistoryFailing { .. } => {}
        }
    }

    fn number(&mut self) -> RequestId {
        self.next_request += 1;
        RequestId(self.next_request)
    }

    async fn take_command(&mut self, command: Command) {
        let id = self.number();
        let OperatorRequest { who, act, .. } = command.request;
        let waiting = Waiting { who: who.clone(), act: act.clone(), answer: command.answer };
        self.waiting.insert(id.0, waiting);
        self.request(OperatorRequest { id, who, act }).await;
    }

    async fn request(&mut self, request: OperatorRequest) {
        let now = self.parts.clock.now();
        let now = self.now(now);
        self.parts.supervisor.handle(Input::Operator(request), now);
        self.drain().await;
    }

    /// Goes on with settings that were read anew and checked.
    async fn resettle(&mut self, loaded: Loaded) {
        let now = self.parts.clock.now();
        let now = self.now(now);
        let what =
            format!("take over the settings of the layout file, revision {}", loaded.revision);
        info!(revision = loaded.revision, "SettingsTakenOver");
        self.parts.supervisor.resettle(loaded.layout.clone(), "checkrail", &what, now);
        self.parts.loaded = loaded;
        self.drain().await;
    }

    async fn begin_stop(&mut self) {
        info!("stopping: cutting power and waiting for proof");
        let until = self.parts.clock.now() + STOP_WITHIN;
        self.stopping = Some(Stopping { until, unproved: BTreeSet::new() });
        let id = self.number();
        self.request(OperatorRequest { id, who: "checkrail".to_owned(), act: Act::Shutdown }).await;
    }

    /// Deadlines, ticks, the watchdog, trends and views, when the first of them is due.
    async fn keep_time(&mut self) {
        let now = self.parts.clock.now();
        let now = self.now(now);
        if now < self.next_wake() {
            return;
        }
        self.parts.supervisor.handle_timeout(now);
        let ticks = self.next_tick <= now;
        if ticks {
            if let Some(report) = self.parts.archivist.poll_report() {
                self.parts.supervisor.handle(Input::Link(report), now);
            }
            self.parts.supervisor.handle(Input::Tick, now);
            self.next_tick = now + TICK_EVERY;
            self.parts.watchdog.feed();
            self.parts.tick.beat();
        }
        self.drain().await;
        if ticks {
            self.show_if_due(now);
        }
    }

    fn show_if_due(&mut self, now: Mono) {
        let Parts { window, links, supervisor, .. } = &self.parts;
        if self.showing.takes_note(now) {
            window.note(supervisor.district_loads());
        }
        let asked = window.was_asked() || links.are_shown();
        if self.showing.makes_view(now, asked) {
            self.show(now);
        }
    }

    /// Performs what the supervisor decided and tells of it.
    async fn drain(&mut self) {
        self.hand_out(None).await;
        self.tell();
    }

    /// Hands orders over and keeps the rest for [`Self::tell`].
    async fn hand_out(&mut self, arrived: Option<Instant>) {
        while let Some(output) = self.parts.supervisor.poll_output() {
            if let Decision::Order(order) = &output.what {
                self.parts.links.order(order);
                let took = arrived.map(|it| it.elapsed());
                // The link writes it now, before anything is counted.
                tokio::task::yield_now().await;
                self.count(order, took);
                if self.parts.supervisor.owes() {
                    standing::step_aside();
                }
            }
            self.later.push(output);
        }
    }

    /// Tells log, links, history and askers of what was decided, in its order.
    fn tell(&mut self) {
        let mut later = std::mem::take(&mut self.later);
        for output in later.drain(..) {
            self.announce(output);
        }
        // The list's memory is used again: nothing is allocated for a reading that decides nothing.
        self.later = later;
    }

    /// Counts an order that was handed over; `took`: since its reading arrived.
    fn count(&mut self, order: &Order, took: Option<Duration>) {
        if order.action != Action::Cut {
            return;
        }
        if let (Some(took), 1) = (took, order.attempt) {
            self.parts.metrics.cut_latency(micros(took));
        }
        self.parts.metrics.cut(order.cause.word());
        if let (Cause::Shutdown, Some(stopping)) = (order.cause, &mut self.stopping) {
            stopping.unproved.insert(order.channel);
        }
    }

    fn announce(&mut self, output: Output) {
        super::announce::log(&output, &self.parts.loaded, &self.nodes);
        match &output.what {
            Decision::State { channel, value } => self.publish_state(*channel, *value),
            Decision::Alarm(change) => {
                super::announce::publish_alarm(
                    &self.parts.links,
                    &self.parts.loaded,
                    change,
                    &self.nodes,
                );
            }
            Decision::FaultOpened { .. } => self.parts.metrics.fault(),
            Decision::Event(event) => {
                if let EventKind::ReadingBad { .. } = event.kind {
                    self.parts.metrics.reading_bad();
                }
            }
            Decision::Answer { request, result } => {
                self.answer(*request, *result, output.at);
            }
            Decision::Order(_) | Decision::FaultClosed(_) | Decision::Commissioned(_) => {}
        }
        let wall = self.parts.clock.wall(output.at);
        self.parts.archivist.record(output, wall, &self.nodes);
    }

    fn answer(&mut self, request: RequestId, result: Result<(), Refusal>, at: Mono) {
        let Some(Waiting { who, act, answer }) = self.waiting.remove(&request.0) else { return };
        if result.is_ok() {
            self.parts.archivist.record_act(&act, &who, at, self.parts.clock.wall(at));
        }
        // The asker may have gone away; the act is done all the same.
        let _ = answer.send(result);
    }

    fn publish_state(&mut self, channel: ChannelIx, value: StateValue) {
        if let (StateValue::Power(PowerState::Cut), Some(stopping)) = (value, &mut self.stopping) {
            stopping.unproved.remove(&channel);
        }
        self.parts.links.publish_state(channel, value);
    }

    fn show(&mut self, now: Mono) {
        let snapshot = self.parts.supervisor.snapshot();
        self.parts.links.show(&snapshot);
        let mut view = View::new(snapshot, self.parts.clock.wall_ms(now));
        view.links = link_views(&self.parts.links, &self.parts.clock);
        view.history_ok = self.parts.archivist.is_ok();
        self.parts.window.show(view);
    }

    /// Outputs that are found on stay on: until a cut says otherwise every power channel may have its permit.
    fn permit_everything(&self) {
        for feed in feeds(&self.parts.loaded) {
            if let Some(channel) = power_channel(&self.parts.loaded, feed) {
                self.parts.links.power_wanted(channel, true);
            }
        }
    }

    async fn end(mut self) -> Ended {
        let now = self.parts.clock.now();
        let now = self.now(now);
        self.parts.supervisor.finish(now);
        self.drain().await;
        if let Some(recorder) = self.parts.recorder.take() {
            recorder.close();
        }
        let left = self.stopping.map_or(0, |stopping| stopping.unproved.len());
        if !self.parts.archivist.close(duration(STOP_WITHIN)) {
            warn!("the history could not save everything before the stop");
        }
        if left == 0 {
            Ended::Proved
        } else {
            warn!(unproved = left, "power could not be proved off: pull the plug of the booster");
            Ended::NotProved
        }
    }
}

fn feeds(loaded: &Loaded) -> impl Iterator<Item = Feed> + '_ {
    let boosters = (0..loaded.layout.boosters.len()).map(|at| Feed::Booster(BoosterIx::new(at)));
    let districts =
        (0..loaded.layout.districts.len()).map(|at| Feed::District(DistrictIx::new(at)));
    boosters.chain(districts)
}

fn power_channel(loaded: &Loaded, feed: Feed) -> Option<ChannelIx> {
    let object = match feed {
        Feed::Booster(it) => Object::Booster(it),
        Feed::District(it) => Object::District(it),
    };
    loaded.channels.index(object, Quantity::Power)
}

/// How the links are, as the dashboard shows it.
pub fn link_views(links: &Links, clock: &Clock) -> Vec<LinkView> {
    links
        .status()
        .into_iter()
        .map(|status| {
            let name = match status.kind {
                LinkKind::Mqtt => status.name.clone(),
                LinkKind::Serial => format!("serial/{}", status.name),
                LinkKind::Modbus => format!("modbus/{}", status.name),
                LinkKind::Lcc => format!("lcc/{}", status.name),
            };
            let text = if status.up { status.address } else { status.trouble };
            let last_unusable = status.last_unusable.map(|it| UnusableView {
                at: clock.wall_ms(clock.at(it.at)),
                text: format!("{}: {}", it.source, it.what),
            });
            LinkView { name, up: status.up, text, unusable: status.unusable, last_unusable }
        })
        .collect()
}
