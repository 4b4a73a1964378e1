//! Where a fault can happen: turnouts, frogs, tracks and trains that suit it.

use circuit::grid::Terminal;
use wiring::{
    channel::Object,
    index::{DistrictIx, FrogIx, MachineIx, TrackIx, TrackworkIx},
    layout::{Position, Side, Tie, Which},
    trackwork::{FrogName, Kind, Port},
};

use crate::{
    driver::{Mistake, RunThrough, run_through},
    fault::Active,
    output::Truth,
    rails::{Piece, Step, frog_of, outside, passages, settings, works_of_machine},
    world::World,
};

/// Distance from the end of a leg to where a wheel bridges its gap to the frog. Unit: metre.
const GAP_IS_AFTER: f64 = 0.08;

/// A turnout with its frog and machine.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Site {
    pub(crate) work: TrackworkIx,
    pub(crate) frog: FrogIx,
    pub(crate) machine: MachineIx,
    pub(crate) district: DistrictIx,
}

impl World {
    /// All turnouts whose frog is fed by contacts from one rail or the other.
    pub(crate) fn sites(&self) -> Vec<Site> {
        let works = (0..self.layout.trackwork.len()).map(TrackworkIx::new);
        works.filter_map(|work| self.site(work)).collect()
    }

    fn site(&self, work: TrackworkIx) -> Option<Site> {
        let it = &self.layout.trackwork[work.at()];
        let Kind::Turnout { machine, .. } = it.kind else { return None };
        let frog = frog_of(&self.layout, work, FrogName::Only)?;
        let wired = &self.layout.frogs[frog.at()];
        let ties = [wired.normal, wired.reverse];
        let fed = !wired.poles.is_empty() && !ties.contains(&Tie::None) && ties[0] != ties[1];
        let district = self.layout.district_of_block(it.block);
        (fed && self.districts[district.at()].is_on()).then_some(Site {
            work,
            frog,
            machine,
            district,
        })
    }

    /// One turnout that suits.
    pub(crate) fn pick_site(&mut self, suits: impl Fn(&Self, &Site) -> bool) -> Option<Site> {
        let sites: Vec<Site> = self.sites().into_iter().filter(|site| suits(self, site)).collect();
        self.faults.random.pick(&sites).copied()
    }

    /// A turnout at rest on which no train is or wants to go.
    pub(crate) fn pick_idle_site(&mut self) -> Option<Site> {
        self.pick_site(|world, site| {
            !world.machine_is_held(site.machine) && !world.machines[site.machine.at()].is_moving()
        })
    }

    /// The train stands on trackwork that the machine sets.
    pub(crate) fn stands_on(&self, train: usize, machine: MachineIx) -> bool {
        let works = works_of_machine(&self.layout);
        let path = &self.trains[train].path;
        works[machine.at()]
            .iter()
            .any(|work| path.iter().any(|it| it.piece() == Piece::Work(*work)))
    }

    /// A train holds trackwork that the machine sets.
    pub(crate) fn machine_is_held(&self, machine: MachineIx) -> bool {
        let works = works_of_machine(&self.layout);
        works[machine.at()].iter().any(|work| self.is_held(Piece::Work(*work)))
    }

    /// A train stands on the piece or may go there.
    pub(crate) fn is_held(&self, piece: Piece) -> bool {
        (0..self.trains.len()).any(|train| self.driver.holds(train, &self.trains, piece))
    }

    /// A track of a district that is on; without a track plan the points of a turnout. Its rails, and its words.
    pub(crate) fn pick_rails(&mut self) -> Option<([Terminal; 2], DistrictIx, String)> {
        let tracks: Vec<TrackIx> = (0..self.layout.tracks.len())
            .map(TrackIx::new)
            .filter(|track| self.districts[self.district_of_track(*track).at()].is_on())
            .collect();
        if let Some(&track) = self.faults.random.pick(&tracks) {
            let rails = self.track_rails(track, Which::To);
            let place = format!("track {}", self.layout.tracks[track.at()].id);
            return Some((rails, self.district_of_track(track), place));
        }
        let site = self.pick_site(|_, _| true)?;
        let place = format!("turnout {}", self.layout.trackwork[site.work.at()].id);
        Some((self.port_rails(site.work, Port::Points), site.district, place))
    }

    pub(crate) fn track_rails(&self, track: TrackIx, end: Which) -> [Terminal; 2] {
        [Side::Left, Side::Right].map(|side| Terminal::Rail(track, end, side))
    }

