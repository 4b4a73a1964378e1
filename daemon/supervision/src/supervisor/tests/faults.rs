//! What cuts, when, and what does not. Situations after the trade's list of faults (F01 and so on).

use super::rig::{LAYOUT, Rig, acts, alarms, check_orders, check_with};
use crate::{output::Decision, start::Start};

const RUNNING: &str = "
    0 machine/T1/position normal
    0..1000/20 district/quarry/current 0.4
    0..1000/20 block/q3/current 0.4
    0..1000/20 block/q1/current 0.0
    0..1000/20 block/q2/current 0.0
    0..1000/500 frog/T1/polarity B
";

fn running(then: &str) -> String {
    format!("{RUNNING}\n{then}")
}

#[test]
fn a_hard_short_is_cut_at_the_second_sample_over_pickup_20_ms_later() {
    check_orders(
        &running(
            "1000..1020/20 district/quarry/current 5.0\n1020..1040/20 district/quarry/current 5.0
            1040..1200/20 district/quarry/current 0.0",
        ),
        "1020 cut district/quarry short-circuit",
    );
    // 100 Hz: three samples.
    check_orders(
        &running(
            "1000..1030/10 district/quarry/current 5.0
            1030..1200/20 district/quarry/current 0.0",
        ),
        "1020 cut district/quarry short-circuit",
    );
}

#[test]
fn the_cut_is_the_first_output_of_its_reading() {
    let mut rig = Rig::new("");
    rig.play(&running("1000 district/quarry/current 5.0"));
    rig.outputs.clear();
    rig.play("1020 district/quarry/current 5.0");
    assert!(matches!(rig.outputs[0].what, Decision::Order(_)), "{:?}", rig.outputs[0]);
}

#[test]
fn the_order_is_taken_before_its_record_is_made() {
    let mut rig = Rig::new("");
    rig.play(&running("1000 district/quarry/current 5.0"));
    let input = rig.input("district/quarry/current 5.0");
    rig.sut.handle(input, wiring::units::Mono(1_020_000));
    let first = rig.sut.poll_output().unwrap();
    assert!(matches!(first.what, Decision::Order(_)), "{first:?}");
    assert!(rig.sut.recordings.is_empty());
    assert_eq!(
        rig.sut.poll_deadline(),
        Some(wiring::units::Mono(1_020_000)),
        "more is to be taken"
    );
    rig.drain();
    assert_eq!(rig.sut.recordings.len(), 1);
    assert!(rig.outputs.iter().any(|it| matches!(it.what, Decision::FaultOpened { .. })));
}

#[test]
fn one_bad_sample_never_cuts() {
    let single =
        running("1000 district/quarry/current 5.0\n1020..1500/20 district/quarry/current 0.4");
    check_orders(&single, "");
    let resent = running(
        "1000..1200/20 district/quarry/current resent:5.0\n1200..1500/20 district/quarry/current 0.4",
    );
    check_orders(&resent, "");
    let malformed = running(
        "1000..1200/20 district/quarry/current bad\n1200..1500/20 district/quarry/current 0.4",
    );
    check_orders(&malformed, "");
    let negative = running(
        "1000..1200/20 district/quarry/current -9\n1200..1500/20 district/quarry/current 0.4",
    );
    check_orders(&negative, "");
    let once_over =
        running("1000 district/quarry/current over\n1020..1500/20 district/quarry/current 0.4");
    check_orders(&once_over, "");
}

#[test]
fn a_spike_in_a_district_without_load_is_no_breaker_that_acted() {
    check_orders(
        "0..1000/20 district/quarry/current 0.0
         1000 district/quarry/current 5.0
         1020..1500/20 district/quarry/current 0.0",
        "",
    );
}

#[test]
fn two_over_range_readings_in_a_row_count_as_full_scale() {
    check_orders(
        &running(
            "1000 district/quarry/current over\n1020 district/quarry/current over
            1040..1200/20 district/quarry/current 0.0",
        ),
        "1020 cut district/quarry short-circuit",
    );
}

