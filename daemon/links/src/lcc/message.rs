//! What a frame says. Header bits, types and numbers: NMRA S-9.7.2.1 CAN Frame Transfer, S-9.7.3 Message Network and
//! S-9.7.3.1 Event Transport, as quoted in links.md 4.

use std::fmt;

use super::frame::Frame;

/// Bit 28 is always set.
const BASE: u32 = 0x1000_0000;
/// Bit 27: a message; else a frame of the CAN layer itself.
const MESSAGE: u32 = 0x0800_0000;
/// An MTI with this bit is addressed.
const ADDRESSED: u16 = 0x008;

/// Six bytes that no two nodes of the world share.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct NodeId(pub [u8; 6]);

/// Eight bytes that name an event.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct EventId(pub [u8; 8]);

impl fmt::Display for NodeId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        dotted(&self.0, f)
    }
}

impl fmt::Display for EventId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        dotted(&self.0, f)
    }
}

fn dotted(bytes: &[u8], f: &mut fmt::Formatter<'_>) -> fmt::Result {
    for (at, byte) in bytes.iter().enumerate() {
        let point = if at == 0 { "" } else { "." };
        write!(f, "{point}{byte:02X}")?;
    }
    Ok(())
}

/// Whether what an event says is so now.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum Validity {
    /// It is so.
    Valid,
    /// It is not.
    Invalid,
    /// Nobody knows.
    #[default]
    Unknown,
}

/// MTIs that have a name here.
pub(crate) mod mti {
    pub(crate) const INITIALIZED: u16 = 0x100;
    pub(crate) const INITIALIZED_SIMPLE: u16 = 0x101;
    pub(crate) const VERIFIED: u16 = 0x170;
    pub(crate) const VERIFIED_SIMPLE: u16 = 0x171;
    pub(crate) const VERIFY_TO: u16 = 0x488;
    pub(crate) const VERIFY: u16 = 0x490;
    pub(crate) const REJECTED: u16 = 0x068;
    pub(crate) const TERMINATED: u16 = 0x0A8;
    pub(crate) const PROTOCOLS: u16 = 0x828;
    pub(crate) const PROTOCOLS_REPLY: u16 = 0x668;
    pub(crate) const NODE_INFO: u16 = 0xDE8;
    pub(crate) const NODE_INFO_REPLY: u16 = 0xA08;
    pub(crate) const DATAGRAM_OK: u16 = 0xA28;
    pub(crate) const DATAGRAM_REJECTED: u16 = 0xA48;
    pub(crate) const IDENTIFY_TO: u16 = 0x968;
    pub(crate) const IDENTIFY: u16 = 0x970;
    pub(crate) const IDENTIFY_PRODUCER: u16 = 0x914;
    pub(crate) const IDENTIFY_CONSUMER: u16 = 0x8F4;
    pub(crate) const PRODUCER: [u16; 3] = [0x544, 0x545, 0x547];
    pub(crate) const CONSUMER: [u16; 3] = [0x4C4, 0x4C5, 0x4C7];
    pub(crate) const REPORT: u16 = 0x5B4;
}

/// What a frame says.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Said {
    /// Part 7, 6, 5 or 4 of the check of an alias, with twelve bits of the node ID.
    CheckId(u8, u16),
    /// The alias is taken.
    ReserveId,
    /// The alias belongs to this node.
    MapDefinition(NodeId),
    /// Who has this node ID; none: all shall tell theirs.
    MapEnquiry(Option<NodeId>),
    /// The alias belongs to nobody any more.
    MapReset(NodeId),
    /// A node has started.
    Initialized(NodeId),
    /// Who is there? With a node ID: only that one answers.
    Verify(Option<NodeId>),
    /// The node tells its ID.
    Verified(NodeId),
    /// Who produces this event?
    IdentifyProducer(EventId),
    /// Who consumes it?
    IdentifyConsumer(EventId),
    /// The node produces this event.
    Producer(EventId, Validity),
    /// The node consumes it.
    Consumer(EventId, Validity),
    /// All nodes shall tell all their events.
    IdentifyEvents,
    /// The event happened.
    Report(EventId),
    /// To one node, by alias.
    To(u16, Asked),
    /// Anything else: of no concern.
    Other,
}

/// What one node is asked.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Asked {
    /// Its node ID.
    Verify,
    /// Its events.
    IdentifyEvents,
    /// Its protocols.
    Protocols,
    /// Its names.
    NodeInfo,
    /// To take a datagram.
    Datagram,
    /// An answer to something that we might have asked.
    Answer,
    /// A part of a longer message, or of a stream: nothing to answer.
    Part,
    /// A message of this type, which is not ours.
    Unknown(u16),
}

/// A frame, read.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Message {
    /// The sender's alias.
    pub from: u16,
    /// What it says.
    pub said: Said,
}

impl Message {
    /// Reads a frame; none if its length is wrong for its type.
    #[must_use]
    pub fn read(frame: &Frame) -> Option<Self> {
        let from = low12(frame.header);
        let middle = low12(frame.header >> 12);
        let said = match (frame.header & MESSAGE, frame.header >> 24 & 7) {
            (0, part @ 4..=7) => Said::CheckId(u8::try_from(part).ok()?, middle),
            (0, _) => control(middle, frame.data())?,
            (_, 1) => message(middle, frame.data())?,
            (_, 2 | 5) => Said::To(middle, Asked::Datagram),
            (_, 3 | 4 | 7) => Said::To(middle, Asked::Part),
            (_, _) => Said::Other,
        };
        Some(Self { from, said })
    }
}

