//! Laws of the reader: it takes any text, the order of tables means nothing, and units are exact.

use std::collections::BTreeSet;

use proptest::prelude::*;
use wiring::{
    check::check,
    layout::{End, Layout, Tie},
    quantity::{Dimension, amount, gauge},
    read,
    source::LineIndex,
    units::{Gauge, MicroA2s, Microamps, Micrometres, Microohms, Micros, Millicelsius, Millivolts},
};

const VALLEY: &str = include_str!("../../../config/tamarrow-valley.toml");
const BAD: &str = include_str!("read_bad/layout.toml");

/// Pieces of layout files, whole and broken.
const PIECES: [&str; 34] = [
    "[",
    "]",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    "\"",
    "'",
    "\"\"\"",
    "\n",
    ",",
    ".",
    "#",
    "\\",
    "\r\n",
    "[trackwork.T1]",
    "[trackwork.T1.frog]",
    "[district.quarry]",
    "kind",
    "\"turnout\"",
    "poles",
    "[\"T1.1\"]",
    "block",
    "= \"5 A\"",
    "= 5",
    "\"1/0 AWG\"",
    "T1.left",
    "µΩ",
    "\u{feff}",
    "\0",
    "true",
    "1e999",
    "-0x",
];

/// Reads, tells every error and checks what is there.
fn use_all_of(text: &str) {
    let lines = LineIndex::new(text);
    let result = read(text);
    for error in &result.errors {
        let place = lines.place(error.span.start);
        assert!(place.line >= 1 && place.column >= 1);
        assert!(!error.code().is_empty() && !error.message().is_empty());
        assert!(!error.remedy().is_empty() && !error.subject.is_empty());
        assert!(error.span.start <= error.span.end && error.span.end <= text.len());
    }
    assert!(!result.is_toml || result.layout.is_some());
    if let Some(layout) = result.layout {
        let report = check(&layout);
        assert_eq!(report.proof.frogs.len(), layout.frogs.len());
    }
}

fn piece() -> impl Strategy<Value = String> {
    prop_oneof![
        3 => proptest::sample::select(&PIECES[..]).prop_map(str::to_owned),
        1 => "[ -~]{0,12}",
        1 => any::<char>().prop_map(String::from),
    ]
}

/// A good or bad file of which something is replaced.
fn mutated() -> impl Strategy<Value = String> {
    let file = proptest::sample::select(vec![VALLEY, BAD]);
    let change = (any::<prop::sample::Index>(), 0_usize..60, piece());
    (file, proptest::collection::vec(change, 1..4)).prop_map(|(file, changes)| {
        let mut characters: Vec<char> = file.chars().collect();
        for (at, length, piece) in changes {
            let start = at.index(characters.len());
            let end = (start + length).min(characters.len());
            characters.splice(start..end, piece.chars());
        }
        characters.into_iter().collect()
    })
}

/// The file as its tables, each with its own comments, the head of the file first.
fn tables(text: &str) -> (String, Vec<String>) {
    let mut tables: Vec<String> = vec![String::new()];
    for line in text.lines() {
        if line.starts_with('[') {
            tables.push(String::new());
        }
        if let Some(last) = tables.last_mut() {
            last.push_str(line);
            last.push('\n');
        }
    }
    let head = tables.remove(0);
    (head, tables)
}

fn end_name(layout: &Layout, end: End) -> String {
    match end {
        End::Port(it, port) => format!("{}.{}", layout.trackwork[it.at()].id, port.word()),
        End::Joint(it) => layout.joints[it.at()].name.clone(),
    }
}

fn tie_name(layout: &Layout, tie: Tie) -> String {
    match tie {
        Tie::ForeignBus(it, conductor) => format!("{}/{conductor:?}", layout.districts[it.at()].id),
        Tie::Stock(_) | Tie::PortRail(..) | Tie::Bus(_) | Tie::None => format!("{tie:?}"),
    }
}

/// What a layout says, in names instead of indices, and without places.
fn facts(it: &Layout) -> BTreeSet<String> {
    let mut facts = BTreeSet::new();
    for district in &it.districts {
        let (booster, breaker) = (&it.boosters[district.booster.at()].id, &district.breaker);
        let (id, cut, bus) = (&district.id, district.cut, district.bus);
        facts.insert(format!("{id} {booster} {cut} {bus:?} {:?} {:?}", breaker.kind, breaker.trip));
    }
    for block in &it.blocks {
        let district = &it.districts[block.district.at()].id;
        let reverser = block.reverser.map(|reverser| &it.reversers[reverser.at()].id);
        let (id, feeder, left) = (&block.id, block.feeder, block.left);
        facts.insert(format!("{id} {district} {feeder:?} {left:?} {reverser:?}"));
    }
    for track in &it.tracks {
        let (from, to) = (end_name(it, track.from), end_name(it, track.to));
        let (id, length, left) = (&track.id, track.length, track.left);
        let (gaps, feeders) = (&track.gaps, &track.feeders);
        facts.insert(format!("{id} {from} {to} {length:?} {left:?} {gaps:?} {feeders:?}"));
    }
    for frog in &it.frogs {
        let poles: Vec<String> = frog.poles.iter().map(|pole| it.pole_name(pole.pole)).collect();
        let ties = [frog.normal, frog.reverse].map(|tie| tie_name(it, tie));
        let trackwork = &it.trackwork[frog.trackwork.at()];
        let (block, hand) = (&it.blocks[trackwork.block.at()].id, trackwork.hand);
        facts.insert(format!("{} {poles:?} {ties:?} {block} {hand:?}", frog.id));
    }
    for machine in &it.machines {
        let (id, poles, uses) = (&machine.id, machine.poles.len(), &machine.uses);
        let (rating, supply) = (machine.contact_rating, machine.supply);
        facts.insert(format!("{id} {poles} {uses:?} {rating:?} {supply:?}"));
    }
    for in_force in &it.protection.in_force {
        facts.insert(format!("{in_force:?}"));
    }
    facts.extend(it.assumed.iter().map(|assumed| format!("{assumed:?}")));
    facts
}