#[test]
fn missing_samples_neither_count_nor_reset() {
    check_orders(
        &running(
            "1000 district/quarry/current 5.0\n1010 district/quarry/current bad
            1100 district/quarry/current 5.0\n1110..1300/20 district/quarry/current 0.0",
        ),
        "1100 cut district/quarry short-circuit",
    );
}

/// F02: a metal wheelset bridges for 10 to 60 ms and lets go before its time.
#[test]
fn a_wheel_that_bridges_for_less_than_its_time_is_not_cut() {
    check_orders(
        &running(
            "1000..1020/10 district/quarry/current 5.0\n1020..2000/20 district/quarry/current 0.4",
        ),
        "",
    );
}

#[test]
fn pick_up_follows_the_weakest_contact_that_a_wheel_could_reach() {
    // The contract's figure: cold, 1 A, 2 s gives I_w 2.13 A; 0.8 L is 2.4 A. The base is 0.1 A.
    let step = |amps: &str, near: &str| {
        format!(
            "0..1000/20 district/quarry/current 0.1
             0 machine/T1/position normal
             0..3000/20 block/q1/current {near}
             0..3000/20 block/q2/current 0.0
             0..3000/20 block/q3/current 0.0
             1000..1040/20 district/quarry/current {amps}
             1040..1200/20 district/quarry/current 0.0"
        )
    };
    check_orders(&step("2.25", "0.1"), "1020 cut district/quarry short-circuit");
    check_orders(&step("2.2", "0.1"), "");
}

/// An honest overload creeps: only the curve may cut it.
#[test]
fn an_overload_is_cut_by_its_curve_and_never_by_short() {
    let creep: String = (0..130)
        .map(|step| {
            format!(
                "{} district/quarry/current {:.2}\n",
                1000 + step * 20,
                0.4 + 0.022 * f64::from(step)
            )
        })
        .collect();
    let over = "3600..30000/20 district/quarry/current 3.26";
    let want = "17060 cut district/quarry overload";
    let mut rig = Rig::new("");
    rig.play(&running(&format!("{creep}\n{over}")));
    let got = rig.shown(|what| matches!(what, Decision::Order(_)));
    assert_eq!(got.len(), 1 + got.iter().skip(1).count());
    let first = &got[0];
    assert!(first.ends_with("cut district/quarry overload"), "{first}; wanted about {want}");
    // Very inverse, multiplier 0.1, multiples below 1.1 taken as 1.1: 13.5 s from 3 A on.
    let at: u64 = first.split(' ').next().unwrap().parse().unwrap();
    assert!((16_500..17_500).contains(&at), "{first}");
}

#[test]
fn an_overload_warns_after_5_s_above_90_percent_of_the_breakers_trip() {
    let creep: String = (0..118)
        .map(|step| {
            format!(
                "{} district/quarry/current {:.2}\n",
                1000 + step * 20,
                0.4 + 0.02 * f64::from(step)
            )
        })
        .collect();
    let journal = format!("{creep}\n3360..9000/20 district/quarry/current 2.8");
    check_with("", &running(&journal), "8320 overload district/quarry raised medium", |what| {
        alarms(what) && format!("{what:?}").contains("Overload")
    });
}

/// F03, F43: below every breaker's trip, and it stays.
#[test]
fn a_step_that_stays_for_a_second_is_a_half_short() {
    check_orders(
        &running(
            "1000..2020/20 district/quarry/current 1.95\n2020..3200/20 district/quarry/current 0.0",
        ),
        "2000 cut district/quarry half-short",
    );
    // IEC 60255-149: one cold pole stands 1.6 A for 991 ms, and the current may have risen at 980 ms.
    check_orders(
        &running(
            "1000..2000/20 district/quarry/current 2.0\n2000..3200/20 district/quarry/current 0.0",
        ),
        "1980 cut district/quarry contact-overload",
    );
    check_orders(
        &running(
            "1000..1900/20 district/quarry/current 2.0\n1900..3200/20 district/quarry/current 0.4",
        ),
        "",
    );
    // A locomotive that starts steps by less.
    check_orders(&running("1000..9000/20 district/quarry/current 1.0"), "");
}

