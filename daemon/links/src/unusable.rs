//! Messages that could not be used: all are counted, few are told. A node that sends rubbish ten times a second must not
//! fill the event list.

use std::{
    collections::BTreeMap,
    time::{Duration, Instant},
};

use supervision::input::LinkReport;

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
                if untold == 0 {
                    printable(what)
                } else {
                    format!("{} (and {untold} more before)", printable(what))
                }
            }
            None => {
                self.sources.insert(name.to_owned(), Source { told: now, untold: 0 });
                printable(what)
            }
        };
        Some(LinkReport::Unusable { source: printable(name), what })
    }

    /// All that were ever counted.
    pub(crate) const fn total(&self) -> u64 {
        self.total
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
    fn a_flood_of_sources_shares_one_line() {
        let mut unusable = Unusable::default();
        let start = Instant::now();
        let told = (0..2000).filter(|n| unusable.note(&n.to_string(), "x", start).is_some());
        assert_eq!(told.count(), MOST_SOURCES + 1);
    }
}
