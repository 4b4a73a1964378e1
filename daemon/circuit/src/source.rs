//! Current-limited sources: a voltage behind a resistance up to a limit, a constant current beyond it.
//!
//! For n sources the output currents depend linearly on their voltages: I = Y E. Each source either keeps its full
//! voltage and stays below its limit, or holds its limit at a lower voltage. Which, is found by principal pivoting:
//! the first source that contradicts its state changes it. Y is positive definite, so this ends at the one solution.

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

/// Finds what each source does, given Y: row by row, the currents for one volt at one source.
pub(crate) fn drive(sources: &[Source], admittance: &Dense) -> Vec<Driven> {
    let mut limits = vec![false; sources.len()];
    // Principal pivoting visits a combination at most once; the bound only guards against rounding.
    let most = 1usize << sources.len().min(16);
    let mut driven = driven(sources, admittance, &limits);
    for _ in 0..most {
        let Some(wrong) = contradiction(sources, &driven) else { break };
        limits[wrong] = !limits[wrong];
        driven = self::driven(sources, admittance, &limits);
    }
    driven
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

fn driven(sources: &[Source], admittance: &Dense, limits: &[bool]) -> Vec<Driven> {
    let held: Vec<usize> = (0..sources.len()).filter(|&at| limits[at]).collect();
    let mut volts: Vec<f64> = sources.iter().map(|source| source.volts).collect();
    if let Some(lower) = held_volts(sources, admittance, &held) {
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

/// Voltages at which the sources in `held` deliver just their limit, the others at full voltage.
fn held_volts(sources: &[Source], admittance: &Dense, held: &[usize]) -> Option<Vec<f64>> {
    let mut matrix = Dense::zero(held.len());
    let mut right = Vec::with_capacity(held.len());
    for (row, &at) in held.iter().enumerate() {
        for (column, &other) in held.iter().enumerate() {
            matrix.set(row, column, admittance.at(at, other));
        }
        let full = (0..sources.len()).filter(|other| !held.contains(other));
        let pushed: f64 = full.map(|other| admittance.at(at, other) * sources[other].volts).sum();
        right.push(sources[at].limit - pushed);
    }
    let mut rights = [right];
    matrix.solve(&mut rights).then(|| std::mem::take(&mut rights[0]))
}
