//! The people at the throttles: choose ways that are free, throw turnouts ahead of their trains, wait, turn round.
//!
//! Traffic is legal: a piece of track is held by one train, and a train goes on only when every machine of its way
//! rests where it shall. A mistake happens only when a fault asks for one.

use wiring::{
    index::{MachineIx, TrackworkIx},
    layout::{Layout, Position},
    trackwork::{Kind, Port},
    units::{Micros, Mono},
};

use crate::{
    machine::Machine,
    rails::{Beyond, Piece, Step, exits, other_end, outside, settings, works_of_machine},
    random::Random,
    train::Train,
};

/// Longest way asked for at once, in pieces of trackwork.
const LONGEST_WAY: usize = 6;
/// A way is asked for when less room than this is left. Unit: metre.
const LOOKS_AHEAD: f64 = 0.9;
/// Distance kept to the end of a train's room. Unit: metre.
pub(crate) const MARGIN: f64 = 0.08;

/// Where somebody throws a turnout by order, drivers keep away for so long: a person is at work there.
const KEEPS_AWAY: Micros = Micros::from_millis(60_000);

/// Share of a district's trip and of a booster's limit that drivers fill with trains: they know what the power holds.
const FILLS: f64 = 0.7;

/// A way asked for, until its machines rest as wanted.
#[derive(Clone, Debug)]
struct Pending {
    steps: Vec<Step>,
    wanted: Vec<(MachineIx, Position)>,
    /// The turnout that is left set against the train.
    mistaken: Option<(TrackworkIx, Port)>,
    since: Mono,
}

/// A run-through under way.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct RunThrough {
    pub(crate) train: usize,
    pub(crate) work: TrackworkIx,
    /// The leg that the train comes from.
    pub(crate) leg: Port,
    /// The machine and where it should stand.
    pub(crate) machine: MachineIx,
    pub(crate) needed: Position,
}

/// A throw that a driver asks for at the panel.
pub(crate) type Throw = (MachineIx, Position);

/// What one driver thinks.
#[derive(Clone, Debug, Default)]
struct Mind {
    pending: Option<Pending>,
    /// Standing without a way since then.
    idle_since: Option<Mono>,
    /// Turns round or starts only after this.
    busy_until: Mono,
}

/// All drivers.
pub(crate) struct Driver {
    minds: Vec<Mind>,
    works_of_machine: Vec<Vec<TrackworkIx>>,
    /// By machine: drivers keep away from what it sets until then.
    worked_at: Vec<Mono>,
    /// What trains may draw together, by district and by booster. Unit: ampere.
    room: [Vec<f64>; 2],
    random: Random,
    /// The next trailing move shall be a mistake, at a turnout that this allows.
    pub(crate) mistake: Option<Mistake>,
    /// Mistakes made, for who asked for them.
    pub(crate) made: Option<RunThrough>,
}

/// A mistake to be made.
#[derive(Clone, Debug)]
pub(crate) struct Mistake {
    /// Legs from which it would short: left and right, by trackwork.
    pub(crate) eligible: Vec<[bool; 2]>,
}

impl Mistake {
    pub(crate) fn suits(&self, work: TrackworkIx, leg: Port) -> bool {
        self.eligible[work.at()][usize::from(leg == Port::Right)]
    }
}

impl Driver {
    pub(crate) fn new(layout: &Layout, trains: usize, random: Random) -> Self {
        Self {
            minds: vec![Mind::default(); trains],
            works_of_machine: works_of_machine(layout),
            worked_at: vec![Mono::START; layout.machines.len()],
            room: rooms(layout),
            random,
            mistake: None,
            made: None,
        }
    }

    /// One more train.
    pub(crate) fn add(&mut self) {
        self.minds.push(Mind::default());
    }

    /// A mistake is decided and waits for its machine.
    pub(crate) fn is_about_to_err(&self) -> bool {
        self.minds.iter().any(|it| it.pending.as_ref().is_some_and(|it| it.mistaken.is_some()))
    }

    /// The train is somewhere else now: forget what was planned for it.
    pub(crate) fn forget(&mut self, train: usize) {
        self.minds[train] = Mind::default();
    }