#[test]
fn at_the_boosters_limit_is_cut_after_half_a_second() {
    // A climb too slow to be a step.
    let climb: String = (0..110)
        .map(|step| {
            format!("{} district/yard/current {:.2}\n", 20 * step, 0.4 + 0.042 * f64::from(step))
        })
        .collect();
    let mut rig = Rig::new(
        "[district.yard.protection]\noverload-pickup = \"4.5 A\"\nwithstand-time = \"1 ms\"\nshort-step = \"4.9 A\"",
    );
    rig.play(&format!("{climb}\n2200..3000/20 district/yard/current 4.95"));
    assert_eq!(rig.shown(acts)[0], "2580 cut district/yard at-limit");
}

#[test]
fn a_breaker_that_acts_on_a_fault_is_followed_at_once() {
    check_orders(
        &running("1000 district/quarry/current 5.0\n1020..1200/20 district/quarry/current 0.0"),
        "1020 cut district/quarry tripped-elsewhere",
    );
    // By its own word, before the current is heard.
    check_orders(
        &running(
            "0 district/quarry/feedback on
            1000 district/quarry/current 5.0\n1005 district/quarry/feedback off
            1020..1200/20 district/quarry/current 0.0",
        ),
        "1005 cut district/quarry tripped-elsewhere",
    );
}

#[test]
fn a_breaker_that_opens_without_a_fault_is_told_and_not_ordered() {
    let journal = running(
        "0 district/quarry/feedback on\n1000 district/quarry/feedback off
        1010..5000/20 district/quarry/current 0.0",
    );
    check_orders(&journal, "");
    check_with("", &journal, "1000 power-cut district/quarry raised high", |what| {
        alarms(what) && format!("{what:?}").contains("PowerCut")
    });
}

/// F10, F22: a frog on the wrong rail.
#[test]
fn a_wrong_frog_alarms_when_empty_and_cuts_under_a_train() {
    let wrong = "
        0 machine/T1/position normal
        0..5000/20 district/quarry/current 0.1
        0..5000/20 block/q1/current 0.0
        500 frog/T1/polarity A
    ";
    check_orders(wrong, "");
    check_with("", wrong, "700 frog-mismatch frog/T1 raised medium", alarms);
    let train = wrong.replace(
        "0..5000/20 block/q1/current 0.0",
        "0..2000/20 block/q1/current 0.0\n2000..5000/20 block/q1/current 0.1",
    );
    let mut rig = Rig::new("");
    rig.play(&train);
    assert_eq!(rig.shown(acts)[0], "2050 cut district/quarry frog-mismatch");
    let step = wrong.replace(
        "0..5000/20 district/quarry/current 0.1",
        "0..2000/20 district/quarry/current 0.1\n2000..5000/20 district/quarry/current 0.7",
    );
    let mut rig = Rig::new("");
    rig.play(&step);
    assert_eq!(rig.shown(acts)[0], "2020 cut district/quarry frog-mismatch");
}

#[test]
fn no_polarity_alarm_while_a_machine_moves() {
    check_with(
        "",
        "0..5000/20 district/quarry/current 0.1
         0..5000/20 block/q1/current 0.0
         0 machine/T1/position normal
         0..1000/500 frog/T1/polarity B
         1000 machine/T1/position moving
         1500..3000/500 frog/T1/polarity A
         3000 machine/T1/position reverse
         3000..5000/500 frog/T1/polarity A",
        "",
        alarms,
    );
}

#[test]
fn expected_polarity_follows_the_measured_position() {
    check_with(
        "",
        "0 machine/T1/position normal\n1000 machine/T1/position moving\n3000 machine/T1/position reverse",
        "0 = frog/T1/expected B; 1000 = frog/T1/expected unknown; 3000 = frog/T1/expected A",
        |what| format!("{what:?}").contains("Expected("),
    );
}

