//! LCC: NMRA S-9.7 events over an adapter that carries CAN frames as text.
//!
//! [`frame`] finds frames in a stream of bytes, [`message`] reads and writes what they say. The node works on those values
//! and knows no I/O. The text has no check and an event no time: nothing that comes this
//! way proves a cut. Every request to cut is believed, and none to restore.

pub(crate) mod alias;
pub(crate) mod events;
pub mod frame;
pub mod message;
pub(crate) mod node;
mod remotes;
