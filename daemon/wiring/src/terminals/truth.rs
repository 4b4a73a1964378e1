//! From a truth table that a meter filled to the terminals of change-over contacts.
//!
//! On the bare machine, before any wire is on it, one notes which pairs of terminals beep in each position. The
//! terminal that takes part in both positions is the common of its contact.

use crate::layout::Position;

/// Two terminals between which the meter beeps.
pub type Pair = [String; 2];

/// The three terminals of a change-over contact.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Contact {
    /// Joined in both positions.
    pub common: String,
    /// Joined to the common when the machine is normal.
    pub normal: String,
    /// Joined to the common when the machine is reverse.
    pub reverse: String,
}

/// Why a table is not that of change-over contacts.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum TruthError {
    /// A pair names one terminal twice.
    Alone {
        /// In this position.
        position: Position,
        /// The terminal.
        terminal: String,
    },
    /// One terminal beeps with two others in one position.
    Branch {
        /// In this position.
        position: Position,
        /// The terminal.
        terminal: String,
    },
    /// A pair beeps in both positions.
    Always {
        /// The pair.
        pair: Pair,
    },
    /// Neither terminal of a pair beeps in the other position.
    NoCommon {
        /// The pair beeps in this position.
        position: Position,
        /// The pair.
        pair: Pair,
    },
    /// Both terminals of a pair beep with others in the other position, so either could be the common.
    TwoCommons {
        /// The pair.
        pair: Pair,
    },
    /// The table has another number of contacts than the machine.
    Count {
        /// In the table.
        found: usize,
        /// `poles` of the machine.
        poles: usize,
    },
}

/// The contacts, in the order of the normal pairs.
///
/// # Errors
/// [`TruthError`] when no set of `poles` change-over contacts gives this table.
pub fn contacts(
    normal: &[Pair],
    reverse: &[Pair],
    poles: usize,
) -> Result<Vec<Contact>, TruthError> {
    each_once(normal, Position::Normal)?;
    each_once(reverse, Position::Reverse)?;
    let found = normal.iter().map(|pair| contact(pair, reverse));
    let found = found.collect::<Result<Vec<Contact>, TruthError>>()?;
    let is_used = |pair: &Pair| found.iter().any(|it| pair.contains(&it.common));
    if let Some(pair) = reverse.iter().find(|pair| !is_used(pair)) {
        let pair = pair.clone();
        return Err(TruthError::NoCommon { position: Position::Reverse, pair });
    }
    if found.len() != poles {
        return Err(TruthError::Count { found: found.len(), poles });
    }
    Ok(found)
}

/// In one position a terminal of a change-over contact beeps with one other at most.
fn each_once(pairs: &[Pair], position: Position) -> Result<(), TruthError> {
    for (at, [one, two]) in pairs.iter().enumerate() {
        if one == two {
            return Err(TruthError::Alone { position, terminal: one.clone() });
        }
        let is_doubled = |name: &&String| pairs[..at].iter().any(|pair| pair.contains(name));
        if let Some(terminal) = [one, two].into_iter().find(is_doubled) {
            return Err(TruthError::Branch { position, terminal: terminal.clone() });
        }
    }
    Ok(())
}

fn contact(pair: &Pair, reverse: &[Pair]) -> Result<Contact, TruthError> {
    let [one, two] = pair;
    match (partner(one, reverse), partner(two, reverse)) {
        (None, None) => {
            Err(TruthError::NoCommon { position: Position::Normal, pair: pair.clone() })
        }
        (Some(other), _) if other == two => Err(TruthError::Always { pair: pair.clone() }),
        (Some(_), Some(_)) => Err(TruthError::TwoCommons { pair: pair.clone() }),
        (Some(other), None) => Ok(made(one, two, other)),
        (None, Some(other)) => Ok(made(two, one, other)),
    }
}

