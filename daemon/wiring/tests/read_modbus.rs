//! `[links.modbus.NAME]`: what its rows mean, what is refused, and what `check` says about relay boards.

use wiring::{
    check::check,
    finding::{Code, Severity},
    links::{Deadman, ModbusSettings, ModbusTable, Picked, Raw, WordOrder},
    read,
    units::Micros,
};

const AROUND: &str = r#"
[booster.main]
volts = "15 V"
limit = "5 A"
cut = true
[district.quarry]
booster = "main"
cut = true
[district.valley]
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
"#;

fn file(text: &str) -> String {
    format!("{AROUND}{text}")
}

/// Errors as `code: message`, and remedies.
fn errors(text: &str) -> Vec<String> {
    let errors = read(&file(text)).errors;
    errors.iter().map(|it| format!("{}: {}; {}", it.code(), it.message(), it.remedy())).collect()
}

fn line(text: &str) -> ModbusSettings {
    let told = errors(text);
    assert!(told.is_empty(), "{text}: {told:?}");
    let mut layout = read(&file(text)).layout.expect("no errors");
    layout.links.modbus.remove(0)
}

const WHOLE: &str = r#"
[links.modbus.meters]
device = "/dev/ttyUSB1"
parity = "none"
stop = 2
quiet = "5 ms"
timeout = "30 ms"
reply-max = "90 ms"
broadcast-off = 8

[[links.modbus.meters.unit]]
address = 3
label = "shed meter"
poll = "100 ms"
points = [
  { channel = "district/quarry/current", fn = 4, addr = 0x10, type = "u32", order = "lo-hi", swap = true,
    scale = 0.001, offset = -0.5, range = [0, 10], averaging = "300 ms", stale-after = "2 s" },
  { channel = "district/quarry/current", fn = 3, addr = 2, type = "f32", alt = true },
  { channel = "machine/T1/position", fn = 2, addr = 5, values = { "0" = "normal", "1" = "reverse" }, other = "unknown" },
  { channel = "district/quarry/voltage", fn = 3, addr = 9, mask = 0x0FFF, shift = 2 },
]
identity = { fn = 4, addr = 8, equals = [0x0001, 7] }

[[links.modbus.meters.unit]]
address = 4
pulse-every = "200 ms"
outputs = [
  { channel = "district/quarry/power", coil = 3, deadman = "external", pulse = 7 },
  { channel = "district/valley/power", coil = 4, readback = { fn = 2, addr = 0 }, deadman = "board" },
]
"#;

#[test]
fn a_register_table_is_read_with_its_defaults() {
    let line = line(WHOLE);
    assert_eq!((line.name.as_str(), line.baud, line.parity, line.stop), ("meters", 19_200, 'N', 2));
    assert_eq!((line.quiet, line.timeout), (Micros(5000), Micros(30_000)));
    assert_eq!((line.reply_max, line.broadcast_off), (Micros(90_000), Some(8)));
    let [meter, board] = line.units.as_slice() else { panic!("two units") };
    assert_eq!((meter.address, meter.label.as_deref()), (3, Some("shed meter")));
    assert_eq!(meter.poll, Micros(100_000));
    let [current, spare, position, voltage] = meter.points.as_slice() else { panic!("four rows") };
    assert_eq!((current.table, current.address), (ModbusTable::InputRegisters, 16));
    assert_eq!((current.raw, current.swap), (Raw::U32(WordOrder::LowFirst), true));
    assert_eq!((current.scale, current.offset, current.range), (0.001, -0.5, Some((0.0, 10.0))));
    assert_eq!(
        (current.averaging, current.stale_after),
        (Some(Micros(300_000)), Some(Micros(2_000_000)))
    );
    assert!(spare.alternative && spare.raw == Raw::F32(WordOrder::HighFirst));
    assert_eq!((position.raw, position.other.as_deref()), (Raw::Bit, Some("unknown")));
    assert_eq!(position.values["1"], "reverse");
    assert_eq!(voltage.picked, Picked { mask: Some(0xFFF), shift: 2 });
    assert_eq!((voltage.raw, voltage.scale), (Raw::U16, 1.0));
    assert_eq!(meter.identity.as_ref().map(|it| it.equals.clone()), Some(vec![1, 7]));
    assert_eq!((board.poll, board.pulse_every), (Micros(200_000), Micros(200_000)));
    let [first, second] = board.outputs.as_slice() else { panic!("two outputs") };
    assert_eq!((first.coil, first.on, first.readback), (3, true, (ModbusTable::Coils, 3)));
    assert_eq!((first.deadman, first.pulse), (Deadman::External, Some(7)));
    assert_eq!((second.readback, second.deadman), ((ModbusTable::Inputs, 0), Deadman::Node));
}

/// A line with one unit and one row, and what is said about it.
#[track_caller]
fn check_row(row: &str, want: &str) {
    let text = format!(
        "[links.modbus.m]\ndevice = \"/dev/ttyUSB1\"\n[[links.modbus.m.unit]]\naddress = 1\n{row}\n"
    );
    let told = errors(&text);
    match want {
        "" => assert!(told.is_empty(), "{row}: {told:?}"),
        want => assert!(told.len() == 1 && told[0].contains(want), "{row}: {told:?}"),
    }
}

fn check_point(rest: &str, want: &str) {
    check_row(&format!("points = [{{ channel = \"district/quarry/current\", {rest} }}]"), want);
}

