//! The node against the worked frames of links.md 4.4, which give S-9.7.2.1, S-9.7.3 and S-9.7.3.1 (read in the editions named
//! in links.md 4.1), and against the failures of links.md 5.6.

use std::time::{Duration, Instant};

use supervision::{
    Supervisor,
    input::{MachinePosition, Reading, Value},
    output::{Occupancy, PowerState},
    snapshot::Measured,
    start::Start,
};
use wiring::units::Mono;

use super::*;
use crate::testing::{channels, order, short};

const LAYOUT: &str = include_str!("../../../tests/support/layout.toml");
const LCC: &str = r#"
[links.lcc.club]
tcp = "127.0.0.1:12021"
node-id = "03.00.12.34.56.01"
own = { "machine/T14" = 14, "block/q1" = 7, "district/quarry" = 3, "frog/T14" = 5, "node/yard" = 1 }

[[links.lcc.club.in]]
event = "05.01.01.01.22.00.00.10"
channel = "machine/T14/position"
value = "normal"

[[links.lcc.club.in]]
event = "05.01.01.01.22.00.00.11"
channel = "machine/T14/position"
value = "reverse"

[[links.lcc.club.in]]
event = "05.01.01.01.22.00.00.12"
channel = "district/yard/power"
value = "cut"

[[links.lcc.club.out]]
channel = "district/yard/power"
off = "05.01.01.01.22.00.00.20"
on = "05.01.01.01.22.00.00.21"
"#;

/// The node of another person, and its alias on the bus.
const OTHER: &str = ":X107012C5N050101012200;";
const YARD: &str = "district/yard/power";

struct Bench {
    node: Node,
    now: Instant,
    seen: Snapshot,
}

fn settings(id: [u8; 6]) -> LccSettings {
    let read = wiring::read(&format!("{LAYOUT}{LCC}"));
    let layout = read.layout.expect("a good layout file");
    LccSettings { node_id: id, ..layout.links.lcc[0].clone() }
}

const ID: [u8; 6] = [0x03, 0x00, 0x12, 0x34, 0x56, 0x01];

impl Bench {
    fn with_id(id: [u8; 6]) -> Self {
        let layout = wiring::read(LAYOUT).layout.expect("a good layout file");
        let proof = Arc::new(wiring::polarity::prove(&layout));
        let neighbours = wiring::plan::neighbours(&layout);
        let (layout, start) = (Arc::new(layout), Start::journal());
        let sut = Supervisor::new(layout, channels(), proof, neighbours, start, Mono(0));
        let now = Instant::now();
        let numbers = Arc::new(NodeNumbers::default());
        let mut node = Node::new(&settings(id), channels(), numbers, now);
        node.opened(now);
        Self { node, now, seen: sut.snapshot() }
    }

    /// In possession of an alias; what it said by then is taken away.
    fn permitted() -> Self {
        let mut bench = Self::with_id(ID);
        bench.after(CHECK_FOR);
        bench.written();
        bench
    }

    /// Time in steps, so that everything due in between is settled and written.
    fn after(&mut self, span: Duration) -> Vec<String> {
        let until = self.now + span;
        let mut written = self.now_written();
        while self.now < until {
            self.now += Duration::from_millis(10).min(until - self.now);
            self.node.handle_timeout(self.now);
            written.extend(self.now_written());
        }
        written
    }

    fn now_written(&mut self) -> Vec<String> {
        let frames = std::iter::from_fn(|| self.node.next_frame(self.now));
        frames.map(|it| it.encode().trim_end().to_owned()).collect()
    }

    /// What is written within a second, with what waits for its turn.
    fn written(&mut self) -> Vec<String> {
        self.after(Duration::from_secs(1))
    }

    fn hears(&mut self, text: &str) {
        self.node.handle_bytes(text.as_bytes(), self.now);
        self.node.handle_timeout(self.now);
    }

    fn told(&mut self) -> Vec<String> {
        short(&self.node.take_ready(), &channels())
    }

    fn show_position(&mut self, position: MachinePosition, stale: bool) {
        self.seen.machines[0].position = Some(Measured { value: position, at: Mono(1), stale });
        self.node.show(&self.seen);
    }

    fn orders(&mut self, id: u32, channel: &str, action: Action) -> Delivery {
        self.node.order(&order(id, &channels(), channel, action))
    }
}

