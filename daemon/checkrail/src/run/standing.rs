//! Who has the cores when: threads that show and record give way to the one that protects, and that one to its orders.
//!
//! Two cores serve the supervisor, the broker and often a node as well. A page or a record that is a millisecond later
//! harms nobody; an order that waits for one may cost a contact.
//!
//! What a thread that stands back shares with the supervisor's is behind locks that are held no longer than a list or a
//! pointer is moved: it can be put aside while it holds one.

use std::{thread, time::Duration};

use rustix::process::{getpid, getpriority_process, setpriority_process};
use tracing::debug;

/// How far background threads stand back, on the scale of nice(2): at 10 they get about a tenth of what a thread of
/// usual standing gets, and are interrupted as soon as such a one wakes.
const STANDS_BACK: i32 = 10;

/// How long an order has the machine to itself. A broker on loopback that forwards 5,000 readings a second besides comes
/// to it later than after half of that in one case of ten; measured on two slow cores with the latency part of the table
/// in `DEVELOPERS.md`.
const PASSES_WITHIN: Duration = Duration::from_micros(500);

/// Lets the calling thread stand behind the first one of this program; needs no privilege. On Linux a nice value is the
/// thread's own and is handed down to those that it starts (sched(7), "The nice value"): it is set, not added to, so that
/// they stand no further back.
pub fn stand_back() {
    let first = getpriority_process(Some(getpid()));
    if let Err(error) = first.and_then(|own| setpriority_process(None, own + STANDS_BACK)) {
        debug!(%error, "a background thread keeps the standing of the supervisor");
    }
}

/// Gives the calling thread's core away while an order passes through a broker to its node. The scheduler may have
/// placed either of them behind this thread, and a thread that goes on computing keeps its core for milliseconds. Who
/// still waits for the core after that goes first: a thread that wakes would else be preferred to them.
///
/// Blocks all that runs on this thread, on purpose and only behind an order: a timer of the runtime is no finer than a
/// millisecond, and the next reading must not wait as long.
pub fn step_aside() {
    thread::sleep(PASSES_WITHIN);
    thread::yield_now();
}
