//! The layout files that ship in `config/` are free of errors, and are what they are meant to be.

use wiring::{
    check::check,
    finding::Severity,
    layout::{BreakerKind, Layout},
    read,
    source::LineIndex,
    trackwork::Kind,
    units::{Microamps, Micros},
};

const STARTER: &str = include_str!("../../../config/starter.toml");
const VALLEY: &str = include_str!("../../../config/tamarrow-valley.toml");

/// Reads and checks a file; what is wrong, a line each. Advice does not count.
fn complaints(text: &str, worst: Severity) -> Vec<String> {
    let lines = LineIndex::new(text);
    let result = read(text);
    let line = |start: usize| lines.place(start).line;
    let mut told: Vec<String> = result
        .errors
        .iter()
        .map(|it| format!("{} {} {}", line(it.span.start), it.code(), it.message()))
        .collect();
    let report = check(&result.layout.expect("readable"));
    let bad = report.findings.iter().filter(|it| it.code.severity() <= worst);
    told.extend(bad.map(|it| format!("{} {} {}", line(it.span.start), it.code.code(), it.message)));
    told
}

fn layout(text: &str) -> Layout {
    read(text).layout.expect("readable")
}

#[test]
fn the_starter_has_nothing_to_complain_about() {
    assert_eq!(complaints(STARTER, Severity::Warning), Vec::<String>::new());
    let layout = layout(STARTER);
    assert_eq!((layout.districts.len(), layout.trackwork.len()), (1, 2));
}

#[test]
fn the_valley_has_nothing_to_complain_about() {
    assert_eq!(complaints(VALLEY, Severity::Warning), Vec::<String>::new());
}

#[test]
fn the_valley_is_the_layout_that_the_demo_promises() {
    let layout = layout(VALLEY);
    assert!(layout.districts.len() >= 3);
    for district in &layout.districts {
        assert!(district.cut, "{}", district.id);
        assert_eq!(district.breaker.kind, BreakerKind::Electronic);
        assert_eq!(district.breaker.trip, Some(Microamps(3_000_000)));
        assert_eq!(district.breaker.delay, Micros(40_000));
    }
    assert!(layout.boosters.iter().all(|booster| booster.limit == Microamps(5_000_000)));
    let blocks = |district: usize| {
        layout.blocks.iter().filter(|block| block.district.at() == district).count()
    };
    assert!((0..layout.districts.len()).all(|district| (2..=5).contains(&blocks(district))));
    let turnouts = layout.trackwork.iter().filter(|it| matches!(it.kind, Kind::Turnout { .. }));
    assert!(turnouts.count() >= 14);
    assert_eq!(layout.reversers.len(), 1);
    let poles: Vec<usize> = layout.frogs.iter().map(|frog| frog.poles.len()).collect();
    assert!(poles.contains(&1) && poles.contains(&2));
}

/// A table's head or a key with its value, not a sentence.
fn is_toml(text: &str) -> bool {
    let key = text.split_once(" = ").map(|(key, _)| key);
    let is_key = |it: &str| it.chars().all(|c| c.is_ascii_lowercase() || c == '-');
    text.starts_with('[') || key.is_some_and(is_key)
}

/// Every example that a comment of the starter offers to uncomment is right.
#[test]
fn the_lines_that_the_starter_offers_can_be_uncommented() {
    let uncommented: Vec<&str> = STARTER
        .lines()
        .map(|line| match line.strip_prefix("# ") {
            Some(offered) if is_toml(offered) => offered,
            Some(_) | None => line,
        })
        .collect();
    let text = uncommented.join("\n");
    assert_eq!(complaints(&text, Severity::Warning), Vec::<String>::new());
    let links = layout(&text).links;
    assert!(links.mqtt.is_some() && !links.serial.is_empty() && !links.lcc.is_empty());
    assert_eq!(links.serial.len(), 1);
}
