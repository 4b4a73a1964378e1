//! A valley that moves: currents wander, turnouts throw, a fault comes when told, and requests are answered by the
//! rules a person would expect. It stands in for the supervisor where only the page is looked at.

use dashboard::{LinkView, View};
use supervision::{
    alarm::{AlarmKey, AlarmKind, AlarmState, Priority, Subject},
    cause::Cause,
    input::{Act, Feed, MachinePosition, MeasuredPolarity, NodeIx, Shelving},
    output::{ExpectedPolarity, Occupancy, PowerState, Refusal},
    record::FaultNumber,
    snapshot::{
        AlarmView, BlockView, FeedView, FrogView, MachineView, Measured, NodeView, PoleView,
        Snapshot,
    },
    words,
};
use wiring::{
    channel::Object,
    index::{DistrictIx, FrogIx, PoleIx},
    layout::{Conductor, Layout},
    units::{Microamps, Micros, Millivolts, Mono},
};

/// The district and turnout that the scripted fault happens to.
pub const FAULTY: (usize, usize) = (1, 5);

/// The plant.
pub struct Plant {
    layout: Layout,
    seed: u64,
    pub snapshot: Snapshot,
    pub wall_ms: i64,
}

impl Plant {
    /// Everything on and in order.
    pub fn new(layout: Layout, wall_ms: i64) -> Self {
        let at = Mono(60_000_000);
        let mut it =
            Self { seed: 7, snapshot: Snapshot { at, ..Snapshot::default() }, wall_ms, layout };
        it.snapshot.boosters = it.layout.boosters.iter().map(|_| feed(at)).collect();
        it.snapshot.districts = it.layout.districts.iter().map(|_| feed(at)).collect();
        it.snapshot.blocks = it.layout.blocks.iter().map(|_| block(at)).collect();
        it.snapshot.machines = (0..it.layout.machines.len()).map(|n| machine(at, n)).collect();
        it.snapshot.frogs = (0..it.layout.frogs.len()).map(|n| frog(at, n)).collect();
        it.snapshot.poles = (0..it.layout.poles.len()).map(pole).collect();
        it.snapshot.nodes = ["bench", "yard-east", "hill"]
            .iter()
            .enumerate()
            .map(|(n, name)| node(at, n, name))
            .collect();
        it.step(100);
        it
    }

    /// Lets `ms` pass.
    pub fn step(&mut self, ms: u64) {
        let at = self.snapshot.at + Micros::from_millis(ms);
        self.snapshot.at = at;
        self.wall_ms += i64::try_from(ms).unwrap_or(0);
        for n in 0..self.snapshot.districts.len() {
            let noise = i64::try_from(self.random(60_000)).unwrap_or(0) - 30_000;
            let base = 350_000 + 280_000 * i64::try_from(n % 5).unwrap_or(0);
            let it = &mut self.snapshot.districts[n];
            if it.current.is_some_and(|seen| seen.stale) {
                continue;
            }
            let now = if it.power == PowerState::On {
                let old = it.current.map_or(base, |seen| seen.value.0);
                (old + noise + (base - old) / 20).max(0)
            } else {
                0
            };
            it.current = Some(Measured { value: Microamps(now), at, stale: false });
        }
        self.sum_boosters(at);
        for node in self.snapshot.nodes.iter_mut().filter(|it| it.up) {
            node.heard = at;
        }
    }

    fn sum_boosters(&mut self, at: Mono) {
        for (n, booster) in self.snapshot.boosters.iter_mut().enumerate() {
            let own = self.layout.districts.iter().zip(&self.snapshot.districts);
            let sum = own
                .filter(|(district, _)| district.booster.at() == n)
                .filter_map(|(_, view)| view.current)
                .fold(Microamps::ZERO, |sum, seen| sum + seen.value);
            booster.current = Some(Measured { value: sum, at, stale: false });
        }
    }

    /// What the page is shown.
    pub fn view(&self) -> View {
        let mut view = View::new(self.snapshot.clone(), self.wall_ms);
        view.links = vec![LinkView {
            name: "mqtt".into(),
            up: true,
            text: "connected to its own broker".into(),
            unusable: 0,
            last_unusable: None,
        }];
        view
    }