    /// Somebody throws this machine by order: who was about to run over what it sets stops before it, and nobody plans
    /// to for a while.
    pub(crate) fn keep_away(&mut self, machine: MachineIx, trains: &mut [Train], now: Mono) {
        self.worked_at[machine.at()] = now + KEEPS_AWAY;
        let works = &self.works_of_machine[machine.at()];
        let touches = |step: &Step| matches!(step, Step::Work(work, ..) if works.contains(work));
        for (train, mind) in trains.iter_mut().zip(&mut self.minds) {
            if let Some(at) = train.ahead.iter().position(touches) {
                train.ahead.truncate(at);
            }
            if mind.pending.as_ref().is_some_and(|it| it.steps.iter().any(touches)) {
                *mind = Mind::default();
            }
        }
    }

    /// Somebody is at work at a machine that sets one of these steps.
    fn is_worked_at(&self, steps: &[Step], now: Mono) -> bool {
        let busy = self.worked_at.iter().zip(&self.works_of_machine).filter(|(at, _)| now < **at);
        let mut works = busy.flat_map(|(_, works)| works);
        works.any(|work| steps.iter().any(|step| step.piece() == Piece::Work(*work)))
    }

    /// Lets the driver of one train think; throws that he asks for.
    pub(crate) fn think(
        &mut self,
        train: usize,
        trains: &mut [Train],
        machines: &[Machine],
        layout: &Layout,
        now: Mono,
    ) -> Vec<Throw> {
        if self.minds[train].pending.is_some() {
            self.go_on_when_set(train, trains, machines, layout, now);
            return Vec::new();
        }
        if trains[train].held || now < self.minds[train].busy_until || !trains[train].is_powered() {
            return Vec::new();
        }
        if LOOKS_AHEAD < trains[train].room(layout) - MARGIN {
            self.minds[train].idle_since = None;
            return Vec::new();
        }
        match self.find_way(train, trains, machines, layout, now) {
            Some(pending) => {
                let throws = pending.wanted.clone();
                self.minds[train] = Mind { pending: Some(pending), ..Mind::default() };
                throws
            }
            None => {
                self.wait_or_turn(train, trains, layout, now);
                Vec::new()
            }
        }
    }

    fn go_on_when_set(
        &mut self,
        train: usize,
        trains: &mut [Train],
        machines: &[Machine],
        layout: &Layout,
        now: Mono,
    ) {
        let mind = &mut self.minds[train];
        let Some(pending) = &mind.pending else { return };
        let set = pending.wanted.iter().all(|(it, to)| machines[it.at()].rests_at(*to));
        if set {
            let steps = as_points_lead(layout, machines, &pending.steps);
            if let Some((work, leg)) = pending.mistaken {
                self.made = run_through(layout, train, work, leg);
            }
            trains[train].ahead.extend(steps);
            *mind = Mind::default();
        } else if 20.0 < now.since(pending.since).seconds() {
            mind.pending = None;
            mind.idle_since = Some(Mono::START);
        }
    }

    fn wait_or_turn(&mut self, train: usize, trains: &mut [Train], layout: &Layout, now: Mono) {
        let train_state = &mut trains[train];
        if 0.01 < train_state.speed {
            return;
        }
        let mind = &mut self.minds[train];
        let since = *mind.idle_since.get_or_insert(now);
        let patience = 3.0 + 5.0 * self.random.unit();
        if patience < now.since(since).seconds() {
            train_state.turn(layout);
            mind.idle_since = None;
            let pause = (self.random.between(0.5, 3.0) * 1e6) as u64;
            mind.busy_until = now + Micros(pause);
        }
    }

