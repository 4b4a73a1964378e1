use std::time::{Duration, Instant};

use supervision::output::Action;
use wiring::layout::Position;

use super::*;
use crate::{
    clp::crc::crc,
    testing::{channels, order, short},
};

/// A port with a clock of its own, and a node that a test plays by hand.
struct Bench {
    port: Port,
    now: Instant,
    seq: u16,
}

const TABLE: [&str; 6] = [
    "CH 0 cur A 0.001 50 district/quarry",
    "CH 1 cur A 0.001 50 block/q1",
    "CH 2 volt V 0.01 10 district/quarry",
    "CH 3 pos - 1 0 machine/T14",
    "CH 4 pol - 1 0 frog/T14",
    "CH 5 out - 1 0 district/quarry",
];

const HELLO: &str = "HI clp=1-1 id=yard-east fw=0.3.1 boot=9C41 ch=6 cmd=4 deadman=1000";

impl Bench {
    fn new() -> Self {
        let (numbers, now) = (Arc::new(NodeNumbers::default()), Instant::now());
        let mut port = Port::new("bus", channels(), numbers, 0x51E7, now);
        port.opened(now);
        Self { port, now, seq: 0 }
    }

    /// In session, outputs of the start taken away.
    fn live() -> Self {
        let mut bench = Self::new();
        bench.introduce(HELLO, &TABLE);
        let go = bench.written().pop().expect("GO");
        assert_eq!(go, "#01:0001 GO clp=1 boot=9C41 host=51E7");
        bench.says("AK 0001 OK");
        assert_eq!(bench.told(), ["Born yard-east 7 true false"]);
        bench
    }

    fn introduce(&mut self, hello: &str, table: &[&str]) {
        self.says(hello);
        table.iter().for_each(|row| self.says(row));
        let check = crc(table.join("\n").as_bytes());
        self.says(&format!("CE {} {check:04X}", table.len()));
    }

    /// The node's next line.
    fn says(&mut self, body: &str) {
        self.line(self.seq, body);
        self.seq = self.seq.wrapping_add(1);
    }

    /// A line with a number of the test's choice.
    fn line(&mut self, seq: u16, body: &str) {
        let text = format!("@01:{seq:04X} {body}");
        let line = format!("{text}*{:04X}\r\n", crc(text.as_bytes()));
        self.port.handle_bytes(line.as_bytes(), self.now);
    }

    fn after(&mut self, ms: u64) {
        self.now += Duration::from_millis(ms);
        self.port.handle_timeout(self.now);
    }

    /// What was written, without check and end.
    fn written(&mut self) -> Vec<String> {
        let lines = std::iter::from_fn(|| self.port.poll_bytes(self.now));
        lines
            .map(|it| String::from_utf8(it).expect("text"))
            .map(|it| it.split('*').next().expect("a line").to_owned())
            .collect()
    }

    fn told(&mut self) -> Vec<String> {
        let channels = channels();
        short(&self.port.take_ready(), &channels)
    }

    fn orders(&mut self, id: u32, channel: &str, action: Action) -> Delivery {
        let order = order(id, &channels(), channel, action);
        self.port.order(&order, self.now)
    }
}

const POWER: &str = "district/quarry/power";

#[test]
fn a_node_is_asked_compared_and_taken_into_session() {
    let mut bench = Bench::new();
    assert_eq!(bench.written(), ["#00:0000 HI clp=1"]);
    bench.after(1000);
    assert_eq!(bench.written(), ["#00:0001 HI clp=1"], "nobody answered: asked again");
    bench.introduce(HELLO, &TABLE);
    assert_eq!(bench.written(), ["#01:0002 GO clp=1 boot=9C41 host=51E7"]);
    bench.says("RD 15229 0 812");
    assert_eq!(bench.told(), [""; 0], "readings before the session begins are not used");
    bench.says("AK 0002 OK");
    assert_eq!(bench.told(), ["Born yard-east 7 true false"]);
    bench.says("RD 15230 0 812 405 1587");
    bench.says("ST 15231 3=N 4=A 5=1");
    bench.says("RP 3B8A 00 32C800FFF");
    assert_eq!(
        bench.told(),
        [
            "district/quarry/current 0.812 Good",
            "block/q1/current 0.405 Good",
            "district/quarry/voltage 15.87 Good",
            "machine/T14/position normal Good",
            "frog/T14/polarity A Good",
            "district/quarry/feedback on Good",
            "district/quarry/current 0.812 Good",
            "block/q1/current (sensor) Good",
            "district/quarry/voltage -0.01 Good",
        ]
    );
}

