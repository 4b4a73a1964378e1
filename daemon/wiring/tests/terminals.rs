//! Terminals, wires and bench steps as the sheets print them.

use wiring::{
    layout::{Layout, Position},
    read::read,
    terminals::{
        Function, MachineWiring, Place, Throw, WireKind, Wiring,
        bench::{Stage, Step, steps},
        fit::{DRILLS, fits},
        totals::totals,
    },
};

const HEAD: &str = r#"
schema = 1
[booster.main]
volts = "15 V"
limit = "5 A"
[district.quarry]
booster = "main"
bus = { gauge = "14 AWG", length = "6 m" }
[block.q1]
district = "quarry"
feeder = { gauge = "20 AWG", length = "0.4 m", pairs = 3 }
[colours]
A = "red"
B = "black"
frog = "violet"
[trackwork.T1]
kind = "turnout"
hand = "right"
block = "q1"
[trackwork.T1.frog]
poles = ["T1.1", "T1.2"]
normal = "right"
reverse = "left"
feed = { gauge = "22 AWG", length = "0.6 m" }
"#;

const LABELS: &str = r#"
[machine.T1]
terminals = { motor = ["1", "8"], pole-1 = ["3", "2", "4"], pole-2 = ["6", "7", "5"] }
"#;

const BY_METER: &str = r#"
[machine.T1]
terminals = { motor = ["1", "8"] }
truth = { normal = [["3", "2"], ["7", "6"]], reverse = [["4", "3"], ["6", "5"]] }
"#;

fn layout(machine: &str) -> Layout {
    let result = read(&format!("{HEAD}{machine}"));
    let errors: Vec<String> = result.errors.iter().map(|error| error.message()).collect();
    assert!(errors.is_empty(), "{errors:?}");
    result.layout.expect("a layout")
}

fn place(layout: &Layout, place: &Place) -> String {
    match place {
        Place::Terminal(_, Function::Contact(pole, throw)) => {
            format!("{}{}", layout.poles[pole.at()].number, &throw.word()[..1])
        }
        Place::Drive(_, lead) => format!("drive {lead}"),
        Place::Frog(frog) => format!("frog {}", layout.frogs[frog.at()].id),
        Place::Tied { conductor, .. } => {
            conductor.map_or("dead", |conductor| conductor.word()).to_owned()
        }
        other => format!("{other:?}"),
    }
}

/// `TERMINAL: COLOUR to PLACE + …` for every terminal in its order.
fn rows(layout: &Layout) -> Vec<String> {
    let wiring = Wiring::new(layout);
    let machine = &wiring.machines[0];
    let terminals = machine.terminals.iter().map(|terminal| {
        let wires = wiring.at(machine, &terminal.function).map(|(wire, to)| {
            format!("{} to {}", wire.colour.as_deref().unwrap_or("-"), place(layout, to))
        });
        let name = terminal.label.as_deref().unwrap_or("?");
        format!("{name}: {}", wires.collect::<Vec<_>>().join(" + "))
    });
    terminals.collect()
}

#[test]
fn terminals_stand_in_the_order_of_their_numbers_with_every_wire_and_jumper() {
    let want = [
        "1: - to drive 1",
        "2: black to B + black to 2n",
        "3: violet to frog T1 + violet to 2c",
        "4: red to A + red to 2r",
        "5: red to 1r",
        "6: violet to 1c",
        "7: black to 1n",
        "8: - to drive 2",
    ];
    assert_eq!(rows(&layout(LABELS)), want);
}

#[test]
fn a_table_that_a_meter_filled_gives_the_same_wires_as_known_terminals() {
    assert_eq!(rows(&layout(BY_METER)), rows(&layout(LABELS)));
    let meter = layout(BY_METER);
    assert!(meter.machines[0].terminals_by_meter && !layout(LABELS).machines[0].terminals_by_meter);
}

