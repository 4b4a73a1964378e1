use wiring::links::Encoding;

use super::*;
use crate::testing::{channels, short};

fn rule(topic: &str, channel: &str, pointer: &str) -> MapIn {
    let extract = Extract::Pointer(pointer.to_owned());
    MapIn { extract, ..MapIn::plain(topic, channel) }
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
    let semicolons = MapIn {
        extract: Extract::Regex("^I=([-0-9.]+) *A;".to_owned()),
        ..MapIn::plain("meter/yard", "district/yard/current")
    };
    let packed = MapIn {
        encoding: Encoding::Cbor,
        scale: 0.001,
        ..rule("packed/+", "block/{1}/peak", "/ina/0")
    };
    let relay = MapIn {
        values: words(&[("ON", "on"), ("OFF", "off")]),
        ..rule("shed/relay3", "district/quarry/feedback", "")
    };
    let rules = [milliamps, hundredths, points, csv, semicolons, packed, relay];
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
        ("meter/yard", "I=0.75 A;U=15.1 V", "district/yard/current 0.75"),
        ("meter/yard", "I=- A;", "needs a number"),
        ("meter/yard", "U=15.1 V", "has nothing that `^I=([-0-9.]+) *A;` fits"),
        ("meter/yard", "\u{e9}", "has nothing that"),
        ("shed/relay3", "OFF", "district/quarry/feedback off"),
        ("shed/relay3", "HALF", "says `HALF`, which the table does not list"),
    ];
    for (topic, payload, want) in cases {
        let mut found = table().read(topic, payload.as_bytes(), &channels());
        assert_eq!(found.len(), 1, "{topic}");
        let got = match found.remove(0) {
            Ok(Mapped { channel, value, .. }) => {
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
fn cbor_and_bytes_that_are_no_text() {
    let document = serde_json::json!({ "ina": [812.5, true] });
    let mut bytes = Vec::new();
    ciborium::into_writer(&document, &mut bytes).expect("written");
    let mut found = table().read("packed/q1", &bytes, &channels());
    let mapped = found.remove(0).expect("a reading");
    assert_eq!(mapped.value, from_number(Quantity::Peak, 0.8125).expect("a current"));
    let told = |topic: &str, bytes: &[u8]| {
        let mut found = table().read(topic, bytes, &channels());
        found.remove(0).expect_err("nothing").to_string()
    };
    assert_eq!(told("packed/q1", &[0xff]), "is not CBOR");
    assert_eq!(told("shed/adc3", &[0xff]), "is not text");
}

#[test]
fn number_and_time_are_found_beside_the_value() {
    let read = |rule: MapIn, payload: &str| {
        let mut table = Mapping::new(&[rule], &[], &channels()).expect("good");
        let mut found = table.read("a", payload.as_bytes(), &channels());
        let Mapped { stamp, lacks, .. } = found.remove(0).expect("a reading");
        let time = stamp.time.map(|time| (time.ms, time.is_fine));
        (stamp.number, time, lacks.map_or(String::new(), |it| it.to_string()))
    };
    let rule = |unit: TimeUnit| MapIn {
        time: Some(("/ts".to_owned(), unit)),
        seq: Some("/n".to_owned()),
        ..rule("a", "district/quarry/current", "/i")
    };
    let wrapped = (1_795_593_000_500_u64 & 0xFFFF_FFFF) as u32;
    let (seconds, millis, micros) = (TimeUnit::Seconds, TimeUnit::Millis, TimeUnit::Micros);
    let no_time = "has no time at `/ts`: delay is not known";
    for (unit, payload, want) in [
        (seconds, r#"{"i":1,"n":7,"ts":1795593000.5}"#, (Some(7), Some((wrapped, true)), "")),
        (seconds, r#"{"i":1,"n":7,"ts":2}"#, (Some(7), Some((2000, false)), "")),
        (millis, r#"{"i":1,"n":7,"ts":"1795593000500"}"#, (Some(7), Some((wrapped, true)), "")),
        (micros, r#"{"i":1,"n":7,"ts":1500}"#, (Some(7), Some((1, true)), "")),
        (millis, r#"{"i":1,"n":4294967297,"ts":1}"#, (Some(1), Some((1, true)), "")),
        (millis, r#"{"i":1,"n":7.0,"ts":-1}"#, (Some(7), Some((u32::MAX, true)), "")),
        (millis, r#"{"i":1,"n":7}"#, (Some(7), None, no_time)),
        (millis, r#"{"i":1,"n":7,"ts":1e300}"#, (Some(7), None, no_time)),
        (millis, r#"{"i":1,"n":7,"ts":true}"#, (Some(7), None, no_time)),
        (
            millis,
            r#"{"i":1,"n":-7,"ts":1}"#,
            (None, Some((1, true)), "has no number at `/n`: order is not known"),
        ),
    ] {
        let (number, time, lacks) = read(rule(unit), payload);
        assert_eq!((number, time, &*lacks), want, "{payload}");
    }
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
    for topic in ["a/2", "c/quarry"] {
        let told = table.read(topic, b"1", &channels()).remove(0).expect_err("a second supplier");
        assert_eq!(told, BadForeign::TwoRules, "{topic}");
    }
    assert!(table.read("a/1", b"2", &channels())[0].is_ok());
}
