//! What the layout is: units, the layout file, trackwork geometry, rails and netlist, and the proof of polarity.
//!
//! Pure: text in, model and findings out. No clock, no file, no randomness.

pub mod change;
pub mod channel;
pub mod check;
pub mod detect;
pub mod finding;
pub mod fingerprint;
pub mod found;
pub mod grammar;
pub mod index;
pub mod layout;
pub mod links;
pub mod material;
mod netlist;
pub mod plan;
pub mod polarity;
pub mod protection;
pub mod quantity;
pub mod read;
pub mod schema;
pub mod source;
pub mod suggest;
pub mod terminals;
pub mod trackwork;
pub mod units;

pub use read::{FileError, FileErrorKind, ReadResult, read};
