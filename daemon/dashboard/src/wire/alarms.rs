//! Alarms as the page shows them.

use std::sync::Arc;

use serde::Serialize;
use supervision::{
    alarm::{AlarmKey, Subject},
    input::Feed,
    snapshot::{AlarmView, Snapshot},
    words,
};
use wiring::channel::Object;

use super::fixed::Fixed;
use crate::view::View;

/// One alarm that is not normal.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct AlarmRow {
    /// `KIND/SUBJECT`: unique.
    pub(crate) id: String,
    /// Its kind.
    pub(crate) alarm: &'static str,
    /// `frog/T14`.
    pub(crate) subject: String,
    /// `unacknowledged acknowledged …`.
    pub(crate) state: &'static str,
    /// `high medium low`.
    pub(crate) priority: &'static str,
    pub(crate) raised: i64,
    pub(crate) cleared: Option<i64>,
    pub(crate) first_out: bool,
    pub(crate) latched: bool,
    /// The first of many from one district, that this one stands under.
    pub(crate) under: Option<String>,
    pub(crate) shelved_until: Option<i64>,
    /// The shelving ends with the session, at the latest then.
    pub(crate) for_session: bool,
    /// Who acknowledged it, shelved it or took it out of service.
    pub(crate) by: Option<String>,
    /// When that was.
    pub(crate) by_at: Option<i64>,
    /// Position of the district it concerns.
    pub(crate) district: Option<usize>,
    /// Position of the turnout it concerns.
    pub(crate) turnout: Option<usize>,
    /// What was seen.
    pub(crate) text: Arc<str>,
    /// What follows from it, and what to do.
    pub(crate) action: String,
}

impl AlarmRow {
    pub(crate) fn new(fixed: &Fixed, view: &View, it: &AlarmView) -> Self {
        let subject = subject(fixed, &view.snapshot, it.alarm);
        Self {
            id: id(fixed, &view.snapshot, it.alarm),
            alarm: it.alarm.kind.word(),
            subject,
            state: it.state.word(),
            priority: it.priority.word(),
            raised: view.wall_of(it.raised),
            cleared: it.cleared.map(|at| view.wall_of(at)),
            first_out: it.first_out,
            latched: it.latched,
            under: it.under.map(|key| id(fixed, &view.snapshot, key)),
            shelved_until: it.shelved_until.map(|at| view.wall_of(at)),
            for_session: it.for_session,
            by: it.by.as_ref().map(|by| by.who.clone()),
            by_at: it.by.as_ref().map(|by| view.wall_of_when(by.at)),
            district: district(fixed, it),
            turnout: turnout(fixed, it.alarm.subject),
            text: Arc::clone(&it.text),
            action: words::alarm_table::row(it.alarm.kind).advice(),
        }
    }
}

fn id(fixed: &Fixed, snapshot: &Snapshot, alarm: AlarmKey) -> String {
    format!("{}/{}", alarm.kind.word(), subject(fixed, snapshot, alarm))
}

fn subject(fixed: &Fixed, snapshot: &Snapshot, alarm: AlarmKey) -> String {
    let node = match alarm.subject {
        Subject::Node(index) => snapshot.nodes.iter().find(|it| it.node == index),
        Subject::Object(_) | Subject::Checkrail => None,
    };
    words::subject_name(&fixed.layout, alarm.subject, node.map(|it| it.name.as_str()))
}

fn district(fixed: &Fixed, it: &AlarmView) -> Option<usize> {
    match it.feed {
        Some(Feed::District(district)) => Some(district.at()),
        Some(Feed::Booster(_)) | None => {
            turnout(fixed, it.alarm.subject).map(|at| fixed.turnouts[at].district)
        }
    }
}

fn turnout(fixed: &Fixed, subject: Subject) -> Option<usize> {
    let Subject::Object(object) = subject else { return None };
    match object {
        Object::Frog(frog) => fixed.turnout_of_frog.get(&frog).copied(),
        Object::Machine(machine) => fixed.turnout_of_machine.get(&machine).copied(),
        Object::Pole(pole) => {
            fixed.turnouts.iter().position(|turnout| turnout.pole_ixs.contains(&pole))
        }
        Object::Booster(_) | Object::District(_) | Object::Block(_) | Object::Reverser(_) => None,
    }
}
