//! Whole-supervisor scenarios, written as text: time, channel, value; and the outputs they must lead to.

mod alarms;
mod commissioning;
mod faults;
mod laws;
mod loops;
mod never;
mod restoring;
mod rig;
