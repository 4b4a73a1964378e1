//! What is happening: readings in, orders and alarms out. One deterministic state machine over the wiring model.
//!
//! Pure: no clock, no I/O, no logging. The shell calls `Supervisor::handle`, drains `Supervisor::poll_output`, sleeps
//! until `Supervisor::poll_deadline`, and repeats. The same inputs always give the same outputs.

pub mod alarm;
pub mod cause;
pub mod input;
pub mod locate;
pub mod output;
pub mod record;
pub mod snapshot;
pub mod start;
pub mod supervisor;
pub mod value;
pub mod words;

pub use supervisor::Supervisor;
