//! The words of commissioning: what was measured, what is likely wrong, and what to do about it.

use wiring::{
    found::{self, Found},
    layout::{Layout, Position},
    terminals::Throw as Contact,
    units::{Microamps, Micros},
};

use super::{
    Outcome, Plan, Step,
    coin::{CoinEnd, CoinTest},
    contact::{ContactCheck, Drop, Grade},
    plan::FrogPlan,
    results::Results,
    throwing::{Throw, ThrowFault},
    trip::{TripEnd, TripTest},
};
use crate::output::ProofStrength;

/// Nothing was shown by the cut.
pub(super) const TRIP_BLIND: &str = "Nothing was shown: no current flowed, and there is no feedback. Lay the lamp \
                                     across the rails and cut again.";

/// Why this machine cannot have a step; none: it has it.
pub(super) fn not_here(plan: &Plan, step: Step) -> Option<String> {
    match step {
        Step::Frog | Step::Contact if plan.frogs.is_empty() => {
            Some("its contacts feed no frog".to_owned())
        }
        Step::Trip if !plan.can_cut => {
            Some(format!("district {} has no actuator", plan.district_id))
        }
        Step::Coin if plan.trip.is_none() => {
            Some(format!("district {} has no breaker that trips at a current", plan.district_id))
        }
        Step::Name
        | Step::Normal
        | Step::Reverse
        | Step::Frog
        | Step::Contact
        | Step::Trip
        | Step::Coin
        | Step::Sign => None,
    }
}

/// A good throw.
pub(super) fn throw_detail(plan: &Plan, it: &Throw) -> String {
    if it.told {
        return format!("{} seen by the person, not measured", it.to.word());
    }
    let gap = match it.gap {
        Some((opened, closed)) => {
            format!("change-over gap {}", Micros(closed.0.saturating_sub(opened.0)))
        }
        None => "change-over gap not measured".to_owned(),
    };
    format!("thrown in {}, file says {}; {gap}", seconds(it.took), seconds(plan.throw_time))
}

/// A bad throw.
pub(super) fn throw_fault(plan: &Plan, fault: ThrowFault, to: Position) -> String {
    let (id, motor) = (&plan.id, &plan.motor);
    match fault {
        ThrowFault::NotMoved => {
            format!("{id} did not move. Check the wires on {motor} at {id} and the motor's supply.")
        }
        ThrowFault::Stopped => {
            format!("{id} did not arrive at {}. Free the points and the linkage.", to.word())
        }
        ThrowFault::WrongWay => {
            format!("{id} went the other way. Swap the wires on {motor} at {id}.")
        }
        ThrowFault::Slow(took) => format!(
            "The throw took {}, the file says {}. Look for stiff points or a bent wire; if it is its nature, change \
             throw-time.",
            seconds(took),
            seconds(plan.throw_time)
        ),
        ThrowFault::OffCentre(from, to) => format!(
            "The contact changes over at {from} to {to} % of the stroke. Centre {id}, so that it changes at \
             mid-stroke."
        ),
    }
}

/// All frogs right.
pub(super) fn frogs_detail(plan: &Plan, told: bool) -> String {
    let names: Vec<_> = plan.frogs.iter().map(|it| it.id.as_str()).collect();
    let how = if told { "seen by the person, not measured" } else { "measured" };
    format!("frog {} matches in both positions, {how}", names.join(", "))
}

/// A frog wrong.
pub(super) fn frog_mistake(layout: &Layout, plan: &Plan, frog: &FrogPlan, found: Found) -> String {
    let name = if plan.frogs.len() > 1 { format!("Frog {}", frog.id) } else { "Frog".to_owned() };
    let what = match found {
        Found::Swapped => "is on the wrong rail.".to_owned(),
        Found::Stays(at) => format!("is on the wrong rail at {}.", at.word()),
        Found::DeadIn(at) => format!("has no power at {}.", at.word()),
        Found::Dead => "has no power.".to_owned(),
    };
    format!("{name} {what} {}", found::remedy(layout, frog.frog, plan.machine, found))
}

/// Four measurements.
pub(super) fn contact_detail(check: &ContactCheck, grade: Grade) -> String {
    let all: Vec<_> =
        check.drops.iter().map(|it| format!("{} {}", it.position.word(), it.ohms)).collect();
    let watch = match grade {
        Grade::Watch => "; watch it",
        Grade::Good | Grade::Weak => "",
    };
    format!("{}{watch}", all.join(", "))
}

/// A contact that does not do.
pub(super) fn contact_weak(layout: &Layout, plan: &Plan, worst: Drop) -> String {
    let throw = match worst.position {
        Position::Normal => Contact::Normal,
        Position::Reverse => Contact::Reverse,
    };
    let wires = plan.frogs.first().map_or_else(
        || "the contact".to_owned(),
        |it| found::wires(layout, it.frog, plan.machine, &[throw]),
    );
    format!(
        "The contact on {wires} at {} is weak, {}. Throw it ten times and measure again; if it stays, use a spare \
         pole.",
        plan.id, worst.ohms
    )
}

