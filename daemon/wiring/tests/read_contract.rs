//! The layout file as its contract describes it.

use wiring::{read, source::LineIndex};

const CONTRACT: &str = r#"
schema = 1

[layout]
name = "Tamarrow Valley"
control = "dcc"
ambient = "22 C"

[booster.main]
volts = "15 V"
limit = "5 A"
trip-delay = "150 ms"
resistance = "0.05 ohm"

[district.quarry]
booster = "main"
breaker = { kind = "electronic", trip = "3 A", delay = "40 ms" }
bus = { gauge = "14 AWG", length = "6 m" }
cut = true

[block.q1]
district = "quarry"
feeder = { gauge = "20 AWG", length = "0.4 m", pairs = 3 }
standing-load = "0 mA"
left = "A"

[track.q1-main]
block = "q1"
from = "T1.left"
to = "T2.points"
length = "3.2 m"
rail = "code 83"
left = "A"
gaps = ["to"]

[trackwork.T1]
kind = "turnout"
hand = "right"
block = "q1"
left = "A"
normal = "left"
machine = "T1"
[trackwork.T1.frog]
poles = ["T1.1", "T1.2"]
normal = "right"
reverse = "left"
feed = { gauge = "22 AWG", length = "0.6 m" }
limiter = { kind = "lamp", ohms-hot = "12 ohm" }

[trackwork.T2]
kind = "turnout"
block = "q1"

[machine.T1]
poles = 2
contact-rating = "1 A"
contact-resistance = "30 mohm"
contact-time-constant = "2 s"
throw-time = "2.5 s"
terminals = { motor = ["M1", "M2"], pole-1 = ["C1", "N1", "R1"], pole-2 = ["C2", "N2", "R2"] }

[defaults.machine]
poles = 2
contact-rating = "1 A"
contact-resistance = "30 mohm"
contact-time-constant = "2 s"
throw-time = "2.5 s"

[reverser.loop]
block = "q1"

[colours]
A = "red"
B = "black"
frog = "violet"

[protection]
short-step = "1.5A"
low-voltage = "80 %"
overload-multiplier = 0.1
restore-tries = 1
"#;

/// Each error on a line: `line:column code subject: message / remedy`.
fn told(text: &str) -> String {
    let lines = LineIndex::new(text);
    let mut told = String::new();
    for error in read(text).errors {
        let place = lines.place(error.span.start);
        told += &format!(
            "{}:{} {} {}: {} / {}\n",
            place.line,
            place.column,
            error.code(),
            error.subject,
            error.message(),
            error.remedy()
        );
    }
    told
}

#[test]
fn the_file_of_the_contract_reads_without_an_error() {
    assert_eq!(told(CONTRACT), "");
    assert!(read(CONTRACT).layout.is_some());
}
