//! Sensors and actuators: bytes from the outside become [`supervision::input::Input`]s, orders become messages.
//!
//! Each protocol has a part without I/O (parsing, order of messages, who is told what) and a thin driver
//! around it: MQTT its own, all lines of bytes the one in `driver.rs`. Bad news
//! is believed on weak evidence, good news only on strong: a late, unordered or repeated message is marked as such here
//! and judged by the supervisor; an acknowledgement never proves a cut.

pub mod clp;
pub mod lcc;
pub mod modbus;

mod damage;
mod delay;
mod device;
mod driver;
#[cfg(test)]
mod faults;
#[cfg(test)]
#[path = "../../../tests/fuzz/mod.rs"]
mod fuzz;
#[cfg(test)]
mod fuzz_tests;
mod links;
mod mqtt;

mod nodes;
mod numbering;
mod order_check;
mod queue;

mod status;
#[cfg(test)]
mod testing;
mod tick;
mod unusable;

pub use links::{AlarmMessage, Links, Options, StartError, listen, start};
pub use queue::{Arrivals, Arrived};
pub use status::{LastUnusable, LinkKind, LinkStatus, NodeStatus};
pub use tick::Tick;
