//! What the dashboard and the metrics are told about the links.

use std::time::Instant;

/// Kind of a link.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum LinkKind {
    /// MQTT.
    Mqtt,
    /// The line protocol.
    Serial,
    /// Modbus.
    Modbus,
    /// LCC events.
    Lcc,
}

/// One link as it is now.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct LinkStatus {
    /// `mqtt`, or NAME of `[links.serial.NAME]`.
    pub name: String,
    /// Its kind.
    pub kind: LinkKind,
    /// Broker or device, as configured.
    pub address: String,
    /// It works now.
    pub up: bool,
    /// Why it does not, in words; empty while it works.
    pub trouble: String,
    /// Connections made since the start.
    pub connections: u64,
    /// Messages or lines received.
    pub received: u64,
    /// Those that could not be used.
    pub unusable: u64,
    /// The newest of them that came with a reason.
    pub last_unusable: Option<LastUnusable>,
    /// Those that came twice, or after a newer one.
    pub out_of_order: u64,
    /// Lines known to be lost, from gaps in their numbers.
    pub lost: u64,
    /// Readings dropped because the supervisor did not keep up; over all links.
    pub dropped: u64,
    /// Orders handed to the transport.
    pub orders_sent: u64,
    /// Orders that could not be.
    pub orders_not_sent: u64,
    /// Largest extra delay of a reading in the last half minute, over the best line. Unit: ms.
    pub lag_ms: u32,
    /// Nodes that introduced themselves.
    pub nodes: Vec<NodeStatus>,
}

/// A message that could not be used.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct LastUnusable {
    /// When it came.
    pub at: Instant,
    /// Where it came from, safe to show.
    pub source: String,
    /// Why it could not be used, safe to show.
    pub what: String,
}

/// One node.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct NodeStatus {
    /// Its name.
    pub name: String,
    /// It gives signs of life.
    pub alive: bool,
    /// Why it is listed and not used; empty when it is used.
    pub trouble: String,
}