    /// A frog on the wrong rail, a short through it, the district cut and locked out.
    pub fn short(&mut self) {
        let at = self.snapshot.at;
        let (district, turnout) = FAULTY;
        let seen = Microamps(4_620_000);
        self.snapshot.machines[turnout].position = told(MachinePosition::Reverse, at);
        let frog = &mut self.snapshot.frogs[turnout];
        frog.expected = ExpectedPolarity::On(Conductor::B);
        frog.measured = told(MeasuredPolarity::On(Conductor::A), at);
        frog.mismatched = true;
        for pole in [2 * turnout, 2 * turnout + 1] {
            self.snapshot.poles[pole].image = 610;
            self.snapshot.poles[pole].hits += 1;
            self.snapshot.poles[pole].current = Microamps::ZERO;
        }
        let it = &mut self.snapshot.districts[district];
        it.power = PowerState::Cut;
        it.locked_out = true;
        it.cause = Some(Cause::Short {
            seen,
            pickup: Microamps(2_310_000),
            lasted: Micros::from_millis(20),
        });
        it.fault = Some(FaultNumber(27));
        it.current = told(Microamps::ZERO, at);
        self.power_frogs(district, false);
        self.snapshot.frogs[turnout].mismatched = true;
        let frog = Subject::Object(Object::Frog(FrogIx::new(turnout)));
        let text = words::alarm_table::row(AlarmKind::FrogMismatch).meaning;
        self.raise(
            AlarmKind::FrogMismatch,
            frog,
            Some(district),
            39,
            &format!("T6 frog on conductor A, expected B: {text}"),
        );
        let cause = words::cause_text(
            self.snapshot.districts[district].cause.unwrap_or(Cause::Operator),
            &self.layout,
        );
        let subject = Subject::Object(Object::District(DistrictIx::new(district)));
        self.raise(
            AlarmKind::ShortCircuit,
            subject,
            Some(district),
            0,
            &format!("District {}: {cause}", self.layout.districts[district].id),
        );
    }

    /// A contact that runs hot.
    pub fn hot(&mut self, turnout: usize) {
        let pole = PoleIx::new(2 * turnout);
        self.snapshot.poles[pole.at()].image = 840;
        self.snapshot.poles[pole.at()].current = Microamps(920_000);
        let name = self.layout.pole_name(pole);
        let text = format!("Contact {name}: heat at 84 % (estimated)");
        let district = self.layout.district_of_frog(FrogIx::new(turnout)).at();
        self.raise(
            AlarmKind::ContactOverload,
            Subject::Object(Object::Pole(pole)),
            Some(district),
            0,
            &text,
        );
        if let Some(alarm) = self.snapshot.alarms.last_mut() {
            alarm.priority = Priority::Medium;
            alarm.latched = false;
            alarm.first_out = false;
        }
    }

    /// A node falls silent: what it measured is only the last known.
    pub fn silence(&mut self, node: usize) {
        let at = self.snapshot.at;
        self.snapshot.nodes[node].up = false;
        self.snapshot.nodes[node].heard = at - Micros::from_millis(4000);
        let district = 0;
        let it = &mut self.snapshot.districts[district];
        it.protected = false;
        if let Some(current) = &mut it.current {
            current.stale = true;
        }
        for n in 0..self.snapshot.frogs.len() {
            if self.layout.district_of_frog(FrogIx::new(n)).at() == district {
                if let Some(seen) = &mut self.snapshot.frogs[n].measured {
                    seen.stale = true;
                }
                if let Some(seen) = &mut self.snapshot.machines[n].position {
                    seen.stale = true;
                }
            }
        }
        let subject = Subject::Node(self.snapshot.nodes[node].node);
        let text = format!("Node {} is silent", self.snapshot.nodes[node].name);
        self.raise(AlarmKind::NodeOffline, subject, None, 4000, &text);
    }

    /// More alarms than anybody can read.
    pub fn flood(&mut self) {
        for n in 0..self.layout.frogs.len().min(14) {
            let subject = Subject::Object(Object::Frog(FrogIx::new(n)));
            let text = format!("T{} frog is not measured", n + 1);
            let district = self.layout.district_of_frog(FrogIx::new(n)).at();
            self.raise(AlarmKind::FrogNotMeasured, subject, Some(district), n as u64 * 700, &text);
        }
        self.snapshot.alarms_in_ten_minutes = self.snapshot.alarms.len() + 20;
    }

