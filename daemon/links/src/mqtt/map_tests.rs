use wiring::links::Deadman;

use super::*;
use crate::testing::{channels, short};

fn rule(topic: &str, channel: &str, pointer: &str) -> MapIn {
    MapIn {
        topic: topic.to_owned(),
        channel: channel.to_owned(),
        extract: Extract::Pointer(pointer.to_owned()),
        scale: 1.0,
        offset: 0.0,
        range: None,
        values: BTreeMap::new(),
        other: None,
        stale_after: None,
    }
}

fn words(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
    pairs.iter().map(|(from, to)| ((*from).to_owned(), (*to).to_owned())).collect()
}

fn table() -> Mapping {
    let milliamps = MapIn {
        scale: 0.001,
        range: Some((0.0, 10.0)),
        ..rule("sensors/+/telemetry", "district/{1}/current", "/ina/0/ma")
    };
    let hundredths = MapIn {
        scale: 0.01,
        offset: -0.05,
        range: Some((0.0, 30.0)),
        ..rule("shed/adc3", "district/quarry/voltage", "")
    };
    let points = MapIn {
        values: words(&[("0", "normal"), ("1", "reverse"), ("2", "moving")]),
        other: Some("unknown".to_owned()),
        ..rule("points/+", "machine/{1}/position", "/state")
    };
    let csv = MapIn {
        extract: Extract::Between("I=".to_owned(), "A".to_owned()),
        ..rule("csv/q1", "block/q1/current", "")
    };
    let relay = MapIn {
        values: words(&[("ON", "on"), ("OFF", "off")]),
        ..rule("shed/relay3", "district/quarry/feedback", "")
    };
    let rules = [milliamps, hundredths, points, csv, relay];
    Mapping::new(&rules, &[], &channels()).expect("a good table")
}

/// Cases of the project's links page, section 2, with this layout's names.
#[test]
fn foreign_payloads_become_readings() {
    let cases = [
        (
            "sensors/quarry/telemetry",
            r#"{"ts":1.5,"ina":[{"ma":812}]}"#,
            "district/quarry/current 0.812",
        ),
        ("sensors/quarry/telemetry", r#"{"ina":[{"ma":99999}]}"#, "district/quarry/current (over)"),
        ("sensors/quarry/telemetry", r#"{"ina":[{"ma":-1}]}"#, "district/quarry/current (under)"),
        ("sensors/quarry/telemetry", r#"{"ts":1}"#, "has nothing at `/ina/0/ma`"),
        ("sensors/quarry/telemetry", r#"{"ina":[{"ma":true}]}"#, "needs a number at that place"),
        ("sensors/quarry/telemetry", "nonsense", "is not JSON"),
        ("sensors/nowhere/telemetry", r#"{"ina":[{"ma":1}]}"#, "district/nowhere/current"),
        ("shed/adc3", "1592", "district/quarry/voltage 15.87"),
        ("shed/adc3", "NaN", "not a finite number"),
        ("shed/adc3", "inf", "not a finite number"),
        ("points/T14", r#"{"state":"1"}"#, "machine/T14/position reverse"),
        ("points/T14", r#"{"state":2}"#, "machine/T14/position moving"),
        ("points/T14", r#"{"state":"??"}"#, "machine/T14/position unknown"),
        ("csv/q1", "I=0.405A,T=31", "block/q1/current 0.405"),
        ("csv/q1", "T=31", "has nothing at `I=…A`"),
        ("shed/relay3", "OFF", "district/quarry/feedback off"),
        ("shed/relay3", "HALF", "says `HALF`, which the table does not list"),
    ];
    for (topic, payload, want) in cases {
        let mut found = table().read(topic, payload.as_bytes(), &channels());
        assert_eq!(found.len(), 1, "{topic}");
        let got = match found.remove(0) {
            Ok((channel, value)) => {
                let (quality, node_ms) = (supervision::input::Quality::Bare, None);
                let reading = supervision::input::Reading { channel, value, quality, node_ms };
                short(&[supervision::input::Input::Reading(reading)], &channels()).remove(0)
            }
            Err(why) => why.to_string(),
        };
        assert!(got.contains(want), "{topic} {payload}: {got}");
    }
    assert!(table().read("nobody/here", b"1", &channels()).is_empty());
}

#[test]
fn a_channel_has_one_supplier() {
    let rules = [
        rule("a/+", "district/quarry/current", ""),
        rule("b", "district/{1}/current", ""),
        rule("c/+", "district/{1}/current", ""),
    ];
    let mut table =
        Mapping::new(&[rules[0].clone(), rules[2].clone()], &[], &channels()).expect("good");
    assert!(table.read("a/1", b"1", &channels())[0].is_ok());
    assert_eq!(table.read("a/2", b"1", &channels()), [Err(BadForeign::TwoRules)]);
    assert_eq!(table.read("c/quarry", b"1", &channels()), [Err(BadForeign::TwoRules)]);
    assert!(table.read("a/1", b"2", &channels())[0].is_ok());
}

#[test]
fn mistakes_of_the_table_are_all_named() {
    let out = |topic: &str, channel: &str| MapOut {
        channel: channel.to_owned(),
        topic: topic.to_owned(),
        off: "0".to_owned(),
        on: "1".to_owned(),
        deadman: Deadman::External,
    };
    let rules = [
        rule("a", "district/quarry/current", ""),
        rule("b", "district/quarry/current", ""),
        rule("c/#/d", "district/yard/current", ""),
        rule("d", "district/{1}/current", ""),
        rule("e", "district/nowhere/current", ""),
        rule("f", "district/yard/voltage", "no-slash"),
        MapIn { range: Some((2.0, 1.0)), ..rule("g", "booster/main/current", "") },
        MapIn { scale: f64::NAN, ..rule("h", "booster/main/voltage", "") },
    ];
    let outs = [out("x/+", "district/quarry/power"), out("x", "district/quarry/current")];
    let wrong = Mapping::new(&rules, &outs, &channels()).expect_err("mistakes");
    let wants = [
        "is mapped from both `a` and `b`",
        "`c/#/d` is no topic filter",
        "names a capture that `d` does not have",
        "`district/nowhere/current` is no input",
        "`no-slash` is no JSON pointer",
        "the range is empty",
        "must be finite",
        "`x/+` is no topic to publish to",
        "`district/quarry/current` is no power output",
    ];
    for want in wants {
        assert!(wrong.iter().any(|it| it.contains(want)), "{want}: {wrong:?}");
    }
    assert_eq!(wrong.len(), wants.len(), "{wrong:?}");
}
