//! A layout that misbehaves: trains, throws, contacts, breakers and sensors, from a seed and a virtual clock.
//!
//! Pure: the same seed, layout, plan and orders give the same readings and the same truth, byte for byte. Knows the
//! layout (`wiring`) and what current flows (`circuit`), and nothing of how a supervisor thinks.

pub mod output;
pub mod plan;
pub mod random;
pub mod scenario;
mod world;

pub use output::{Announced, FaultReport, Node, SimReading, SimValue, Truth, TruthEvent};
pub use plan::{Crew, FaultPlan, Perturbation, Plan, Planned, SensorPlan};
pub use scenario::{Expected, Scenario};
pub use world::World;
