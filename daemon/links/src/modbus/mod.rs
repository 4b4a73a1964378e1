//! Modbus RTU and TCP: meters polled by a register table, relay coils as outputs.
//!
//! [`pdu`] is the language, [`wire`] one exchange at a time, the bus the polling plan; none of them does I/O. RTU and TCP share everything but the framing:
//! one polling plan, one table of failures.

pub mod crc;
pub mod decode;
pub mod pdu;
pub mod plan;
pub mod probe;
pub mod wire;

pub(crate) mod bus;
mod doubt;
mod unit;
