//! Which signs the evidence holds for and against a frog.
//!
//! A frog can have done it in four ways: a train ran through its turnout, it changed over under power, its contact is on
//! the wrong side, or something that no sensor sees. Each way has its own signs, so that what speaks against one of them
//! does not weaken another; the frog weighs what its strongest way weighs.

use wiring::{
    index::{DistrictIx, FrogIx},
    layout::Layout,
    units::Micros,
};

use super::{
    evidence::{
        Around, Came, Evidence, FrogFacts, MachineSign, Others, PolaritySign, Step, WrongLeg,
    },
    signs::{Found, by_no_detector, ended, fed_wrong, in_two_blocks, no_step, not_a_charge, times},
    weights::Sign,
};

/// A contact has changed over, and its points have closed, within this of the last word of a throw.
const CHANGED_OVER: Micros = Micros::from_millis(600);

/// A throw that a train stands on the longer after is one that was made for it.
const UNDER_WAY: Micros = Micros::from_millis(2000);

/// A train that was seen to move shorts within this of it.
const AT_ONCE: Micros = Micros::from_millis(1000);

/// A reading of polarity that has changed longer ago shows a contact that rests on its new side.
const RESTS: Micros = Micros::from_millis(250);

/// Before this part of its throw a contact has not moved. Unit: percent.
const NOT_YET: u32 = 12;

