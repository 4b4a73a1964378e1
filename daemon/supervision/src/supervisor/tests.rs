//! Whole-supervisor scenarios, written as text: time, channel, value; and the outputs they must lead to.

mod again;
mod alarms;
mod boosters;
mod charging;
mod commissioning;
mod faults;
mod inrush;
mod joined;
mod late;
mod laws;
mod limited;
mod loops;
mod never;
mod polarity;
mod records;
mod resettling;
mod restoring;
mod rig;
