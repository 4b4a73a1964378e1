//! Exports to the byte. The layout of COMTRADE files is from the page of check values beside the design; that other
//! programs read them is checked in `tests/peers`.

mod support;

use std::time::Duration;

use history::{
    Filter, Reader, Settings,
    export::{self, Format},
    json::{Cut, Fault, Waveform},
};
use serde_json::{Value, json};
use support::{closed, open, opened};

/// A fault of the sample layout with waveforms of our choice.
fn fault(waveforms: Vec<Waveform>, cuts: Vec<Cut>) -> Fault {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    history.record(opened(10_000, 1));
    history.record(closed(1));
    assert!(history.flush(Duration::from_secs(10)));
    let fault = Reader::open(dir.path()).expect("it opens").fault(1).expect("fault 1");
    Fault { waveforms, cuts, ..fault }
}

fn waveform(channel: &str, unit: Option<&str>, samples: &[(f64, Value)]) -> Waveform {
    Waveform {
        channel: channel.to_owned(),
        unit: unit.map(str::to_owned),
        ms: samples.iter().map(|(ms, _)| *ms).collect(),
        values: samples.iter().map(|(_, value)| value.clone()).collect(),
    }
}

fn small() -> Fault {
    let current =
        [(-2.0, json!(1.5)), (-1.0, json!(0.25)), (0.0, Value::Null), (300.0, json!(2.0))];
    let feedback = [(-1.0, json!("on")), (1.0, json!("off"))];
    fault(
        vec![
            waveform("district/quarry/current", Some("A"), &current),
            waveform("district/quarry/feedback", None, &feedback),
        ],
        Vec::new(),
    )
}

#[test]
fn an_ascii_record_is_this_to_the_byte() {
    let record = export::comtrade(&small(), "Tamarrow Valley", Format::Ascii);
    let want = "Tamarrow Valley,checkrail,2013\r\n\
                4,1A,3D\r\n\
                1,district/quarry/current,,district/quarry,A,0.0001,0,0,2500,20000,1,1,P\r\n\
                1,trigger,,trigger,0\r\n\
                2,district/quarry/feedback off,,district/quarry,0\r\n\
                3,district/quarry/feedback on,,district/quarry,0\r\n\
                \r\n\
                0\r\n\
                0,5\r\n\
                25/11/2026,19:32:02.121000\r\n\
                25/11/2026,19:32:02.123000\r\n\
                ASCII\r\n\
                1\r\n\
                0,0\r\n\
                B,3\r\n";
    assert_eq!(record.cfg, want);
    let want = "1,0,15000,0,0,0\r\n\
                2,1000,2500,0,0,1\r\n\
                3,2000,99999,1,0,1\r\n\
                4,3000,99999,1,1,0\r\n\
                5,302000,20000,1,1,0\r\n";
    assert_eq!(String::from_utf8(record.dat).expect("text"), want);
}

#[test]
fn a_binary_record_is_this_to_the_byte() {
    let record = export::comtrade(&small(), "Tamarrow Valley", Format::Binary);
    // Number, time, 16 bits a value with 0x8000 for a missing one, one word of states with the first in bit 0.
    let rows: [(u32, u32, i16, u16); 5] = [
        (1, 0, 15_000, 0b000),
        (2, 1000, 2500, 0b100),
        (3, 2000, i16::MIN, 0b101),
        (4, 3000, i16::MIN, 0b011),
        (5, 302_000, 20_000, 0b011),
    ];
    let mut want = Vec::new();
    for (number, time, value, states) in rows {
        want.extend(number.to_le_bytes());
        want.extend(time.to_le_bytes());
        want.extend(value.to_le_bytes());
        want.extend(states.to_le_bytes());
    }
    assert_eq!(record.dat, want);
}

#[test]
fn a_value_of_any_size_stays_in_sixteen_bits_and_clear_of_the_mark_for_missing() {
    for amps in [0.0, 0.002, 3.2766, 3.2767, 9.9, 60.0, 999.0] {
        let it =
            fault(vec![waveform("block/q1/current", Some("A"), &[(0.0, json!(amps))])], Vec::new());
        let record = export::comtrade(&it, "x", Format::Binary);
        let raw = i16::from_le_bytes([record.dat[8], record.dat[9]]);
        let line = record.cfg.lines().nth(2).expect("the channel");
        let step: f64 = line.split(',').nth(5).expect("a").parse().expect("a number");
        assert!(raw != i16::MIN && (f64::from(raw) * step - amps).abs() <= step / 2.0, "{amps}");
        assert!(amps == 0.0 || step <= amps.max(1.6) / 6000.0, "{amps} A in steps of {step}");
    }
}

#[test]
fn seventeen_states_take_two_words_and_the_last_is_bit_0_of_the_second() {
    let machines = (1..=16).map(|machine| {
        waveform(&format!("machine/M{machine}/asked"), None, &[(0.0, json!("normal"))])
    });
    let record = export::comtrade(&fault(machines.collect(), Vec::new()), "x", Format::Binary);
    assert_eq!(record.dat.len(), 8 + 2 * 2);
    assert_eq!(&record.dat[8..], [0xff, 0xff, 0x01, 0x00]);
}

#[test]
fn a_cut_is_two_states_that_rise_with_order_and_proof() {
    let cut = Cut {
        feed: "district/quarry".to_owned(),
        cause: "short-circuit".to_owned(),
        ordered_ms: 0.5,
        proved_ms: None,
        proof: None,
        attempts: 2,
    };
    let record = export::comtrade(&fault(Vec::new(), vec![cut]), "x", Format::Ascii);
    let text = String::from_utf8(record.dat).expect("text");
    assert_eq!(text, "1,0,1,0,0\r\n2,500,1,1,0\r\n");
}

#[test]
fn csv_holds_every_sample_and_leaves_cells_empty_where_there_is_none() {
    let want = "ms,district/quarry/current (A),district/quarry/feedback\r\n\
                -2.000,1.5,\r\n\
                -1.000,0.25,on\r\n\
                0.000,invalid,\r\n\
                1.000,,off\r\n\
                300.000,2.0,\r\n";
    assert_eq!(export::csv(&small()), want);
    let twice = [(1.0, json!(1.0)), (1.0, json!(2.0))];
    let it = fault(vec![waveform("block/\"q\"/current", Some("A"), &twice)], Vec::new());
    assert_eq!(
        export::csv(&it),
        "ms,\"block/\"\"q\"\"/current (A)\"\r\n1.000,1.0\r\n1.000,2.0\r\n"
    );
}

#[test]
fn a_back_up_taken_while_writing_holds_what_was_saved_before_it() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    history.record(opened(10_000, 1));
    history.record(closed(1));
    assert!(history.flush(Duration::from_secs(10)));
    let copy = tempfile::tempdir().expect("a folder");
    let reader = Reader::open(dir.path()).expect("it opens");
    reader.back_up(&copy.path().join("history.db")).expect("copied");
    history.record(opened(10_000, 2));
    let copied = Reader::open(copy.path()).expect("it opens");
    assert_eq!(copied.fault(1).expect("fault 1"), reader.fault(1).expect("fault 1"));
    assert_eq!(copied.faults(&Filter::default()).expect("a list").len(), 1);
}