#[test]
fn a_table_that_differs_from_the_layout_is_listed_and_not_used() {
    let cases = [
        (HELLO, "CH 0 cur A 0.001 50 district/nowhere", "district/nowhere/current is no channel"),
        (HELLO, "CH 0 cur V 0.001 50 district/quarry", "unit `V` where `A` belongs"),
        (HELLO, "CH 0 cur A 0.000 50 district/quarry", "is not above zero"),
        (HELLO, "CH 0 pos - 1 0 frog/T14", "frog/T14/position is no channel"),
        ("HI clp=2-3 id=yard-east boot=9C41", TABLE[0], "versions 2 to 3"),
    ];
    for (hello, row, want) in cases {
        let mut bench = Bench::new();
        bench.introduce(hello, &[row]);
        let told = bench.told().join("; ");
        assert!(told.contains(want), "{row}: {told}");
        bench.says("AK 0001 OK");
        bench.says("RD 15230 0 812");
        assert_eq!(bench.told(), [""; 0], "{row}");
        assert!(bench.port.node_statuses()[0].trouble.contains(want));
    }
}

#[test]
fn a_table_written_with_leading_zeros_is_whole() {
    let mut bench = Bench::new();
    bench.introduce(HELLO, &["CH 000 cur A 0.0010 050 district/quarry"]);
    assert!(
        bench.written().last().expect("a line").contains(" GO "),
        "its check is over what it wrote"
    );
}

#[test]
fn a_table_with_a_lost_row_is_asked_for_again() {
    let mut bench = Bench::new();
    bench.says(HELLO);
    bench.written();
    for row in &TABLE[1..] {
        bench.says(row);
    }
    bench.says("CE 6 961B");
    assert!(bench.told()[0].contains("channel table came damaged"));
    bench.after(1000);
    assert!(bench.written().contains(&"#01:0001 HI clp=1".to_owned()));
}

#[test]
fn the_same_line_counts_once_and_an_older_one_only_warns() {
    let mut bench = Bench::live();
    bench.says("RD 100 0 812");
    let again = bench.seq - 1;
    bench.line(again, "RD 100 0 812");
    bench.says("RD 120 0 815");
    bench.line(again - 1, "RD 80 0 5200");
    bench.line(again - 1, "ST 80 3=R");
    bench.line(again - 1, "EV 80 5 TRIP 5200");
    assert_eq!(
        bench.told(),
        [
            "district/quarry/current 0.812 Good",
            "district/quarry/current 0.815 Good",
            "district/quarry/current 5.2 Late",
            "district/quarry/feedback off Late",
        ]
    );
    assert_eq!(bench.port.counts.out_of_order, 4);
}

#[test]
fn a_wrapping_number_is_no_loss_and_a_gap_is_counted() {
    let mut bench = Bench::live();
    bench.line(0x7FFF, "RD 1 0 1");
    let before = bench.port.counts.lost;
    bench.line(0xFFFE, "RD 2 0 1");
    bench.line(0xFFFF, "RD 3 0 1");
    let gap = bench.port.counts.lost - before;
    bench.line(0x0000, "RD 4 0 1");
    bench.line(0x0004, "RD 5 0 1");
    assert_eq!(bench.port.counts.lost - before - gap, 3);
}

#[test]
fn a_frozen_clock_and_a_late_line_are_marked() {
    let mut bench = Bench::live();
    bench.says("RD 1000 0 812");
    bench.after(20);
    bench.says("RD 1000 0 812");
    bench.after(400);
    bench.says("RD 1040 0 812");
    let told = bench.told();
    assert_eq!(
        told,
        [
            "district/quarry/current 0.812 Good",
            "district/quarry/current 0.812 Resent",
            "Alive 0",
            "district/quarry/current 0.812 Late",
        ]
    );
}

#[test]
fn a_cut_is_repeated_with_the_same_number_until_it_is_answered() {
    let mut bench = Bench::live();
    assert_eq!(bench.orders(7, POWER, Action::Cut), Delivery::Sent);
    assert_eq!(bench.written(), ["#01:0002 CUT 5 operator"]);
    bench.after(100);
    assert_eq!(bench.written(), ["#01:0002 CUT 5 operator"]);
    bench.says("AK 0002 OK");
    bench.says("AK 0002 OK");
    assert_eq!(bench.told(), ["Acknowledged 7"]);
    bench.after(100);
    assert_eq!(bench.written(), [""; 0]);
}

