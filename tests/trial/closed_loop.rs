//! One session: the plant advances, its readings reach the supervisor, the supervisor's orders reach the plant.

use simulator::{Plan, SimReading, TruthEvent, World, random::Random};
use supervision::{
    Supervisor,
    alarm::Transition,
    input::Input,
    output::{Decision, Order, Output},
    record::FaultRecord,
};
use wiring::units::{Micros, Mono};

use super::{bed::Bed, link};

/// An order takes this to its actuator, and up to as much again.
const UNDER_WAY: Micros = Micros::from_millis(5);

/// The supervisor may act, or its orders are dropped and the breakers are alone.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Guarded {
    Yes,
    ByBreakersAlone,
}

/// What a session left behind.
#[derive(Default)]
pub struct Log {
    pub truth: Vec<TruthEvent>,
    pub orders: Vec<(Mono, Order)>,
    pub records: Vec<FaultRecord>,
    /// Alarms raised, by kind and subject in words.
    pub alarms: Vec<(Mono, String)>,
    /// What the sensors said, where it is kept.
    pub tape: Option<Vec<SimReading>>,
}

/// A layout, its plant and its supervisor.
pub struct ClosedLoop<'a> {
    bed: &'a Bed,
    pub world: World,
    supervisor: Option<Supervisor>,
    link: link::Link,
    random: Random,
    step: Micros,
    now: Mono,
    pub log: Log,
}

impl<'a> ClosedLoop<'a> {
    pub fn new(bed: &'a Bed, plan: Plan, guarded: Guarded, step: Micros) -> Self {
        let random = Random::new(plan.seed, 0x7e1a);
        let world = bed.world(plan);
        let nodes = world.nodes().len();
        let mut it = Self {
            bed,
            supervisor: (guarded == Guarded::Yes).then(|| bed.supervisor()),
            link: link::Link::new(nodes),
            world,
            random,
            step,
            now: Mono::START,
            log: Log::default(),
        };
        for at in 0..nodes {
            let birth = link::birth(at, &it.world.nodes()[at]);
            it.hand_over(birth, Mono::START);
        }
        it
    }

    pub fn now(&self) -> Mono {
        self.now
    }

    /// One step of the loop.
    pub fn advance(&mut self) {
        let to = self.now + self.step;
        self.world.advance(to);
        while let Some(reading) = self.world.poll_reading() {
            self.log.tape.as_mut().into_iter().for_each(|tape| tape.push(reading));
            if self.supervisor.is_some() {
                let at = reading.at.max(self.now);
                self.now = at;
                for input in self.link.reading(&reading, &self.bed.channels) {
                    self.hand_over(input, at);
                }
            }
        }
        while let Some(event) = self.world.poll_truth() {
            self.log.truth.push(event);
        }
        self.now = self.now.max(to);
        if self.supervisor.is_some() {
            for input in self.link.silences(self.now) {
                self.hand_over(input, self.now);
            }
            self.hand_over(Input::Tick, self.now);
        }
    }

    fn hand_over(&mut self, input: Input, at: Mono) {
        let Some(supervisor) = &mut self.supervisor else { return };
        supervisor.handle(input, at);
        while let Some(Output { at, what }) = supervisor.poll_output() {
            match what {
                Decision::Order(order) => {
                    let delay = Micros(self.random.below(UNDER_WAY.0 as usize + 1) as u64);
                    self.world.order(order.channel, order.action.word(), at + UNDER_WAY + delay);
                    self.log.orders.push((at, order));
                }
                Decision::FaultClosed(record) => self.log.records.push(*record),
                Decision::Alarm(change)
                    if change.transition == Transition::Raised && change.under.is_none() =>
                {
                    let words = format!("{} {}", change.alarm.kind.word(), change.text);
                    self.log.alarms.push((at, words));
                }
                // Shown to people, or asked for by them: nobody is there.
                _ => {}
            }
        }
    }
}
