//! Laws that hold for any input.

use std::collections::BTreeMap;

use proptest::prelude::*;
use wiring::{index::ChannelIx, units::Mono};

use super::rig::{MS, Rig};
use crate::{
    alarm::{AlarmKey, Transition},
    cause::Cause,
    input::{Announced, Input, Invalid, LinkReport, NodeIx, Quality, Reading, Transport, Value},
    output::{Action, Decision},
    value,
};

#[derive(Clone, Debug)]
struct Line {
    after: u64,
    channel: usize,
    pick: u8,
    size: u16,
}

fn any_lines() -> impl Strategy<Value = Vec<Line>> {
    let line = (0..400u64, 0..60usize, any::<u8>(), any::<u16>())
        .prop_map(|(after, channel, pick, size)| Line { after, channel, pick, size });
    prop::collection::vec(line, 1..250)
}

fn reading(rig: &Rig, line: &Line) -> Input {
    let channel = ChannelIx::new(line.channel % rig.channels.len());
    let quantity = rig.channels.channel(channel).quantity;
    let words = [
        "on", "off", "yes", "no", "normal", "reverse", "moving", "unknown", "A", "B", "dead",
        "straight", "swapped",
    ];
    let number = f64::from(line.size) / 8000.0;
    let value = match line.pick % 16 {
        0 => Value::Invalid(Invalid::OverRange),
        1 => Value::Invalid(Invalid::Malformed),
        2 => Value::Current(wiring::units::Microamps(-1)),
        _ => value::from_number(quantity, number)
            .or_else(|_| value::from_text(quantity, words[usize::from(line.size) % words.len()]))
            .unwrap_or(Value::Feedback(true)),
    };
    let quality = match line.pick / 16 {
        0 => Quality::Resent,
        1 => Quality::Late,
        2 => Quality::Bare,
        _ => Quality::Good,
    };
    Input::Reading(Reading { channel, value, quality, node_ms: None })
}

/// A person's act, or a node that comes and goes.
fn event(rig: &Rig, line: &Line) -> Input {
    let acts = [
        "! cut district/quarry",
        "! restore district/quarry",
        "! confirm district/quarry",
        "! restore district/yard",
        "! restore booster/main",
        "! ack short-circuit district/quarry",
        "! ack half-short district/quarry",
        "! reset short-circuit district/quarry",
        "! hold district/quarry",
        "! release district/quarry",
        "! throw-sure T1",
        "! stop",
    ];
    let node = NodeIx(0);
    match usize::from(line.pick) % (acts.len() + 3) {
        0 => Input::Link(LinkReport::Lost { node }),
        1 => Input::Link(LinkReport::Alive { node }),
        2 => Input::Link(LinkReport::Born {
            node,
            name: "east".to_owned(),
            transport: Transport::Serial,
            channels: (0..rig.channels.len())
                .step_by(3)
                .map(|at| Announced {
                    output: !rig.channels.channel(ChannelIx::new(at)).quantity.is_input(),
                    stale_after: (at % 4 == 0).then_some(MS),
                    ..Announced::input(ChannelIx::new(at), (at % 2 == 0).then_some(MS))
                })
                .collect(),
            permit: line.size.is_multiple_of(2),
            restarted: line.size.is_multiple_of(3),
        }),
        nth => rig.input(acts[nth - 3]),
    }
}

/// Plays lines; between them, ticks at every `ticks` milliseconds.
fn play(lines: &[Line], ticks: Option<u64>) -> Rig {
    play_drained(lines, ticks, usize::MAX)
}

