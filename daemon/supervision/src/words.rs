//! Words of the core: what every alarm, cause, event, refusal and suspect says, in one place, so that page, terminal,
//! record and message never differ.
//!
//! Short, present tense. `matches` and `on the wrong rail` for a frog, `closed open tripped locked out` for a breaker,
//! `on off` for a district, `cut try lock-out restore` for what Checkrail does.

pub mod alarm_table;
mod alarms;
mod causes;
mod events;
mod refusals;
#[cfg(test)]
pub(crate) mod sample;

pub use alarms::{Seen, alarm_text};
pub use causes::cause_text;
pub use events::event_text;
pub use refusals::refusal_text;

use wiring::{
    channel::{Object, subject},
    index::PoleIx,
    layout::Layout,
};

use crate::{alarm::Subject, input::Feed, record::Accused};

/// The wire name of what an alarm is about: `frog/T14`, `node/yard-east`, `node/checkrail` for Checkrail itself.
///
/// `node` is the name of the node where the subject is one; the layout does not know nodes.
#[must_use]
pub fn subject_name(layout: &Layout, it: Subject, node: Option<&str>) -> String {
    match it {
        Subject::Object(object) => subject(layout, object),
        Subject::Node(index) => {
            node.map_or_else(|| format!("node/{}", index.0), |name| format!("node/{name}"))
        }
        Subject::Checkrail => "node/checkrail".to_owned(),
    }
}

/// The wire name of a suspect: `frog/T14`, or `object vehicle wiring reverser not-explained`.
#[must_use]
pub fn accused_name(layout: &Layout, accused: Accused) -> String {
    match accused {
        Accused::Object(object) => subject(layout, object),
        Accused::ObjectOnTrack => "object".to_owned(),
        Accused::Vehicle => "vehicle".to_owned(),
        Accused::Wiring => "wiring".to_owned(),
        Accused::Reverser => "reverser".to_owned(),
        Accused::NotExplained => "not-explained".to_owned(),
    }
}

/// A suspect in words: `frog T14`, `an object on the track or a derailment`.
#[must_use]
pub fn accused_text(layout: &Layout, accused: Accused) -> String {
    match accused {
        Accused::Object(object) => object_text(layout, object),
        Accused::ObjectOnTrack => "an object on the track or a derailment".to_owned(),
        Accused::Vehicle => "a vehicle".to_owned(),
        Accused::Wiring => "the wiring".to_owned(),
        Accused::Reverser => "a reverser".to_owned(),
        Accused::NotExplained => "not explained".to_owned(),
    }
}

/// An object in words: `district quarry`, `contact 1 of T14`.
#[must_use]
pub fn object_text(layout: &Layout, object: Object) -> String {
    match object {
        Object::Booster(it) => format!("booster {}", layout.boosters[it.at()].id),
        Object::District(it) => format!("district {}", layout.districts[it.at()].id),
        Object::Block(it) => format!("block {}", layout.blocks[it.at()].id),
        Object::Machine(it) => format!("machine {}", layout.machines[it.at()].id),
        Object::Frog(it) => format!("frog {}", layout.frogs[it.at()].id),
        Object::Pole(it) => pole_text(layout, it),
        Object::Reverser(it) => format!("reverser {}", layout.reversers[it.at()].id),
    }
}

/// A pole in words: `contact 1 of T14`.
#[must_use]
pub fn pole_text(layout: &Layout, pole: PoleIx) -> String {
    let it = layout.poles[pole.at()];
    format!("contact {} of {}", it.number, layout.machines[it.machine.at()].id)
}

/// A feed in words: `district quarry`, `booster main`.
#[must_use]
pub fn feed_text(layout: &Layout, feed: Feed) -> String {
    match feed {
        Feed::Booster(it) => object_text(layout, Object::Booster(it)),
        Feed::District(it) => object_text(layout, Object::District(it)),
    }
}

/// An alarm's subject in words; `node` is the node's name where it is one.
#[must_use]
pub fn subject_text(layout: &Layout, it: Subject, node: Option<&str>) -> String {
    match it {
        Subject::Object(object) => object_text(layout, object),
        Subject::Node(index) => {
            node.map_or_else(|| format!("node {}", index.0), |name| format!("node {name}"))
        }
        Subject::Checkrail => "Checkrail".to_owned(),
    }
}

/// The first letter of a text made a capital: for texts that start with an object.
#[must_use]
pub fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests;