/// Two poles side by side.
pub(super) fn both_poles(carry: bool) -> String {
    if carry {
        "the drop rises with either pole lifted: both carry".to_owned()
    } else {
        "the drop does not rise with a pole lifted: that pole does not carry; check its jumpers"
            .to_owned()
    }
}

/// A cut that went.
pub(super) fn trip_detail(trip: &TripTest, loaded: bool) -> String {
    let proved = match trip.end {
        Some(TripEnd::Proved(after, ProofStrength::Strong)) => {
            format!("cut proved after {}", millis(after))
        }
        Some(TripEnd::Proved(after, ProofStrength::Weak)) => {
            format!("cut proved weakly after {}", millis(after))
        }
        Some(TripEnd::Late(_) | TripEnd::Failed | TripEnd::Unproved) | None => {
            "cut not proved".to_owned()
        }
    };
    let feedback = trip.feedback.map_or_else(
        || "no feedback".to_owned(),
        |after| format!("feedback off after {}", millis(after)),
    );
    let current = match (loaded, trip.before, trip.gone) {
        (true, Some(before), Some(gone)) => format!("{} gone after {}", amps(before), millis(gone)),
        (true, _, _) => "current not seen to go".to_owned(),
        (false, _, _) => "no current flowed, so only the feedback was tested".to_owned(),
    };
    format!("{proved}; {feedback}; {current}")
}

/// A cut that did not go.
pub(super) fn trip_failed(plan: &Plan) -> String {
    format!(
        "District {} was ordered off and is not. Pull the plug of the booster; the actuator may be welded.",
        plan.district_id
    )
}

/// A cut that nothing proved so far.
pub(super) fn trip_unproved(plan: &Plan) -> String {
    format!(
        "No reading came in time to prove that {} is off. Look at the link of its sensors.",
        plan.district_id
    )
}

/// A cut that was proved when its proof was overdue.
pub(super) fn trip_late(plan: &Plan, after: Micros) -> String {
    format!(
        "The cut of {} was proved after {}, too late: a fault would have cut its booster too. Look at the link of its \
         sensors, or set cut-within longer; then restore and cut again.",
        plan.district_id,
        millis(after)
    )
}

/// One coin.
pub(super) fn coin(plan: &Plan, it: &CoinTest) -> String {
    let seen = format!("{}: {} of {} predicted", it.place, amps(it.highest), amps(it.predicted));
    match it.end {
        Some(CoinEnd::NotLaid) | None => format!("No coin came at {} within a minute.", it.place),
        Some(CoinEnd::Nothing(_)) => format!(
            "{seen}, and nothing acted. Do not run: look for thin or loose feeders, or set the breaker of {} lower.",
            plan.district_id
        ),
        Some(CoinEnd::Breaker(_) | CoinEnd::Checkrail(_)) if !it.is_enough() => format!(
            "{seen}. The loop has more resistance than the wiring model: check feeders and rail joints up to there."
        ),
        Some(CoinEnd::Breaker(after)) => {
            format!("{seen}, the breaker acted after {}.", millis(after))
        }
        Some(CoinEnd::Checkrail(after)) => format!(
            "{seen}, Checkrail cut after {}, before the breaker: the breaker itself was not shown.",
            millis(after)
        ),
    }
}

/// The signature.
pub(super) fn signature(results: &Results) -> (Outcome, String) {
    let missing = Step::ALL.into_iter().filter(|it| it.is_needed());
    let missing = missing.filter(|it| !results.is(*it, Outcome::Passed));
    let missing: Vec<_> = missing.map(Step::word).collect();
    if !missing.is_empty() {
        return (Outcome::Failed, format!("not proved: {} skipped", missing.join(", ")));
    }
    let skipped = results.iter().filter(|it| it.outcome == Outcome::Skipped);
    let skipped: Vec<_> =
        skipped.map(|it| format!("{} skipped, {}", it.step.word(), it.detail)).collect();
    let detail =
        if skipped.is_empty() { "all steps passed".to_owned() } else { skipped.join("; ") };
    (Outcome::Passed, detail)
}

/// Two decimals, as a person compares throws.
pub(super) fn seconds(span: Micros) -> String {
    format!("{:.2} s", span.seconds())
}

/// Whole milliseconds.
pub(super) fn millis(span: Micros) -> String {
    format!("{} ms", span.0 / 1000)
}

/// Two decimals, to a hundredth: noise below that is not shown.
pub(super) fn amps(it: Microamps) -> String {
    format!("{:.2} A", it.amps())
}
