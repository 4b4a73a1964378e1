//! The protection elements of one district, and their composition.

mod at_limit;
mod baseline;
mod guard;
mod half_short;
mod inrush;
mod overload;
mod settings;
mod short;
mod undervoltage;

pub(crate) use guard::{Guard, Sample, Trip, Verdict};
pub(crate) use settings::Settings;