/// The same by a caller that takes at most `most` outputs after each input.
fn play_drained(lines: &[Line], ticks: Option<u64>, most: usize) -> Rig {
    let mut rig = Rig::new("[protection]\nrestore-tries = 2");
    let mut now = Mono(0);
    for line in lines {
        let next = now + wiring::units::Micros(line.after * MS.0);
        if let Some(step) = ticks {
            let mut at = Mono(now.0 + step * MS.0);
            while at < next {
                rig.sut.handle(Input::Tick, at);
                rig.drain();
                at = Mono(at.0 + step * MS.0);
            }
        }
        now = next;
        let input = if line.channel >= 54 { event(&rig, line) } else { reading(&rig, line) };
        rig.sut.handle(input, now);
        for _ in 0..most {
            let Some(output) = rig.sut.poll_output() else { break };
            rig.outputs.push(output);
        }
    }
    rig.sut.finish(now);
    rig.drain();
    rig
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn a_late_caller_changes_nothing(lines in any_lines()) {
        let late: Vec<String> = play(&lines, None).outputs.iter().map(|it| format!("{it:?}")).collect();
        let often: Vec<String> = play(&lines, Some(7)).outputs.iter().map(|it| format!("{it:?}")).collect();
        prop_assert_eq!(late, often);
    }

    #[test]
    fn a_caller_that_drains_late_gets_the_same(lines in any_lines(), most in 0..3usize) {
        let late: Vec<String> = play_drained(&lines, None, most).outputs.iter().map(|it| format!("{it:?}")).collect();
        let soon: Vec<String> = play(&lines, None).outputs.iter().map(|it| format!("{it:?}")).collect();
        prop_assert_eq!(late, soon);
    }

    #[test]
    fn a_cut_is_the_first_output_of_the_reading_that_caused_it(lines in any_lines()) {
        let mut rig = Rig::new("");
        let mut now = Mono(0);
        for line in &lines {
            now = now + wiring::units::Micros(line.after * MS.0);
            rig.sut.handle_timeout(now);
            rig.drain();
            let settled = rig.outputs.len();
            let input = reading(&rig, line);
            rig.sut.handle(input, now);
            rig.drain();
            let caused = &rig.outputs[settled..];
            let ordered = caused.iter().any(|it| matches!(it.what, Decision::Order(_)));
            let first = matches!(caused.first().map(|it| &it.what), Some(Decision::Order(_)));
            prop_assert!(!ordered || first, "{:?}", caused);
        }
    }

    #[test]
    fn two_runs_are_identical(lines in any_lines()) {
        let first: Vec<String> = play(&lines, None).outputs.iter().map(|it| format!("{it:?}")).collect();
        let again: Vec<String> = play(&lines, None).outputs.iter().map(|it| format!("{it:?}")).collect();
        prop_assert_eq!(first, again);
    }

    #[test]
    fn raised_and_cleared_alternate(lines in any_lines()) {
        let rig = play(&lines, None);
        let mut active: BTreeMap<AlarmKey, bool> = BTreeMap::new();
        for output in &rig.outputs {
            let Decision::Alarm(change) = &output.what else { continue };
            let was = active.get(&change.alarm).copied().unwrap_or(false);
            match change.transition {
                Transition::Raised => {
                    prop_assert!(!was, "{:?}", change);
                    active.insert(change.alarm, true);
                }
                Transition::Cleared | Transition::ClearedUnacknowledged => {
                    prop_assert!(was, "{:?}", change);
                    active.insert(change.alarm, false);
                }
                _ => {}
            }
        }
    }

    #[test]
    fn nothing_is_ordered_on_but_by_a_person_or_a_counted_try(lines in any_lines()) {
        let rig = play(&lines, None);
        for output in &rig.outputs {
            if let Decision::Order(order) = &output.what && order.action == Action::On {
                let counted = matches!(order.cause, Cause::Retry(1..=2) | Cause::Operator);
                prop_assert!(counted, "{:?}", order);
            }
        }
    }

    #[test]
    fn every_fault_has_a_record_whose_shares_add_to_one(lines in any_lines()) {
        let rig = play(&lines, None);
        let opened = rig.outputs.iter().filter(|it| matches!(it.what, Decision::FaultOpened { .. })).count();
        let mut closed = 0;
        for output in &rig.outputs {
            if let Decision::FaultClosed(record) = &output.what {
                closed += 1;
                prop_assert_eq!(record.suspects.iter().map(|it| it.share).sum::<u32>(), 1000);
            }
        }
        prop_assert_eq!(opened, closed);
    }
}