    fn find_way(
        &mut self,
        train: usize,
        trains: &[Train],
        machines: &[Machine],
        layout: &Layout,
        now: Mono,
    ) -> Option<Pending> {
        let mut at = *trains[train].ahead.back().unwrap_or(&trains[train].path[0]);
        let (mut steps, mut wanted) = (Vec::new(), Vec::<Throw>::new());
        for _ in 0..LONGEST_WAY {
            match at.beyond(layout) {
                Beyond::Nothing => break,
                Beyond::Step(step) => at = step,
                Beyond::Work(work, port) => {
                    let kind = &layout.trackwork[work.at()].kind;
                    let to = *self.random.pick(exits(kind, port))?;
                    steps.push(Step::Work(work, port, to));
                    if !demand(&mut wanted, settings(kind, port, to)) {
                        return None;
                    }
                    at = outside(layout, work, to);
                }
            }
            steps.push(at);
            // A way ends where the whole train can stand clear of trackwork.
            if trains[train].length + 2.0 * MARGIN <= at.length(layout) {
                break;
            }
        }
        if steps.is_empty() {
            return None;
        }
        let mistaken = self.decide_mistake(layout, &steps, &mut wanted);
        let free = !self.is_worked_at(&steps, now)
            && self.is_free(train, trains, machines, &steps, &wanted)
            && self.has_power(train, trains, layout, &steps);
        free.then_some(Pending { steps, wanted, mistaken, since: now })
    }

    /// Where a mistake is wanted and this way trails through a turnout that allows one: that machine the other way.
    fn decide_mistake(
        &self,
        layout: &Layout,
        steps: &[Step],
        wanted: &mut [Throw],
    ) -> Option<(TrackworkIx, Port)> {
        let mistake = self.mistake.as_ref().filter(|_| !self.is_about_to_err())?;
        let (work, leg, machine) = steps.iter().find_map(|step| match *step {
            Step::Work(work, leg, Port::Points) if mistake.suits(work, leg) => {
                match &layout.trackwork[work.at()].kind {
                    Kind::Turnout { machine, .. } => Some((work, leg, *machine)),
                    Kind::ThreeWay { .. }
                    | Kind::Crossing { .. }
                    | Kind::DoubleSlip { .. }
                    | Kind::SingleSlip { .. } => None,
                }
            }
            Step::Work(..) | Step::Track(..) | Step::Stub { .. } => None,
        })?;
        for (_, position) in wanted.iter_mut().filter(|(named, _)| *named == machine) {
            *position = turned(*position);
        }
        Some((work, leg))
    }

    fn is_free(
        &self,
        train: usize,
        trains: &[Train],
        machines: &[Machine],
        steps: &[Step],
        wanted: &[Throw],
    ) -> bool {
        let held_by_other = |piece: Piece| {
            (0..trains.len()).any(|other| other != train && self.holds(other, trains, piece))
        };
        let held_by_itself = |piece: Piece| trains[train].path.iter().any(|it| it.piece() == piece);
        let mut pieces: Vec<Piece> = steps.iter().map(|step| step.piece()).collect();
        pieces.sort_unstable();
        pieces.windows(2).all(|pair| pair[0] != pair[1])
            && pieces.iter().all(|piece| !held_by_other(*piece) && !held_by_itself(*piece))
            && wanted.iter().all(|&(machine, to)| {
                machines[machine.at()].target() == to
                    || self.works_of_machine[machine.at()].iter().all(|work| {
                        let piece = Piece::Work(*work);
                        !held_by_other(piece) && !held_by_itself(piece)
                    })
            })
    }

    /// Where the way leads there is power enough for this train beside those that are there.
    fn has_power(&self, train: usize, trains: &[Train], layout: &Layout, steps: &[Step]) -> bool {
        let Some(last) = steps.last() else { return false };
        let place = |step: &Step| {
            let district = layout.district_of_block(step.block(layout));
            [district.at(), layout.districts[district.at()].booster.at()]
        };
        let target = place(last);
        let here = place(&trains[train].path[0]);
        (0..2).all(|kind| {
            let touches = |at: &usize| {
                let pending = self.minds[*at].pending.iter().flat_map(|it| &it.steps);
                let steps = trains[*at].path.iter().chain(&trains[*at].ahead).chain(pending);
                steps.into_iter().any(|step| place(step)[kind] == target[kind])
            };
            let there =
                (0..trains.len()).filter(|at| *at != train && !trains[*at].lifted && touches(at));
            let drawn: f64 = there.map(|at| trains[at].full_load()).sum();
            here[kind] == target[kind]
                || drawn + trains[train].full_load() <= self.room[kind][target[kind]]
        })
    }

    /// The train stands on the piece, may go on to it, or waits for a way over it.
    pub(crate) fn holds(&self, train: usize, trains: &[Train], piece: Piece) -> bool {
        let pending = self.minds[train].pending.iter().flat_map(|it| &it.steps);
        trains[train].pieces().chain(pending.map(|step| step.piece())).any(|it| it == piece)
    }
}

