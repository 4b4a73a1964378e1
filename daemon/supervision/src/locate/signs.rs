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

/// A throw that a train stands on the longer after is one that was made for it.
const UNDER_WAY: Micros = Micros::from_millis(2000);

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
    if let Some(alike) = wrong_like_others(evidence, facts, layout) {
        // The mistake lies before this frog: what else is seen around it is of no account.
        return strongest(contact_signs(facts)).into_iter().chain([alike]).collect();
    }
    // With power back every train shows an edge where it stands.
    let seen = |leg: WrongLeg| {
        let edge = leg.edge.filter(|_| evidence.power_back.is_none());
        wrong_leg(WrongLeg { edge, ..leg }, layout)
    };
    let leg = facts.wrong_leg.map(seen);
    let leg = leg.or_else(|| shared_leg(evidence, facts, layout));
    let after_power = evidence.power_back.is_some();
    let all = [
        leg,
        own_current(facts),
        strongest(contact_signs(facts)),
        nothing_amiss(facts),
        passed(evidence, facts),
        not_a_charge(evidence),
        explained_by_feed(evidence, layout),
        no_step(evidence),
        recency(facts, after_power, layout),
        thrown_under_train(facts).filter(|_| !after_power),
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

fn shared_leg(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    if !facts.shares_leg {
        return None;
    }
    let block = |frog: wiring::index::FrogIx| {
        layout.trackwork[layout.frogs[frog.at()].trackwork.at()].block
    };
    let own = block(facts.frog);
    let like = evidence.frogs.iter().filter(|it| it.shares_leg && block(it.frog) == own).count();
    let sign = match like {
        0 | 1 => Sign::MayBeOnWrongLeg,
        2 => Sign::OneOfTwoLegs,
        _ => Sign::OneOfMoreLegs,
    };
    let text = "a train in its block, which holds a leg that it is not set for as well";
    Some(Found::new(sign, if like < 2 { text.to_owned() } else { format!("{text}; {like} such") }))
}

/// Bursts before, each over by itself: a wheel that passes a frog or a point.
fn passed(evidence: &Evidence, facts: &FrogFacts) -> Option<Found> {
    let here = matches!(facts.step, Step::Here | Step::OnWrongLeg);
    (here && 0 < evidence.spikes).then(|| Found::new(Sign::PassedBefore, bursts(evidence.spikes)))
}

fn bursts(count: u32) -> String {
    format!(
        "current had burst up {} before and fallen by itself, as under a wheel that passes",
        times(count)
    )
}

/// Against what stays where it is.
fn did_not_stay(evidence: &Evidence) -> Option<Found> {
    (0 < evidence.spikes)
        .then(|| Found::new(Sign::DidNotStay, "current had burst up before and fallen by itself"))
}

/// Engines that charge after power came back, and what is told by it.
fn is_charge(evidence: &Evidence) -> bool {
    evidence.power_back.is_some() && evidence.shape == Shape::Decaying
}

fn not_a_charge(evidence: &Evidence) -> Option<Found> {
    is_charge(evidence).then(|| {
        Found::new(
            Sign::NotACharge,
            "current falls smoothly after power came back, as engines charge",
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

fn wrong_like_others(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    let wrong = contradicts_model(facts);
    let all = fed_wrong(evidence, layout).filter(|_| wrong)?;
    Some(Found::new(Sign::WrongLikeOthers, format!("{all} frogs of the district are so")))
}

/// The feed of the district is wrong, and this frog is not.
fn explained_by_feed(evidence: &Evidence, layout: &Layout) -> Option<Found> {
    let all = fed_wrong(evidence, layout)?;
    Some(Found::new(
        Sign::ExplainedByFeed,
        format!("{all} other frogs are on the wrong rail together"),
    ))
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

fn recency(facts: &FrogFacts, after_power: bool, layout: &Layout) -> Option<Found> {
    let name = |machine: wiring::index::MachineIx| &layout.machines[machine.at()].id;
    match facts.machine {
        MachineSign::NotMeasured | MachineSign::AtRest(_) => None,
        MachineSign::Thrown(machine, ago) => Some(Found::new(
            if changing(facts) && !after_power { Sign::ThrownBefore } else { Sign::LongBefore },
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

/// It moved so shortly before that its contact may have changed over just then. With a train there it was thrown in
/// time for it, as every day.
fn changing(facts: &FrogFacts) -> bool {
    match facts.machine {
        MachineSign::NotMeasured | MachineSign::AtRest(_) => false,
        MachineSign::Thrown(_, ago) => {
            let under = facts.around == Around::Occupied && UNDER_WAY < ago;
            ago <= CHANGED_OVER || (!facts.lined_train && !under)
        }
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
    let still = evidence.movement == Some(false) && evidence.spikes == 0;
    if facts.occupied == Some(false) && still {
        found.push(Found::new(Sign::NothingMoved, "nothing moved, and the block was clear"));
    }
    found.extend(did_not_stay(evidence));
    found.extend(not_a_charge(evidence));
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
    let against = [did_not_stay(evidence), not_a_charge(evidence)].into_iter().flatten();
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
        let id = &layout.reversers[it.reverser.at()].id;
        let text = format!("current stepped on both sides of a gap of reverser {id}");
        return vec![Found::new(Sign::ReverserGap, text)];
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

fn times(count: u32) -> String {
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