    /// Sixty turnouts carry another current than before, others in each round.
    pub fn busy(&mut self, round: usize) {
        let turnouts = self.layout.frogs.len().max(1);
        for n in 0..60.min(turnouts) {
            let at = (round * 60 + n) % turnouts;
            self.snapshot.poles[2 * at].image = ((round * 37 + n * 11) % 700) as u32;
            self.snapshot.poles[2 * at].current =
                Microamps(((round * 53 + n * 17) % 70) as i64 * 10_000);
        }
    }

    fn raise(
        &mut self,
        kind: AlarmKind,
        subject: Subject,
        district: Option<usize>,
        ago_ms: u64,
        text: &str,
    ) {
        let row = words::alarm_table::row(kind);
        let feed = district.map(|n| Feed::District(DistrictIx::new(n)));
        let first_out = !self.snapshot.alarms.iter().any(|it| it.feed.is_some() && it.feed == feed);
        self.snapshot.alarms.push(AlarmView {
            alarm: AlarmKey { kind, subject },
            state: AlarmState::Unacknowledged,
            priority: row.priority,
            raised: self.snapshot.at - Micros::from_millis(ago_ms),
            cleared: None,
            first_out: first_out && district.is_some(),
            under: None,
            shelved_until: None,
            for_session: false,
            by: None,
            latched: row.latched,
            feed,
            text: text.into(),
        });
        self.snapshot.alarms_in_ten_minutes += 1;
    }

    fn power_frogs(&mut self, district: usize, powered: bool) {
        let at = self.snapshot.at;
        for n in 0..self.snapshot.frogs.len() {
            if self.layout.district_of_frog(FrogIx::new(n)).at() == district {
                self.snapshot.frogs[n].powered = powered;
                self.snapshot.frogs[n].mismatched = false;
                if powered && let ExpectedPolarity::On(wanted) = self.snapshot.frogs[n].expected {
                    self.snapshot.frogs[n].measured = told(MeasuredPolarity::On(wanted), at);
                }
            }
        }
    }

    /// Answers a request.
    pub fn answer(&mut self, act: &Act) -> Result<(), Refusal> {
        match act {
            Act::Acknowledge(key) => self.change(*key, acknowledged),
            Act::Reset(key) => self.change(*key, reset),
            Act::ResetFirstOut(key) => {
                self.change(*key, |it| it.first_out.then_some(it.state))?;
                self.each(*key, |it| it.first_out = false);
                Ok(())
            }
            Act::Shelve { alarm, lasts, .. } => {
                let until = self.snapshot.at + lasts.span();
                let for_session = *lasts == Shelving::Session;
                self.change(*alarm, |_| Some(AlarmState::Shelved))?;
                self.each(*alarm, |it| {
                    it.shelved_until = Some(until);
                    it.for_session = for_session;
                });
                Ok(())
            }
            Act::Unshelve(key) => self.change(*key, |_| Some(AlarmState::Unacknowledged)),
            Act::OutOfService(key) => self.change(*key, |_| Some(AlarmState::OutOfService)),
            Act::InService(key) => self.change(*key, |_| Some(AlarmState::Unacknowledged)),
            Act::Cut(feed) => self.cut(*feed),
            Act::Restore { feed, .. } => self.restore(*feed),
            Act::Hold(Feed::District(it)) => {
                self.snapshot.districts[it.at()].held_by.push("Ines".to_owned());
                Ok(())
            }
            Act::Release(Feed::District(it)) => {
                self.snapshot.districts[it.at()].held_by.clear();
                Ok(())
            }
            Act::Hold(Feed::Booster(_)) | Act::Release(Feed::Booster(_)) => {
                Err(Refusal::NoActuator)
            }
            Act::NameCulprit { fault, .. } => {
                if fault.0 == 27 {
                    Ok(())
                } else {
                    Err(Refusal::Unknown)
                }
            }
            Act::Throw { .. } | Act::Commission { .. } | Act::Shutdown => Err(Refusal::NoChannel),
        }
    }

    fn each(&mut self, key: AlarmKey, change: impl Fn(&mut AlarmView)) {
        self.snapshot.alarms.iter_mut().filter(|it| it.alarm == key).for_each(change);
    }

    fn change(
        &mut self,
        key: AlarmKey,
        next: impl Fn(&AlarmView) -> Option<AlarmState>,
    ) -> Result<(), Refusal> {
        let found = self.snapshot.alarms.iter().position(|it| it.alarm == key);
        let at = found.ok_or(Refusal::Unknown)?;
        let state = next(&self.snapshot.alarms[at]).ok_or(Refusal::NotInThatState)?;
        if state == AlarmState::Normal {
            self.snapshot.alarms.remove(at);
        } else {
            self.snapshot.alarms[at].state = state;
        }
        Ok(())
    }