#[test]
fn a_cut_goes_before_everything_that_waits() {
    let mut bench = Bench::live();
    bench.port.power_wanted(channels().find(POWER).expect("power"), true);
    bench.port.permits();
    bench.port.permits();
    bench.orders(3, "machine/T14/throw", Action::Throw(Position::Normal));
    bench.orders(7, POWER, Action::Cut);
    let written = bench.written();
    assert!(written[0].contains("CUT 5"), "{written:?}");
    assert_eq!(written.iter().filter(|it| it.contains("PM")).count(), 1, "{written:?}");
}

#[test]
fn a_restore_takes_a_permit_a_token_and_then_on() {
    let mut bench = Bench::live();
    assert_eq!(bench.orders(8, POWER, Action::On), Delivery::Sent);
    assert_eq!(bench.written(), ["#01:0002 PM 9C41 1000", "#01:0003 ARM 5"]);
    bench.says("AK 0003 TOK 7C21 2000");
    assert_eq!(bench.written(), ["#01:0004 ON 5 7C21"]);
    bench.says("AK 0004 OK");
    assert_eq!(bench.told(), ["Acknowledged 8"]);
}

#[test]
fn a_throw_is_accepted_and_done_or_refused() {
    let mut bench = Bench::live();
    bench.orders(9, "machine/T14/throw", Action::Throw(Position::Reverse));
    assert_eq!(bench.written(), ["#01:0002 THROW 3 R 5000"]);
    bench.says("AK 0002 OK");
    assert_eq!(bench.told(), ["Acknowledged 9"]);
    bench.says("AK 0002 NO timeout");
    assert_eq!(bench.told(), ["Refused 9: timeout"]);
}

#[test]
fn an_unanswered_restore_is_given_up_after_two_repeats() {
    let mut bench = Bench::live();
    bench.orders(8, POWER, Action::On);
    for _ in 0..3 {
        bench.after(100);
    }
    let arms = bench.written().iter().filter(|it| it.contains("ARM 5")).count();
    assert_eq!(arms, 3);
    assert_eq!(bench.told(), ["Refused 8: no answer"]);
}

#[test]
fn a_silent_node_is_lost_and_gets_its_cut_again_when_it_is_back() {
    let mut bench = Bench::live();
    bench.orders(7, POWER, Action::Cut);
    bench.after(1499);
    assert_eq!(bench.told(), [""; 0]);
    bench.after(1);
    assert_eq!(bench.told(), ["Lost 0"]);
    bench.written();
    assert_eq!(
        bench.orders(8, "machine/T14/throw", Action::Throw(Position::Normal)),
        Delivery::NotSent
    );
    bench.says("HB 15500 9C41 742 0 0");
    assert_eq!(bench.told(), ["Alive 0"]);
    assert!(bench.written()[0].contains("CUT 5"));
    bench.port.proved(channels().find(POWER).expect("power"));
    bench.after(2000);
    bench.says("HB 17500 9C41 742 0 0");
    assert_eq!(bench.written(), [""; 0], "a proved cut is not given again");
}

#[test]
fn a_restarted_node_goes_through_everything_again() {
    let mut bench = Bench::live();
    bench.says("HB 20 AAAA 0 0 0");
    assert!(bench.written().is_empty(), "it was asked less than a second ago");
    bench.says("RD 30 0 812");
    assert_eq!(bench.told(), [""; 0], "what it measures is stale until it is in session");
    bench.after(1000);
    assert_eq!(bench.written(), ["#01:0002 HI clp=1"]);
    bench.seq = 0;
    bench.introduce(&HELLO.replace("9C41", "AAAA"), &TABLE);
    assert_eq!(bench.written(), ["#01:0003 GO clp=1 boot=AAAA host=51E7"]);
    bench.says("AK 0003 OK");
    let told = bench.told();
    assert!(told.contains(&"Born yard-east 7 true true".to_owned()), "{told:?}");
}

#[test]
fn permits_go_only_where_power_may_be_on() {
    let mut bench = Bench::live();
    bench.port.permits();
    assert_eq!(bench.written(), [""; 0]);
    let power = channels().find(POWER).expect("power");
    bench.port.power_wanted(power, true);
    bench.port.permits();
    assert_eq!(bench.written(), ["#01:0002 PM 9C41 1000"]);
    bench.orders(7, POWER, Action::Cut);
    bench.written();
    bench.port.permits();
    assert_eq!(bench.written(), [""; 0], "a cut ends them");
}

