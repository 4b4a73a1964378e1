//! Trials: a simulated layout and the supervisor in one loop, one fault at a time, judged by the plant's truth.
//!
//! The plant is `simulator`, which knows nothing of how the supervisor thinks and differs from its own layout file in
//! every resistance and time constant. Readings are handed over at the instant they arrive, orders reach the plant five
//! to ten milliseconds after they are given.

#![allow(dead_code, reason = "the bench and the fast test each use a part")]
#![allow(unreachable_pub, reason = "a module shared by path has no crate to be public in")]

pub mod bed;
pub mod calibrate;
pub mod closed_loop;
pub mod draw;
pub mod judge;
pub mod ledger;
pub mod link;
pub mod locating;
pub mod story;
pub mod tables;
pub mod tally;
pub mod tape;