/// Signs for and against one frog: those of its strongest way.
pub(super) fn of_frog(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Vec<Found> {
    if let Some(alike) = wrong_like_others(evidence, facts, layout) {
        // The mistake lies before this frog: what else is seen around it is of no account.
        return strongest(contact_signs(facts)).into_iter().chain([alike]).collect();
    }
    let ways = [
        run_through(evidence, facts, layout),
        changed_over(evidence, facts, layout),
        strongest(contact_signs(facts)).map(|it| vec![it]),
        Some(unseen(evidence, facts)),
    ];
    let mut ways = ways.into_iter().flatten();
    let first = ways.next().unwrap_or_default();
    // The first of equals: the more direct way is listed first.
    let way =
        ways.fold(first, |best, next| if weight(&best) < weight(&next) { next } else { best });
    way.into_iter().chain(whatever_the_way(evidence, facts, layout)).collect()
}

fn weight(way: &[Found]) -> f64 {
    way.iter().map(|it| f64::from(it.ratio()) / 100.0).product()
}

/// A train against it.
fn run_through(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Vec<Found>> {
    // With power back every train shows an edge where it stands, and none has moved.
    if evidence.power_back.is_some() {
        return None;
    }
    let leg = facts.wrong_leg.map(|leg| wrong_leg(leg, layout));
    let leg = leg.or_else(|| shared_leg(evidence, facts, layout))?;
    let others = [passed(evidence, facts), standing_still(facts)];
    Some([leg].into_iter().chain(others.into_iter().flatten()).collect())
}

/// Its contact changed over with something on the points, or across a closed gap.
fn changed_over(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Vec<Found>> {
    let rested = matches!(facts.machine, MachineSign::Thrown(..));
    if rested && evidence.power_back.is_some() {
        return None;
    }
    let recent = recency(facts, layout)?;
    let under = thrown_under_train(facts);
    let lined = polarity_against(facts);
    Some([Some(recent), under, lined].into_iter().flatten().collect())
}

/// A wheel that bridges, a contact that joins both sides: nothing at the frog shows it.
fn unseen(evidence: &Evidence, facts: &FrogFacts) -> Vec<Found> {
    let all = [
        nothing_amiss(facts),
        passed(evidence, facts),
        polarity_against(facts),
        standing_still(facts),
        was_good(facts),
    ];
    all.into_iter().flatten().collect()
}

/// Whatever the way: where current flowed, and what stands against every frog.
fn whatever_the_way(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Vec<Found> {
    let all = [
        own_current(facts),
        not_a_charge(evidence),
        explained_by_feed(evidence, facts, layout),
        no_step(evidence),
        in_two_blocks(evidence, layout),
        dead(facts),
        step(facts),
        bypassed(evidence, facts, layout),
        clear_and_still(evidence, facts),
        (facts.earlier_faults > 0).then(|| earlier(facts.earlier_faults)),
        boundary(evidence, facts, layout),
        loop_fit(evidence, facts),
    ];
    all.into_iter().flatten().collect()
}

fn wrong_leg(leg: WrongLeg, layout: &Layout) -> Found {
    let port = leg.port.word();
    let block = &layout.blocks[leg.block.at()].id;
    let place = format!("its {port} leg (block {block}), not set for it");
    match (leg.came, leg.edge) {
        (Came::NotYet, _) => Found::new(
            Sign::StillOnItsWay,
            format!("a train came into {place}, too short a time ago to be at the turnout"),
        ),
        (Came::Away, _) => {
            Found::new(Sign::CameFromIt, format!("a train that came over it stands on {place}"))
        }
        (Came::NotKnown | Came::Towards, Some(ago)) => Found::new(
            if ago <= AT_ONCE { Sign::EnteredWrongLeg } else { Sign::EnteredLongBefore },
            format!("a train moved on its {port} leg (block {block}) {ago} before, not set for it"),
        ),
        (Came::Towards, None) => {
            Found::new(Sign::HeadedForIt, format!("a train came towards it on {place}"))
        }
        (Came::NotKnown, None) => {
            Found::new(Sign::StandsOnWrongLeg, format!("a train stands on {place}"))
        }
    }
}

fn shared_leg(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    if !facts.shares_leg {
        return None;
    }
    let block = |frog: FrogIx| layout.trackwork[layout.frogs[frog.at()].trackwork.at()].block;
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

/// Bursts before, each over by itself, or a current that ended before the cut: a wheel that passes a frog or a point.
fn passed(evidence: &Evidence, facts: &FrogFacts) -> Option<Found> {
    if !matches!(facts.step, Step::Here | Step::OnWrongLeg) {
        return None;
    }
    if evidence.spikes == 0 {
        return ended(evidence, Sign::Passed);
    }
    let times = times(evidence.spikes);
    Some(Found::new(
        Sign::PassedBefore,
        format!(
            "current had burst up {times} before and fallen by itself, as under a wheel that passes"
        ),
    ))
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

fn wrong_like_others(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    let wrong = contradicts_model(facts);
    let all = fed_wrong(evidence, layout).filter(|_| wrong)?;
    Some(Found::new(Sign::WrongLikeOthers, format!("{all} frogs of the district are so")))
}

/// The feed of the district is wrong, and this frog is not; or a frog lies beside a gap between two phases, which puts its
/// block on the wrong rails with it.
fn explained_by_feed(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    let block = layout.trackwork[layout.frogs[facts.frog.at()].trackwork.at()].block;
    if evidence.gap.is_some_and(|(one, other)| block == one || block == other)
        && contradicts_model(facts)
    {
        let text = "its whole block is out of phase with the one beside it";
        return Some(Found::new(Sign::ExplainedByFeed, text));
    }
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
        MachineSign::Moving(machine) if rests_on_a_side(facts) => Some(Found::new(
            Sign::OffChangeOver,
            format!("machine {} moving, its contact at rest on one side", name(machine)),
        )),
        MachineSign::Moving(machine) => Some(Found::new(
            Sign::Moving,
            format!("machine {} moving, its contact about to change over", name(machine)),
        )),
        MachineSign::Unknown(machine) => Some(Found::new(
            Sign::PositionUnknown,
            format!("position of machine {} unknown", name(machine)),
        )),
    }
}

/// Its machine moves and its contact does not: it has not begun to, or it has read the new side for a while.
fn rests_on_a_side(facts: &FrogFacts) -> bool {
    match (facts.polarity_changed, facts.throw_share) {
        (Some(ago), _) => RESTS < ago,
        (None, Some(share)) => share < NOT_YET,
        (None, None) => false,
    }
}

/// It moved so shortly before that its contact may have changed over just then. With a train there it was thrown in
/// time for it, as every day.
fn changing(facts: &FrogFacts) -> bool {
    match facts.machine {
        MachineSign::NotMeasured | MachineSign::AtRest(_) => false,
        MachineSign::Thrown(_, ago) => {
            let rests = facts.polarity_changed.is_some_and(|changed| CHANGED_OVER < changed);
            let under = facts.around == Around::Occupied && UNDER_WAY < ago;
            (ago <= CHANGED_OVER && !rests) || (!facts.lined_train && !under)
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
        | PolaritySign::Dead
        | PolaritySign::WrongRail(_)
        | PolaritySign::NotSwitching(_) => None,
    }
}

fn dead(facts: &FrogFacts) -> Option<Found> {
    (facts.polarity == PolaritySign::Dead).then(|| {
        let text = "frog had no power before the fault, so a wheel on it shorts nothing";
        Found::new(Sign::DeadFrog, text)
    })
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

/// What goes past every detector does not come through this frog, where one watches its feed.
fn bypassed(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    let mine = layout.district_of_frog(facts.frog) == evidence.district;
    let watched = facts.seen_by.is_some() || !rests(facts);
    (evidence.bypassed && mine && watched).then(|| by_no_detector(Sign::NoBlockSteps))
}

fn rests(facts: &FrogFacts) -> bool {
    matches!(facts.machine, MachineSign::AtRest(_) | MachineSign::NotMeasured)
}

/// A wheel that passes shows by its bursts, though it draws nothing else.
fn clear_and_still(evidence: &Evidence, facts: &FrogFacts) -> Option<Found> {
    let passed = passed(evidence, facts).is_some();
    (facts.around == Around::Clear && rests(facts) && !passed)
        .then(|| Found::new(Sign::ClearAndStill, "points and both legs clear, nothing moved"))
}

fn standing_still(facts: &FrogFacts) -> Option<Found> {
    (facts.around == Around::Occupied && rests(facts) && facts.still)
        .then(|| Found::new(Sign::NothingMovedNear, "no train moved near it"))
}

fn earlier(count: u32) -> Found {
    let times = if count == 1 { "once".to_owned() } else { format!("{count} times") };
    Found::new(Sign::EarlierFault, format!("named in earlier faults, {times}"))
}

fn boundary(evidence: &Evidence, facts: &FrogFacts, layout: &Layout) -> Option<Found> {
    let id = |it: DistrictIx| &layout.districts[it.at()].id;
    let (sign, what) = match evidence.others {
        Others::Quiet | Others::Fell => return None,
        Others::Stepped(other) => (Sign::AtBoundary, format!("district {} stepped too", id(other))),
        Others::Followed(other, after) => {
            (Sign::AtFollower, format!("district {} followed {after} later", id(other)))
        }
    };
    if facts.at_boundary {
        return Some(Found::new(sign, format!("{what}, and this frog lies where the two meet")));
    }
    // It stepped before its neighbour did, and nothing that lies within the neighbour alone can make it.
    let first_without = |it: DistrictIx| {
        let text = format!(
            "district {} stepped before {}, where this frog lies",
            id(evidence.district),
            id(it)
        );
        Found::new(Sign::WithinFollower, text)
    };
    let own = layout.district_of_frog(facts.frog);
    matches!(evidence.others, Others::Followed(other, _) if other == own)
        .then(|| first_without(own))
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
