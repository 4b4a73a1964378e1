//! Who did it: suspects ranked by naive Bayes over one table of likelihood ratios, each reason with its weight.
//!
//! Signs of one cause count once, the strongest: wrong rail, not switching, out of step and a weak contact speak of one
//! contact; moving, unknown and just thrown speak of one throw. Evidence of place outranks recency by its weight.

mod advice;
mod alike;
mod evidence;
mod frogs;
mod signs;
#[cfg(test)]
mod tests;
mod weights;

pub use advice::{Cut, advice};
pub use alike::{alike, alike_name, inseparable};
pub use evidence::{
    Around, BlockFacts, Came, Evidence, FrogFacts, MachineSign, Others, PolaritySign, PowerBack,
    ReverserFacts, Shape, Step, WrongLeg,
};

use wiring::{channel::Object, layout::Layout};

use crate::record::{Accused, Reason, Suspect};
use signs::Found;
use weights::prior;
pub use weights::{Sign, ratio};

/// Shares are given in thousandths of the evidence.
const WHOLE: u128 = 1000;

/// The scale of a candidate's weight, so that many small ratios still leave digits.
const SCALE: u128 = 1_000_000_000_000;

/// Ranks the suspects of a fault: strongest first, shares adding to exactly 1000. Suspects whose share rounds to nothing
/// are left out.
#[must_use]
pub fn rank(evidence: &Evidence, layout: &Layout) -> Vec<Suspect> {
    shared_out(all_found(evidence, layout).into_iter().map(Candidate::new).collect())
}

/// A suspect with the signs that were found for and against it, before they are weighed.
#[derive(Clone, Debug, PartialEq)]
pub struct Signed {
    /// Who.
    pub accused: Accused,
    /// What its kind weighs before anything is seen, in hundredths.
    pub prior: u32,
    /// What was found, each sign once.
    pub signs: Vec<Sign>,
}

/// Every suspect with its signs, also those whose share rounds to nothing: what weights are fitted on.
#[must_use]
pub fn signed(evidence: &Evidence, layout: &Layout) -> Vec<Signed> {
    let signs = |found: &[Found]| found.iter().map(|it| it.sign).collect();
    let each = all_found(evidence, layout).into_iter();
    each.map(|(accused, prior, found)| Signed { accused, prior, signs: signs(&found) }).collect()
}

/// Every suspect, what its kind weighs, and what was found for and against it.
fn all_found(evidence: &Evidence, layout: &Layout) -> Vec<(Accused, u32, Vec<Found>)> {
    let mut all = Vec::new();
    for facts in &evidence.frogs {
        let found = frogs::of_frog(evidence, facts, layout);
        all.push((Accused::Object(Object::Frog(facts.frog)), prior::FROG, found));
    }
    for facts in &evidence.blocks {
        let found = signs::of_block(evidence, facts, layout);
        all.push((Accused::Object(Object::Block(facts.block)), prior::BLOCK, found));
    }
    all.extend([
        (Accused::ObjectOnTrack, prior::OBJECT, signs::of_object(evidence, layout)),
        (Accused::Vehicle, prior::VEHICLE, signs::of_vehicle(evidence, layout)),
        (Accused::Wiring, prior::WIRING, signs::of_wiring(evidence, layout)),
        (Accused::NotExplained, prior::NOT_EXPLAINED, signs::of_nothing(evidence)),
    ]);
    if !evidence.reversers.is_empty() {
        let found = signs::of_reversers(evidence, layout);
        all.push((Accused::Reverser, prior::REVERSER, found));
    }
    all
}

/// A suspect while it is weighed.
struct Candidate {
    accused: Accused,
    weight: u128,
    reasons: Vec<Reason>,
}

impl Candidate {
    fn new((accused, prior, found): (Accused, u32, Vec<Found>)) -> Self {
        let weight = found.iter().fold(u128::from(prior) * SCALE, |weight, it| {
            (weight * u128::from(it.ratio()) / 100).max(1)
        });
        let mut reasons: Vec<Reason> =
            found.into_iter().map(|it| Reason { ratio: it.ratio(), text: it.text }).collect();
        if reasons.is_empty() {
            let text = "nothing measured speaks for or against it".to_owned();
            reasons.push(Reason { text, ratio: 100 });
        }
        Self { accused, weight, reasons }
    }
}

/// Turns weights into shares that add to the whole: each gets its floor, the rest goes to the largest remainders.
fn shared_out(mut candidates: Vec<Candidate>) -> Vec<Suspect> {
    candidates.sort_by(|a, b| b.weight.cmp(&a.weight).then(a.accused.cmp(&b.accused)));
    let sum: u128 = candidates.iter().map(|it| it.weight).sum();
    let mut shares: Vec<u32> =
        candidates.iter().map(|it| (it.weight * WHOLE / sum) as u32).collect();
    let given: u32 = shares.iter().sum();
    let mut by_remainder: Vec<usize> = (0..candidates.len()).collect();
    by_remainder.sort_by_key(|&at| (std::cmp::Reverse(candidates[at].weight * WHOLE % sum), at));
    for &at in by_remainder.iter().take(WHOLE as usize - given as usize) {
        shares[at] += 1;
    }
    let mut suspects: Vec<Suspect> = candidates
        .into_iter()
        .zip(shares)
        .filter(|(_, share)| *share > 0)
        .map(|(it, share)| Suspect { accused: it.accused, share, reasons: it.reasons })
        .collect();
    suspects.sort_by_key(|it| std::cmp::Reverse(it.share));
    suspects
}