#[test]
fn it_seeks_an_alias_and_tells_who_it_is() {
    let mut bench = Bench::with_id(ID);
    let checks = [":X17030566N;", ":X16012566N;", ":X15345566N;", ":X14601566N;"];
    assert_eq!(
        bench.after(Duration::from_millis(190)),
        checks,
        "and then at least 200 ms of silence"
    );
    let written = bench.written();
    let want = [
        ":X10700566N;",
        ":X10701566N030012345601;",
        ":X19100566N030012345601;",
        ":X10702566N;",
        ":X19547566N0300123456011070;",
        ":X19547566N0300123456011071;",
    ];
    assert_eq!(written[..6], want, "Reserve ID, Map Definition, Initialization Complete, enquiry");
    for frame in [
        ":X194C7566N0300123456012070;",
        ":X19547566N010000000000FFFF;",
        ":X194C7566N010000000000FFFF;",
        ":X199145660N;",
    ] {
        let asked = frame == ":X199145660N;";
        assert!(asked || written.contains(&frame.to_owned()), "{frame} in {written:?}");
    }
    assert!(written.contains(&":X19914566N0501010122000010;".to_owned()), "asks for its events");
}

#[test]
fn announcements_leave_room_for_the_others() {
    let mut bench = Bench::with_id(ID);
    bench.after(CHECK_FOR);
    let burst = bench.after(Duration::from_millis(100));
    assert!(burst.len() <= 11, "at most 100 a second: {burst:?}");
}

#[test]
fn worked_questions_have_the_worked_answers() {
    let node_info = [":X19A08566N12C504436865636B;", ":X19A08566N32C57261696C0064;"];
    let cases: &[(&str, &[&str])] = &[
        (":X194902C5N;", &[":X19170566N030012345601;"]),
        (":X194902C5N030012345601;", &[":X19170566N030012345601;"]),
        (":X194902C5N050101012200;", &[]),
        (":X194882C5N0566;", &[":X19170566N030012345601;"]),
        (":X107022C5N030012345601;", &[":X10701566N030012345601;"]),
        (":X107022C5N;", &[":X10701566N030012345601;"]),
        (":X107022C5N050101012200;", &[]),
        (":X17010566N;", &[":X10700566N;"]),
        (":X199142C5N0300123456011070;", &[":X19544566N0300123456011070;"]),
        (":X199142C5N0300123456011071;", &[":X19545566N0300123456011071;"]),
        (":X199142C5N0501010122000010;", &[]),
        (":X198F42C5N0300123456012071;", &[":X194C7566N0300123456012071;"]),
        (":X198282C5N0566;", &[":X19668566N02C5041000;"]),
        (":X1A5662C5N2080;", &[":X19A48566N02C51043;"]),
        (":X19CC82C5N0566;", &[":X19068566N02C510430CC8;"]),
        (":X19DE82C5N0566;", &node_info),
        // To another alias, an answer to nothing, a part of a stream, an unaddressed optional message.
        (":X198282C5N0567;", &[]),
        (":X196682C5N0566041000;", &[]),
        (":X1F5662C5N2080;", &[]),
        (":X195942C5N0300123456011070;", &[]),
    ];
    for (question, answers) in cases {
        let mut bench = Bench::permitted();
        bench.show_position(MachinePosition::Normal, false);
        bench.written();
        bench.hears(question);
        let written = bench.now_written();
        assert_eq!(written[..written.len().min(2)], **answers, "{question}: {written:?}");
    }
}

#[test]
fn identify_events_is_answered_for_every_event_in_turn() {
    for question in [":X199702C5N;", ":X199682C5N0566;"] {
        let mut bench = Bench::permitted();
        bench.hears(question);
        let written = bench.written();
        let (produced, consumed) =
            (bench.node.events.produced.len(), bench.node.events.consumed.len());
        assert_eq!(written.len(), produced + consumed, "{question}");
    }
}

#[test]
fn what_comes_true_is_reported_and_what_grows_old_is_unknown() {
    let mut bench = Bench::permitted();
    bench.show_position(MachinePosition::Normal, false);
    bench.seen.blocks[0].occupancy = Occupancy::Clear;
    bench.seen.districts[0].power = PowerState::Cutting;
    bench.node.show(&bench.seen);
    let quiet = bench.written();
    assert!(quiet.contains(&":X19544566N0300123456011070;".to_owned()), "{quiet:?}");
    assert!(quiet.iter().all(|it| !it.starts_with(":X195B4")), "nothing happened yet: {quiet:?}");
    bench.show_position(MachinePosition::Reverse, false);
    assert_eq!(bench.now_written(), [":X195B4566N0300123456011071;"], "T14 has arrived at reverse");
    bench.seen.blocks[0].occupancy = Occupancy::Occupied;
    bench.seen.districts[0].power = PowerState::Cut;
    bench.node.show(&bench.seen);
    let want = [":X195B4566N0300123456013039;", ":X195B4566N0300123456014019;"];
    assert_eq!(bench.now_written(), want, "block 7 occupied, district 3 proved cut");
    bench.show_position(MachinePosition::Reverse, true);
    bench.written();
    bench.hears(":X199142C5N0300123456011071;");
    assert_eq!(bench.now_written(), [":X19547566N0300123456011071;"], "stale is unknown");
}

