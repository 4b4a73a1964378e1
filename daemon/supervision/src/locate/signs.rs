//! Which signs the evidence holds for and against each kind of suspect but frogs, with their words.

use wiring::{
    index::{BlockIx, DistrictIx, ReverserIx},
    layout::Layout,
    units::Micros,
};

use super::{
    evidence::{
        Around, BlockFacts, Evidence, FrogFacts, MachineSign, Others, PolaritySign, Shape, Step,
    },
    weights::{Sign, ratio},
};

/// Power that came on this shortly before the onset points at something that stood there already.
const JUST_ON: Micros = Micros::from_millis(1000);

/// Wiring that has carried trains for this long was right.
const LONG_ON: Micros = Micros::from_millis(60_000);

/// A sign that was found.
pub(super) struct Found {
    pub(super) sign: Sign,
    pub(super) text: String,
}

impl Found {
    pub(super) fn new(sign: Sign, text: impl Into<String>) -> Self {
        Self { sign, text: text.into() }
    }

    pub(super) const fn ratio(&self) -> u32 {
        ratio(self.sign)
    }
}

/// Against what stays where it is.
fn did_not_stay(evidence: &Evidence) -> Option<Found> {
    if 0 < evidence.spikes {
        let text = "current had burst up before and fallen by itself";
        return Some(Found::new(Sign::DidNotStay, text));
    }
    ended(evidence, Sign::EndedByItself)
}

/// For or against: the current was gone before anything could have ended it.
pub(super) fn ended(evidence: &Evidence, sign: Sign) -> Option<Found> {
    evidence.ended_by_itself.then(|| Found::new(sign, "current fell by itself, before the cut"))
}

fn at_gap_of(reverser: ReverserIx, layout: &Layout) -> String {
    let id = &layout.reversers[reverser.at()].id;
    format!("current stepped on both sides of a gap of reverser {id}")
}

/// For or against: the district's current does not come by the detectors of its blocks.
pub(super) fn by_no_detector(sign: Sign) -> Found {
    Found::new(sign, "the district's current stepped, and no block of it")
}

/// A short in one place steps one block.
pub(super) fn in_two_blocks(evidence: &Evidence, layout: &Layout) -> Option<Found> {
    let reverser = evidence.reversers.iter().find(|it| it.gap_stepped);
    let text = match (evidence.gap, reverser) {
        (Some(gap), _) => stepped_beside(gap, layout),
        (None, Some(it)) => at_gap_of(it.reverser, layout),
        (None, None) => return None,
    };
    Some(Found::new(Sign::InTwoBlocks, text))
}

fn stepped_beside((one, other): (BlockIx, BlockIx), layout: &Layout) -> String {
    let [one, other] = [one, other].map(|it| &layout.blocks[it.at()].id);
    format!("blocks {one} and {other} stepped together, as across a gap between two phases")
}

/// Engines that charge after power came back, and what is told by it.
fn is_charge(evidence: &Evidence) -> bool {
    evidence.power_back.is_some() && evidence.shape == Shape::Decaying
}

pub(super) fn not_a_charge(evidence: &Evidence) -> Option<Found> {
    is_charge(evidence).then(|| {
        Found::new(
            Sign::NotACharge,
            "current falls smoothly after power came back, as engines charge",
        )
    })
}

/// Frogs on the wrong rail and on the right one, as far as they are measured.
fn rails_of_frogs<'a>(frogs: impl Iterator<Item = &'a FrogFacts>) -> (usize, usize) {
    frogs.fold((0, 0), |(wrong, right), it| match it.polarity {
        PolaritySign::WrongRail(_) => (wrong + 1, right),
        PolaritySign::Matches => (wrong, right + 1),
        PolaritySign::NotMeasured | PolaritySign::Dead | PolaritySign::NotSwitching(_) => {
            (wrong, right)
        }
    })
}

/// Several frogs of one block, or most of a district, are on the wrong rail: what feeds them is.
pub(super) fn fed_wrong(evidence: &Evidence, layout: &Layout) -> Option<usize> {
    // Two districts out of phase short wherever a wheel joins them, and the record may be that of either.
    let other = match evidence.others {
        Others::Stepped(other) | Others::Followed(other, _) => Some(other),
        Others::Quiet | Others::Fell => None,
    };
    let all = [Some(evidence.district), other].into_iter().flatten();
    all.filter_map(|district| fed_wrong_in(district, evidence, layout)).max()
}

