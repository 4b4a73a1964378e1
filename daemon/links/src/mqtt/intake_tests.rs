use std::time::{Duration, Instant};

use super::*;
use crate::testing::{channels, short};

struct Bench {
    intake: Intake,
    now: Instant,
}

impl Bench {
    fn new() -> Self {
        let (channels, numbers) = (channels(), Arc::new(NodeNumbers::default()));
        let topics = Topics::new("checkrail");
        Self {
            intake: Intake::new("mqtt", topics, channels, numbers, Mapping::default()),
            now: Instant::now(),
        }
    }

    fn hears(&mut self, topic: &str, payload: &str, retained: bool) -> Vec<String> {
        let topic = format!("checkrail/{topic}");
        let (topic, payload, at) = (&*topic, payload.as_bytes(), self.now);
        self.intake.handle(Incoming { topic, payload, retained, at });
        short(&self.intake.drain_ready().collect::<Vec<_>>(), &channels())
    }

    fn after(&mut self, ms: u64) -> Vec<String> {
        self.now += Duration::from_millis(ms);
        self.intake.handle_timeout(self.now);
        short(&self.intake.drain_ready().collect::<Vec<_>>(), &channels())
    }
}

const CURRENT: &str = "yard/reading/district/quarry/current";
const POSITION: &str = "yard/reading/machine/T14/position";
const BIRTH: &str = r#"{"id":"yard","boot":"9c41","permit_ms":3000,"channels":{
    "district/quarry/current":{"hz":100,"avg_ms":10},"district/quarry/power":{"out":true,"arm":true}}}"#;

fn numbered(value: &str, n: u32, ms: u32) -> String {
    format!(r#"{{"v":{value},"n":{n},"ms":{ms},"b":"9c41"}}"#)
}

#[test]
fn quality_says_what_is_known_of_order_and_age() {
    let mut bench = Bench::new();
    let cases = [
        (CURRENT, "2.31".to_owned(), false, "district/quarry/current 2.31 Bare"),
        (CURRENT, "2.31".to_owned(), true, "district/quarry/current 2.31 Late"),
        (CURRENT, numbered("2.3", 1, 10), false, "district/quarry/current 2.3 Good"),
        (CURRENT, numbered("2.3", 1, 10), false, "district/quarry/current 2.3 Resent"),
        (CURRENT, numbered("2.3", 3, 10), false, "district/quarry/current 2.3 Resent"),
        (CURRENT, numbered("2.3", 4, 20), false, "district/quarry/current 2.3 Good"),
        (CURRENT, numbered("9.9", 2, 15), false, "district/quarry/current 9.9 Late"),
        (
            CURRENT,
            r#"{"v":null,"e":"over"}"#.to_owned(),
            false,
            "district/quarry/current (over) Bare",
        ),
        (POSITION, numbered("\"moving\"", 5, 30), false, "machine/T14/position moving Good"),
        (POSITION, numbered("\"reverse\"", 6, 30), false, "machine/T14/position reverse Good"),
    ];
    for (topic, payload, retained, want) in cases {
        assert_eq!(bench.hears(topic, &payload, retained), [want], "{payload}");
    }
    let older = numbered("\"normal\"", 5, 29);
    assert_eq!(bench.hears(POSITION, &older, false), [""; 0], "the latest state wins");
}

#[test]
fn a_backlog_delivered_at_once_is_late() {
    let mut bench = Bench::new();
    bench.hears(CURRENT, &numbered("1", 1, 1000), false);
    bench.after(3000);
    let told = bench.hears(CURRENT, &numbered("1", 2, 1010), false);
    assert_eq!(told, ["district/quarry/current 1 Late"]);
    let told = bench.hears(CURRENT, &numbered("1", 3, 4000), false);
    assert_eq!(told, ["district/quarry/current 1 Good"]);
}

#[test]
fn a_set_brings_several_readings_of_one_instant() {
    let mut bench = Bench::new();
    let set = r#"{"b":"9c41","n":4712,"ms":15231,"v":{"district/quarry/current":0.812,
        "machine/T14/position":"normal","district/nowhere/current":1,"frog/T14/polarity":7}}"#;
    let told = bench.hears("yard/set", set, false);
    assert_eq!(told.len(), 4, "{told:?}");
    let polarity = "Unusable checkrail/yard/set frog/T14/polarity: needs one of";
    assert!(told.contains(&"district/quarry/current 0.812 Good".to_owned()));
    assert!(told.iter().any(|it| it.starts_with(polarity)));
    assert!(told.contains(&"machine/T14/position normal Good".to_owned()));
    assert!(told.iter().any(|it| it.starts_with("Unusable checkrail/yard/set district/nowhere")));
}

#[test]
fn what_cannot_be_used_is_named_and_changes_nothing() {
    let cases = [
        (CURRENT, "", "needs a number"),
        (CURRENT, "NaN", "not a finite number"),
        (CURRENT, "{", "not JSON"),
        (CURRENT, "{\"v\":true}", "needs a number or a word"),
        ("yard/reading/district/quarry/power", "on", "is no input"),
        ("yard/reading/district/nowhere/current", "1", "is no input"),
        ("yard/set", "[]", "not JSON"),
        ("yard/birth", "hello", "not JSON"),
        ("yard/health", "{\"up\":\"yes\"}", "not JSON"),
        ("yard/ack/district/quarry/power", "{\"id\":1}", "not JSON"),
        ("-/ask/cut/ann", "district/nowhere", "no district or booster"),
        ("YARD/reading/district/quarry/current", "1", "no rule names"),
    ];
    for (topic, payload, want) in cases {
        let told = Bench::new().hears(topic, payload, false);
        assert_eq!(told.len(), 1, "{topic} {payload}: {told:?}");
        let source = format!("Unusable checkrail/{topic}");
        assert!(told[0].starts_with(&source) && told[0].contains(want), "{told:?}");
    }
}