#[test]
fn a_change_behind_a_gap_is_reported_and_a_restored_district_too() {
    let mut bench = Bench::permitted();
    bench.show_position(MachinePosition::Normal, false);
    bench.show_position(MachinePosition::Normal, true);
    bench.show_position(MachinePosition::Normal, false);
    let quiet = bench.written();
    assert!(quiet.iter().all(|it| !it.starts_with(":X195B4")), "nothing has changed: {quiet:?}");
    bench.show_position(MachinePosition::Normal, true);
    bench.show_position(MachinePosition::Reverse, false);
    assert!(bench.written().contains(&":X195B4566N0300123456011071;".to_owned()));
    for power in [PowerState::Cut, PowerState::Restoring, PowerState::On] {
        bench.seen.districts[0].power = power;
        bench.node.show(&bench.seen);
    }
    assert!(bench.written().contains(&":X195B4566N0300123456014018;".to_owned()), "on, measured");
}

#[test]
fn the_first_report_of_an_event_follows_its_identification() {
    let mut bench = Bench::with_id(ID);
    bench.show_position(MachinePosition::Normal, false);
    bench.after(CHECK_FOR);
    bench.show_position(MachinePosition::Reverse, false);
    let written = bench.written();
    let at = |text: &str| written.iter().position(|it| it == text).expect(text);
    let report = at(":X195B4566N0300123456011071;");
    assert!(at(":X19544566N0300123456011071;") < report, "{written:?}");
}

#[test]
fn emergency_off_and_cut_requests_cut_and_nothing_restores() {
    let mut bench = Bench::permitted();
    bench.hears(":X195B42C5N010000000000FFFF;");
    let told = bench.told().join("; ");
    assert_eq!(told.matches("asks Cut").count(), 3, "from anybody, even a stranger: {told}");
    assert!(told.contains("2C5") && told.contains("Booster(BoosterIx(0))"), "{told}");
    bench.hears(OTHER);
    bench.hears(":X195B42C5N0300123456016018;");
    let told = bench.told();
    assert_eq!(told, ["node 05.01.01.01.22.00 (lcc club) asks Cut(District(DistrictIx(0)))"]);
    bench.hears(":X195B42C5N0501010122000012;");
    assert!(bench.told()[0].ends_with("asks Cut(District(DistrictIx(1)))"));
    bench.hears(":X195B42C5N010000000000FFFE;");
    let told = bench.told();
    assert!(told[0].contains("restores by its own rules only"), "{told:?}");
    assert!(told.len() == 1 && bench.now_written().is_empty(), "it is a note and nothing else");
}

#[test]
fn a_producers_word_is_no_request() {
    let mut bench = Bench::permitted();
    bench.hears(OTHER);
    bench.hears(":X195442C5N010000000000FFFF;:X195442C5N0300123456016018;");
    assert_eq!(bench.told(), [""; 0]);
}

#[test]
fn events_of_others_are_readings_without_proof() {
    let mut bench = Bench::permitted();
    bench.hears(OTHER);
    bench.hears(":X195B42C5N0501010122000011;");
    bench.hears(":x195442c5n0501010122000010;");
    bench.hears(":X195452C5N0501010122000011;");
    bench.hears(":X195472C5N0501010122000011;");
    bench.hears(":X195B42C5N0300123456012071;");
    let position = "machine/T14/position";
    let want = [
        format!("{position} reverse Bare"),
        format!("{position} normal Bare"),
        format!("{position} unknown Bare"),
        "machine/T14/asked reverse Bare".to_owned(),
    ];
    assert_eq!(bench.told(), want);
    bench.after(Duration::from_secs(1));
    assert_eq!(bench.told(), ["Born 05.01.01.01.22.00 1 false false"]);
}

