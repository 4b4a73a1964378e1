//! Names of feeds and alarms as requests give them, resolved against the layout.

use supervision::{
    alarm::{AlarmKey, AlarmKind, Subject},
    input::Feed,
    snapshot::Snapshot,
};
use wiring::{
    channel::Object,
    index::{BlockIx, BoosterIx, DistrictIx, FrogIx, MachineIx, PoleIx, ReverserIx},
    layout::Layout,
};

/// The feed of `district/ID` or `booster/ID`.
pub(crate) fn feed(layout: &Layout, subject: &str) -> Option<Feed> {
    match object(layout, subject)? {
        Object::District(it) => Some(Feed::District(it)),
        Object::Booster(it) => Some(Feed::Booster(it)),
        Object::Block(_)
        | Object::Machine(_)
        | Object::Frog(_)
        | Object::Pole(_)
        | Object::Reverser(_) => None,
    }
}

/// The alarm of a kind and a subject; only kinds and objects that exist.
pub(crate) fn alarm(
    layout: &Layout,
    snapshot: &Snapshot,
    kind: &str,
    subject: &str,
) -> Option<AlarmKey> {
    let kind = AlarmKind::from_word(kind)?;
    let subject = match subject.strip_prefix("node/") {
        Some("checkrail") => Subject::Checkrail,
        Some(name) => Subject::Node(snapshot.nodes.iter().find(|it| it.name == name)?.node),
        None => Subject::Object(object(layout, subject)?),
    };
    Some(AlarmKey { kind, subject })
}

/// The object of a subject such as `frog/T14`.
pub(crate) fn object(layout: &Layout, subject: &str) -> Option<Object> {
    let (kind, id) = subject.split_once('/')?;
    match kind {
        "booster" => {
            at(&layout.boosters, |it| it.id == id).map(BoosterIx::new).map(Object::Booster)
        }
        "district" => {
            at(&layout.districts, |it| it.id == id).map(DistrictIx::new).map(Object::District)
        }
        "block" => at(&layout.blocks, |it| it.id == id).map(BlockIx::new).map(Object::Block),
        "machine" => {
            at(&layout.machines, |it| it.id == id).map(MachineIx::new).map(Object::Machine)
        }
        "frog" => at(&layout.frogs, |it| it.id == id).map(FrogIx::new).map(Object::Frog),
        "reverser" => {
            at(&layout.reversers, |it| it.id == id).map(ReverserIx::new).map(Object::Reverser)
        }
        "pole" => (0..layout.poles.len())
            .map(PoleIx::new)
            .find(|&pole| layout.pole_name(pole) == id)
            .map(Object::Pole),
        _ => None,
    }
}

fn at<T>(list: &[T], wanted: impl Fn(&T) -> bool) -> Option<usize> {
    list.iter().position(wanted)
}