#[test]
fn permits_go_four_times_a_second_and_only_while_the_supervisor_lives() {
    let mut bench = Bench::live();
    bench.port.power_wanted(channels().find(POWER).expect("power"), true);
    let mut permits = |ms, is_alive| {
        bench.now += Duration::from_millis(ms);
        bench.port.handle_supervised(is_alive, bench.now);
        let due = bench.port.poll_deadline(bench.now).expect("the next permit at least");
        assert!(due <= bench.now + Duration::from_millis(250));
        bench.written().iter().filter(|line| line.contains("PM 9C41")).count()
    };
    assert_eq!([permits(0, true), permits(200, true), permits(60, true)], [1, 0, 1]);
    assert_eq!([permits(250, false), permits(250, false), permits(250, true)], [0, 0, 1]);
}

#[test]
fn an_order_under_way_when_the_device_goes_is_not_sent() {
    let mut bench = Bench::live();
    bench.orders(8, POWER, Action::On);
    bench.port.closed(bench.now);
    assert_eq!(bench.told(), ["NotSent 8"]);
    assert_eq!(bench.written(), [""; 0], "nothing waits for the device");
    assert_eq!(bench.orders(9, POWER, Action::On), Delivery::NotSent);
}

#[test]
fn an_echo_an_unknown_node_and_another_nodes_channels_change_nothing() {
    let mut bench = Bench::live();
    let echo = encode(&Line { addr: 1, seq: 9, body: Body::Down(Down::Ping) });
    bench.port.handle_bytes(echo.as_bytes(), bench.now);
    let text = "@02:0001 RD 1 0 9999";
    let line = format!("{text}*{:04X}\r\n", crc(text.as_bytes()));
    bench.port.handle_bytes(line.as_bytes(), bench.now);
    assert_eq!(bench.told(), [""; 0]);
    assert_eq!(bench.written(), ["#02:0002 HI clp=1"], "it is asked who it is");
    bench.says("RD 5 9 1");
    assert!(bench.told()[0].contains("channel 9 is not in its table"));
}

#[test]
fn damage_is_counted_named_and_told_once() {
    let mut bench = Bench::live();
    for _ in 0..50 {
        bench.port.handle_bytes(b"@01:0020 RD 15230 0 812*0000\r\n", bench.now);
    }
    assert_eq!(bench.port.counts.bad, 50);
    let told = bench.told();
    assert_eq!(told, ["Unusable bus: a line is damaged: its check does not agree"]);
}

#[test]
fn cut_all_goes_to_every_node_and_ends_permits() {
    let mut bench = Bench::live();
    bench.port.power_wanted(channels().find(POWER).expect("power"), true);
    bench.port.cut_everything();
    bench.port.permits();
    assert_eq!(bench.written(), ["#FF:0002 CUT ALL shutdown"]);
}

#[test]
fn a_round_trip_bounds_the_delay_that_is_always_there() {
    let mut bench = Bench::live();
    bench.port.ping(bench.now);
    assert_eq!(bench.written(), ["#01:0002 PING"]);
    bench.port.ping(bench.now);
    assert_eq!(bench.written(), [""; 0], "once a second");
    bench.after(500);
    bench.says("AK 0002 OK");
    bench.says("RD 100 0 812");
    assert_eq!(bench.told(), ["Alive 0", "district/quarry/current 0.812 Late"]);
    assert_eq!(bench.port.lag(), 250);
    bench.after(1000);
    bench.port.ping(bench.now);
    assert_eq!(bench.written(), ["#01:0003 PING"]);
    bench.after(8);
    bench.says("AK 0003 OK");
    bench.says("RD 1108 0 813");
    let told = bench.told();
    assert_eq!(told.last().map(String::as_str), Some("district/quarry/current 0.813 Good"));
}

#[test]
fn a_current_that_trips_is_asked_to_come_often_enough_before_the_session() {
    let slow = TABLE.map(|row| row.replace("0.001 50 district", "0.001 5 district"));
    let slow: Vec<&str> = slow.iter().map(String::as_str).collect();
    for (answers, period) in
        [(vec!["AK 0002 OK"], 20_000), (vec!["AK 0002 NO rate"], 200_000), (vec![], 200_000)]
    {
        let mut bench = Bench::new();
        bench.introduce(HELLO, &slow);
        bench.written();
        bench.says("AK 0001 OK");
        assert_eq!(bench.written(), ["#01:0002 RATE 0 50"]);
        assert_eq!(bench.told(), [""; 0], "not yet");
        answers.iter().for_each(|answer| bench.says(answer));
        (0..4).for_each(|_| bench.after(100));
        let born = bench.port.take_ready().into_iter().find_map(|it| match it {
            Input::Link(LinkReport::Born { channels, .. }) => Some(channels[0].period),
            _ => None,
        });
        assert_eq!(born, Some(Some(wiring::units::Micros(period))), "{answers:?}");
    }
}
