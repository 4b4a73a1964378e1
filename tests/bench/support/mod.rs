//! What the benchmarks of the program share: brokers, clients, processes and what they cost, figures.

pub(crate) mod broker;
pub(crate) mod client;
pub(crate) mod figures;
pub(crate) mod process;
