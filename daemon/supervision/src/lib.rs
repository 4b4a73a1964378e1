//! What is happening: readings in, orders and alarms out. One deterministic state machine over the wiring model.
//!
//! Pure: no clock, no I/O, no logging. The shell calls `Supervisor::handle`, drains `Supervisor::poll_output`, sleeps
//! until `Supervisor::poll_deadline`, and repeats. The same inputs always give the same outputs.

pub mod alarm;
pub mod cause;
pub mod commission;
pub mod input;
pub mod locate;
pub mod output;
pub mod record;
pub mod snapshot;
pub mod start;
pub mod supervisor;
pub mod value;
pub mod words;

mod alarm_state;
mod alarms;
mod contact;
mod deadlines;
mod frog;
mod machine;
mod model;
mod noise;
mod occupancy;
mod power;
mod protect;
mod recorder;
mod residual;
mod restore;
mod ring;
mod store;
mod trains;

pub use model::Model;
pub use supervisor::{Held, Supervisor};
