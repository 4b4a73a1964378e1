//! What a recorded fault would have cost each contact, had its current ended when a cut takes effect.
//!
//! The record knows what the whole recorded current did to a contact. Of its energy counts the part that flowed before
//! the cut; its heat is followed with the equation of the thermal image up to there.

use circuit::thermal::Image;
use supervision::{
    input::Value,
    record::{ContactStress, FaultRecord},
};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::PoleIx,
    layout::Layout,
    units::{Micros, Mono},
};

/// What a fault costs one pole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cost {
    /// The pole.
    pub pole: PoleIx,
    /// Highest contact heat. Unit: % of its limit.
    pub heat: f64,
    /// Energy carried. Unit: A2s.
    pub energy: f64,
    /// Hits counted.
    pub hits: u32,
}

/// The costs of a record, its current ending at `off`; none: as recorded.
#[must_use]
pub fn of(
    record: &FaultRecord,
    off: Option<Mono>,
    layout: &Layout,
    channels: &ChannelTable,
) -> Vec<Cost> {
    let of_pole = |stress: &ContactStress| {
        let whole = Cost {
            pole: stress.pole,
            heat: f64::from(stress.after) / 10.0,
            energy: stress.energy.0 as f64 / 1e6,
            hits: stress.hits,
        };
        let steps = off.map(|off| (off, steps(record, stress.pole, layout, channels)));
        steps.map_or(whole, |(off, steps)| cut_short(&whole, stress, &steps, off, layout))
    };
    record.contacts.iter().map(of_pole).collect()
}

/// By pole: the highest heat, energies and hits added up. Poles that carried no fault current are left out.
#[must_use]
pub fn sum(costs: impl Iterator<Item = Cost>) -> Vec<Cost> {
    let mut all: Vec<Cost> = Vec::new();
    for cost in costs.filter(|it| 0 < it.hits || 0.0 < it.energy) {
        match all.iter_mut().find(|it| it.pole == cost.pole) {
            Some(it) => {
                it.heat = it.heat.max(cost.heat);
                it.energy += cost.energy;
                it.hits += cost.hits;
            }
            None => all.push(cost),
        }
    }
    all.sort_by_key(|it| it.pole);
    all
}

/// A stretch of the recorded fault: from when, how long, amperes of fault current.
struct Step {
    from: Mono,
    span: Micros,
    amps: f64,
}

/// The fault current behind a pole as recorded: measured at its frog, else the step of its block, else of its district.
fn steps(
    record: &FaultRecord,
    pole: PoleIx,
    layout: &Layout,
    channels: &ChannelTable,
) -> Vec<Step> {
    let fed = layout.frogs.iter().position(|frog| frog.poles.iter().any(|it| it.pole == pole));
    let Some(frog) = fed.map(wiring::index::FrogIx::new) else { return Vec::new() };
    let block = layout.block_of_frog(frog);
    let places = [
        (Object::Frog(frog), false),
        (Object::Block(block), true),
        (Object::District(layout.district_of_block(block)), true),
    ];
    let found = places.into_iter().find_map(|(object, above_base)| {
        let waveform = record.waveforms.iter().find(|it| {
            let channel = channels.channel(it.channel);
            channel.object == object && channel.quantity == Quantity::Current
        })?;
        let samples: Vec<(Mono, f64)> =
            waveform.samples.iter().filter_map(|(at, value)| Some((*at, amps(*value)?))).collect();
        (!samples.is_empty()).then_some((samples, above_base))
    });
    let Some((samples, above_base)) = found else { return Vec::new() };
    let before = samples.iter().take_while(|(at, _)| *at < record.onset).last();
    let base = before.filter(|_| above_base).map_or(0.0, |(_, amps)| *amps);
    let pairs = samples.windows(2).filter(|pair| record.onset <= pair[0].0);
    pairs
        .map(|pair| Step {
            from: pair[0].0,
            span: pair[1].0.since(pair[0].0),
            amps: (pair[0].1 - base).max(0.0),
        })
        .collect()
}

const fn amps(value: Value) -> Option<f64> {
    match value {
        Value::Current(amps) => Some(amps.0 as f64 / 1e6),
        _ => None,
    }
}

fn cut_short(
    whole: &Cost,
    stress: &ContactStress,
    steps: &[Step],
    off: Mono,
    layout: &Layout,
) -> Cost {
    let square = |step: &Step, span: Micros| step.amps.powi(2) * span.seconds();
    let all: f64 = steps.iter().map(|step| square(step, step.span)).sum();
    let flowed = |step: &Step| step.span.min(off.since(step.from));
    let until: f64 = steps.iter().map(|step| square(step, flowed(step))).sum();
    let highest = steps.iter().map(|step| step.amps).fold(0.0, f64::max);
    // Nothing is recorded that tells when it flowed, or all of it flowed before.
    if all <= 0.0 || highest <= 0.0 || until >= all {
        return *whole;
    }
    let machine = &layout.machines[layout.poles[stress.pole.at()].machine.at()];
    let rating = machine.contact_rating.amps();
    let peak = stress.amps.amps();
    let mut image = Image { theta: f64::from(stress.before) / 1000.0 };
    let mut hottest = image.theta;
    for step in steps.iter().filter(|step| step.from < off) {
        let through = peak * step.amps / highest;
        image.advance(through / rating, flowed(step), machine.contact_time_constant);
        hottest = hottest.max(image.theta);
    }
    Cost {
        heat: (hottest * 100.0).min(whole.heat),
        energy: whole.energy * until / all,
        hits: if until > 0.0 { whole.hits } else { 0 },
        ..*whole
    }
}