    pub(crate) fn port_rails(&self, work: TrackworkIx, port: Port) -> [Terminal; 2] {
        [Side::Left, Side::Right].map(|side| Terminal::PortRail(work, port, side))
    }

    pub(crate) fn district_of_track(&self, track: TrackIx) -> DistrictIx {
        self.layout.district_of_block(self.layout.tracks[track.at()].block)
    }

    /// The leg that a turnout is not set for.
    pub(crate) fn unset_leg(&self, site: &Site) -> Port {
        let kind = &self.layout.trackwork[site.work.at()].kind;
        let rests = |leg| {
            let wanted = settings(kind, leg, Port::Points);
            wanted.iter().all(|(it, to)| self.machines[it.at()].rests_at(*to))
        };
        if rests(Port::Left) { Port::Right } else { Port::Left }
    }

    /// The leg that a turnout at rest is set for.
    pub(crate) fn set_leg(&self, site: &Site) -> Port {
        if self.unset_leg(site) == Port::Left { Port::Right } else { Port::Left }
    }

    /// The leg of a position.
    pub(crate) fn leg_at(&self, site: &Site, position: Position) -> Port {
        let kind = &self.layout.trackwork[site.work.at()].kind;
        let leads = |leg| settings(kind, leg, Port::Points).iter().all(|(_, to)| *to == position);
        if leads(Port::Left) { Port::Left } else { Port::Right }
    }

    /// The rail of a leg that a gap parts from the frog.
    pub(crate) fn leg_rail(&self, work: TrackworkIx, leg: Port) -> Terminal {
        let kind = &self.layout.trackwork[work.at()].kind;
        let side = passages(kind, leg, Port::Points).next().map_or(Side::Left, |it| it.side);
        Terminal::PortRail(work, leg, side)
    }

    /// `turnout T14, left leg`.
    pub(crate) fn leg_words(&self, work: TrackworkIx, leg: Port) -> String {
        format!("turnout {}, {} leg", self.layout.trackwork[work.at()].id, leg.word())
    }

    /// Names the frog of a site as the culprit.
    pub(crate) fn blame_frog(&self, fault: &mut Active, site: &Site) {
        fault.subject = self.subject(Object::Frog(site.frog));
        fault.place = format!("turnout {}", self.layout.trackwork[site.work.at()].id);
        fault.districts.push(site.district);
    }

    /// Names the machine of a site as the culprit.
    pub(crate) fn blame_machine(&self, fault: &mut Active, site: &Site) {
        fault.subject = self.subject(Object::Machine(site.machine));
        fault.place = format!("turnout {}", self.layout.trackwork[site.work.at()].id);
        fault.districts.push(site.district);
    }

    /// Lets the next driver err at a turnout that suits.
    pub(crate) fn want_mistake(&mut self, suits: impl Fn(&Self, &Site) -> bool) -> Option<()> {
        self.want_mistake_from(|world, site, _| suits(world, site))
    }

    /// … where a leg leads into another district of the same booster, from that leg.
    pub(crate) fn want_mistake_at_boundary(&mut self) -> Option<()> {
        self.want_mistake_from(|world, it, leg| {
            let booster = |district: DistrictIx| world.layout.districts[district.at()].booster;
            let block = outside(&world.layout, it.work, leg).block(&world.layout);
            let beyond = world.layout.district_of_block(block);
            beyond != it.district && booster(beyond) == booster(it.district)
        })
    }

    /// … coming from a leg that suits.
    fn want_mistake_from(&mut self, suits: impl Fn(&Self, &Site, Port) -> bool) -> Option<()> {
        let mut eligible = vec![[false; 2]; self.layout.trackwork.len()];
        for site in self.sites() {
            eligible[site.work.at()] = [Port::Left, Port::Right].map(|leg| suits(self, &site, leg));
        }
        if !eligible.iter().flatten().any(|one| *one) {
            return None;
        }
        self.driver.mistake = Some(Mistake { eligible });
        self.driver.made = None;
        Some(())
    }

    pub(crate) fn describe_run_through(&self, fault: &mut Active, run: RunThrough) {
        let frog = frog_of(&self.layout, run.work, FrogName::Only);
        fault.subject = frog.map_or_else(String::new, |frog| self.subject(Object::Frog(frog)));
        fault.place = self.leg_words(run.work, run.leg);
        let block = self.layout.trackwork[run.work.at()].block;
        fault.districts.push(self.layout.district_of_block(block));
    }

