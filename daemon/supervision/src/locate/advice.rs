//! What to do after a trip, in order.

use wiring::{
    channel::Object,
    index::{DistrictIx, FrogIx},
    layout::{Layout, Position},
    trackwork::Kind,
};

use super::evidence::{Evidence, MachineSign, Others};
use crate::record::{Accused, Advice, Suspect};

/// What is known of the district's power when its steps are told.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Cut {
    /// Proved off.
    Proved,
    /// Ordered off, and no reading proves it.
    NotProved,
    /// Neither it nor its booster has an actuator.
    Impossible,
}

/// What to do in a district, in order. The evidence may be that of a fault
/// that took another district first.
#[must_use]
pub fn advice(
    evidence: &Evidence,
    suspects: &[Suspect],
    (district, cut): (DistrictIx, Cut),
    layout: &Layout,
) -> Advice {
    let other = match evidence.others {
        Others::Followed(other, _) if other != district => Some(other),
        Others::Followed(..) => Some(evidence.district),
        Others::Quiet | Others::Fell | Others::Stepped(_) => None,
    };
    let district = &layout.districts[district.at()].id;
    if evidence.opened_by_itself {
        return Advice { steps: opened_by_itself(district), done: 0 };
    }
    let mut steps = vec![match cut {
        Cut::Proved => format!("District {district} is cut and proved off."),
        Cut::NotProved => format!(
            "The cut of district {district} is not proved: switch its booster off by hand first."
        ),
        Cut::Impossible => format!(
            "Checkrail has no relay that cuts district {district}: switch its booster off by hand first."
        ),
    }];
    if let Some(first) = suspects.first() {
        steps.push(remedy(evidence, first.accused, layout));
    }
    steps.push(match other.map(|it| &layout.districts[it.at()].id) {
        None if cut == Cut::Impossible => "Then switch its booster on again.".to_owned(),
        None => format!("Then restore district {district}."),
        Some(other) => format!(
            "Then restore district {district}, and {other}, which the same fault took: not one of the two before it is cleared."
        ),
    });
    Advice { steps, done: usize::from(cut == Cut::Proved) }
}

/// Nothing was ordered and no fault current seen: the breaker or the supply is the first thing to look at.
fn opened_by_itself(district: &str) -> Vec<String> {
    vec![
        format!("Power of district {district} went without an order, and no fault current was seen."),
        "Look at its breaker, its plug and its booster first; if the breaker tripped, take load off."
            .to_owned(),
        format!("Then switch district {district} on again."),
    ]
}

fn remedy(evidence: &Evidence, accused: Accused, layout: &Layout) -> String {
    match accused {
        Accused::Object(Object::Frog(frog)) => frog_remedy(evidence, frog, layout),
        Accused::Object(
            object @ (Object::Booster(_)
            | Object::District(_)
            | Object::Block(_)
            | Object::Machine(_)
            | Object::Pole(_)
            | Object::Reverser(_)),
        ) => format!("Look for the short in {}.", crate::words::object_text(layout, object)),
        Accused::ObjectOnTrack => {
            "Look for a derailed wheel or something that lies across the rails.".to_owned()
        }
        Accused::Vehicle => "Take the train off that moved last.".to_owned(),
        Accused::Wiring => {
            "Look for a feeder on the wrong conductor or a gap that has closed. Never test a standing short on a bare \
             booster: put a lamp in series."
                .to_owned()
        }
        Accused::Reverser => {
            "Back the train off the reversing gap, and set the reverser faster than the breaker.".to_owned()
        }
        Accused::NotExplained => {
            "No sensor explains it. Take trains off one block at a time until it stays on.".to_owned()
        }
    }
}

fn frog_remedy(evidence: &Evidence, frog: FrogIx, layout: &Layout) -> String {
    let id = &layout.frogs[frog.at()].id;
    let facts = evidence.frogs.iter().find(|it| it.frog == frog);
    let rest = facts.and_then(|facts| match facts.machine {
        MachineSign::AtRest(position) => Some(position),
        MachineSign::NotMeasured
        | MachineSign::Thrown(..)
        | MachineSign::Moving(_)
        | MachineSign::Unknown(_) => None,
    });
    let single = single_machine(layout, frog);
    match (facts.is_some_and(|facts| facts.wrong_leg.is_some()), rest, single) {
        (true, Some(position), Some(machine)) => format!(
            "Throw {machine} to {} with no wheel on its points, or back the train off {id}.",
            other(position).word()
        ),
        (true, _, _) => format!("Back the train off {id}, or set {id} for it."),
        (false, _, _) => format!("Back the train off {id} and check its contact and its position."),
    }
}

const fn other(position: Position) -> Position {
    match position {
        Position::Normal => Position::Reverse,
        Position::Reverse => Position::Normal,
    }
}

/// The machine of a plain turnout; with two machines, which one to throw depends on the train's route.
fn single_machine(layout: &Layout, frog: FrogIx) -> Option<&str> {
    let trackwork = layout.frogs[frog.at()].trackwork;
    match &layout.trackwork[trackwork.at()].kind {
        Kind::Turnout { machine, .. } => Some(&layout.machines[machine.at()].id),
        Kind::ThreeWay { .. }
        | Kind::Crossing { .. }
        | Kind::DoubleSlip { .. }
        | Kind::SingleSlip { .. } => None,
    }
}