/// F40: engines charge when power returns.
#[test]
fn inrush_that_decays_is_not_a_fault() {
    let decay: String = (0..20)
        .map(|n| {
            format!("{} district/quarry/current {:.2}\n", 3000 + n * 10, 4.9 - 0.24 * f64::from(n))
        })
        .collect();
    let journal = running(&format!(
        "1000 ! cut district/quarry\n1010..3000/20 district/quarry/current 0.0\n2900 ! restore district/quarry
         {decay}\n3200..6000/20 district/quarry/current 0.5"
    ));
    check_orders(
        &journal,
        "1000 cut district/quarry operator; 1000 done; 2900 on district/quarry operator; 2900 done",
    );
}

#[test]
fn a_standing_short_is_cut_50_ms_after_power_returns() {
    let mut rig = Rig::new("");
    rig.play(&running(
        "1000 ! cut district/quarry\n1010..3000/20 district/quarry/current 0.0\n2995 ! restore district/quarry
         3000..3200/10 district/quarry/current 5.0",
    ));
    assert_eq!(rig.shown(acts)[4], "3050 cut district/quarry short-circuit");
}

/// A neighbour is cut: engines here charge when the booster's voltage comes back.
#[test]
fn sympathetic_inrush_of_a_neighbour_is_not_a_fault() {
    let decay: String = (0..12)
        .map(|n| {
            format!("{} district/yard/current {:.2}\n", 1060 + n * 10, 4.4 - 0.35 * f64::from(n))
        })
        .collect();
    let journal = format!(
        "0..1000/20 district/quarry/current 0.4\n0..1000/20 district/yard/current 0.4
         1000..1060/20 district/quarry/current 5.0\n1060..1500/20 district/quarry/current 0.0
         1000..1060/20 district/yard/current 0.1\n{decay}\n1180..4000/20 district/yard/current 0.4
         1500..4000/20 district/quarry/current 0.0"
    );
    check_orders(&journal, "1020 cut district/quarry short-circuit");
}

#[test]
fn a_district_without_an_actuator_falls_to_its_booster() {
    check_orders(
        "0..1000/20 district/shed/current 0.4
         1000..1040/20 district/shed/current 5.0
         1040..1300/20 district/shed/current 0.0",
        "1020 cut booster/main short-circuit",
    );
}

#[test]
fn a_district_without_an_actuator_is_one_fault_until_its_booster_is_off() {
    let mut rig = Rig::new("");
    rig.play(
        "0..1000/20 district/shed/current 0.4
         1000..1100/20 district/shed/current 5.0
         1100..9000/20 district/shed/current 0.0",
    );
    assert_eq!(rig.shown(|what| matches!(what, Decision::FaultClosed(_))).len(), 1);
}

#[test]
fn on_a_dc_layout_a_slow_train_is_no_low_voltage_and_no_lamp() {
    let mut rig = Rig::new_with(
        &LAYOUT.replace("control = \"dcc\"", "control = \"dc\""),
        crate::start::Start::journal(),
    );
    rig.play(
        "0..5000/20 district/quarry/current 0.3\n0..2000/20 district/quarry/voltage 12
         2000..5000/20 district/quarry/voltage 3.2",
    );
    assert_eq!(rig.shown(|what| alarms(what) || acts(what)), Vec::<String>::new());
}

