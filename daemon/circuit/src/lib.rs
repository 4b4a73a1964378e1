//! What current would flow: constants, the resistive network, solver, curves, thermal images, studies.

pub mod curve;
mod dense;
pub mod grid;
pub mod ldl;
pub mod load;
pub mod loops;
pub mod network;
mod order;
mod plan;
pub mod repeat;
pub mod report;
pub mod source;
pub mod spice;
pub mod study;
pub mod thermal;
pub mod wired;