/// What trains may draw together in each district, and from each booster. Unit: ampere.
fn rooms(layout: &Layout) -> [Vec<f64>; 2] {
    let limit = |booster: usize| layout.boosters[booster].limit.amps();
    let districts = layout.districts.iter().map(|it| {
        let limit = limit(it.booster.at());
        FILLS * it.breaker.trip.map_or(limit, |trip| trip.amps().min(limit))
    });
    [districts.collect(), (0..layout.boosters.len()).map(|it| FILLS * limit(it)).collect()]
}

/// Takes away trains, the last first, until districts and boosters hold those that are left.
pub(crate) fn thin_out(layout: &Layout, trains: &mut Vec<Train>) {
    let [mut districts, mut boosters] = rooms(layout);
    trains.retain(|train| {
        let district = layout.district_of_block(train.path[0].block(layout));
        let booster = layout.districts[district.at()].booster;
        let load = train.full_load();
        let fits = load <= districts[district.at()] && load <= boosters[booster.at()];
        if fits {
            districts[district.at()] -= load;
            boosters[booster.at()] -= load;
        }
        fits
    });
}

/// A machine that a way needs in two positions at once makes the way impossible.
fn demand(wanted: &mut Vec<Throw>, more: Vec<Throw>) -> bool {
    for (machine, position) in more {
        match wanted.iter().find(|(named, _)| *named == machine) {
            Some((_, other)) if *other != position => return false,
            Some(_) => {}
            None => wanted.push((machine, position)),
        }
    }
    true
}

pub(crate) fn turned(position: Position) -> Position {
    match position {
        Position::Normal => Position::Reverse,
        Position::Reverse => Position::Normal,
    }
}

/// The run-through of a train that trails through `work` from `leg`.
pub(crate) fn run_through(
    layout: &Layout,
    train: usize,
    work: TrackworkIx,
    leg: Port,
) -> Option<RunThrough> {
    let kind = &layout.trackwork[work.at()].kind;
    let (machine, needed) = *settings(kind, leg, Port::Points).first()?;
    Some(RunThrough { train, work, leg, machine, needed })
}

/// The way as the points lead it: where a facing turnout's points are not where its machine says, the train goes
/// where they lead, and no further than the piece after them.
fn as_points_lead(layout: &Layout, machines: &[Machine], steps: &[Step]) -> Vec<Step> {
    let mut way = Vec::new();
    for &step in steps {
        if let Step::Work(work, Port::Points, to) = step
            && let Kind::Turnout { machine, .. } = &layout.trackwork[work.at()].kind
        {
            let wanted = settings(&layout.trackwork[work.at()].kind, Port::Points, to);
            let points = machines[machine.at()].points();
            if wanted.iter().any(|(_, position)| *position != points) {
                let other = if to == Port::Left { Port::Right } else { Port::Left };
                way.push(Step::Work(work, Port::Points, other));
                way.push(outside(layout, work, other));
                return way;
            }
        }
        way.push(step);
    }
    way
}

/// Where trains stand at the start: each alone on the longest pieces of track, spread over the layout.
pub(crate) fn starting_places(layout: &Layout, trains: usize, random: &mut Random) -> Vec<Step> {
    let mut places: Vec<Step> = layout
        .tracks
        .iter()
        .enumerate()
        .filter(|(_, track)| 0.7 <= track.length.metres())
        .map(|(at, _)| {
            let end = wiring::layout::Which::From;
            let end = if random.chance(0.5) { end } else { other_end(end) };
            Step::Track(wiring::index::TrackIx::new(at), end)
        })
        .collect();
    if layout.tracks.is_empty() {
        places = (0..layout.trackwork.len())
            .map(TrackworkIx::new)
            .filter_map(|work| {
                let (port, _) = layout.trackwork[work.at()].at_port.first()?;
                Some(Step::Stub { work, port: *port, outward: false })
            })
            .collect();
    }
    for at in (1..places.len()).rev() {
        places.swap(at, random.below(at + 1));
    }
    places.truncate(trains);
    places
}
