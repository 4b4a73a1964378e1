//! What current would flow: constants, the resistive network, solver, curves, thermal images, studies.

pub mod curve;
pub mod grid;
pub mod thermal;
