//! Messages that could not be used: all are counted, few are told. A node that sends rubbish ten times a second must not
//! fill the event list.

use std::{
    collections::BTreeMap,
    time::{Duration, Instant},
};

use supervision::input::LinkReport;

use crate::status::LastUnusable;

/// One source is told once in this time.
const TOLD_EVERY: Duration = Duration::from_secs(10);
/// Sources told apart. Beyond it all share one.
const MOST_SOURCES: usize = 256;
/// Longest source or reason told, in characters: both hold text from outside.
const LONGEST_TEXT: usize = 120;

/// Counts and thins reports about unusable messages.
#[derive(Debug, Default)]
pub(crate) struct Unusable {
    sources: BTreeMap<String, Source>,
    total: u64,
    last: Option<LastUnusable>,
}

#[derive(Debug)]
struct Source {
    told: Instant,
    untold: u64,
}

impl Unusable {
    /// Counts one and says whether it is to be told.
    pub(crate) fn note(&mut self, source: &str, what: &str, now: Instant) -> Option<LinkReport> {
        self.total += 1;
        let what = printable(what);
        self.last = Some(LastUnusable { at: now, source: printable(source), what: what.clone() });
        let name = if self.sources.contains_key(source) || self.sources.len() < MOST_SOURCES {
            source
        } else {
            "other sources"
        };
        let what = match self.sources.get_mut(name) {
            Some(known) if now.saturating_duration_since(known.told) < TOLD_EVERY => {
                known.untold += 1;
                return None;
            }
            Some(known) => {
                let untold = std::mem::take(&mut known.untold);
                known.told = now;
                if untold == 0 { what } else { format!("{what} (and {untold} more before)") }
            }
            None => {
                self.sources.insert(name.to_owned(), Source { told: now, untold: 0 });
                what
            }
        };
        Some(LinkReport::Unusable { source: printable(name), what })
    }

    /// All that were ever counted.
    pub(crate) const fn total(&self) -> u64 {
        self.total
    }

    /// The newest of them, told or not.
    pub(crate) fn last(&self) -> Option<LastUnusable> {
        self.last.clone()
    }
}

/// Text from outside, made safe to show: short, and without control characters.
pub(crate) fn printable(text: &str) -> String {
    let clean = |c: char| if c.is_control() { '\u{b7}' } else { c };
    let mut shown: String = text.chars().take(LONGEST_TEXT).map(clean).collect();
    if text.chars().nth(LONGEST_TEXT).is_some() {
        shown.push('\u{2026}');
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_source_is_told_once_in_ten_seconds_and_all_are_counted() {
        let mut unusable = Unusable::default();
        let start = Instant::now();
        assert!(unusable.note("a", "bad", start).is_some());
        assert!(unusable.note("a", "bad", start + Duration::from_secs(1)).is_none());
        assert!(unusable.note("b", "bad", start).is_some());
        let told = unusable.note("a", "bad", start + Duration::from_secs(11));
        assert!(format!("{told:?}").contains("and 1 more"), "{told:?}");
        assert_eq!(unusable.total(), 4);
    }

    #[test]
    fn the_last_one_is_known_though_it_is_not_told() {
        let mut unusable = Unusable::default();
        assert_eq!(unusable.last(), None);
        let start = Instant::now();
        unusable.note("a", "bad", start);
        let at = start + Duration::from_secs(1);
        assert!(unusable.note("a", "worse\n", at).is_none());
        let (source, what) = ("a".to_owned(), "worse\u{b7}".to_owned());
        assert_eq!(unusable.last(), Some(LastUnusable { at, source, what }));
    }

    #[test]
    fn a_flood_of_sources_shares_one_line() {
        let mut unusable = Unusable::default();
        let start = Instant::now();
        let told = (0..2000).filter(|n| unusable.note(&n.to_string(), "x", start).is_some());
        assert_eq!(told.count(), MOST_SOURCES + 1);
    }
}
