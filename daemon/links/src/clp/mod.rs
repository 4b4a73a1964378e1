//! The line protocol, version 1 (`clp=1`): text lines between a microcontroller node and Checkrail.
//!
//! [`framer`] finds lines in a stream of bytes, [`parse`](parse::parse) and [`format`](format::encode) turn them into
//! values and back. The session of a port and its nodes works on those values and knows no I/O.

pub(crate) mod commands;
pub mod crc;
pub mod format;
pub mod framer;
pub mod line;
pub(crate) mod node;
pub mod parse;
mod pings;
pub(crate) mod port;
pub(crate) mod table;

/// Longest line, its end included. Unit: octet.
pub const LONGEST_LINE: usize = 160;
