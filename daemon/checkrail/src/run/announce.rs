//! What the world is told of a decision: log lines and MQTT alarms. Words come from the core; nothing is decided here.

use links::{AlarmMessage, Links};
use supervision::{
    alarm::{AlarmChange, AlarmState, Subject},
    output::{Decision, Event, EventKind, Output},
    words,
};
use tracing::{debug, error, info, warn};

use crate::source::Loaded;

/// The name of a subject's node, where it is one.
#[must_use]
pub fn node_name(nodes: &[String], subject: Subject) -> Option<&str> {
    match subject {
        Subject::Node(node) => nodes.get(usize::from(node.0)).map(String::as_str),
        Subject::Object(_) | Subject::Checkrail => None,
    }
}

/// One line a decision that an operator would want to find later.
pub fn log(output: &Output, loaded: &Loaded, nodes: &[String]) {
    let t = output.at.seconds();
    match &output.what {
        Decision::Order(order) => {
            let channel = loaded.channels.name(order.channel);
            let action = order.action.word();
            let cause = words::cause_text(order.cause, &loaded.layout);
            let (attempt, fault) = (order.attempt, order.fault.map(|fault| fault.0));
            warn!(t, channel, action, cause, attempt, fault, "OrderGiven");
        }
        Decision::Alarm(change) => {
            let subject = words::subject_name(
                &loaded.layout,
                change.alarm.subject,
                node_name(nodes, change.alarm.subject),
            );
            let (alarm, state) = (change.alarm.kind.word(), change.transition.word());
            info!(
                t,
                alarm,
                subject,
                state,
                priority = change.priority.word(),
                text = &*change.text,
                "AlarmChanged"
            );
        }
        Decision::FaultOpened { fault, district, cause } => {
            let district = &loaded.layout.districts[district.at()].id;
            let cause = words::cause_text(*cause, &loaded.layout);
            error!(t, fault = fault.0, district, cause, "FaultOpened");
        }
        Decision::FaultClosed(record) => {
            let suspect = record
                .suspects
                .first()
                .map(|suspect| words::accused_name(&loaded.layout, suspect.accused));
            info!(t, fault = record.number.0, suspect, "FaultClosed");
        }
        Decision::Event(Event { kind: EventKind::ReadingBad { source, what }, .. }) => {
            warn!(t, source, what, "ReadingBad");
        }
        Decision::Event(event) => {
            let text = words::event_text(event, &loaded.layout);
            debug!(t, event = event.kind.word(), text, "EventRecorded");
        }
        Decision::Answer { request, result } => {
            let refused = result.err().map(words::refusal_text);
            debug!(t, request = request.0, refused, "RequestAnswered");
        }
        Decision::Commissioned(kept) => {
            let machine = &loaded.layout.machines[kept.machine.at()].id;
            info!(t, machine, who = kept.who, what = ?kept.what, "CommissioningWentOn");
        }
        Decision::State { .. } => {}
    }
}

/// Publishes an alarm as it stands; nothing when it is normal again.
pub fn publish_alarm(links: &Links, loaded: &Loaded, change: &AlarmChange, nodes: &[String]) {
    let subject = change.alarm.subject;
    let name = words::subject_name(&loaded.layout, subject, node_name(nodes, subject));
    let message = AlarmMessage {
        state: change.transition.word().to_owned(),
        priority: change.priority.word().to_owned(),
        text: change.text.to_string(),
    };
    let standing = match change.state {
        AlarmState::Normal => None,
        AlarmState::Unacknowledged
        | AlarmState::Acknowledged
        | AlarmState::ReturnedUnacknowledged
        | AlarmState::LatchedUnacknowledged
        | AlarmState::LatchedAcknowledged
        | AlarmState::Shelved
        | AlarmState::OutOfService => Some(&message),
    };
    links.publish_alarm(change.alarm.kind.word(), &name, standing);
}
