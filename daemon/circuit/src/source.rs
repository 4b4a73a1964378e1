//! Current-limited sources: a voltage behind a resistance up to a limit, a constant current beyond it.
//!
//! For n sources the output currents depend linearly on their voltages: I = Y E. Each source either keeps its full
//! voltage and stays below its limit, or holds its limit at a lower voltage. Which, is found by principal pivoting:
//! the first source that contradicts its state changes it (Murty's rule of the least index). It ends at the one solution
//! when Y is positive definite. Sources in one loop carry one current, and Y is only semidefinite then: a small multiple
//! of the identity is added while states are chosen, and left out of the result.

use crate::dense::Dense;

/// A source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Source {
    /// Positive terminal.
    pub plus: u32,
    /// Negative terminal.
    pub minus: u32,
    /// Open-circuit voltage. Unit: volt.
    pub volts: f64,
    /// Source resistance, above zero. Unit: ohm.
    pub ohms: f64,
    /// The most it delivers. Unit: ampere.
    pub limit: f64,
}

/// What a source does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Driven {
    /// Voltage behind its resistance: the full one, or less when it limits. Unit: volt.
    pub volts: f64,
    /// Current out of it. Unit: ampere.
    pub amps: f64,
    /// It is at its limit.
    pub limits: bool,
}

/// Contradictions smaller than this part of the value are rounding.
const ROUNDING: f64 = 1e-12;

/// What is added to the diagonal of Y while states are chosen, as a part of its largest entry: far above rounding, far
/// below anything that matters.
const FIRMNESS: f64 = 1e-10;

/// Finds what each source does, given Y: row by row, the currents for one volt at one source.
pub(crate) fn drive(sources: &[Source], admittance: &Dense) -> Vec<Driven> {
    let mut limits = vec![false; sources.len()];
    // Principal pivoting visits a combination at most once; the bound only guards against rounding.
    let most = 1usize << sources.len().min(16);
    let largest = (0..sources.len()).map(|at| admittance.at(at, at)).fold(0.0, f64::max);
    for _ in 0..most {
        let chosen = driven(sources, admittance, &limits, FIRMNESS * largest);
        let Some(wrong) = contradiction(sources, &chosen) else { break };
        limits[wrong] = !limits[wrong];
    }
    driven(sources, admittance, &limits, 0.0)
}

fn contradiction(sources: &[Source], driven: &[Driven]) -> Option<usize> {
    sources.iter().zip(driven).position(|(source, driven)| {
        if driven.limits {
            driven.volts > source.volts * (1.0 + ROUNDING)
        } else {
            driven.amps > source.limit * (1.0 + ROUNDING)
        }
    })
}

fn driven(sources: &[Source], admittance: &Dense, limits: &[bool], firm: f64) -> Vec<Driven> {
    let held: Vec<usize> = (0..sources.len()).filter(|&at| limits[at]).collect();
    let mut volts: Vec<f64> = sources.iter().map(|source| source.volts).collect();
    if let Some(lower) = held_volts(sources, admittance, &held, firm) {
        for (&at, lower) in held.iter().zip(lower) {
            volts[at] = lower;
        }
    }
    let amps = |at: usize| {
        (0..sources.len()).map(|other| admittance.at(at, other) * volts[other]).sum::<f64>()
    };
    let one = |at: usize| Driven { volts: volts[at], amps: amps(at), limits: limits[at] };
    (0..sources.len()).map(one).collect()
}

/// Voltages at which the sources in `held` deliver just their limit, the others at full voltage. `firm` acts on what a
/// source gives way, so that sources in one loop find out which of them does.
fn held_volts(
    sources: &[Source],
    admittance: &Dense,
    held: &[usize],
    firm: f64,
) -> Option<Vec<f64>> {
    let mut matrix = Dense::zero(held.len());
    let mut right = Vec::with_capacity(held.len());
    for (row, &at) in held.iter().enumerate() {
        for (column, &other) in held.iter().enumerate() {
            matrix.set(row, column, admittance.at(at, other));
        }
        let full = (0..sources.len()).filter(|other| !held.contains(other));
        let pushed: f64 = full.map(|other| admittance.at(at, other) * sources[other].volts).sum();
        matrix.set(row, row, matrix.at(row, row) + firm);
        right.push(sources[at].limit - pushed + firm * sources[at].volts);
    }
    let mut rights = [right];
    matrix.solve(&mut rights).then(|| std::mem::take(&mut rights[0]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(volts: f64, limit: f64) -> Source {
        Source { plus: 0, minus: 1, volts, ohms: 0.1, limit }
    }

    /// Two sources in series around one loop of 1 ohm: the lower limit rules, the other keeps its voltage.
    #[test]
    fn in_one_loop_the_source_with_the_lower_limit_gives_way() {
        for limits in [[7.3, 5.12], [5.12, 7.3]] {
            let sources = limits.map(|limit| source(15.0, limit));
            let mut admittance = Dense::zero(2);
            for (row, column) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
                admittance.set(row, column, 1.0);
            }
            let driven = drive(&sources, &admittance);
            let lower = usize::from(limits[1] < limits[0]);
            assert!((driven[lower].amps - 5.12).abs() < 1e-9, "{driven:?}");
            assert!(driven[lower].limits && !driven[1 - lower].limits);
            assert_eq!(driven[1 - lower].volts, 15.0);
        }
    }

    #[test]
    fn a_source_below_its_limit_keeps_its_voltage() {
        let mut admittance = Dense::zero(1);
        admittance.set(0, 0, 0.5);
        let driven = drive(&[source(4.0, 5.0)], &admittance);
        assert_eq!(driven[0], Driven { volts: 4.0, amps: 2.0, limits: false });
    }
}