#[test]
fn a_node_is_born_lives_falls_silent_and_comes_back() {
    let mut bench = Bench::new();
    assert_eq!(bench.hears("yard/birth", BIRTH, true), ["Born yard 2 true false"]);
    assert_eq!(
        bench.hears("yard/health", r#"{"up":true,"boot":"9c41"}"#, true),
        [""; 0],
        "retained"
    );
    assert_eq!(bench.after(3499), [""; 0]);
    assert_eq!(bench.after(1), ["Lost 0"]);
    let alive = r#"{"up":true,"boot":"9c41","ms":15500,"permit":742}"#;
    assert_eq!(bench.hears("yard/health", alive, false), ["Alive 0"]);
    assert_eq!(bench.hears("yard/health", r#"{"up":false}"#, false), ["Lost 0"]);
    assert_eq!(bench.hears("yard/health", r#"{"up":false}"#, false), [""; 0]);
}

#[test]
fn a_retained_last_will_is_believed() {
    let mut bench = Bench::new();
    bench.hears("yard/birth", BIRTH, true);
    assert_eq!(bench.hears("yard/health", r#"{"up":false}"#, true), ["Lost 0"]);
}

#[test]
fn a_new_boot_makes_everything_before_it_old() {
    let mut bench = Bench::new();
    bench.hears("yard/birth", BIRTH, false);
    bench.hears(CURRENT, &numbered("1", 100, 5000), false);
    let told = bench.hears(CURRENT, r#"{"v":2,"n":1,"ms":3,"b":"aaaa"}"#, false);
    assert_eq!(told, ["Born yard 2 true true", "district/quarry/current 2 Good"]);
    let told = bench.hears("yard/birth", &BIRTH.replace("9c41", "aaaa"), false);
    assert_eq!(told, ["Born yard 2 true false"], "the restart was told already");
    let told = bench.hears(CURRENT, &numbered("9", 101, 5010), false);
    assert_eq!(told, ["district/quarry/current 9 Late"], "a straggler of the boot before");
    let told = bench.hears(POSITION, &numbered("\"normal\"", 102, 5020), false);
    assert_eq!(told, [""; 0], "its state is no news");
    let told = bench.hears(CURRENT, r#"{"v":2,"n":1,"ms":3,"b":"aaaa"}"#, false);
    assert_eq!(told, ["district/quarry/current 2 Resent"], "the new boot's order stands");
}

#[test]
fn a_birth_of_unknown_channels_is_used_as_far_as_it_goes() {
    let mut bench = Bench::new();
    let birth = r#"{"boot":"1","channels":{"district/nowhere/current":{"hz":100},
        "district/quarry/current":{"hz":-1},"district/yard/current":{"out":true}}}"#;
    let told = bench.hears("yard/birth", birth, false);
    assert_eq!(told.iter().filter(|it| it.starts_with("Unusable")).count(), 2, "{told:?}");
    assert!(told.contains(&"Born yard 1 false false".to_owned()), "{told:?}");
}

#[test]
fn anybody_may_ask_for_a_cut_and_nobody_for_more() {
    let mut bench = Bench::new();
    for payload in ["district/quarry", "district/quarry/power", "\"district/quarry\""] {
        let told = bench.hears("-/ask/cut/ann", payload, false);
        assert_eq!(told, ["ann asks Cut(District(DistrictIx(0)))"], "{payload}");
    }
    assert_eq!(bench.hears("-/ask/cut/ann", "all", false).len(), 3);
    let told = bench.hears("-/ask/cut/ann", "district/quarry", true);
    assert!(told[0].contains("retained"), "{told:?}");
    assert!(
        bench.hears("-/ask/restore/ann", "district/quarry", false)[0].contains("no rule names")
    );
}

#[test]
fn only_what_an_earlier_run_left_is_news_of_our_own_topics() {
    let mut bench = Bench::new();
    bench.hears("-/state/district/gone/power", r#"{"v":"on"}"#, true);
    bench.hears("-/state/district/quarry/power", r#"{"v":"on"}"#, false);
    bench.hears("-/alarm/power-cut/district/gone", "", true);
    let topic = "checkrail/-/state/district/gone/power".to_owned();
    assert_eq!(bench.intake.take_news(), [News::Leftover { topic }]);
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 400, failure_persistence: None, ..Default::default() })]

    #[test]
    fn no_message_makes_it_panic_or_invent_a_good_reading(
        topic in "(yard|-)/(reading|set|birth|health|ack|ask/cut|state)/?(district/quarry/current|[a-z/]{0,9})",
        payload in "[ -~]{0,60}|\\{\"v\":[ -~]{0,20}\\}",
    ) {
        let told = Bench::new().hears(&topic, &payload, false);
        let good = told.iter().any(|it| it.ends_with("Good"));
        proptest::prop_assert!(!good || payload.contains("\"n\""), "{}: {:?}", payload, told);
    }
}