fn low12(bits: u32) -> u16 {
    u16::try_from(bits & 0xFFF).unwrap_or(0)
}

fn control(kind: u16, data: &[u8]) -> Option<Said> {
    Some(match kind {
        0x700 => Said::ReserveId,
        0x701 => Said::MapDefinition(node(data)?),
        0x702 if data.is_empty() => Said::MapEnquiry(None),
        0x702 => Said::MapEnquiry(Some(node(data)?)),
        0x703 => Said::MapReset(node(data)?),
        _ => Said::Other,
    })
}

fn message(mti: u16, data: &[u8]) -> Option<Said> {
    if mti & ADDRESSED != 0 {
        return addressed(mti, data);
    }
    Some(match mti {
        mti::INITIALIZED | mti::INITIALIZED_SIMPLE => Said::Initialized(node(data)?),
        mti::VERIFIED | mti::VERIFIED_SIMPLE => Said::Verified(node(data)?),
        mti::VERIFY if data.is_empty() => Said::Verify(None),
        mti::VERIFY => Said::Verify(Some(node(data)?)),
        mti::IDENTIFY_PRODUCER => Said::IdentifyProducer(event(data)?),
        mti::IDENTIFY_CONSUMER => Said::IdentifyConsumer(event(data)?),
        mti::IDENTIFY => Said::IdentifyEvents,
        mti::REPORT => Said::Report(event(data)?),
        _ => match (validity(mti::PRODUCER, mti), validity(mti::CONSUMER, mti)) {
            (Some(it), _) => Said::Producer(event(data)?, it),
            (None, Some(it)) => Said::Consumer(event(data)?, it),
            (None, None) => Said::Other,
        },
    })
}

fn validity([valid, invalid, unknown]: [u16; 3], mti: u16) -> Option<Validity> {
    let all =
        [(valid, Validity::Valid), (invalid, Validity::Invalid), (unknown, Validity::Unknown)];
    all.iter().find(|(it, _)| *it == mti).map(|(_, validity)| *validity)
}

/// The first two bytes hold the receiver's alias, and whether this is the first, a middle or the last frame.
fn addressed(mti: u16, data: &[u8]) -> Option<Said> {
    let [high, low, ..] = data else { return None };
    let to = u16::from_be_bytes([high & 0x0F, *low]);
    let whole = matches!(high >> 4 & 3, 0 | 2);
    let asked = match mti {
        _ if !whole => Asked::Part,
        mti::VERIFY_TO => Asked::Verify,
        mti::IDENTIFY_TO => Asked::IdentifyEvents,
        mti::PROTOCOLS => Asked::Protocols,
        mti::NODE_INFO => Asked::NodeInfo,
        mti::PROTOCOLS_REPLY
        | mti::NODE_INFO_REPLY
        | mti::DATAGRAM_OK
        | mti::DATAGRAM_REJECTED
        | mti::REJECTED
        | mti::TERMINATED => Asked::Answer,
        other => Asked::Unknown(other),
    };
    Some(Said::To(to, asked))
}

fn node(data: &[u8]) -> Option<NodeId> {
    data.try_into().ok().map(NodeId)
}

fn event(data: &[u8]) -> Option<EventId> {
    data.try_into().ok().map(EventId)
}

/// A frame of the CAN layer.
pub(crate) fn control_frame(kind: u16, alias: u16, data: &[u8]) -> Frame {
    frame(BASE | u32::from(kind) << 12 | u32::from(alias), data)
}

/// A message to all.
pub(crate) fn message_frame(mti: u16, alias: u16, data: &[u8]) -> Frame {
    let header = BASE | MESSAGE | 1 << 24 | u32::from(mti) << 12 | u32::from(alias);
    frame(header, data)
}

/// A message to one node, in as many frames as it needs.
pub(crate) fn addressed_frames(mti: u16, alias: u16, to: u16, data: &[u8]) -> Vec<Frame> {
    let parts: Vec<&[u8]> = if data.is_empty() { vec![&[]] } else { data.chunks(6).collect() };
    let last = parts.len() - 1;
    let one = |(at, part): (usize, &&[u8])| {
        let flags: u16 = match (at == 0, at == last) {
            (true, true) => 0,
            (true, false) => 0x1000,
            (false, true) => 0x2000,
            (false, false) => 0x3000,
        };
        let mut bytes = (flags | to).to_be_bytes().to_vec();
        bytes.extend_from_slice(part);
        message_frame(mti, alias, &bytes)
    };
    parts.iter().enumerate().map(one).collect()
}

/// What is written here has at most eight bytes.
fn frame(header: u32, data: &[u8]) -> Frame {
    Frame::new(header, data).unwrap_or_else(|| unreachable!("no message has more than 8 bytes"))
}

/// Part 7, 6, 5 or 4 of the check of our alias.
pub(crate) fn check_frame(part: u8, node: NodeId, alias: u16) -> Frame {
    let shift = u32::from(part - 4) * 12;
    let bits = low12(u32::try_from(number(node) >> shift & 0xFFF).unwrap_or(0));
    frame(BASE | u32::from(part) << 24 | u32::from(bits) << 12 | u32::from(alias), &[])
}

/// A node ID as a number of 48 bits.
pub(crate) fn number(node: NodeId) -> u64 {
    node.0.iter().fold(0, |number, byte| number << 8 | u64::from(*byte))
}
