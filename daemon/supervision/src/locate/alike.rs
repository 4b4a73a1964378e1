//! Suspects that the sensors cannot tell apart in one event, and the next test that would.
//!
//! Who belongs together follows from what was measured, never from how the shares came out: frogs that share every sensor;
//! what lies on the track of a block that stepped and the contacts of its frogs, where nothing moved; a train where current
//! stepped that derailed, is faulty itself, or ran through one of the legs in the same block.

use wiring::{channel::Object, index::BlockIx, layout::Layout};

use super::evidence::{BlockFacts, Evidence, FrogFacts, MachineSign, PolaritySign, Shape, Step};
use crate::record::{Accused, Suspect};

/// A frog below this share, in thousandths, needs no test of its own.
const WORTH_A_TEST: u32 = 100;

/// A sentence that names more is of no help to anybody.
const MOST_NAMES: usize = 7;

/// Why the sensors cannot tell.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Why {
    /// Frogs of one block share all its sensors.
    SharedSensors,
    /// Nothing moved and nothing was thrown where current stepped.
    Standing,
    /// A train is where current stepped.
    Train,
    /// A wheel passed.
    Passing,
    /// Power had just come back: what stands there shorts, and engines charge.
    PowerBack,
}

/// The suspects that cannot be told from the first, it included, strongest first; empty when it stands alone.
#[must_use]
pub fn alike(evidence: &Evidence, suspects: &[Suspect], layout: &Layout) -> Vec<Accused> {
    group(evidence, suspects, layout).map_or_else(Vec::new, |(_, all)| all)
}

/// Which suspects the sensors cannot tell apart, and the next test that would; none when they can.
#[must_use]
pub fn inseparable(evidence: &Evidence, suspects: &[Suspect], layout: &Layout) -> Option<String> {
    let (why, all) = group(evidence, suspects, layout)?;
    let names: Vec<String> = all.iter().map(|it| alike_name(layout, *it)).collect();
    let frogs: Vec<&String> =
        all.iter().zip(&names).filter(|(it, _)| frog_of(**it).is_some()).map(|it| it.1).collect();
    Some(format!(
        "one of {}: nothing here can tell them apart. Next test, with the district cut and proved: {}",
        names.join(", "),
        next_test(why, &frogs)
    ))
}

/// A suspect as the sentence names it.
#[must_use]
pub fn alike_name(layout: &Layout, accused: Accused) -> String {
    match accused {
        Accused::Object(Object::Frog(frog)) => layout.frogs[frog.at()].id.clone(),
        Accused::Object(
            object @ (Object::Booster(_)
            | Object::District(_)
            | Object::Block(_)
            | Object::Machine(_)
            | Object::Pole(_)
            | Object::Reverser(_)),
        ) => crate::words::object_text(layout, object),
        Accused::ObjectOnTrack => "an object or a derailed wheel".to_owned(),
        Accused::Vehicle => "a faulty vehicle".to_owned(),
        Accused::Wiring => "the wiring".to_owned(),
        Accused::Reverser => "a reverser".to_owned(),
        // Only where power had just come back: see `after_power`.
        Accused::NotExplained => "engines that charge".to_owned(),
    }
}

fn next_test(why: Why, frogs: &[&String]) -> String {
    let frogs: Vec<&str> = frogs.iter().map(|it| it.as_str()).collect();
    match (why, &frogs[..]) {
        (Why::SharedSensors, [first, second, ..]) => format!(
            "throw {first} alone, then restore. If the short is gone, it was {first}; if not, go on with {second}."
        ),
        (Why::Train, []) => "lift the train off and restore. If the short stays, it is on the track; if it is gone and \
                             comes back where the train is set down next, it is the train."
            .to_owned(),
        (Why::Train, [first, ..]) => format!(
            "see whether a wheel stands on the gap of {first}. If none does, lift the train off and restore: if the \
             short stays, it is on the track; if it comes back where the train is set down next, it is the train."
        ),
        (Why::PowerBack, _) => "take the trains of the district off, or all but one, and restore. If the current falls \
                                away, engines were charging; if it stays, lift the feeders by halves."
            .to_owned(),
        (Why::Passing, [first, ..]) => format!(
            "restore, and let the vehicle that ran there pass {first} alone. If current bursts up again, it is its wheel \
             there; if it does so at other turnouts too, it is the vehicle."
        ),
        (Why::Standing, [first, ..]) => format!(
            "look along the track, then throw {first} alone and restore. If the short is gone, it was {first}."
        ),
        (Why::SharedSensors | Why::Standing | Why::Passing, _) => "look along the track, then restore.".to_owned(),
    }
}

fn group(
    evidence: &Evidence,
    suspects: &[Suspect],
    layout: &Layout,
) -> Option<(Why, Vec<Accused>)> {
    let tries = [
        (Why::SharedSensors, shared_sensors(evidence, suspects)),
        (Why::PowerBack, after_power(evidence, suspects)),
        (Why::Passing, passing(evidence, suspects, layout)),
        (Why::Train, of_train(evidence, suspects, layout)),
        (Why::Standing, standing(evidence, suspects, layout)),
    ];
    tries.into_iter().find(|(_, all)| (2..=MOST_NAMES).contains(&all.len()))
}