    /// Lifts a train onto a leg that is set against it and lets it go. For layouts and moments in which traffic would
    /// not soon bring it about.
    pub(crate) fn put_train_for_run_through(&mut self) -> Option<RunThrough> {
        let mistake = self.driver.mistake.clone()?;
        let site = self.pick_site(|world, site| {
            mistake.suits(site.work, world.unset_leg(site))
                && world.may_run_through(site, world.unset_leg(site))
        });
        let Some(site) = site else {
            self.line_away(&mistake);
            return None;
        };
        let train = self.pick_train()?;
        let leg = self.unset_leg(&site);
        let track = outside(&self.layout, site.work, leg).reversed();
        let beyond = outside(&self.layout, site.work, Port::Points);
        let way = [Step::Work(site.work, leg, Port::Points), beyond];
        self.driver.forget(train);
        let head = (track.length(&self.layout) - 0.5).max(0.02);
        self.trains[train].put(track, head, way);
        let block = track.block(&self.layout);
        self.tell(Truth::TrainPlaced { train, block });
        run_through(&self.layout, train, site.work, leg)
    }

    /// Nothing moves or is held at a turnout, the leg and the track beyond its points.
    fn may_run_through(&self, site: &Site, leg: Port) -> bool {
        let track = outside(&self.layout, site.work, leg);
        let beyond = outside(&self.layout, site.work, Port::Points);
        !self.machine_is_held(site.machine)
            && !self.machines[site.machine.at()].is_moving()
            && !self.is_held(beyond.piece())
            && !self.is_held(track.piece())
    }

    /// Throws a turnout away from a leg from which it shall be run through; one at a time.
    fn line_away(&mut self, mistake: &Mistake) {
        let legs = [Port::Left, Port::Right];
        let wanted = |site: &Site| legs.iter().any(|leg| mistake.suits(site.work, *leg));
        let moves = |site: &Site| self.machines[site.machine.at()].is_travelling();
        if self.sites().iter().any(|site| wanted(site) && moves(site)) {
            return;
        }
        let site = self.pick_site(|world, site| {
            let set = world.set_leg(site);
            mistake.suits(site.work, set) && world.may_run_through(site, set)
        });
        if let Some(site) = site {
            self.throw_over(&site);
        }
    }

    /// A train that may be lifted, one that stands before one that runs.
    fn pick_train(&mut self) -> Option<usize> {
        let free = |at: &usize| !self.trains[*at].held && !self.trains[*at].lifted;
        let free: Vec<usize> = (0..self.trains.len()).filter(free).collect();
        let stands = free.iter().copied().filter(|at| self.trains[*at].speed < 0.01);
        let standing: Vec<usize> = stands.collect();
        let from = if standing.is_empty() { &free } else { &standing };
        self.faults.random.pick(from).copied()
    }

    /// Throws a turnout that has nothing to do with a run-through.
    pub(crate) fn throw_a_decoy(&mut self, run: RunThrough) {
        let decoy = self.pick_site(|world, site| {
            site.machine != run.machine
                && !world.machine_is_held(site.machine)
                && !world.machines[site.machine.at()].is_moving()
        });
        if let Some(site) = decoy {
            self.throw_over(&site);
        }
    }

    /// Throws a turnout to its other position.
    pub(crate) fn throw_over(&mut self, site: &Site) {
        let to = crate::driver::turned(self.machines[site.machine.at()].target());
        self.throw(site.machine, to);
    }

    /// Highest current through a contact of a turnout's frog.
    pub(crate) fn amps_at_work(&self, work: TrackworkIx) -> f64 {
        let frogs = &self.layout.trackwork[work.at()].frogs;
        let poles = frogs.iter().flat_map(|frog| &self.layout.frogs[frog.at()].poles);
        poles.map(|it| self.plant.flow.poles[it.pole.at()].0).fold(0.0, f64::max)
    }

    /// The train of a run-through runs, and is at the wrong gap within that time or past it.
    pub(crate) fn arrives_within(&self, run: RunThrough, seconds: f64) -> bool {
        let train = &self.trains[run.train];
        let next_is_work =
            train.ahead.front().is_some_and(|it| it.piece() == Piece::Work(run.work));
        let left = train.path[0].length(&self.layout) - train.head + GAP_IS_AFTER;
        self.stands_on(run.train, run.machine) || (next_is_work && left <= train.speed * seconds)
    }

    /// The train of a run-through has come close to the wrong gap.
    pub(crate) fn stands_before(&self, run: RunThrough) -> bool {
        let train = &self.trains[run.train];
        let next_is_work =
            train.ahead.front().is_some_and(|it| it.piece() == Piece::Work(run.work));
        next_is_work && train.path[0].length(&self.layout) - train.head < 0.1
    }
}