fn fed_wrong_in(district: DistrictIx, evidence: &Evidence, layout: &Layout) -> Option<usize> {
    let mine = |it: &&FrogFacts| layout.district_of_frog(it.frog) == district;
    let mine: Vec<&FrogFacts> = evidence.frogs.iter().filter(mine).collect();
    let (wrong, right) = rails_of_frogs(mine.iter().copied());
    let block = |it: &FrogFacts| layout.trackwork[layout.frogs[it.frog.at()].trackwork.at()].block;
    let wrong_blocks: Vec<_> = mine
        .iter()
        .filter(|it| matches!(it.polarity, PolaritySign::WrongRail(_)))
        .map(|it| block(it))
        .collect();
    let (_, right_there) =
        rails_of_frogs(mine.iter().copied().filter(|it| wrong_blocks.contains(&block(it))));
    (2 <= wrong && (right < wrong || right_there == 0)).then_some(wrong)
}

/// Load that grew is no short anywhere.
pub(super) fn no_step(evidence: &Evidence) -> Option<Found> {
    (evidence.shape == Shape::Crept)
        .then(|| Found::new(Sign::NoStep, "current did not step, it grew as load does"))
}

pub(super) fn moved(facts: &FrogFacts) -> bool {
    match facts.machine {
        MachineSign::NotMeasured | MachineSign::AtRest(_) => false,
        MachineSign::Thrown(..) | MachineSign::Moving(_) | MachineSign::Unknown(_) => true,
    }
}

/// Signs for and against a short inside a block, away from its frogs.
pub(super) fn of_block(evidence: &Evidence, facts: &BlockFacts, layout: &Layout) -> Vec<Found> {
    let mut found = Vec::new();
    match facts.step {
        Step::NotMeasured => {}
        Step::Here | Step::OnWrongLeg => {
            found.push(Found::new(Sign::BlockSteps, "current stepped in this block"));
        }
        Step::Elsewhere => found.push(Found::new(Sign::BlockDoesNotStep, "no step in this block")),
    }
    let still = evidence.movement == Some(false) && evidence.spikes == 0;
    if facts.occupied == Some(false) && still {
        found.push(Found::new(Sign::NothingMoved, "nothing moved, and the block was clear"));
    }
    found.extend(did_not_stay(evidence));
    found.extend(not_a_charge(evidence));
    found.extend(in_two_blocks(evidence, layout));
    found.extend(evidence.bypassed.then(|| by_no_detector(Sign::NoBlockSteps)));
    found
}

/// Signs for and against an object or a derailment.
pub(super) fn of_object(evidence: &Evidence, layout: &Layout) -> Vec<Found> {
    if evidence.shape == Shape::Crept {
        return no_step(evidence).into_iter().collect();
    }
    let thrown = evidence.frogs.iter().any(moved);
    // With power only just on, nothing could be seen to move before.
    let watched = evidence.powered_for.is_none_or(|span| JUST_ON < span)
        && evidence.power_back.is_none()
        && evidence.spikes == 0;
    let against = [
        did_not_stay(evidence),
        not_a_charge(evidence),
        in_two_blocks(evidence, layout),
        evidence.bypassed.then(|| by_no_detector(Sign::NoBlockSteps)),
    ];
    let against = against.into_iter().flatten();
    // A train creeps inside one block without an edge, so one that stands where current stepped may have moved.
    let creeping = evidence
        .blocks
        .iter()
        .any(|block| block.step == Step::Here && block.occupied == Some(true));
    if evidence.movement == Some(false) && watched && !thrown && !creeping {
        let still = Found::new(
            Sign::NothingMoved,
            "no train moved and no machine was thrown in the last seconds",
        );
        return [still].into_iter().chain(against).collect();
    }
    let train = evidence
        .blocks
        .iter()
        .find(|block| block.step == Step::Here && block.occupied == Some(true));
    let found = train.map(|block| {
        let id = &layout.blocks[block.block.at()].id;
        Found::new(Sign::TrainInSteppedBlock, format!("a train in block {id}, which stepped"))
    });
    found.into_iter().chain(against).collect()
}

/// Signs for and against a vehicle.
pub(super) fn of_vehicle(evidence: &Evidence, layout: &Layout) -> Vec<Found> {
    let mut found = Vec::new();
    if evidence.shape == Shape::Crept {
        return vec![Found::new(Sign::CreptUp, "current grew without a step, as trains draw it")];
    }
    if evidence.same_train_elsewhere > 0 {
        found.push(Found::new(
            Sign::SameTrain,
            format!("same train in {} faults elsewhere", evidence.same_train_elsewhere),
        ));
    }
    let stepped = evidence.blocks.iter().find(|block| block.step == Step::Here);
    match stepped {
        Some(block) if block.occupied == Some(false) => {
            found.push(Found::new(Sign::NoTrainThere, "the block that stepped was clear"));
        }
        Some(block) if block.edge.is_some() => found.push(Found::new(
            Sign::EnteredJustBefore,
            "a train moved in the block that stepped just before",
        )),
        Some(block) => {
            let id = &layout.blocks[block.block.at()].id;
            if block.occupied == Some(true) {
                let text = format!("a train in block {id}, which stepped");
                found.push(Found::new(Sign::TrainWhereStepped, text));
            }
        }
        None if evidence.movement == Some(false)
            && evidence.blocks.iter().all(|block| block.occupied == Some(false)) =>
        {
            found.push(Found::new(Sign::NoTrainThere, "no train in the district"));
        }
        None => {}
    }
    found.extend(not_a_charge(evidence));
    found
}