fn frog_of(accused: Accused) -> Option<wiring::index::FrogIx> {
    match accused {
        Accused::Object(Object::Frog(frog)) => Some(frog),
        Accused::Object(
            Object::Booster(_)
            | Object::District(_)
            | Object::Block(_)
            | Object::Machine(_)
            | Object::Pole(_)
            | Object::Reverser(_),
        )
        | Accused::ObjectOnTrack
        | Accused::Vehicle
        | Accused::Wiring
        | Accused::Reverser
        | Accused::NotExplained => None,
    }
}

fn facts_of(evidence: &Evidence, accused: Accused) -> Option<&FrogFacts> {
    let frog = frog_of(accused)?;
    evidence.frogs.iter().find(|it| it.frog == frog)
}

fn shared_sensors(evidence: &Evidence, suspects: &[Suspect]) -> Vec<Accused> {
    let frogs: Vec<(&FrogFacts, &Suspect)> = suspects
        .iter()
        .filter(|it| it.share >= WORTH_A_TEST)
        .filter_map(|it| facts_of(evidence, it.accused).map(|facts| (facts, it)))
        .collect();
    let Some((first, of)) = frogs.first() else { return Vec::new() };
    frogs
        .iter()
        .filter(|(it, other)| {
            it.sensor_group == first.sensor_group && of.share.abs_diff(other.share) <= 1
        })
        .map(|(_, it)| it.accused)
        .collect()
}

/// The only block that stepped.
fn stepped(evidence: &Evidence) -> Option<&BlockFacts> {
    let mut all = evidence.blocks.iter().filter(|it| it.step == Step::Here);
    let first = all.next()?;
    all.next().is_none().then_some(first)
}

/// Nothing was seen at this frog that would set it apart from the track beside it.
fn is_bare(facts: &FrogFacts) -> bool {
    let rests = matches!(facts.machine, MachineSign::AtRest(_) | MachineSign::NotMeasured);
    let right = matches!(facts.polarity, PolaritySign::Matches | PolaritySign::NotMeasured);
    let entered = facts.wrong_leg.is_some_and(|leg| leg.edge.is_some());
    let odd = facts.out_of_step || facts.weak_contact || facts.at_boundary;
    rests && right && !entered && !odd && facts.own_current == Step::NotMeasured
}

fn is_bare_in(layout: &Layout, facts: &FrogFacts, block: BlockIx) -> bool {
    facts.step == Step::Here && is_bare(facts) && lies_in(layout, facts, block)
}

fn lies_in(layout: &Layout, facts: &FrogFacts, block: BlockIx) -> bool {
    layout.trackwork[layout.frogs[facts.frog.at()].trackwork.at()].block == block
}

/// The suspects that `is` admits, where the first is one of them.
fn those(suspects: &[Suspect], is: impl Fn(Accused) -> bool) -> Vec<Accused> {
    if !suspects.first().is_some_and(|first| is(first.accused)) {
        return Vec::new();
    }
    suspects.iter().map(|it| it.accused).filter(|it| is(*it)).collect()
}

/// A short that stood there or engines that charge, where current has not shown its course.
fn after_power(evidence: &Evidence, suspects: &[Suspect]) -> Vec<Accused> {
    if evidence.power_back.is_none() || !matches!(evidence.shape, Shape::NotKnown | Shape::Flat) {
        return Vec::new();
    }
    those(suspects, |accused| matches!(accused, Accused::Wiring | Accused::NotExplained))
}

/// Standing, without a cause that was seen: what lies on the track of the block that stepped, a contact there that joins
/// both sides, a car without pickup on a gap.
fn standing(evidence: &Evidence, suspects: &[Suspect], layout: &Layout) -> Vec<Accused> {
    let Some(block) = stepped(evidence).filter(|_| evidence.shape != Shape::Crept) else {
        return Vec::new();
    };
    if block.occupied == Some(true) || block.edge.is_some() {
        return Vec::new();
    }
    those(suspects, |accused| match facts_of(evidence, accused) {
        Some(facts) => is_bare_in(layout, facts, block.block),
        None => {
            accused == Accused::ObjectOnTrack
                || accused == Accused::Object(Object::Block(block.block))
        }
    })
}

/// Bursts that ended by themselves: a wheel that passes one of the frogs of the block.
fn passing(evidence: &Evidence, suspects: &[Suspect], layout: &Layout) -> Vec<Accused> {
    let Some(block) = stepped(evidence) else { return Vec::new() };
    if evidence.spikes == 0 && !evidence.ended_by_itself {
        return Vec::new();
    }
    those(suspects, |accused| {
        facts_of(evidence, accused).is_some_and(|facts| is_bare_in(layout, facts, block.block))
    })
}

/// With a train where current stepped: derailed, faulty, against a leg that lies in the same block, or over a contact that
/// joins both sides or points that do not lie where their machine says.
fn of_train(evidence: &Evidence, suspects: &[Suspect], layout: &Layout) -> Vec<Accused> {
    let Some(block) = stepped(evidence).filter(|_| evidence.shape != Shape::Crept) else {
        return Vec::new();
    };
    if block.occupied != Some(true) {
        return Vec::new();
    }
    those(suspects, |accused| match facts_of(evidence, accused) {
        Some(facts) => is_bare_in(layout, facts, block.block),
        None => {
            let there = accused == Accused::Object(Object::Block(block.block));
            there || matches!(accused, Accused::ObjectOnTrack | Accused::Vehicle)
        }
    })
}