#[test]
fn a_silent_node_is_asked_and_then_lost_and_asked_again_when_it_is_back() {
    let mut bench = Bench::permitted();
    bench.hears(OTHER);
    bench.hears(":X195B42C5N0501010122000011;");
    let written = bench.after(Duration::from_secs(9));
    assert_eq!(written, [":X19488566N02C5;"; 3], "Verify Node ID, addressed, every 3 s");
    bench.told();
    bench.after(Duration::from_secs(2));
    assert_eq!(bench.told(), ["Lost 0"]);
    bench.hears(":X191702C5N050101012200;");
    let asked = bench.written();
    assert!(asked.contains(&":X19914566N0501010122000011;".to_owned()), "{asked:?}");
    assert_eq!(bench.told(), ["Born 05.01.01.01.22.00 1 false false"]);
    bench.hears(":X191002C5N050101012200;");
    assert_eq!(bench.told(), ["Alive 0", "Born 05.01.01.01.22.00 1 false true"], "it restarted");
}

#[test]
fn orders_go_out_as_events_and_a_cut_again_after_each_login() {
    let mut bench = Bench::permitted();
    assert_eq!(bench.orders(1, YARD, Action::On), Delivery::Sent);
    assert_eq!(bench.orders(2, YARD, Action::Cut), Delivery::Sent);
    assert_eq!(bench.told(), ["NotSent 1"], "the cut makes it void");
    assert_eq!(bench.now_written(), [":X195B4566N0501010122000020;"]);
    assert_eq!(bench.orders(3, "district/quarry/power", Action::Cut), Delivery::NotMine);
    bench.node.closed(bench.now);
    assert_eq!(bench.orders(4, YARD, Action::Cut), Delivery::NotSent);
    bench.node.opened(bench.now);
    let written = bench.after(CHECK_FOR + Duration::from_millis(20));
    let at = |text: &str| written.iter().position(|it| it == text).expect(text);
    assert!(at(":X10702566N;") < at(":X195B4566N0501010122000020;"), "{written:?}");
    bench.node.proved(channels().find(YARD).expect("a channel"));
    bench.node.closed(bench.now);
    bench.node.opened(bench.now);
    assert!(!bench.written().contains(&":X195B4566N0501010122000020;".to_owned()));
}

#[test]
fn a_whole_layout_cut_is_told_to_everybody() {
    let mut bench = Bench::permitted();
    bench.node.cut_everything();
    let want = [":X195B4566N010000000000FFFF;", ":X195B4566N0501010122000020;"];
    assert_eq!(bench.now_written(), want);
}

#[test]
fn an_alias_that_another_uses_is_given_up() {
    let mut bench = Bench::permitted();
    bench.hears(":X19490566N;");
    let written = bench.written();
    assert_eq!(written[..2], [":X10703566N030012345601;", ":X170306FDN;"]);
    assert!(written.contains(&":X107016FDN030012345601;".to_owned()), "{written:?}");
    let mut bench = Bench::with_id(ID);
    bench.now_written();
    bench.hears(":X17555566N;");
    assert_eq!(bench.now_written()[0], ":X170306FDN;", "while it is being checked, too");
}

#[test]
fn our_node_id_at_another_alias_silences_us() {
    for text in [":X107012C5N030012345601;", ":X191702C5N030012345601;", ":X191002C5N030012345601;"]
    {
        let mut bench = Bench::permitted();
        bench.hears(text);
        let want = [":X195B4566N0101000000000201;", ":X10703566N030012345601;"];
        assert_eq!(bench.written(), want, "{text}");
        assert!(bench.told()[0].contains("another node has our node ID"));
        bench.hears(":X194902C5N;");
        assert_eq!(bench.orders(1, YARD, Action::On), Delivery::NotSent);
        assert_eq!(bench.written(), [""; 0]);
        bench.hears(":X195B42C5N010000000000FFFF;");
        assert!(bench.told().join(" ").contains("asks Cut"), "it still listens");
    }
}