#[test]
fn a_wrong_truth_table_is_an_error_at_its_place_that_says_why() {
    let cases = [
        (r#"truth = { normal = [["3", "2"]], reverse = [["4", "3"]] }"#, "poles = 2"),
        (
            r#"truth = { normal = [["3", "2"], ["6", "7"]], reverse = [["3", "2"], ["6", "5"]] }"#,
            "both positions",
        ),
        (
            r#"truth = { normal = [["3", "2"], ["3", "7"]], reverse = [["3", "4"], ["6", "5"]] }"#,
            "two others",
        ),
        (
            r#"terminals = { pole-1 = ["C", "N", "R"] }
truth = { normal = [["3", "2"], ["6", "7"]], reverse = [["3", "4"], ["6", "5"]] }"#,
            "both given",
        ),
    ];
    for (truth, want) in cases {
        let text = format!("{HEAD}[machine.T1]\n{truth}\n");
        let errors = read(&text).errors;
        assert_eq!(errors.len(), 1, "{truth}: {errors:?}");
        let error = &errors[0];
        assert!(error.message().contains(want), "{}", error.message());
        assert!(!error.remedy().is_empty() && error.subject == "machine/T1");
        assert!(text.find("truth").is_some_and(|at| at <= error.span.start), "{:?}", error.span);
    }
}

#[test]
fn the_totals_add_up_to_all_wires() {
    let layout = layout(LABELS);
    let wiring = Wiring::new(&layout);
    let sums = totals(&wiring.wires);
    let rows: u64 = wiring.wires.iter().filter_map(|wire| wire.total()).map(|it| it.0).sum();
    assert_eq!(sums.iter().map(|sum| sum.length.0).sum::<u64>(), rows);
    let pieces: u32 = wiring.wires.iter().map(|wire| u32::from(wire.count)).sum();
    assert_eq!(sums.iter().map(|sum| sum.pieces).sum::<u32>(), pieces);
    // bus 2 x 6 m, feeders 2 x 3 x 0.4 m, frog 0.6 m
    assert_eq!(rows, 12_000_000 + 2_400_000 + 600_000);
    let unmeasured: u32 = sums.iter().map(|sum| sum.unmeasured).sum();
    assert_eq!(unmeasured, 2 + 2 + 3, "motor leads, ties, jumpers");
}

#[test]
fn the_totals_add_up_where_many_wires_are_alike() {
    let valley = include_str!("../../../config/tamarrow-valley.toml");
    let wiring = Wiring::new(&read(valley).layout.expect("a layout"));
    let sums = totals(&wiring.wires);
    assert!(sums.len() < wiring.wires.len() / 4, "most are alike");
    let rows: u64 = wiring.wires.iter().filter_map(|wire| wire.total()).map(|it| it.0).sum();
    assert_eq!(sums.iter().map(|sum| sum.length.0).sum::<u64>(), rows);
    let unstated = wiring.wires.iter().filter(|wire| wire.length.is_none());
    let unstated: u32 = unstated.map(|wire| u32::from(wire.count)).sum();
    assert_eq!(sums.iter().map(|sum| sum.unmeasured).sum::<u32>(), unstated);
}

#[test]
fn every_wire_but_a_jumper_has_a_number_of_its_own() {
    let wiring = Wiring::new(&layout(LABELS));
    let numbers: Vec<u32> = wiring.wires.iter().filter_map(|wire| wire.number).collect();
    let count = u32::try_from(numbers.len()).expect("few");
    assert_eq!(numbers, (1..=count).collect::<Vec<_>>());
    assert!(
        wiring.wires.iter().all(|wire| wire.number.is_none() == (wire.kind == WireKind::Jumper))
    );
}

fn said(machine: &MachineWiring, [one, two]: [usize; 2]) -> String {
    let name = |at: usize| machine.terminals[at].label.clone().unwrap_or_default();
    format!("{}-{}", name(one), name(two))
}

#[test]
fn the_bench_test_names_what_beeps_in_each_position_and_what_never_may() {
    let layout = layout(LABELS);
    let wiring = Wiring::new(&layout);
    let machine = &wiring.machines[0];
    let all = steps(&layout, &wiring, machine);
    let list = |pairs: &[[usize; 2]]| pairs.iter().map(|it| said(machine, *it)).collect::<Vec<_>>();
    let mut seen = Vec::new();
    for (stage, step) in &all {
        match step {
            Step::Beeps { position, beep, silent } => {
                let (beep, silent) = (list(beep), list(silent));
                match position {
                    Position::Normal => assert_eq!(beep, ["3-2", "6-7"]),
                    Position::Reverse => assert_eq!(beep, ["3-4", "6-5"]),
                }
                assert!(silent.iter().all(|pair| !beep.contains(pair)));
                seen.push("beeps");
            }
            Step::Drop { contacts, .. } => {
                assert_eq!(contacts.len(), 4);
                seen.push("drop");
            }
            Step::Insulated { pairs } => {
                // numbers 4 and 5 are the reverse contacts, which a jumper joins
                let want: &[&str] = match stage {
                    Stage::Bare => &["1-2", "4-5", "7-8"],
                    Stage::Soldered | Stage::Mounted => &["1-2", "7-8"],
                };
                assert_eq!(list(pairs), want);
                seen.push("insulated");
            }
            Step::FrogBeeps { .. } => seen.push("frog"),
            Step::MotorBothWays { .. }
            | Step::StraysCut
            | Step::BothCarry { .. }
            | Step::Labelled
            | Step::CentredByPower
            | Step::ThrowsFully
            | Step::ChangesOver => {}
        }
    }
    let want = ["beeps", "beeps", "drop", "insulated", "insulated", "frog", "frog"];
    assert_eq!(seen, want);
    assert!(all.iter().any(|(_, step)| matches!(step, Step::BothCarry { .. })));
}

#[test]
fn a_terminal_with_a_jumper_needs_a_hole_for_two() {
    let cases = [("0.7 mm", [false, false]), ("1.2 mm", [false, true]), ("1.5 mm", [true, true])];
    for (hole, want) in cases {
        let layout = layout(&format!("{LABELS}terminal-hole = \"{hole}\"\n"));
        let wiring = Wiring::new(&layout);
        let mut found = fits(&layout, &wiring, &wiring.machines[0]);
        found.sort_by(|one, two| two.needs.total_cmp(&one.needs));
        let got: Vec<Option<bool>> = found.iter().map(|fit| fit.fits()).collect();
        assert_eq!(got, want.map(Some), "{hole}");
    }
    let inherited = layout("[defaults.machine]\nterminal-hole = \"1.2 mm\"\n");
    assert_eq!(inherited.machines[0].terminal_hole.map(|it| it.0), Some(1200));
}

/// Source: the published number-drill table in data/drill.csv, each row with its own source.
#[test]
fn the_drills_are_those_of_the_published_table() {
    let table = include_str!("data/drill.csv");
    let mut rows = 0;
    for line in table.lines().skip(1) {
        let mut cells = line.split(',');
        let number: u8 = cells.next().and_then(|it| it.parse().ok()).expect("a number");
        let inches: f64 = cells.next().and_then(|it| it.parse().ok()).expect("inches");
        let drill = DRILLS.iter().find(|drill| drill.number == number).expect("in ours");
        assert!((drill.inches - inches).abs() < 1e-9, "number {number}");
        rows += 1;
    }
    assert_eq!(rows, DRILLS.len());
}

#[test]
fn exchanging_left_and_right_exchanges_the_ties() {
    let text = format!("{HEAD}{LABELS}");
    let mirrored = text
        .replace("hand = \"right\"", "hand = \"left\"")
        .replace("normal = \"right\"", "normal = \"LEFT\"")
        .replace("reverse = \"left\"", "reverse = \"right\"")
        .replace("normal = \"LEFT\"", "normal = \"left\"");
    let one = layout(LABELS);
    let two = read(&mirrored).layout.expect("a layout");
    let tie = |layout: &Layout, throw: Throw| {
        let wiring = Wiring::new(layout);
        let first = layout.machines[0].poles[0];
        let machine = &wiring.machines[0];
        let function = Function::Contact(first, throw);
        let found = wiring.at(machine, &function).next();
        found.map(|(_, to)| place(layout, to)).expect("a wire")
    };
    assert_eq!(tie(&one, Throw::Normal), tie(&two, Throw::Reverse));
    assert_eq!(tie(&one, Throw::Reverse), tie(&two, Throw::Normal));
}
