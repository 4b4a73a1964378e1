use std::time::{Duration, Instant};

use serde_json::Value as Json;
use wiring::layout::Position;

use super::*;
use crate::testing::{channels, order};

struct Bench {
    desk: Desk,
    now: Instant,
}

const POWER: &str = "district/quarry/power";

impl Bench {
    fn new() -> Self {
        Self { desk: Desk::new(Topics::new("checkrail"), channels(), 0x51E7), now: Instant::now() }
    }

    /// With a node that has the quarry's output.
    fn with_node(arm: bool) -> Self {
        let mut bench = Self::new();
        bench.born(arm);
        bench
    }

    fn born(&mut self, arm: bool) -> Vec<String> {
        let power = channels().find(POWER).expect("power");
        let (node, boot, permit_ms) = ("yard".to_owned(), "9c41".to_owned(), Some(3000));
        let outputs = vec![(power, arm)];
        let offer = Offer { node, boot, permit_ms, outputs, restarted: false };
        brief(&self.desk.offered(offer, self.now))
    }

    fn orders(&mut self, id: u32, channel: &str, action: Action) -> Vec<String> {
        let order = order(id, &channels(), channel, action);
        self.desk.remember(&order, &[], false);
        brief(&self.desk.order(&order, &[], false, self.now))
    }

    fn acks(&mut self, channel: &str, ack: &str) -> Vec<String> {
        let ack: Ack = serde_json::from_str(ack).expect("an ack");
        brief(&self.desk.answered("yard", channel, &ack, self.now))
    }

    fn after(&mut self, ms: u64) -> Vec<String> {
        self.now += Duration::from_millis(ms);
        brief(&self.desk.handle_timeout(self.now))
    }

    fn reports(&mut self) -> Vec<String> {
        self.desk.take_reports().iter().map(|it| format!("{it:?}")).collect()
    }
}

/// `yard cut 51e7-0000`, `yard on 51e7-0001 tok=7c21`, `yard permit 9c41 3000`.
fn brief(messages: &[Outgoing]) -> Vec<String> {
    let one = |message: &Outgoing| {
        let json: Json = serde_json::from_str(&message.payload).unwrap_or(Json::Null);
        let node = message.topic.split('/').nth(1).unwrap_or_default();
        let word = |key: &str| json[key].as_str().unwrap_or_default().to_owned();
        if message.topic.ends_with("/permit") {
            assert!(!message.sure, "permits are QoS 0");
            return format!("{node} permit {} {}", word("b"), json["ms"]);
        }
        assert!(message.sure, "orders are QoS 1");
        let more = ["tok", "to"].iter().filter(|key| json.get(**key).is_some());
        let more: String = more.map(|key| format!(" {key}={}", word(key))).collect();
        format!("{node} {} {}{more}", word("op"), word("id"))
    };
    messages.iter().map(one).collect()
}

#[test]
fn an_order_has_the_form_of_the_contract() {
    let mut bench = Bench::new();
    let mut cut = order(7, &channels(), POWER, Action::Cut);
    cut.fault = Some(supervision::record::FaultNumber(12));
    let messages = bench.desk.order(&cut, &[], false, bench.now);
    assert_eq!(messages[0].topic, "checkrail/-/order/district/quarry/power");
    let json: Json = serde_json::from_str(&messages[0].payload).expect("JSON");
    let want = json!({ "id": "51e7-0000", "op": "cut", "cause": "operator", "fault": 12 });
    assert_eq!(json, want);
}

#[test]
fn a_cut_goes_to_who_announced_it_or_else_to_anybody() {
    assert_eq!(Bench::new().orders(7, POWER, Action::Cut), ["- cut 51e7-0000"]);
    assert_eq!(Bench::with_node(true).orders(7, POWER, Action::Cut), ["yard cut 51e7-0000"]);
    let mut bench = Bench::with_node(true);
    let throw = bench.orders(8, "machine/T14/throw", Action::Throw(Position::Reverse));
    assert_eq!(throw, ["- throw 51e7-0000 to=reverse"]);
}

#[test]
fn an_unanswered_cut_is_repeated_with_the_same_id_twice() {
    let mut bench = Bench::with_node(true);
    bench.orders(7, POWER, Action::Cut);
    assert_eq!(bench.after(299), [""; 0]);
    assert_eq!(bench.after(1), ["yard cut 51e7-0000"]);
    assert_eq!(bench.after(300), ["yard cut 51e7-0000"]);
    assert_eq!(bench.after(300), [""; 0]);
    assert_eq!(bench.reports(), [""; 0], "its proof is current, not an answer");
}

