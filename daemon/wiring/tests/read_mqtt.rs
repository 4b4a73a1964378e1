//! `[[links.mqtt.map]]` and `[[links.mqtt.out]]`: what their rows mean and what is refused.

use wiring::{
    links::{Encoding, Extract, LinkSettings, MapIn, OutProof, TimeUnit},
    read,
    units::Micros,
};

const AROUND: &str = r#"
[booster.main]
volts = "15 V"
limit = "5 A"
[district.quarry]
booster = "main"
cut = true
[block.q1]
district = "quarry"
[trackwork.T1]
kind = "turnout"
hand = "right"
block = "q1"
[trackwork.T1.frog]
poles = ["T1.1"]
normal = "right"
reverse = "left"
[links.mqtt]
broker = "mqtt://host"
"#;

/// Errors as `code: message; remedy`, and what was written where the caret points.
fn errors(text: &str) -> Vec<String> {
    let text = format!("{AROUND}{text}");
    let errors = read(&text).errors;
    let told = errors.iter().map(|it| {
        let at = &text[it.span.start..it.span.end];
        format!("{}: {}; {} [{at}]", it.code(), it.message(), it.remedy())
    });
    told.collect()
}

fn links(text: &str) -> LinkSettings {
    let told = errors(text);
    assert!(told.is_empty(), "{text}: {told:?}");
    read(&format!("{AROUND}{text}")).layout.expect("no errors").links
}

fn map(keys: &str) -> MapIn {
    let row =
        format!("[[links.mqtt.map]]\ntopic = \"a/+\"\nchannel = \"block/q1/current\"\n{keys}");
    links(&row).mqtt.expect("a broker").map.remove(0)
}

#[test]
fn every_way_to_find_a_value_is_read() {
    let pointer = |it: &str| Extract::Pointer(it.to_owned());
    for (keys, want) in [
        ("", pointer("")),
        ("pointer = \"\"", pointer("")),
        ("pointer = \"/ina/0/ma\"", pointer("/ina/0/ma")),
        ("between = [\"I=\", \"\"]", Extract::Between("I=".to_owned(), String::new())),
        ("regex = '^I=([0-9.]+)A'", Extract::Regex("^I=([0-9.]+)A".to_owned())),
    ] {
        assert_eq!(map(keys).extract, want, "{keys}");
    }
    let rule = map("encoding = \"cbor\"\npointer = \"/0\"\ntime = \"/ts\"\ntime-unit = \"s\"\n\
                    seq = \"\"\naveraging = \"50 ms\"\nstale-after = \"500 ms\"\n");
    assert_eq!((rule.encoding, rule.extract), (Encoding::Cbor, pointer("/0")));
    assert_eq!(rule.time, Some(("/ts".to_owned(), TimeUnit::Seconds)));
    assert_eq!(rule.seq.as_deref(), Some(""));
    assert_eq!((rule.averaging, rule.stale_after), (Some(Micros(50_000)), Some(Micros(500_000))));
    assert_eq!(map("time = \"/t\"").time, Some(("/t".to_owned(), TimeUnit::Millis)));
}

#[test]
fn mistakes_of_a_rule_are_told_where_they_stand() {
    let row = |topic: &str, channel: &str, keys: &str| {
        format!("[[links.mqtt.map]]\ntopic = \"{topic}\"\nchannel = \"{channel}\"\n{keys}\n")
    };
    let on = |keys: &str| row("a", "block/q1/current", keys);
    let position = |keys: &str| row("a", "machine/T1/position", keys);
    let cases = [
        (row("c/#/d", "block/q1/current", ""), "topic filter", "\"c/#/d\""),
        (row("d", "block/{1}/current", ""), "the topic has no +", "\"block/{1}/current\""),
        (row("d/+", "block/{2}/current", ""), "no other capture than {1}", "\"block/{2}/current\""),
        (row("+/+", "block/{x}/current", ""), "from {1} to {2}", "\"block/{x}/current\""),
        (row("d/+", "{1}.current", ""), "the name of inputs", "\"{1}.current\""),
        (row("d", "block/q2/current", ""), "write \"block/q1/current\"", "\"block/q2/current\""),
        (row("d", "district/quarry/power", ""), "is measured", "\"district/quarry/power\""),
        (on("pointer = \"a/b\""), "write pointer = \"/a/b\"", "\"a/b\""),
        (on("pointer = \"/a~b\""), "~0 for ~", "\"/a~b\""),
        (on("time = \"ts\""), "a JSON pointer", "\"ts\""),
        (on("seq = \"n\""), "a JSON pointer", "\"n\""),
        (on("time-unit = \"s\""), "does not say `time`", "\"s\""),
        (on("regex = 'I=[0-9]+'"), "it has no group", "'I=[0-9]+'"),
        (on("regex = '(I)=([0-9]+)'"), "it has 2 groups", "'(I)=([0-9]+)'"),
        (on("regex = '(('"), "regular expression", "'(('"),
        (on("pointer = \"\"\nregex = '(a)'"), "not both", "'(a)'"),
        (on("regex = '(a)'\nencoding = \"cbor\""), "looks into a text", "\"cbor\""),
        (on("other = \"normal\""), "a number in quotes", "\"normal\""),
        (position("values = { \"1\" = \"thrown\" }"), "\"moving\" or \"unknown\"", "\"thrown\""),
        (position("other = \"?\""), "\"moving\" or \"unknown\"", "\"?\""),
    ];
    for (text, want, at) in cases {
        let told = errors(&text);
        assert_eq!(told.len(), 1, "{text}: {told:?}");
        assert!(told[0].contains(want), "{text}: {told:?}");
        assert!(told[0].ends_with(&format!("[{at}]")), "{text}: {told:?}");
    }
}