/// links.md 5.6, column LCC ASCII.
#[test]
fn failures_of_the_bus_change_nothing() {
    let position = "machine/T14/position reverse Bare";
    let cases: &[(&str, &str, &[&str])] = &[
        ("corruption: broken hex", ":X195B42C5N05010101220000G1;", &["has a digit that is none"]),
        ("corruption: odd digits", ":X195B42C5N050101012200001;", &["odd number of digits"]),
        ("corruption: more than 8 bytes", ":X195B42C5N050101012200001100;", &["is too long"]),
        (
            "corruption: truncated",
            ":X195B42C5N050101:X107022C5N050101012200;",
            &["form of a frame"],
        ),
        ("corruption: short event", ":X195B42C5N0501;", &["wrong length"]),
        ("repetition", ":X195B42C5N0501010122000011;:X195B42C5N0501010122000011;", &[position]),
        ("insertion: text", "boot 1.2;hello", &[]),
        ("insertion: unknown alias", ":X195B4333N0501010122000011;", &[]),
        ("insertion: other frames", ":S123N00;:X195B42C5R;", &[]),
        ("wrong destination alias", ":X194882C5N0777;", &[]),
    ];
    for (name, text, want) in cases {
        let mut bench = Bench::permitted();
        bench.hears(OTHER);
        bench.hears(":X195B42C5N0501010122000010;");
        bench.told();
        bench.hears(text);
        let told = bench.told();
        assert_eq!(told.len(), want.len(), "{name}: {told:?}");
        assert!(told.iter().zip(*want).all(|(told, want)| told.contains(want)), "{name}: {told:?}");
    }
}

#[test]
fn a_stranger_is_asked_who_it_is_and_believed_afterwards() {
    let mut bench = Bench::permitted();
    bench.hears(":X195B4333N0501010122000011;");
    assert_eq!(bench.now_written()[0], ":X19488566N0333;");
    bench.hears(":X19170333N050101012201;");
    bench.hears(":X19544333N0501010122000011;");
    assert_eq!(bench.told(), ["machine/T14/position reverse Bare"]);
}

#[test]
fn reverse_before_normal_ends_normal_and_damage_is_told_once() {
    let mut bench = Bench::permitted();
    bench.hears(OTHER);
    bench.hears(":X195B42C5N0501010122000011;:X195B42C5N0501010122000010;");
    assert!(bench.told()[1].contains("normal"));
    for _ in 0..20 {
        bench.hears(":X195B42C5N05;");
    }
    assert_eq!((bench.told().len(), bench.node.counts.bad), (1, 20));
}

#[test]
fn an_adapter_that_goes_takes_all_nodes_with_it() {
    let mut bench = Bench::permitted();
    bench.hears(OTHER);
    bench.hears(":X195B42C5N0501010122000011;");
    bench.told();
    bench.node.closed(bench.now);
    assert_eq!(bench.told(), ["Lost 0"]);
    bench.after(Duration::from_secs(30));
    assert_eq!((bench.told().len(), bench.written().len()), (0, 0));
}

#[test]
fn an_adapter_that_sends_our_own_frames_back_is_named() {
    let mut bench = Bench::with_id(ID);
    let mut frames = 0;
    for _ in 0..200 {
        for frame in bench.after(Duration::from_millis(10)) {
            frames += 1;
            bench.hears(&frame);
        }
    }
    assert!(bench.told().join(" ").contains("does the adapter send our own frames back?"));
    assert!(frames < 150, "and the bus is not flooded: {frames}");
}

/// Two nodes of ours whose first aliases are the same meet on one bus.
#[test]
fn two_nodes_with_one_alias_come_to_terms() {
    // 030 ^ 012 ^ 345 ^ 601 = 030 ^ 012 ^ 344 ^ 600 = 566.
    let second = [0x03, 0x00, 0x12, 0x34, 0x46, 0x00];
    for late in [0, 3, 40] {
        let mut one = Bench::with_id(ID);
        let mut two = Bench::with_id(second);
        assert_eq!((one.node.aliases.now(), two.node.aliases.now()), (0x566, 0x566));
        for step in 0..300 {
            let said = one.after(Duration::from_millis(10));
            let answered =
                if step < late { Vec::new() } else { two.after(Duration::from_millis(10)) };
            if step >= late {
                said.iter().for_each(|frame| two.hears(frame));
            }
            answered.iter().for_each(|frame| one.hears(frame));
        }
        assert_eq!((one.node.stage, two.node.stage), (Stage::Permitted, Stage::Permitted));
        assert_ne!(one.node.aliases.now(), two.node.aliases.now(), "late by {late}");
        assert_eq!(one.node.remotes.node(two.node.aliases.now()), Some(NodeId(second)));
    }
}

#[test]
fn readings_carry_no_time_of_their_own() {
    let mut bench = Bench::permitted();
    bench.hears(OTHER);
    bench.hears(":X195B42C5N0501010122000011;");
    let ready = bench.node.take_ready();
    assert!(matches!(
        ready[..],
        [Input::Reading(Reading { node_ms: None, value: Value::Position(_), .. })]
    ));
}
