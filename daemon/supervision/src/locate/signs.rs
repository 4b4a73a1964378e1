//! Which signs the evidence holds for and against each kind of suspect, with their words.

use wiring::{layout::Layout, units::Micros};

use super::{
    evidence::{
        Around, BlockFacts, Evidence, FrogFacts, MachineSign, Others, PolaritySign, Shape, Step,
        WrongLeg,
    },
    weights::{Sign, ratio},
};

/// Power that came on this shortly before the onset points at something that stood there already.
const JUST_ON: Micros = Micros::from_millis(1000);

/// Wiring that has carried trains for this long was right.
const LONG_ON: Micros = Micros::from_millis(60_000);

/// A contact has changed over, and its points have closed, within this of the last word of a throw.
const CHANGED_OVER: Micros = Micros::from_millis(600);

/// A sign that was found.
pub(super) struct Found {
    sign: Sign,
    pub(super) text: String,
}

impl Found {
    fn new(sign: Sign, text: impl Into<String>) -> Self {
        Self { sign, text: text.into() }
    }

    pub(super) const fn ratio(&self) -> u32 {
        ratio(self.sign)
    }
}

/// Signs for and against one frog.
pub(super) fn of_frog(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Vec<Found> {
    let leg = facts.wrong_leg.map(|leg| wrong_leg(leg, layout)).or_else(|| shared_leg(facts));
    let all = [
        leg,
        own_current(facts),
        strongest(contact_signs(facts)),
        wrong_like_others(evidence, facts, layout),
        nothing_amiss(facts),
        no_step(evidence),
        recency(facts, layout),
        thrown_under_train(facts),
        polarity_against(facts),
        step(facts),
        still(facts),
        was_good(facts),
        (facts.earlier_faults > 0).then(|| earlier(facts.earlier_faults)),
        boundary(evidence, facts, layout),
        loop_fit(evidence, facts),
    ];
    all.into_iter().flatten().collect()
}

fn wrong_leg(leg: WrongLeg, layout: &Layout) -> Found {
    let port = leg.port.word();
    let block = &layout.blocks[leg.block.at()].id;
    match leg.edge {
        Some(ago) => Found::new(
            Sign::EnteredWrongLeg,
            format!("a train moved on its {port} leg (block {block}) {ago} before, not set for it"),
        ),
        None => Found::new(
            Sign::StandsOnWrongLeg,
            format!("a train stands on its {port} leg (block {block}), not set for it"),
        ),
    }
}

fn shared_leg(facts: &FrogFacts) -> Option<Found> {
    facts.shares_leg.then(|| {
        Found::new(
            Sign::MayBeOnWrongLeg,
            "a train in its block, which holds a leg that it is not set for as well",
        )
    })
}

/// The sensor at the frog itself.
fn own_current(facts: &FrogFacts) -> Option<Found> {
    match facts.own_current {
        Step::NotMeasured => None,
        Step::Here | Step::OnWrongLeg => {
            Some(Found::new(Sign::OwnCurrent, "the fault current was measured at this frog"))
        }
        Step::Elsewhere => {
            Some(Found::new(Sign::OwnCurrentElsewhere, "its own current did not step"))
        }
    }
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
fn fed_wrong(evidence: &Evidence, layout: &Layout) -> Option<usize> {
    let mine = |it: &&FrogFacts| layout.district_of_frog(it.frog) == evidence.district;
    let (wrong, right) = rails_of_frogs(evidence.frogs.iter().filter(mine));
    (2 <= wrong && right < wrong).then_some(wrong)
}

fn wrong_like_others(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    let wrong = matches!(facts.polarity, PolaritySign::WrongRail(_));
    let all = fed_wrong(evidence, layout).filter(|_| wrong)?;
    Some(Found::new(Sign::WrongLikeOthers, format!("{all} frogs of the district are so")))
}

/// At rest for long, on its rail, and no train against it.
fn nothing_amiss(facts: &FrogFacts) -> Option<Found> {
    let rests = matches!(facts.machine, MachineSign::AtRest(_));
    let right = facts.polarity == PolaritySign::Matches;
    let lined = facts.wrong_leg.is_none() && !facts.shares_leg && !facts.out_of_step;
    let already = facts.around == Around::Clear || facts.weak_contact || facts.lined_train;
    (rests && right && lined && !already)
        .then(|| Found::new(Sign::NothingAmiss, "at rest, on its rail, no train against it"))
}

/// Load that grew is no short anywhere.
fn no_step(evidence: &Evidence) -> Option<Found> {
    (evidence.shape == Shape::Crept)
        .then(|| Found::new(Sign::NoStep, "current did not step, it grew as load does"))
}

/// Signs of one cause, a contact on the wrong side: the caller takes the strongest.
fn contact_signs(facts: &FrogFacts) -> Vec<Found> {
    let mut found = Vec::new();
    match facts.polarity {
        PolaritySign::WrongRail(on) => found.push(Found::new(
            Sign::WrongRail,
            format!("frog on the wrong rail before the fault (conductor {})", on.word()),
        )),
        PolaritySign::NotSwitching(on) => found.push(Found::new(
            Sign::NotSwitching,
            format!("frog stayed on conductor {} over its last throw", on.word()),
        )),
        PolaritySign::NotMeasured | PolaritySign::Matches | PolaritySign::Dead => {}
    }
    if facts.out_of_step {
        found.push(Found::new(Sign::OutOfStep, "machine stands elsewhere than asked"));
    }
    if facts.weak_contact {
        found.push(Found::new(Sign::WeakContact, "its contact was weak before"));
    }
    found
}

fn strongest(found: Vec<Found>) -> Option<Found> {
    // The first of equals: the more direct sign is listed first.
    found.into_iter().reduce(|best, next| if best.ratio() < next.ratio() { next } else { best })
}

fn recency(facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    let name = |machine: wiring::index::MachineIx| &layout.machines[machine.at()].id;
    match facts.machine {
        MachineSign::NotMeasured | MachineSign::AtRest(_) => None,
        MachineSign::Thrown(machine, ago) => Some(Found::new(
            if changing(facts) { Sign::ThrownBefore } else { Sign::LongBefore },
            format!("machine {} thrown {ago} before", name(machine)),
        )),
        MachineSign::Moving(machine) => {
            Some(Found::new(Sign::Moving, format!("machine {} moving", name(machine))))
        }
        MachineSign::Unknown(machine) => Some(Found::new(
            Sign::PositionUnknown,
            format!("position of machine {} unknown", name(machine)),
        )),
    }
}

fn moved(facts: &FrogFacts) -> bool {
    match facts.machine {
        MachineSign::NotMeasured | MachineSign::AtRest(_) => false,
        MachineSign::Thrown(..) | MachineSign::Moving(_) | MachineSign::Unknown(_) => true,
    }
}

/// It moved so shortly before that its contact may have changed over just then; for a train that follows on its route
/// it was thrown in time.
fn changing(facts: &FrogFacts) -> bool {
    match facts.machine {
        MachineSign::NotMeasured | MachineSign::AtRest(_) => false,
        MachineSign::Thrown(_, ago) => ago <= CHANGED_OVER || !facts.lined_train,
        MachineSign::Moving(_) | MachineSign::Unknown(_) => true,
    }
}

fn thrown_under_train(facts: &FrogFacts) -> Option<Found> {
    (changing(facts) && facts.train_on_it)
        .then(|| Found::new(Sign::ThrownUnderTrain, "a train on it as it moved"))
}

fn polarity_against(facts: &FrogFacts) -> Option<Found> {
    match facts.polarity {
        PolaritySign::Dead => Some(Found::new(
            Sign::DeadFrog,
            "frog had no power before the fault, so a wheel on it shorts nothing",
        )),
        PolaritySign::Matches
            if facts.lined_train && facts.wrong_leg.is_none() && is_set(facts) =>
        {
            Some(Found::new(
                Sign::MatchesUnderTrain,
                "frog matched its rail, and the train is on the route that is set",
            ))
        }
        PolaritySign::Matches
        | PolaritySign::NotMeasured
        | PolaritySign::WrongRail(_)
        | PolaritySign::NotSwitching(_) => None,
    }
}

/// Which route is set is known.
fn is_set(facts: &FrogFacts) -> bool {
    match facts.machine {
        MachineSign::NotMeasured | MachineSign::AtRest(_) | MachineSign::Thrown(..) => true,
        MachineSign::Moving(_) | MachineSign::Unknown(_) => false,
    }
}

/// The frog is not tied as the model has it: what the model says of its feed and its past does not hold.
fn contradicts_model(facts: &FrogFacts) -> bool {
    match facts.polarity {
        PolaritySign::WrongRail(_) | PolaritySign::NotSwitching(_) => true,
        PolaritySign::NotMeasured | PolaritySign::Matches | PolaritySign::Dead => false,
    }
}

fn was_good(facts: &FrogFacts) -> Option<Found> {
    (facts.was_good_here && !contradicts_model(facts))
        .then(|| Found::new(Sign::WasGoodHere, "stood so before without a fault"))
}

fn step(facts: &FrogFacts) -> Option<Found> {
    match facts.step {
        Step::Elsewhere if contradicts_model(facts) => None,
        Step::NotMeasured => None,
        Step::Here => {
            Some(Found::new(Sign::StepHere, "current stepped in the block that feeds this frog"))
        }
        Step::OnWrongLeg => Some(Found::new(
            Sign::StepHere,
            "current stepped in the block of the leg that it is not set for",
        )),
        Step::Elsewhere => Some(Found::new(
            Sign::StepElsewhere,
            "no step in the block that feeds this frog, another one stepped",
        )),
    }
}

fn still(facts: &FrogFacts) -> Option<Found> {
    let at_rest = matches!(facts.machine, MachineSign::AtRest(_) | MachineSign::NotMeasured);
    match facts.around {
        Around::Clear if at_rest => {
            Some(Found::new(Sign::ClearAndStill, "points and both legs clear, nothing moved"))
        }
        Around::Occupied if at_rest && facts.still => {
            Some(Found::new(Sign::NothingMovedNear, "no train moved near it"))
        }
        Around::Clear | Around::Occupied | Around::NotKnown => None,
    }
}

fn earlier(count: u32) -> Found {
    let times = if count == 1 { "once".to_owned() } else { format!("{count} times") };
    Found::new(Sign::EarlierFault, format!("named in earlier faults, {times}"))
}

fn boundary(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    let Others::Stepped(other) = evidence.others else { return None };
    facts.at_boundary.then(|| {
        let id = &layout.districts[other.at()].id;
        Found::new(Sign::AtBoundary, format!("district {id} stepped too, and this frog meets it"))
    })
}

/// A wheel's own contact varies by as much as 15 m of bus, so the ratio stays between a third and three.
fn loop_fit(evidence: &Evidence, facts: &FrogFacts) -> Option<Found> {
    let measured = evidence.loop_measured?;
    let model = facts.loop_model.filter(|model| model.0 > 0)?;
    let percent = measured.0.saturating_mul(100) / model.0;
    let sign = match percent {
        85..=120 => Sign::LoopFits,
        70..=160 => Sign::LoopNear,
        50..=250 => Sign::LoopOff,
        _ => Sign::LoopFarOff,
    };
    Some(Found::new(sign, format!("loop resistance {measured}, {model} by the model")))
}

/// Signs for and against a short inside a block, away from its frogs.
pub(super) fn of_block(evidence: &Evidence, facts: &BlockFacts) -> Vec<Found> {
    let mut found = Vec::new();
    match facts.step {
        Step::NotMeasured => {}
        Step::Here | Step::OnWrongLeg => {
            found.push(Found::new(Sign::BlockSteps, "current stepped in this block"));
        }
        Step::Elsewhere => found.push(Found::new(Sign::BlockDoesNotStep, "no step in this block")),
    }
    if facts.occupied == Some(false) && evidence.movement == Some(false) {
        found.push(Found::new(Sign::NothingMoved, "nothing moved, and the block was clear"));
    }
    found
}

/// Signs for and against an object or a derailment.
pub(super) fn of_object(evidence: &Evidence, layout: &Layout) -> Vec<Found> {
    if evidence.shape == Shape::Crept {
        return no_step(evidence).into_iter().collect();
    }
    let thrown = evidence.frogs.iter().any(moved);
    // With power only just on, nothing could be seen to move before.
    let watched = evidence.powered_for.is_none_or(|span| JUST_ON < span);
    // A train creeps inside one block without an edge, so one that stands where current stepped may have moved.
    let creeping = evidence
        .blocks
        .iter()
        .any(|block| block.step == Step::Here && block.occupied == Some(true));
    if evidence.movement == Some(false) && watched && !thrown && !creeping {
        return vec![Found::new(
            Sign::NothingMoved,
            "no train moved and no machine was thrown in the last seconds",
        )];
    }
    let train = evidence
        .blocks
        .iter()
        .find(|block| block.step == Step::Here && block.occupied == Some(true));
    let found = train.map(|block| {
        let id = &layout.blocks[block.block.at()].id;
        Found::new(Sign::TrainInSteppedBlock, format!("a train in block {id}, which stepped"))
    });
    found.into_iter().collect()
}

/// Signs for and against a vehicle.
pub(super) fn of_vehicle(evidence: &Evidence) -> Vec<Found> {
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
        Some(_) => {}
        None if evidence.movement == Some(false)
            && evidence.blocks.iter().all(|block| block.occupied == Some(false)) =>
        {
            found.push(Found::new(Sign::NoTrainThere, "no train in the district"));
        }
        None => {}
    }
    found
}

/// Signs for and against the wiring.
pub(super) fn of_wiring(evidence: &Evidence, layout: &Layout) -> Vec<Found> {
    let mut found = Vec::new();
    match evidence.powered_for {
        Some(span) if span <= JUST_ON => {
            found.push(Found::new(Sign::PowerJustOn, format!("power had come on {span} before")))
        }
        Some(span) if LONG_ON <= span => {
            found.push(Found::new(Sign::PowerLongOn, format!("carried trains for {span} before")));
        }
        Some(_) | None => {}
    }
    if let Others::Stepped(other) = evidence.others {
        let id = &layout.districts[other.at()].id;
        found.push(Found::new(Sign::TwoDistricts, format!("district {id} stepped by as much")));
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

fn times(count: u32) -> String {
    if count == 1 { "once".to_owned() } else { format!("{count} times") }
}

/// Signs that none of the others explains it.
pub(super) fn of_nothing(evidence: &Evidence) -> Vec<Found> {
    let mut found = Vec::new();
    match evidence.shape {
        Shape::NotKnown | Shape::Crept => {}
        Shape::Flat => {
            found.push(Found::new(Sign::StaysFlat, "current stays flat, as it does in a short"));
        }
        Shape::Decaying => {
            found.push(Found::new(Sign::Decays, "current falls smoothly, as it does in inrush"));
        }
    }
    if evidence.contradiction {
        found.push(Found::new(Sign::Contradiction, "readings contradict each other"));
    }
    found
}