#[test]
fn an_answer_ends_the_repeating_and_counts_once() {
    let mut bench = Bench::with_node(true);
    bench.orders(7, POWER, Action::Cut);
    for _ in 0..2 {
        bench.acks(POWER, r#"{"id":"51e7-0000","r":"ok"}"#);
    }
    assert_eq!(bench.reports(), ["Acknowledged { order: OrderId(7) }"]);
    assert_eq!(bench.after(300), [""; 0]);
}

#[test]
fn answers_of_others_and_to_other_orders_are_nothing() {
    let mut bench = Bench::with_node(true);
    bench.orders(7, POWER, Action::Cut);
    bench.acks("district/yard/power", r#"{"id":"51e7-0000","r":"ok"}"#);
    bench.acks(POWER, r#"{"id":"0000-0000","r":"ok"}"#);
    bench.acks(POWER, r#"{"id":"51e7-0009","r":"ok"}"#);
    bench.acks(POWER, r#"{"id":"","r":"ok"}"#);
    assert_eq!(bench.reports(), [""; 0]);
}

#[test]
fn a_restore_of_an_armed_output_takes_two_steps() {
    let mut bench = Bench::with_node(true);
    assert_eq!(bench.orders(8, POWER, Action::On), ["yard permit 9c41 3000", "yard arm 51e7-0000"]);
    let on = bench.acks(POWER, r#"{"id":"51e7-0000","r":"tok","tok":"7c21"}"#);
    assert_eq!(on, ["yard on 51e7-0001 tok=7c21"]);
    bench.acks(POWER, r#"{"id":"51e7-0001","r":"ok"}"#);
    assert_eq!(bench.reports(), ["Acknowledged { order: OrderId(8) }"]);
}

#[test]
fn a_restore_without_arm_takes_one_step() {
    let mut bench = Bench::with_node(false);
    assert_eq!(bench.orders(8, POWER, Action::On), ["yard permit 9c41 3000", "yard on 51e7-0000"]);
    assert_eq!(Bench::new().orders(8, POWER, Action::On), ["- on 51e7-0000"]);
}

#[test]
fn an_old_token_a_refusal_and_silence_are_told() {
    let mut bench = Bench::with_node(true);
    bench.orders(8, POWER, Action::On);
    bench.now += Duration::from_secs(2);
    assert_eq!(bench.acks(POWER, r#"{"id":"51e7-0000","r":"tok","tok":"7c21"}"#), [""; 0]);
    assert!(bench.reports()[0].contains("too old"));
    bench.orders(9, POWER, Action::On);
    bench.acks(POWER, r#"{"id":"51e7-0001","r":"no","why":"no permit"}"#);
    assert!(bench.reports()[0].contains("no permit"));
    bench.orders(10, POWER, Action::On);
    (0..3).for_each(|_| drop(bench.after(300)));
    assert_eq!(bench.reports(), [r#"Refused { order: OrderId(10), reason: "no answer" }"#]);
}

#[test]
fn a_cut_overtakes_a_restore_under_way() {
    let mut bench = Bench::with_node(true);
    bench.orders(8, POWER, Action::On);
    assert_eq!(bench.orders(9, POWER, Action::Cut), ["yard cut 51e7-0001"]);
    assert_eq!(bench.acks(POWER, r#"{"id":"51e7-0000","r":"tok","tok":"7c21"}"#), [""; 0]);
    assert_eq!(bench.reports(), ["NotSent { order: OrderId(8) }"]);
}

#[test]
fn a_new_connection_gets_the_cuts_that_are_not_proved_and_no_restore() {
    let mut bench = Bench::with_node(true);
    bench.orders(7, POWER, Action::Cut);
    bench.orders(8, "district/yard/power", Action::On);
    bench.desk.disconnected();
    let mut reports = bench.reports();
    reports.sort();
    assert_eq!(reports, ["NotSent { order: OrderId(7) }", "NotSent { order: OrderId(8) }"]);
    assert_eq!(brief(&bench.desk.connected(bench.now)), ["yard cut 51e7-0002"]);
    bench.desk.proved(channels().find(POWER).expect("power"));
    assert_eq!(bench.after(300), [""; 0], "a proved cut is not repeated");
    bench.desk.disconnected();
    assert_eq!(brief(&bench.desk.connected(bench.now)), [""; 0]);
}

#[test]
fn a_node_that_appears_gets_the_cut_of_its_output() {
    let mut bench = Bench::new();
    bench.orders(7, POWER, Action::Cut);
    assert_eq!(bench.born(true), ["yard cut 51e7-0001"]);
    assert_eq!(Bench::new().born(true), [""; 0]);
}

#[test]
fn permits_go_to_nodes_whose_power_may_be_on() {
    let mut bench = Bench::with_node(true);
    let power = channels().find(POWER).expect("power");
    assert_eq!(brief(&bench.desk.permits()), [""; 0]);
    bench.desk.power_wanted(power, true);
    assert_eq!(brief(&bench.desk.permits()), ["yard permit 9c41 3000"]);
    bench.orders(7, POWER, Action::Cut);
    assert_eq!(brief(&bench.desk.permits()), [""; 0]);
}

#[test]
fn a_foreign_output_gets_its_own_words() {
    let mut bench = Bench::new();
    let (topic, off) = ("shed/relay3/set".to_owned(), r#"{"relay":0}"#.to_owned());
    let (on, deadman) = (r#"{"relay":1}"#.to_owned(), wiring::links::Deadman::External);
    let rule = MapOut { channel: POWER.to_owned(), topic, off, on, deadman, proof: None };
    let cut = order(7, &channels(), POWER, Action::Cut);
    let messages = bench.desk.order(&cut, std::slice::from_ref(&rule), false, bench.now);
    let got: Vec<_> = messages.iter().map(|it| (&*it.topic, &*it.payload, it.sure)).collect();
    assert_eq!(got, [("shed/relay3/set", r#"{"relay":0}"#, true)]);
    let elsewhere = bench.desk.order(&cut, &[], true, bench.now);
    assert_eq!(elsewhere, [], "the output of another link is not ordered here");
}

#[test]
fn an_answer_of_somebody_else_ends_nothing() {
    let mut bench = Bench::with_node(false);
    let given = bench.orders(1, POWER, Action::Cut);
    assert_eq!(given, ["yard cut 51e7-0000"]);
    let ack: Ack = serde_json::from_str(r#"{"id":"51e7-0000","r":"ok"}"#).expect("an ack");
    for (node, channel) in [("shed", POWER), ("yard", "district/yard/power")] {
        assert!(bench.desk.answered(node, channel, &ack, bench.now).is_empty());
        assert_eq!(bench.reports(), [""; 0], "{node} {channel}");
    }
    assert_eq!(bench.after(300), ["yard cut 51e7-0000"], "nobody has obeyed: given again");
}
