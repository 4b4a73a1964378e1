//! Gaps between blocks, and what happens at them: wheels, phases, reversers.

use circuit::grid::Terminal;
use wiring::{
    channel::Object,
    index::{BlockIx, ReverserIx, TrackIx},
    layout::Which,
    units::Micros,
};

use crate::{
    effect::{Effect, Rewire},
    fault::Active,
    inject::bridge,
    rails::{Beyond, Step},
    reverser::Reverser,
    scenario::Inject,
    train::WHEEL_OHMS,
    world::World,
};

/// Volts across a gap from which its sides are on different conductors.
const AT_ODDS: f64 = 5.0;

/// Both rails of an end of plain track, gapped against what lies beyond.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Gap {
    pub(crate) inside: BlockIx,
    pub(crate) outside: BlockIx,
    /// Left and right rail on this side and on the other, looking out.
    rails: [[Terminal; 2]; 2],
}

impl World {
    /// Every change of block at an end of plain track, seen from there.
    pub(crate) fn gaps(&self) -> Vec<Gap> {
        let tracks = (0..self.layout.tracks.len()).map(TrackIx::new);
        let ends = tracks.flat_map(|track| [(track, Which::From), (track, Which::To)]);
        ends.filter_map(|(track, entered)| self.gap(Step::Track(track, entered))).collect()
    }

    /// The gap at the end to which a step leads.
    fn gap(&self, step: Step) -> Option<Gap> {
        let layout = &self.layout;
        let near = step.rails(layout, step.length(layout));
        let (outside, far) = match step.beyond(layout) {
            Beyond::Step(next) => (next.block(layout), next.rails(layout, 0.0)),
            Beyond::Work(work, port) => {
                let block = layout.trackwork[work.at()].block;
                (block, self.port_rails(work, port))
            }
            Beyond::Nothing => return None,
        };
        let inside = step.block(layout);
        (inside != outside).then_some(Gap { inside, outside, rails: [near, far] })
    }

    /// Wheels that stand on a gap: from when, for how long, in milliseconds.
    pub(crate) fn wheels_on(&self, gap: &Gap, times: &[(u64, u64)]) -> Vec<Effect> {
        let times: Vec<_> =
            times.iter().map(|(from, lasts)| (self.soon(*from), self.soon(from + lasts))).collect();
        let [near, far] = gap.rails;
        let wheel = |side: usize| Effect::Pulses {
            bridge: bridge(near[side], far[side], WHEEL_OHMS),
            times: times.clone(),
        };
        vec![wheel(0), wheel(1)]
    }

    pub(crate) fn inject_reverser(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        if inject == Inject::ReversersFight {
            return self.inject_fight(fault);
        }
        let reverser = (!self.layout.reversers.is_empty()).then_some(ReverserIx(0))?;
        let block = self.reversers[reverser.at()].block;
        let ends: Vec<Gap> = self.gaps().into_iter().filter(|it| it.inside == block).collect();
        let [first, .., last] = &ends[..] else { return None };
        self.blame_reverser(fault, block);
        fault.subject = self.subject(Object::Reverser(reverser));
        if inject == Inject::ReverserSlow {
            // A train comes in at one end and leaves at the other: one of them is at odds with the section.
            let slow = Micros::from_millis(3_000);
            fault.effects.push(Effect::SlowReverser(reverser, slow));
            fault.effects.extend(self.wheels_on(first, &[(1_000, 1_500), (20_000, 1_500)]));
            fault.effects.extend(self.wheels_on(last, &[(8_000, 1_500), (30_000, 1_500)]));
        } else {
            // Its head comes to the far gap while its tail stands on the near one, and stays there.
            fault.effects.extend(self.wheels_on(first, &[(500, 120_000)]));
            fault.effects.extend(self.wheels_on(last, &[(3_000, 120_000)]));
        }
        Some(())
    }

    /// A reverser more than the file knows, at a gap of one that it knows, or two of them at any gap. They are of one
    /// make: both act after the same time.
    fn inject_fight(&mut self, fault: &mut Active) -> Option<()> {
        let known = self.layout.reversers.len();
        if known < self.reversers.len() {
            return None;
        }
        let same = |gap: &Gap| {
            let of = |block| self.layout.district_of_block(block);
            of(gap.inside) == of(gap.outside) && self.districts[of(gap.inside).at()].is_on()
        };
        let mut gaps: Vec<Gap> = self.gaps().into_iter().filter(same).collect();
        let before = |gap: &Gap| self.reversers.iter().any(|it| it.block == gap.inside);
        if gaps.iter().any(before) {
            gaps.retain(before);
        }
        let gap = self.faults.random.pick(&gaps).copied()?;
        self.blame_reverser(fault, gap.inside);
        fault.subject = "wiring".to_owned();
        let acts_after = Micros::from_millis(4);
        match (0..known).find(|at| self.reversers[*at].block == gap.inside) {
            Some(at) => {
                fault.effects.push(Effect::SlowReverser(ReverserIx::new(at), acts_after));
            }
            None => self.add_reverser(fault, gap.inside, false, acts_after),
        }
        // So that its sides are at odds, whatever they are now.
        let [near, far] = gap.rails.map(|rails| rails[0]);
        let at_odds = self.plant.volts_between(near, far).is_some_and(|volts| AT_ODDS < volts);
        self.add_reverser(fault, gap.outside, !at_odds, acts_after);
        fault.effects.push(Effect::ReverserAdded);
        fault.effects.extend(self.wheels_on(&gap, &[(1_000, 120_000)]));
        Some(())
    }

    fn add_reverser(&mut self, fault: &mut Active, block: BlockIx, swapped: bool, acts: Micros) {
        let reverser = ReverserIx::new(self.reversers.len());
        self.reversers.push(Reverser::added(&self.layout, block, swapped, acts));
        fault.effects.push(Effect::Rewire(Rewire::Reverser(block, reverser)));
    }

    fn blame_reverser(&self, fault: &mut Active, block: BlockIx) {
        fault.place = format!("block {}", self.layout.blocks[block.at()].id);
        fault.districts.push(self.layout.district_of_block(block));
    }
}