/// What a terminal beeps with.
fn partner<'a>(terminal: &str, pairs: &'a [Pair]) -> Option<&'a String> {
    pairs.iter().find_map(|[one, two]| match terminal {
        it if it == one => Some(two),
        it if it == two => Some(one),
        _ => None,
    })
}

fn made(common: &str, normal: &str, reverse: &str) -> Contact {
    Contact { common: common.into(), normal: normal.into(), reverse: reverse.into() }
}

impl TruthError {
    /// What is wrong.
    #[must_use]
    pub fn message(&self) -> String {
        match self {
            Self::Alone { position, terminal } => {
                format!("the {} pair names terminal {terminal} twice", position.word())
            }
            Self::Branch { position, terminal } => format!(
                "with the machine {}, terminal {terminal} beeps with two others: a change-over contact \
                 joins two terminals, never three",
                position.word()
            ),
            Self::Always { pair: [one, two] } => format!(
                "terminals {one} and {two} beep in both positions: that is no change-over contact"
            ),
            Self::NoCommon { position, pair: [one, two] } => format!(
                "terminals {one} and {two} beep with the machine {}, and neither of them beeps in the \
                 other position, so neither is a common",
                position.word()
            ),
            Self::TwoCommons { pair: [one, two] } => format!(
                "both {one} and {two} beep with other terminals when the machine is reverse, so either \
                 could be the common"
            ),
            Self::Count { found, poles } => format!(
                "the table shows {found} change-over contact{}, and the machine has poles = {poles}",
                if *found == 1 { "" } else { "s" }
            ),
        }
    }

    /// What to do.
    #[must_use]
    pub fn remedy(&self) -> String {
        match self {
            Self::Alone { .. } => "name the two terminals between which the meter beeps".to_owned(),
            Self::Branch { .. } => {
                "take off all wires and jumpers, and measure again; else the contact is damaged"
                    .to_owned()
            }
            Self::Always { .. } => {
                "look whether the machine did throw; else the contact is welded or bridged"
                    .to_owned()
            }
            Self::NoCommon { .. } | Self::TwoCommons { .. } => {
                "measure again in both positions, every terminal against every other".to_owned()
            }
            Self::Count { found, .. } => {
                format!("write poles = {found}, or measure the other contacts too")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pairs(text: &str) -> Vec<Pair> {
        let pair = |it: &str| {
            let (one, two) = it.split_once('-').expect("ONE-TWO");
            [one.to_owned(), two.to_owned()]
        };
        text.split_whitespace().map(pair).collect()
    }

    fn check(normal: &str, reverse: &str, poles: usize, want: &str) {
        let got = match contacts(&pairs(normal), &pairs(reverse), poles) {
            Ok(found) => {
                let each =
                    found.iter().map(|it| format!("{}:{}/{}", it.common, it.normal, it.reverse));
                each.collect::<Vec<_>>().join(" ")
            }
            Err(error) => format!("{error:?}").split(' ').next().unwrap_or_default().to_owned(),
        };
        assert_eq!(got, want, "normal {normal}, reverse {reverse}");
    }

    #[test]
    fn the_terminal_that_beeps_in_both_positions_is_the_common() {
        check("2-3 6-7", "1-2 5-6", 2, "2:3/1 6:7/5");
        check("3-2 7-6", "6-5 2-1", 2, "2:3/1 6:7/5");
        check("C-N", "R-C", 1, "C:N/R");
    }

    #[test]
    fn a_table_that_no_change_over_contacts_give_is_refused() {
        check("2-2", "1-2", 1, "Alone");
        check("2-3 2-6", "1-2 5-6", 2, "Branch");
        check("2-3", "1-2 3-1", 1, "Branch");
        check("2-3", "3-2", 1, "Always");
        check("2-3", "5-6", 1, "NoCommon");
        check("2-3", "1-2 5-6", 1, "NoCommon");
        check("2-3", "1-2 3-4", 1, "TwoCommons");
        check("2-3", "1-2", 2, "Count");
    }
}