/// Signs for and against the wiring.
pub(super) fn of_wiring(evidence: &Evidence, layout: &Layout) -> Vec<Found> {
    if evidence.shape == Shape::Crept {
        return no_step(evidence).into_iter().collect();
    }
    let mut found = Vec::new();
    match evidence.powered_for.filter(|_| evidence.power_back.is_none()) {
        Some(span) if span <= JUST_ON => {
            found.push(Found::new(Sign::PowerJustOn, format!("power had come on {span} before")))
        }
        Some(span) if LONG_ON <= span => {
            found.push(Found::new(Sign::PowerLongOn, format!("carried trains for {span} before")));
        }
        Some(_) | None => {
            if let Some(back) = evidence.power_back {
                let text = format!("power had come back {} before", back.ago);
                found.push(Found::new(Sign::PowerJustOn, text));
            }
        }
    }
    found.extend(not_a_charge(evidence));
    if let Others::Stepped(other) = evidence.others {
        let id = &layout.districts[other.at()].id;
        found.push(Found::new(Sign::TwoDistricts, format!("district {id} stepped by as much")));
    }
    let behind_reverser = evidence.reversers.iter().any(|it| it.gap_stepped);
    if let Some(gap) = evidence.gap.filter(|_| !behind_reverser) {
        found.push(Found::new(Sign::GapOutOfPhase, stepped_beside(gap, layout)));
    }
    if evidence.bypassed {
        found.push(by_no_detector(Sign::PastDetectors));
    }
    if let Some(all) = fed_wrong(evidence, layout) {
        let text = format!("{all} frogs of the district were on the wrong rail together");
        found.push(Found::new(Sign::AllOnWrongRail, text));
    }
    let gap = evidence.frogs.iter().any(|it| moved(it) && it.around == Around::Clear);
    if gap {
        found.push(Found::new(
            Sign::ThrowTogglesShort,
            "the short began with a throw of a clear turnout, as a closed gap does",
        ));
    }
    found
}

/// Signs for and against the reversers, taken together.
pub(super) fn of_reversers(evidence: &Evidence, layout: &Layout) -> Vec<Found> {
    let beside = evidence.reversers.iter().find(|it| it.gap_stepped);
    if let Some(it) = beside {
        return vec![Found::new(Sign::ReverserGap, at_gap_of(it.reverser, layout))];
    }
    let flipped = evidence.reversers.iter().max_by_key(|it| it.flips).filter(|it| it.flips > 0);
    if let Some(it) = flipped {
        let id = &layout.reversers[it.reverser.at()].id;
        let text = format!("reverser {id} flipped {} within 1 s", times(it.flips));
        return vec![Found::new(Sign::ReverserFlipped, text)];
    }
    if evidence.reversers.iter().all(|it| it.train == Some(false)) {
        return vec![Found::new(Sign::ReverserEmpty, "no train at a reversing gap")];
    }
    vec![Found::new(Sign::ReverserStill, "no reverser flipped")]
}

pub(super) fn times(count: u32) -> String {
    if count == 1 { "once".to_owned() } else { format!("{count} times") }
}

/// Signs that none of the others explains it.
pub(super) fn of_nothing(evidence: &Evidence) -> Vec<Found> {
    let mut found = Vec::new();
    match evidence.shape {
        Shape::NotKnown | Shape::Crept => {}
        // At the booster's limit a charge is as flat as a short.
        Shape::Flat if evidence.power_back.is_some() => {}
        Shape::Flat => {
            found.push(Found::new(Sign::StaysFlat, "current stays flat, as it does in a short"));
        }
        Shape::Decaying if is_charge(evidence) => found.push(Found::new(
            Sign::ChargesAfterPower,
            "current falls smoothly after power came back, as engines charge",
        )),
        Shape::Decaying => {
            found.push(Found::new(Sign::Decays, "current falls smoothly, as it does in inrush"));
        }
    }
    if matches!((evidence.power_back, evidence.shape), (Some(_), Shape::NotKnown | Shape::Flat)) {
        let text = "power had just come back, and engines charge then";
        found.push(Found::new(Sign::PowerBack, text));
    }
    if evidence.contradiction {
        found.push(Found::new(Sign::Contradiction, "readings contradict each other"));
    }
    found
}