fn findings(layout: &Layout) -> BTreeSet<String> {
    let report = check(layout);
    report.findings.iter().map(|it| format!("{:?} {}", it.code, it.subject)).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn no_text_makes_the_reader_panic(text in "\\PC{0,300}") {
        use_all_of(&text);
    }

    #[test]
    fn no_heap_of_pieces_makes_the_reader_panic(pieces in proptest::collection::vec(piece(), 0..80)) {
        use_all_of(&pieces.concat());
    }

    #[test]
    fn no_damage_to_a_file_makes_the_reader_panic(text in mutated()) {
        use_all_of(&text);
    }

    #[test]
    fn the_order_of_tables_means_nothing(
        order in Just((0..tables(VALLEY).1.len()).collect::<Vec<_>>()).prop_shuffle()
    ) {
        let (head, tables) = tables(VALLEY);
        let shuffled: String =
            std::iter::once(head).chain(order.iter().map(|at| tables[*at].clone())).collect();
        let (one, other) = (read(VALLEY), read(&shuffled));
        prop_assert_eq!(other.errors, Vec::new());
        let (one, other) = (one.layout.expect("reads"), other.layout.expect("reads"));
        prop_assert_eq!(facts(&one), facts(&other));
        prop_assert_eq!(findings(&one), findings(&other));
    }

    #[test]
    fn a_number_in_any_unit_reads_as_that_many_units(whole in 0_i64..1_000_000, space in " {0,2}") {
        // Base units in one of each unit: SI prefixes; 1 ft = 304.8 mm, 1 in = 25.4 mm (international yard, 1959).
        let units = [
            ("A", Dimension::Current, 1_000_000), ("mA", Dimension::Current, 1000),
            ("uA", Dimension::Current, 1), ("V", Dimension::Voltage, 1000),
            ("mV", Dimension::Voltage, 1), ("ohm", Dimension::Resistance, 1_000_000),
            ("mohm", Dimension::Resistance, 1000), ("m", Dimension::Length, 1_000_000),
            ("cm", Dimension::Length, 10_000), ("mm", Dimension::Length, 1000),
            ("ft", Dimension::Length, 304_800), ("in", Dimension::Length, 25_400),
            ("s", Dimension::Time, 1_000_000), ("ms", Dimension::Time, 1000),
            ("C", Dimension::Temperature, 1000), ("A2s", Dimension::Energy, 1_000_000),
            ("%", Dimension::Share, 10),
        ];
        for (unit, dimension, base) in units {
            let text = format!("{whole}{space}{unit}");
            prop_assert_eq!(amount(&text, dimension), Ok(whole * base), "{}", text);
            let halves = format!("{whole}.5{space}{unit}");
            let want = whole * base + (base + 1) / 2;
            prop_assert_eq!(amount(&halves, dimension), Ok(want), "{}", halves);
        }
    }

    #[test]
    fn what_is_printed_reads_as_what_it_was(steps in 0_i64..100_000, awg in -3_i16..=40) {
        let printed = [
            (Microamps(steps * 10_000).to_string(), Dimension::Current, steps * 10_000),
            (Millivolts(steps * 10).to_string(), Dimension::Voltage, steps * 10),
            (Microohms((steps * 10_000) as u64).to_string(), Dimension::Resistance, steps * 10_000),
            (Micrometres((steps * 1000) as u64).to_string(), Dimension::Length, steps * 1000),
            (Micros((steps * 10_000) as u64).to_string(), Dimension::Time, steps * 10_000),
            (Millicelsius(steps as i32 * 100).to_string(), Dimension::Temperature, steps * 100),
            (MicroA2s((steps * 1000) as u64).to_string(), Dimension::Energy, steps * 1000),
        ];
        for (text, dimension, want) in printed {
            prop_assert_eq!(amount(&text, dimension), Ok(want), "{}", text);
        }
        prop_assert_eq!(gauge(&Gauge::Awg(awg).to_string()), Ok(Gauge::Awg(awg)));
        let area = Gauge::Area((steps * 1000) as u64);
        prop_assert_eq!(gauge(&area.to_string()), Ok(area));
    }

    #[test]
    fn fahrenheit_is_exact_to_the_thousandth(whole in -200_i64..500) {
        // C = (F - 32) x 5/9, in thousandths.
        let exact = (whole - 32) * 5000;
        let read = amount(&format!("{whole} F"), Dimension::Temperature).expect("reads");
        prop_assert!((read * 9 - exact).abs() <= 5);
    }
}

#[test]
fn deep_nesting_and_long_lists_come_to_an_end() {
    let deep = format!("a = {}{}", "[".repeat(50_000), "]".repeat(50_000));
    let dotted = format!("[{}x]\n", "a.".repeat(20_000));
    let tables = format!("a = {}", "{ b = ".repeat(20_000));
    let many: String =
        (0..3000).map(|at| format!("[track.t{at}]\nblock = \"nowhere\"\nfrom = \"x\"\n")).collect();
    for text in [deep, dotted, tables, many] {
        use_all_of(&text);
    }
}