#[test]
fn a_channel_has_one_rule_and_a_broker_one_client_of_a_name() {
    let row =
        |table: &str| format!("[[{table}.map]]\ntopic = \"a\"\nchannel = \"block/q1/current\"\n");
    let club = "[links.mqtt.also.club]\nbroker = \"mqtt://club\"\n";
    let twice = errors(&(row("links.mqtt") + &row("links.mqtt")));
    assert!(twice.len() == 1 && twice[0].contains("no other rule supplies"), "{twice:?}");
    let beside = errors(&(row("links.mqtt") + club + &row("links.mqtt.also.club")));
    assert!(beside.len() == 1 && beside[0].contains("no other rule supplies"), "{beside:?}");
    let same = errors("[links.mqtt.also.club]\nbroker = \"mqtt://host:1883\"\n");
    assert!(same.len() == 1 && same[0].contains("\"checkrail-2\""), "{same:?}");
    links("[links.mqtt.also.club]\nbroker = \"mqtt://host\"\nclient-id = \"checkrail-2\"\n");
}

#[test]
fn keys_of_a_broker_ask_for_each_other() {
    for (keys, want) in [
        ("broker = \"mqtts://club\"", "[links.mqtt.also.club] does not say `ca-file`"),
        ("broker = \"mqtt://club\"\npassword-file = \"/x\"", "does not say `user`"),
        ("broker = \"mqtt://club\"\nroot = \"/rail\"", "`root` must be names"),
        ("broker = \"mqtt://club\"\nroot = \"rail/+\"", "`root` must be names"),
    ] {
        let told = errors(&format!("[links.mqtt.also.club]\n{keys}\n"));
        assert!(told.len() == 1 && told[0].contains(want), "{keys}: {told:?}");
    }
    links("[links.mqtt.also.club]\nbroker = \"mqtts://club\"\nca-file = \"/ca.pem\"\n");
}

fn out(keys: &str) -> String {
    format!(
        "[[links.mqtt.out]]\nchannel = \"district/quarry/power\"\ntopic = \"shed/relay\"\n\
         off = \"0\"\non = \"1\"\ndeadman = \"external\"\n{keys}\n"
    )
}

#[test]
fn the_proof_of_a_foreign_output_is_its_own_current() {
    let proof =
        |keys: &str| links(&out(keys)).proof("district/quarry/power").cloned().expect("a proof");
    let channel = "district/quarry/current".to_owned();
    let of = "proof = { channel = \"district/quarry/current\"";
    let want = OutProof { channel, below: Some(0.05), within: Some(Micros(800_000)) };
    assert_eq!(proof(&format!("{of}, below = 0.05, within = \"800ms\" }}")), want);
    assert_eq!(proof(&format!("{of}, below = \"50 mA\", within = \"800 ms\" }}")), want);
    let (below, within) = (None, None);
    assert_eq!(proof(&format!("{of} }}")), OutProof { below, within, ..want });
    let named = links(&out(&format!("{of} }}")));
    assert!(named.is_proof("district/quarry/current") && !named.is_proof("block/q1/current"));
    for (keys, want) in [
        (
            "proof = { channel = \"block/q1/current\" }",
            "write channel = \"district/quarry/current\"",
        ),
        (&format!("{of}, below = 0 }}"), "a current above zero"),
        (&format!("{of}, below = \"50 mV\" }}"), "below"),
        ("retain = true", "write retain = false"),
    ] {
        let told = errors(&out(keys));
        assert!(told.len() == 1 && told[0].contains(want), "{keys}: {told:?}");
    }
    links(&out("retain = false"));
}
