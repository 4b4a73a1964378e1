//! A layout that misbehaves: trains, throws, contacts, breakers and sensors, from a seed and a virtual clock.
//!
//! Pure: the same seed, layout, plan and orders give the same readings and the same truth, byte for byte. Knows the
//! layout (`wiring`) and what current flows (`circuit`), and nothing of how a supervisor thinks.

mod contact;
mod current;
mod driver;
mod effect;
mod fault;
mod gap;
mod generate;
mod inject;
mod inject_power;
mod inject_sensor;
mod machine;
pub mod output;
mod pace;
pub mod plan;
mod plant;
mod probe;
mod rails;
pub mod random;
mod reverser;
pub mod scenario;
mod scenario_table;
mod sensor;
pub mod session;
mod site;
mod supply;
#[cfg(test)]
mod tests;
mod train;
mod words;
mod world;

pub use generate::generate;
pub use output::{Announced, FaultReport, Node, SimReading, SimValue, Truth, TruthEvent};
pub use plan::{Crew, FaultPlan, Perturbation, Plan, Planned, SensorPlan};
pub use scenario::{Expected, Inject, SCENARIOS, Scenario};
pub use session::{Line, Session, simulate};
pub use world::World;
