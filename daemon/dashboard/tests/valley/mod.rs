//! Invented data for tests and for the preview: the Tamarrow Valley in any size, and what may happen to it.

#![allow(dead_code, unreachable_pub, reason = "each test and the preview use a part of it")]

pub mod faults;
pub mod layout;
pub mod plant;