    fn cut(&mut self, feed: Feed) -> Result<(), Refusal> {
        let Feed::District(it) = feed else { return Err(Refusal::NoActuator) };
        if !self.layout.districts[it.at()].cut {
            return Err(Refusal::NoActuator);
        }
        let district = &mut self.snapshot.districts[it.at()];
        district.power = PowerState::Cut;
        district.cause = Some(Cause::Operator);
        self.power_frogs(it.at(), false);
        Ok(())
    }

    fn restore(&mut self, feed: Feed) -> Result<(), Refusal> {
        let Feed::District(it) = feed else { return Err(Refusal::NoActuator) };
        let district = &self.snapshot.districts[it.at()];
        if district.power == PowerState::On {
            return Err(Refusal::AlreadyOn);
        }
        if !district.held_by.is_empty() {
            return Err(Refusal::Held);
        }
        let stands =
            |it: &&AlarmView| it.feed == Some(feed) && it.state == AlarmState::Unacknowledged;
        if self.snapshot.alarms.iter().any(|it| stands(&it)) {
            return Err(Refusal::AcknowledgeFirst);
        }
        let district = &mut self.snapshot.districts[it.at()];
        district.power = PowerState::On;
        district.locked_out = false;
        district.cause = None;
        self.power_frogs(it.at(), true);
        let at = self.snapshot.at;
        for alarm in self.snapshot.alarms.iter_mut().filter(|it| it.feed == Some(feed)) {
            alarm.state = AlarmState::LatchedAcknowledged;
            alarm.cleared = Some(at);
        }
        Ok(())
    }

    /// A number below `limit`, the same in every run.
    fn random(&mut self, limit: u64) -> u64 {
        self.seed = self
            .seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.seed >> 33) % limit
    }
}

fn acknowledged(it: &AlarmView) -> Option<AlarmState> {
    match it.state {
        AlarmState::Unacknowledged => Some(AlarmState::Acknowledged),
        AlarmState::ReturnedUnacknowledged => Some(AlarmState::Normal),
        AlarmState::LatchedUnacknowledged => Some(AlarmState::LatchedAcknowledged),
        AlarmState::Normal
        | AlarmState::Acknowledged
        | AlarmState::LatchedAcknowledged
        | AlarmState::Shelved
        | AlarmState::OutOfService => None,
    }
}

fn reset(it: &AlarmView) -> Option<AlarmState> {
    (it.state == AlarmState::LatchedAcknowledged).then_some(AlarmState::Normal)
}

const fn told<T>(value: T, at: Mono) -> Option<Measured<T>> {
    Some(Measured { value, at, stale: false })
}

fn feed(at: Mono) -> FeedView {
    FeedView {
        power: PowerState::On,
        current: None,
        voltage: told(Millivolts(14_600), at),
        locked_out: false,
        cause: None,
        fault: None,
        held_by: Vec::new(),
        tries: 0,
        protected: true,
        residual: Microamps(50_000),
    }
}

const fn block(at: Mono) -> BlockView {
    BlockView { current: told(Microamps(210_000), at), occupancy: Occupancy::Occupied }
}

fn machine(at: Mono, n: usize) -> MachineView {
    let position = if n % 4 == 1 { MachinePosition::Reverse } else { MachinePosition::Normal };
    MachineView {
        position: told(position, at),
        asked: position.at_rest(),
        last_throw: Some(Micros::from_millis(2380 + 17 * n as u64)),
        throws: 40 + 3 * n as u32,
    }
}

fn frog(at: Mono, n: usize) -> FrogView {
    let on = if n % 4 == 1 { Conductor::B } else { Conductor::A };
    FrogView {
        expected: ExpectedPolarity::On(on),
        measured: told(MeasuredPolarity::On(on), at),
        powered: true,
        mismatched: false,
    }
}

fn pole(n: usize) -> PoleView {
    let scattered = (n * 2_654_435_761) % 97;
    PoleView {
        image: (scattered * 4) as u32,
        current: Microamps((scattered * 5_500) as i64),
        estimated: true,
        hits: u32::from(n % 23 == 4),
    }
}

fn node(at: Mono, n: usize, name: &str) -> NodeView {
    NodeView { node: NodeIx(n as u16), name: name.to_owned(), up: true, heard: at }
}
