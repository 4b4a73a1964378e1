use std::path::Path;

use wiring::{
    channel::Object,
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, PoleIx, ReverserIx},
    layout::{Conductor, Position},
    units::{Microamps, Micros, Millivolts},
};

use super::*;
use crate::{
    alarm::{AlarmKey, AlarmKind, Transition, WrongSensor},
    cause::{Cause, Element},
    input::{MachinePosition, MeasuredPolarity, ReverserState},
    output::{Event, EventKind, NodeEvent, Occupancy, PowerState, ProofStrength, Refusal},
};

#[expect(clippy::disallowed_methods, reason = "a test's own switch, no part of the core")]
fn update_golden() -> bool {
    std::env::var("UPDATE_GOLDEN").is_ok()
}

/// Compares with a committed text; `UPDATE_GOLDEN=1` writes it instead.
fn same_as_golden(path: &str, got: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    if update_golden() {
        std::fs::create_dir_all(path.parent().expect("a file in a folder")).expect("folder");
        std::fs::write(&path, got).expect("written");
    }
    let want = std::fs::read(&path).map(|bytes| String::from_utf8(bytes).expect("text"));
    let want = want.unwrap_or_else(|_| panic!("{} is missing", path.display()));
    assert!(want == got, "{} is not current; UPDATE_GOLDEN=1 writes it:\n{got}", path.display());
}

fn all_causes() -> Vec<Cause> {
    let amps = Microamps::from_milliamps;
    vec![
        Cause::Short { seen: amps(7900), pickup: amps(2130), lasted: Micros::from_millis(20) },
        Cause::HalfShort { step: amps(2500), lasted: Micros::from_millis(1000) },
        Cause::AtLimit { seen: amps(7900), limit: amps(8000), lasted: Micros::from_millis(500) },
        Cause::Overload { seen: amps(3300), pickup: amps(3000) },
        Cause::Contact { pole: PoleIx(1), amps: amps(3200), estimated: true },
        Cause::Contact { pole: PoleIx(1), amps: amps(3200), estimated: false },
        Cause::Mismatch { frog: FrogIx(3) },
        Cause::TrippedElsewhere { seen: amps(7900) },
        Cause::PowerGone { seen: amps(900) },
        Cause::CutFailure { seen: Some(amps(5100)), waited: Micros::from_millis(60) },
        Cause::CutFailure { seen: None, waited: Micros::from_millis(300) },
        Cause::Stale,
        Cause::LowVoltage { seen: Millivolts(9000), step: amps(2500) },
        Cause::Operator,
        Cause::TestLimit { seen: Microamps(2_000_000), limit: Microamps(1_500_000) },
        Cause::Shutdown,
        Cause::Retry(2),
        Cause::Start,
    ]
}

fn all_seen() -> Vec<Seen<'static>> {
    let amps = Microamps::from_milliamps;
    let throw = |asked, position| Seen::Throw {
        asked,
        position,
        taking: Micros::from_millis(6300),
        usual: Micros::from_millis(2500),
    };
    vec![
        Seen::Kind,
        Seen::Cause(all_causes()[0]),
        Seen::Near { percent: 83, estimated: true },
        Seen::Frog { expected: Conductor::A, measured: MeasuredPolarity::On(Conductor::B) },
        Seen::Frog { expected: Conductor::A, measured: MeasuredPolarity::Dead },
        Seen::Stays(Conductor::B),
        throw(Some(Position::Reverse), MachinePosition::Moving),
        throw(None, MachinePosition::Unknown),
        Seen::WrongLeg { leg: "right", position: MachinePosition::Normal },
        Seen::PowerGone { before: amps(7900) },
        Seen::Voltage { seen: Millivolts(9000), limit: Millivolts(11_200) },
        Seen::Sum { whole: amps(2310), parts: amps(1800), wrong: WrongSensor::Unknown },
        Seen::Sum { whole: amps(2310), parts: amps(1800), wrong: WrongSensor::Own },
        Seen::Sum { whole: amps(2310), parts: amps(1800), wrong: WrongSensor::Parts },
        Seen::Sum { whole: amps(1800), parts: amps(2310), wrong: WrongSensor::Block(BlockIx(0)) },
        Seen::Silent(Micros::from_millis(400)),
        Seen::NeverSeen,
        Seen::NotProtected(Micros::from_millis(400)),
        Seen::Bad("below the bottom of its range"),
        Seen::Skew(Micros::from_millis(700)),
    ]
}

fn all_events() -> Vec<EventKind> {
    let district = DistrictIx(0);
    let operated = |refused| EventKind::Operated {
        who: "MK".to_owned(),
        what: "restore district quarry".to_owned(),
        refused,
    };
    vec![
        EventKind::Started,
        EventKind::Stopping,
        EventKind::PowerChanged(Feed::District(district), PowerState::Cut),
        EventKind::PowerChanged(Feed::Booster(wiring::index::BoosterIx(0)), PowerState::CutFailed),
        EventKind::PickedUp(district, Element::Short),
        EventKind::DroppedOut(district, Element::HalfShort),
        EventKind::PositionChanged(MachineIx(0), MachinePosition::Moving),
        EventKind::PolarityChanged(FrogIx(0), MeasuredPolarity::On(Conductor::A)),
        EventKind::OccupancyChanged(BlockIx(1), Occupancy::Held { occupied: true }),
        EventKind::ReverserChanged(ReverserIx(0), ReverserState::Swapped),
        EventKind::CutProved(
            Feed::District(district),
            Micros::from_millis(31),
            ProofStrength::Weak,
        ),
        EventKind::LockedOut(district),
        EventKind::LockOutOpened(district),
        EventKind::Hit {
            pole: PoleIx(0),
            hits: 1,
            energy: wiring::units::MicroA2s(1_900_000),
            amps: Microamps::from_milliamps(7900),
            estimated: true,
        },
        operated(None),
        operated(Some(Refusal::CauseStands)),
        EventKind::Node { name: "yard-east".to_owned(), what: NodeEvent::Lost },
        EventKind::ReadingBad {
            source: "district/quarry/current".to_owned(),
            what: "needs a number".to_owned(),
        },
    ]
}

