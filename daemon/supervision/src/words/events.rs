//! The words of events.

use wiring::layout::Layout;

use super::{feed_text, pole_text, refusal_text};
use crate::{
    cause::Element,
    input::{MachinePosition, MeasuredPolarity, ReverserState},
    output::{Event, EventKind, NodeEvent, Occupancy, PowerState, ProofStrength},
};

impl EventKind {
    /// The kind as one word, for filters and the API.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Started => "started",
            Self::Stopping => "stopping",
            Self::PowerChanged(..) => "power",
            Self::PickedUp(..) => "picked-up",
            Self::DroppedOut(..) => "dropped-out",
            Self::PositionChanged(..) => "position",
            Self::PolarityChanged(..) => "polarity",
            Self::OccupancyChanged(..) => "occupancy",
            Self::ReverserChanged(..) => "reverser",
            Self::CutProved(..) => "cut-proved",
            Self::LockedOut(..) => "locked-out",
            Self::LockOutOpened(..) => "lock-out-opened",
            Self::Hit { .. } => "hit",
            Self::Operated { .. } => "operated",
            Self::Node { .. } => "node",
            Self::ReadingBad { .. } => "reading-bad",
        }
    }
}

impl NodeEvent {
    /// `introduced itself`, `restarted`, `silent`, `back`.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Born => "introduced itself",
            Self::Restarted => "restarted",
            Self::Lost => "silent",
            Self::Back => "back",
        }
    }
}

impl ProofStrength {
    /// `strong weak`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Strong => "strong",
            Self::Weak => "weak",
        }
    }
}

/// An event in one line.
#[must_use]
pub fn event_text(event: &Event, layout: &Layout) -> String {
    match &event.kind {
        EventKind::Started => "Checkrail starts".to_owned(),
        EventKind::Stopping => "Checkrail stops".to_owned(),
        EventKind::PowerChanged(feed, power) => {
            format!("{} {}", feed_text(layout, *feed), power_text(*power))
        }
        EventKind::PickedUp(district, element) => {
            format!("{} picked up in district {}", element_text(*element), id(layout, *district))
        }
        EventKind::DroppedOut(district, element) => format!(
            "{} dropped out in district {} without a trip",
            element_text(*element),
            id(layout, *district)
        ),
        EventKind::PositionChanged(machine, position) => {
            format!("machine {} {}", layout.machines[machine.at()].id, position_text(*position))
        }
        EventKind::PolarityChanged(frog, polarity) => {
            format!("frog {} {}", layout.frogs[frog.at()].id, polarity_text(*polarity))
        }
        EventKind::OccupancyChanged(block, occupancy) => {
            format!("block {} {}", layout.blocks[block.at()].id, occupancy_text(*occupancy))
        }
        EventKind::ReverserChanged(reverser, state) => {
            format!("reverser {} {}", layout.reversers[reverser.at()].id, reverser_text(*state))
        }
        EventKind::CutProved(feed, after, strength) => {
            let weak = if *strength == ProofStrength::Weak { " (weak proof)" } else { "" };
            format!("cut of {} proved {after} after the order{weak}", feed_text(layout, *feed))
        }
        EventKind::LockedOut(district) => format!("district {} locked out", id(layout, *district)),
        EventKind::LockOutOpened(district) => {
            format!("lock-out of district {} opened", id(layout, *district))
        }
        EventKind::Hit { pole, hits, energy, amps, estimated } => {
            let count = if *hits == 1 { "1 hit".to_owned() } else { format!("{hits} hits") };
            let basis = if *estimated { "estimated" } else { "measured" };
            format!("{}: {count}, {amps} and {energy} ({basis})", pole_text(layout, *pole))
        }
        EventKind::Operated { who, what, refused: None } => format!("{who}: {what}"),
        EventKind::Operated { who, what, refused: Some(why) } => {
            format!("{who}: {what}, refused: {}", refusal_text(*why))
        }
        EventKind::Node { name, what } => format!("node {name} {}", what.text()),
        EventKind::ReadingBad { source, what } => format!("bad reading from {source}: {what}"),
    }
}

fn id(layout: &Layout, district: wiring::index::DistrictIx) -> &str {
    &layout.districts[district.at()].id
}

const fn element_text(element: Element) -> &'static str {
    match element {
        Element::Short => "short",
        Element::HalfShort => "half-short",
        Element::AtLimit => "at limit",
        Element::Overload => "overload",
        Element::Contact => "contact heat",
        Element::Mismatch => "frog on the wrong rail",
        Element::Undervoltage => "low voltage",
        Element::TrippedElsewhere => "tripped elsewhere",
        Element::CutFailure => "cut failure",
    }
}

const fn power_text(power: PowerState) -> &'static str {
    match power {
        PowerState::Unknown => "not known on or off",
        PowerState::On => "on",
        PowerState::Cutting => "ordered off",
        PowerState::Cut => "off, proved",
        PowerState::CutFailed => "ordered off, still on",
        PowerState::Restoring => "ordered on",
    }
}

const fn position_text(position: MachinePosition) -> &'static str {
    match position {
        MachinePosition::Normal => "at normal",
        MachinePosition::Reverse => "at reverse",
        MachinePosition::Moving => "moving",
        MachinePosition::Unknown => "position unknown",
    }
}

const fn polarity_text(polarity: MeasuredPolarity) -> &'static str {
    match polarity {
        MeasuredPolarity::On(wiring::layout::Conductor::A) => "on conductor A",
        MeasuredPolarity::On(wiring::layout::Conductor::B) => "on conductor B",
        MeasuredPolarity::Dead => "no power",
    }
}

const fn occupancy_text(occupancy: Occupancy) -> &'static str {
    match occupancy {
        Occupancy::Unknown => "not yet read",
        Occupancy::Clear => "clear",
        Occupancy::Occupied => "occupied",
        Occupancy::Held { occupied: true } => "held, last known occupied",
        Occupancy::Held { occupied: false } => "held, last known clear",
    }
}

const fn reverser_text(state: ReverserState) -> &'static str {
    match state {
        ReverserState::Straight => "straight",
        ReverserState::Swapped => "swapped",
        ReverserState::Unknown => "not known",
    }
}
