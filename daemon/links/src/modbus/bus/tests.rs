//! A line with fake units, by virtual time: every failure of the contract's matrix, cell by cell.

mod cells;
mod damage;
mod orders;
mod plan;
mod rig;