#[test]
fn register_numbers_are_refused_with_the_address_that_they_mean() {
    check_point("fn = 3, addr = 40001", "register 40001 is function 3, address 0");
    check_point("fn = 4, addr = 30009", "register 30009 is function 4, address 8");
    check_point("fn = 3, addr = 400012", "register 400012 is function 3, address 11");
    check_point("fn = 3, addr = 40000", "");
    check_point("fn = 3, addr = 65535", "");
    check_point("fn = 3, addr = 65535, type = \"u32\"", "room for both registers");
    check_row(
        "outputs = [{ channel = \"district/quarry/power\", coil = 10001, deadman = \"board\" }]",
        "register 10001 is function 2, address 0",
    );
}

#[test]
fn rows_that_cannot_be_are_refused() {
    check_point("fn = 1, addr = 0, type = \"u16\"", "functions 1 and 2 read bits");
    check_point("fn = 5, addr = 0", "from 1 to 4");
    check_point("fn = 4, addr = 0, values = { \"0\" = \"1\" }", "this channel is a number");
    check_point("fn = 4, addr = 0, type = \"f32\", shift = 1", "a whole number");
    check_point("fn = 4, addr = 0, poll = \"1 s\"", "key-unknown");
    check_point("fn = 4, addr = 0, averaging = 300", "unit");
    let two = "points = [{ channel = \"district/quarry/current\", fn = 4, addr = 0 }, \
               { channel = \"district/quarry/current\", fn = 4, addr = 1 }]";
    check_row(two, "no other row supplies");
    check_row("points = [{ channel = \"machine/T1/position\", fn = 1, addr = 0 }]", "values");
    check_row(
        "points = [{ channel = \"district/quarry/power\", fn = 1, addr = 0 }]",
        "is measured",
    );
    check_row(
        "points = [{ channel = \"district/quarri/current\", fn = 4, addr = 0 }]",
        "district/quarry/current",
    );
    check_row("outputs = [{ channel = \"machine/T1/throw\", coil = 0 }]", "switches power");
    check_row(
        "outputs = [{ channel = \"district/quarry/power\", coil = 0, deadman = \"external\" }]",
        "pulse",
    );
    check_row("[[links.modbus.m.unit]]\naddress = 1", "no other unit of this line");
}

/// Keys of the line, the poll period of a unit that measures a current, and what is said.
#[track_caller]
fn check_line(keys: &str, poll: &str, want: &str) {
    let text = format!(
        "[links.modbus.m]\n{keys}\n[[links.modbus.m.unit]]\naddress = 1\npoll = \"{poll}\"\n\
         points = [{{ channel = \"district/quarry/current\", fn = 4, addr = 0 }}]\n"
    );
    let told = errors(&text);
    match want {
        "" => assert!(told.is_empty(), "{keys} {poll}: {told:?}"),
        want => assert!(told.len() == 1 && told[0].contains(want), "{keys} {poll}: {told:?}"),
    }
}

#[test]
fn the_rest_after_a_failure_is_shorter_than_a_poll_of_a_current() {
    let device = "device = \"/dev/ttyUSB1\"";
    check_line(device, "200 ms", "");
    check_line(device, "100 ms", "less than the poll period of unit 1, 100 ms");
    check_line(&format!("{device}\nreply-max = \"90 ms\""), "100 ms", "");
    check_line(
        &format!("{device}\nreply-max = \"20 ms\""),
        "100 ms",
        "at least the timeout, 50 ms",
    );
    check_line("tcp = \"shed:502\"\nbroadcast-off = 8", "1 s", "a gateway sends no broadcast");
    check_line(&format!("{device}\ntcp = \"shed:502\""), "1 s", "key-clash");
    check_line("baud = 9600", "1 s", "key-missing");
}

/// Outputs by their rows and what `check` says about them.
#[track_caller]
fn check_deadman(rows: &str, want: &[&str]) {
    let text = file(&format!(
        "[links.modbus.m]\ntcp = \"shed:502\"\n[[links.modbus.m.unit]]\naddress = 1\noutputs = [{rows}]\n"
    ));
    let layout = read(&text).layout.expect("a good file");
    let report = check(&layout);
    let found = report.findings.iter().filter(|it| it.code == Code::CutUnguarded);
    let found: Vec<&str> = found.map(|it| &*it.subject).collect();
    assert_eq!(found, want, "{rows}");
}

fn output(feed: &str, deadman: &str) -> String {
    format!("{{ channel = \"{feed}/power\", coil = 0, pulse = 7, deadman = \"{deadman}\" }},")
}

#[test]
fn an_output_that_keeps_its_state_may_not_be_the_only_means_to_cut() {
    let (quarry, booster) = ("district/quarry", "booster/main");
    assert_eq!(Code::CutUnguarded.severity(), Severity::Error);
    check_deadman("", &[]);
    check_deadman(&output(quarry, "board"), &[]);
    check_deadman(&output(quarry, "external"), &[]);
    check_deadman(&output(quarry, "none"), &[quarry]);
    check_deadman(&format!("{}{}", output(quarry, "none"), output(quarry, "board")), &[]);
    check_deadman(&format!("{}{}", output(quarry, "none"), output(booster, "board")), &[]);
    check_deadman(
        &format!("{}{}", output(quarry, "none"), output(booster, "none")),
        &[booster, quarry],
    );
    check_deadman(&output(booster, "none"), &[booster]);
}