/// F77: another turnout was thrown last, far from the train. Place outranks recency.
#[test]
fn the_turnout_under_the_train_is_suspected_before_the_one_thrown_last() {
    let more = "
        [block.q4]
        district = \"quarry\"
        [trackwork.T9]
        kind = \"turnout\"
        hand = \"right\"
        block = \"q4\"
        [trackwork.T9.frog]
        poles = [\"T9.1\"]
        normal = \"right\"
        reverse = \"left\"
        [track.q4-in]
        block = \"q4\"
        from = \"north\"
        to = \"T9.points\"
        length = \"1 m\"
        left = \"A\"";
    let mut rig = Rig::new(more);
    rig.play(&running(
        "0..5000/20 block/q4/current 0.0\n0 machine/T9/position reverse
         700 machine/T9/position moving\n900 machine/T9/position normal
         1000..1040/20 district/quarry/current 5.0\n1010..1040/20 block/q1/current 4.6
         1040..5000/20 district/quarry/current 0.0\n1040..5000/20 block/q1/current 0.0",
    ));
    let fault = rig.shown(|what| matches!(what, Decision::FaultClosed(_)));
    assert_eq!(fault, ["4020 fault 1 short-circuit frog/T1"]);
}

/// F42: a welded actuator.
#[test]
fn a_cut_that_does_not_cut_takes_the_booster() {
    check_orders(
        &running(
            "1000..1100/20 district/quarry/current 5.0\n1100..1400/20 district/quarry/current 0.0
            1100..1400/20 booster/main/current 0.0",
        ),
        "1020 cut district/quarry short-circuit; 1080 cut district/quarry short-circuit again; \
         1080 cut booster/main cut-failed",
    );
}

#[test]
fn silence_after_a_cut_is_no_proof() {
    check_orders(
        &running("1000..1040/20 district/quarry/current 5.0\n2000 tick"),
        "1020 cut district/quarry short-circuit; 1320 cut district/quarry short-circuit again; \
         1620 cut district/quarry short-circuit again; 1620 cut booster/main cut-failed; \
         1920 cut booster/main cut-failed again; 1920 cut district/quarry short-circuit again",
    );
}

/// F01: down the leg that the turnout is not set for.
#[test]
fn a_run_through_is_named_and_its_turnout_suspected_first() {
    let mut rig = Rig::new("");
    rig.play(&running(
        "1000 block/q2/current 0.0
         1000..1040/20 district/quarry/current 5.0\n1000..1040/20 block/q1/current 4.6
         1040..5000/20 district/quarry/current 0.0\n1040..5000/20 block/q1/current 0.0",
    ));
    let fault = rig.shown(|what| matches!(what, Decision::FaultClosed(_)));
    assert_eq!(fault, ["4020 fault 1 short-circuit frog/T1"]);
    let run = rig.shown(|what| alarms(what) && format!("{what:?}").contains("RunThrough"));
    assert!(run.first().is_some_and(|it| it.contains("run-through machine/T1 raised")), "{run:?}");
}

/// F01: the culprit's current comes in by the leg it is not set for. Its frog carries it, and is counted so; a frog that
/// no block of the fault leads to is not.
#[test]
fn a_run_through_is_a_hit_of_the_frog_that_was_run_through() {
    // Block that steps, and whether the frog is hit. Normal: the left leg (q2) is lined, the right one (q3) is not.
    for (block, want) in [("q1", true), ("q2", false), ("q3", true)] {
        let mut rig = Rig::new("");
        let blocks: String = ["q1", "q2", "q3"]
            .iter()
            .map(|it| {
                let amps = if *it == block { "4.6" } else { "0.0" };
                format!("1000..1040/20 block/{it}/current {amps}\n1040..5000/20 block/{it}/current 0.0\n")
            })
            .collect();
        rig.play(&running(&format!(
            "{blocks}1000..1040/20 district/quarry/current 5.0\n1040..5000/20 district/quarry/current 0.0"
        )));
        let hits = rig.sut.snapshot().poles[0].hits;
        assert_eq!(hits > 0, want, "{block} stepped");
    }
}

#[test]
fn shares_add_to_one_and_the_window_holds_what_came_before() {
    let mut rig = Rig::new("");
    rig.play(&running(
        "1000..1040/20 district/quarry/current 5.0\n1040..5000/20 district/quarry/current 0.0",
    ));
    let record = rig.outputs.iter().find_map(|output| match &output.what {
        Decision::FaultClosed(record) => Some(record),
        _ => None,
    });
    let record = record.unwrap();
    assert_eq!(record.suspects.iter().map(|it| it.share).sum::<u32>(), 1000);
    assert_eq!(record.peak.0, 5_000_000);
    assert_eq!(record.cleared_after.map(|it| it.0), Some(40_000));
    let current = rig.channels.find("district/quarry/current").unwrap();
    let wave = record.waveforms.iter().find(|it| it.channel == current).unwrap();
    assert_eq!(wave.samples.first().map(|(at, _)| at.0), Some(0));
    assert_eq!(wave.samples.last().map(|(at, _)| at.0), Some(4_000_000));
    assert_eq!(record.cuts.len(), 1);
    assert!(record.cuts[0].proved.is_some());
    assert_eq!(record.contacts.len(), 1);
    assert_eq!(record.contacts[0].hits, 1);
}

#[test]
fn a_district_without_readings_of_its_own_is_judged_by_its_booster() {
    check_orders(
        "0..3000/20 booster/main/current 0.4
         0..4000/20 district/yard/current 0.0\n0..4000/20 district/shed/current 0.0
         3000..3040/20 booster/main/current 4.9
         3040..4000/20 booster/main/current 0.0",
        "3020 cut district/quarry short-circuit; 3320 cut district/quarry short-circuit again; \
         3620 cut district/quarry short-circuit again; 3620 cut booster/main cut-failed",
    );
}

/// The smallest sensible layout: one current sensor, at the booster.
#[test]
fn several_districts_without_readings_fall_together_with_their_booster() {
    check_orders(
        "0..3000/20 booster/main/current 0.4
         3000..3040/20 booster/main/current 4.9
         3040..4000/20 booster/main/current 0.0",
        "3020 cut booster/main short-circuit",
    );
}

#[test]
fn a_booster_that_is_cut_is_no_power_failure_of_its_districts() {
    check_with(
        "",
        "0..1000/20 district/shed/current 0.4\n0 district/yard/feedback on\n0..1050/20 district/yard/current 0.2\n1060..2000/20 district/yard/current 0.0
         1000..1040/20 district/shed/current 5.0
         1040..2000/20 district/shed/current 0.0
         1050 district/yard/feedback off",
        "1020 short-circuit district/shed raised high",
        alarms,
    );
}

#[test]
fn a_measured_contact_at_its_limit_is_cut() {
    // IEC 60255-149: 2 A through a 1 A pole with 2 s: ln(4/3) x 2 s = 575 ms (overcurrent tables, closed form).
    let mut rig = Rig::new("");
    rig.play(&running(
        "1000..3000/20 district/quarry/current 0.4\n900..1000/20 frog/T1/current 0.0\n1000..3000/20 frog/T1/current 2.0",
    ));
    assert_eq!(rig.shown(acts)[0], "1560 cut district/quarry contact-overload");
}

/// IEC 60255-149, closed form: what flows through block and frog at once is counted once, and a pair shares it once.
#[test]
fn an_estimated_contact_carries_no_more_than_its_block() {
    let pair = LAYOUT
        .replace("limit = \"5 A\"", "limit = \"9 A\"")
        .replace(
            "{ kind = \"electronic\", trip = \"3 A\", delay = \"40 ms\" }",
            "{ kind = \"none\" }",
        )
        .replace("poles = [\"T1.1\"]", "poles = [\"T1.1\", \"T1.2\"]\nproved = true");
    // Layout, amps from 1000 ms on, cut. From the image of 0.4 A: one pole 2.0 A, 544 ms; each of a pair 1.78 A, 749 ms;
    // counted from 980 ms, the last reading without the step.
    let cases = [(LAYOUT, "2.0", "1540 cut"), (&pair, "3.2", "1740 cut")];
    for (text, amps, want) in cases {
        let mut rig = Rig::new_with(text, Start::journal());
        rig.play(&format!(
            "0 machine/T1/position normal
             0..1000/20 district/quarry/current 0.4
             0..1000/20 block/q1/current 0.4
             1000..3000/20 district/quarry/current {amps}
             1000..3000/20 block/q1/current {amps}"
        ));
        let want = format!("{want} district/quarry contact-overload");
        assert_eq!(rig.shown(acts).first(), Some(&want), "{amps} A");
    }
}

#[test]
fn a_blind_district_is_told_as_not_protected_and_cut_only_where_asked() {
    let journal = "0..1000/20 district/quarry/current 0.4\n3000 tick";
    check_with("", journal, "1980 reading-stale district/quarry raised high", alarms);
    let mut rig = Rig::new("[protection]\non-stale = \"cut\"");
    rig.play(journal);
    assert_eq!(rig.shown(acts)[0], "1980 cut district/quarry reading-stale");
}

#[test]
fn sums_that_do_not_agree_are_told() {
    check_with(
        "",
        "0..6000/20 booster/main/current 2.0
         0..6000/20 district/quarry/current 0.4\n0..6000/20 district/yard/current 0.4\n0..6000/20 district/shed/current 0.4",
        "3000 current-unaccounted booster/main raised low",
        alarms,
    );
}

/// Kirchhoff's current law: booster, quarry, its block q1, and what is said. The other districts and blocks are at none.
#[test]
fn a_sum_names_the_sensor_that_makes_it_wrong() {
    let own = "its own sensor";
    for (booster, quarry, block, subject, want) in [
        ("1.0", "2.0", "1.0", "district/quarry", "point at its own sensor"),
        ("2.0", "1.0", "1.0", "booster/main", "point at its own sensor"),
        ("1.0", "1.0", "2.0", "district/quarry", "the sensor of block q1 is wrong"),
        (
            "2.0",
            "2.0",
            "1.0",
            "district/quarry",
            "a block's sensor is wrong, or a feed bypasses it",
        ),
    ] {
        let mut rig = Rig::new("");
        let channels = [
            ("district/quarry", quarry),
            ("block/q1", block),
            ("booster/main", booster),
            ("block/q2", "0.0"),
            ("block/q3", "0.0"),
            ("district/yard", "0.0"),
            ("block/y1", "0.0"),
            ("district/shed", "0.0"),
            ("block/s1", "0.0"),
        ];
        let line = |(name, amps): &(&str, &str)| format!("0..6000/20 {name}/current {amps}\n");
        rig.play(&channels.iter().map(line).collect::<String>());
        let told: Vec<_> = rig
            .outputs
            .iter()
            .filter_map(|it| match &it.what {
                Decision::Alarm(change) => Some((rig.show(it)?, change.text.clone())),
                _ => None,
            })
            .collect();
        let [(alarm, text)] = &told[..] else { panic!("one sensor, one alarm: {told:?}") };
        assert!(alarm.contains(&format!("current-unaccounted {subject} raised")), "{alarm}");
        assert!(text.contains(want) && text.contains(own), "{text}");
    }
}

#[test]
fn a_record_never_holds_another_record() {
    let mut rig = Rig::new("");
    rig.play(&running(
        "0..2000/20 district/yard/current 0.0
         1000..1040/20 district/quarry/current 5.0
         1040..9000/20 district/quarry/current 0.0
         2000..2040/20 district/yard/current 5.0
         2040..9000/20 district/yard/current 0.0",
    ));
    let records: Vec<_> = rig
        .outputs
        .iter()
        .filter_map(|output| match &output.what {
            Decision::FaultClosed(record) => Some(record),
            Decision::Order(_)
            | Decision::Alarm(_)
            | Decision::State { .. }
            | Decision::Event(_)
            | Decision::FaultOpened { .. }
            | Decision::Commissioned(_)
            | Decision::Answer { .. } => None,
        })
        .collect();
    assert_eq!(records.len(), 2, "two faults whose windows overlap");
    for record in records {
        let nested =
            |output: &&crate::output::Output| matches!(output.what, Decision::FaultClosed(_));
        assert_eq!(record.events.iter().filter(nested).count(), 0, "{:?}", record.number);
    }
}

/// F52: the booster was off for a moment. Voltage is read every 50 ms, the engines charge before it says so.
#[test]
fn engines_that_charge_before_voltage_is_read_again_are_not_cut() {
    check_orders(
        "0..1000/20 district/quarry/current 0.4\n0..1000/50 district/quarry/voltage 15
         1000..2000/20 district/quarry/current 0.0\n1000..2000/50 district/quarry/voltage 0.1
         2005..2045/10 district/quarry/current 3.5\n2045..4000/20 district/quarry/current 0.5
         2049..4000/50 district/quarry/voltage 15",
        "",
    );
}
