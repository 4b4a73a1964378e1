//! The whole system under one seed and a virtual clock: plant, links with trouble, supervisor, history, people.
//!
//! Goal: whatever goes wrong with messages, nodes, the disk, the clock and the process itself, the promises of
//! [`checks`] hold after every step; and once the trouble is over everything is well again in bounded time.
//! Method: the plant (`simulator`) and the supervisor as they are; the history as it is, on a disk whose time is ours;
//! between them [`wire`], which loses, delays, repeats, reorders and spoils messages; killed and started by [`drive`].
//! The same seed does the same: each finding is repeated by the command that it prints.

#![allow(dead_code, reason = "the bench and the test each use a part")]
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "tells how to repeat a seed, and prints a table"
)]
#![allow(unreachable_pub, reason = "a module shared by path has no crate to be public in")]

pub mod beds;
pub mod checks;
pub mod disk;
pub mod drive;
pub mod people;
pub mod run;
pub mod soak;
pub mod wire;