#[test]
fn every_cause_kind_event_and_refusal_says_what_the_snapshot_holds() {
    let layout = sample::layout();
    let mut page = String::new();
    let mut line = |text: String| {
        page.push_str(&text);
        page.push('\n');
    };
    for cause in all_causes() {
        line(format!("cause {}: {}", cause.word(), cause_text(cause, &layout)));
    }
    for kind in AlarmKind::ALL {
        let alarm = AlarmKey { kind, subject: Subject::Object(Object::District(DistrictIx(0))) };
        line(format!("alarm {}: {}", kind.word(), alarm_text(&layout, alarm, Seen::Kind, None)));
    }
    let frog = Subject::Object(Object::Frog(FrogIx(3)));
    for seen in all_seen() {
        let alarm = AlarmKey { kind: AlarmKind::ContactOverload, subject: frog };
        line(format!("seen: {}", alarm_text(&layout, alarm, seen, None)));
    }
    for kind in all_events() {
        let event = Event { kind, fault: None };
        line(format!("event {}: {}", event.kind.word(), event_text(&event, &layout)));
    }
    for refusal in Refusal::ALL {
        line(format!("refusal {}: {}", refusal.word(), refusal_text(refusal)));
    }
    same_as_golden("tests/data/words.txt", &page);
}

#[test]
fn an_alarm_names_its_contact_once() {
    let layout = sample::layout();
    let pole = wiring::index::PoleIx(0);
    let subject = Subject::Object(Object::Pole(pole));
    let alarm = AlarmKey { kind: AlarmKind::ContactOverload, subject };
    let cause = Cause::Contact { pole, amps: Microamps(5_000_000), estimated: true };
    let text = alarm_text(&layout, alarm, Seen::Cause(cause), None);
    assert_eq!(text, "Contact 1 of T1: heat at its limit, 5 A through it (estimated)");
}

#[test]
fn the_alarm_reference_is_current() {
    same_as_golden("../../config/ALARMS.md", &alarm_table::alarm_reference());
}

#[test]
fn kinds_and_transitions_are_the_words_of_the_contract() {
    let kinds: Vec<_> = AlarmKind::ALL.map(AlarmKind::word).to_vec();
    let want = "short-circuit half-short at-limit tripped-elsewhere contact-overload overload frog-mismatch frog-dead \
                frog-not-switching frog-not-measured machine-slow machine-stuck machine-out-of-step positions-invalid \
                run-through cut-failed power-cut voltage-low current-unaccounted reading-stale reading-bad node-offline \
                block-held clock-skew history-failing";
    assert_eq!(kinds.join(" "), want);
    let transitions: Vec<_> = Transition::ALL.map(Transition::word).to_vec();
    let want = "raised acknowledged cleared cleared-unacknowledged shelved unshelved out-of-service in-service reset";
    assert_eq!(transitions.join(" "), want);
    for kind in AlarmKind::ALL {
        assert_eq!(AlarmKind::from_word(kind.word()), Some(kind));
    }
}

#[test]
fn every_kind_has_the_row_that_names_it() {
    for kind in AlarmKind::ALL {
        let row = alarm_table::row(kind);
        assert_eq!(row.kind, kind);
        for text in [row.consequence, row.action] {
            assert!(text.ends_with('.'), "{}: {text}", kind.word());
        }
        assert!(!row.meaning.ends_with('.') && !row.clears.ends_with('.'), "{}", kind.word());
    }
}

#[test]
fn words_of_the_interface_are_kept_to() {
    let page = alarm_table::alarm_reference().to_lowercase();
    for not_ours in
        ["please", "!", "toggle", "energise", "dismiss", "snooze", "probability", "culprit"]
    {
        assert!(!page.contains(not_ours), "{not_ours}");
    }
}

#[test]
fn subjects_are_written_as_channels_are() {
    let layout = sample::layout();
    let cases = [
        (Subject::Object(Object::Frog(FrogIx(3))), None, "frog/T4"),
        (Subject::Object(Object::Pole(PoleIx(0))), None, "pole/T1.1"),
        (Subject::Node(crate::input::NodeIx(2)), Some("yard-east"), "node/yard-east"),
        (Subject::Checkrail, None, "node/checkrail"),
    ];
    for (subject, node, want) in cases {
        assert_eq!(subject_name(&layout, subject, node), want);
    }
    let accused = [
        (Accused::Object(Object::Block(BlockIx(0))), "block/q1"),
        (Accused::ObjectOnTrack, "object"),
        (Accused::Vehicle, "vehicle"),
        (Accused::Wiring, "wiring"),
        (Accused::Reverser, "reverser"),
        (Accused::NotExplained, "not-explained"),
    ];
    for (accused, want) in accused {
        assert_eq!(accused_name(&layout, accused), want);
    }
}
