//! What changed between two frames, and the whole state, as JSON.

use serde::Serialize;

use super::{
    Frame,
    alarms::AlarmRow,
    fixed::Fixed,
    joined,
    rows::{BlockRow, Diff, FeedRow, LinkRow, NodeRow, TurnoutRow},
    sessions::SessionRow,
};

/// Changed rows by their position, each with what changed in it.
type Changed<'a, T> = Vec<(usize, Diff<'a, T>)>;

/// When something is as it is said to be.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stamp {
    /// Number within this run of the daemon.
    pub(crate) q: u64,
    /// Wall-clock time of the state. Unit: ms.
    pub(crate) t: i64,
    /// How old the state was when this was sent. Unit: ms.
    pub(crate) age: u64,
}

/// Only what changed. Absent keys did not change.
#[derive(Serialize)]
struct Delta<'a> {
    q: u64,
    t: i64,
    age: u64,
    /// District currents, in the layout's order; none where nothing fresh is known. Unit: mA.
    z: &'a [Option<i64>],
    /// Boosters.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    b: Changed<'a, FeedRow>,
    /// Districts.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    d: Changed<'a, FeedRow>,
    /// Blocks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    k: Changed<'a, BlockRow>,
    /// Turnouts.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    u: Changed<'a, TurnoutRow>,
    /// All alarms, in order, when any of them changed: the order matters and there are few.
    #[serde(skip_serializing_if = "Option::is_none")]
    a: Option<&'a [AlarmRow]>,
    /// Nodes.
    #[serde(skip_serializing_if = "Option::is_none")]
    n: Option<&'a [NodeRow]>,
    /// Links.
    #[serde(skip_serializing_if = "Option::is_none")]
    l: Option<&'a [LinkRow]>,
    /// Machines in commissioning.
    #[serde(skip_serializing_if = "Option::is_none")]
    s: Option<&'a [SessionRow]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    recent: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    silent: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    history_ok: Option<bool>,
}

/// What changed from `old` to `new`, as JSON.
pub(crate) fn delta(stamp: Stamp, trend: &[Option<i64>], old: &Frame, new: &Frame) -> String {
    json(&Delta {
        q: stamp.q,
        t: stamp.t,
        age: stamp.age,
        z: trend,
        b: changed(&old.boosters, &new.boosters),
        d: changed(&old.districts, &new.districts),
        k: changed(&old.blocks, &new.blocks),
        u: changed(&old.turnouts, &new.turnouts),
        a: whole(&old.alarms, &new.alarms),
        n: whole(&old.nodes, &new.nodes),
        l: whole(&old.links, &new.links),
        s: whole(&old.sessions, &new.sessions),
        recent: (old.recent != new.recent).then_some(new.recent),
        silent: (old.silent != new.silent).then_some(new.silent),
        history_ok: (old.history_ok != new.history_ok).then_some(new.history_ok),
    })
}

/// Who says so: the fixed head of a whole state.
#[derive(Clone, Debug)]
pub(crate) struct Head {
    /// Differs for each run of the daemon.
    pub(crate) epoch: String,
    pub(crate) version: String,
    pub(crate) demo: bool,
}

/// The whole state, as JSON, with the trends of all districts.
pub(crate) fn whole_state(
    head: &Head,
    stamp: Stamp,
    fixed: &Fixed,
    frame: &Frame,
    trends: Option<&[Vec<Option<i64>>]>,
) -> String {
    let mut state = serde_json::json!({
        "v": 1,
        "epoch": head.epoch,
        "q": stamp.q,
        "t": stamp.t,
        "age": stamp.age,
        "cfg": 1,
        "version": head.version,
        "demo": head.demo,
        "layout": {
            "name": fixed.layout.name,
            "control": super::fixed::control(fixed.layout.control),
        },
        "boosters": joined(&fixed.boosters, &frame.boosters),
        "districts": joined(&fixed.districts, &frame.districts),
        "blocks": joined(&fixed.blocks, &frame.blocks),
        "turnouts": joined(&fixed.turnouts, &frame.turnouts),
        "alarms": frame.alarms,
        "nodes": frame.nodes,
        "links": frame.links,
        "sessions": frame.sessions,
        "recent": frame.recent,
        "silent": frame.silent,
        "history_ok": frame.history_ok,
    });
    if let (Some(trends), Some(object)) = (trends, state.as_object_mut()) {
        object.insert("hist".to_owned(), serde_json::json!({ "z": trends }));
    }
    state.to_string()
}

fn changed<'a, T: PartialEq>(old: &'a [T], new: &'a [T]) -> Changed<'a, T> {
    let rows = new.iter().enumerate().map(|(at, new)| (at, Diff { old: old.get(at), new }));
    rows.filter(|(_, row)| row.old != Some(row.new)).collect()
}

fn whole<'a, T: PartialEq>(old: &[T], new: &'a [T]) -> Option<&'a [T]> {
    (old != new).then_some(new)
}

/// JSON of a value that has no map keys but strings and no number but finite ones: it cannot fail.
fn json<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_default()
}
