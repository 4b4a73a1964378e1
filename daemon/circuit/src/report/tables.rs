//! Tables of all results, every cell as text.

use wiring::{
    index::MachineIx,
    layout::{BreakerKind, Layout, Position},
    units::{Microamps, Micros, Millivolts},
};

use super::names;
use crate::{
    grid::{Amps, Volts},
    study::{
        Contact, Coordination, Drop, Remedy, Short, Study, Verdict,
        contact::{Outcome, Spot},
    },
};

/// A table.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Table {
    /// Its title.
    pub title: &'static str,
    /// What the reader must know about it.
    pub note: &'static str,
    /// Head of each column.
    pub head: &'static [&'static str],
    /// Rows; as many cells as columns.
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// The same table with the rows that differ in their first cell alone made one; that cell then names them all. For
    /// where room is short.
    #[must_use]
    pub fn folded(&self) -> Self {
        let mut kept: Vec<(Vec<&str>, &[String])> = Vec::new();
        for row in &self.rows {
            let Some((name, rest)) = row.split_first() else { continue };
            match kept.iter_mut().find(|(_, other)| *other == rest) {
                Some((names, _)) => names.push(name),
                None => kept.push((vec![name], rest)),
            }
        }
        let rows = kept
            .into_iter()
            .map(|(names, rest)| {
                std::iter::once(names::joined(names)).chain(rest.iter().cloned()).collect()
            })
            .collect();
        Self { rows, ..self.clone() }
    }
}

/// All tables: shorts, contacts, remedies, voltage drops, coordination. Empty ones are left out.
#[must_use]
pub fn tables(layout: &Layout, study: &Study) -> Vec<Table> {
    let tables = [
        shorts(layout, &study.shorts),
        contacts(layout, &study.contacts),
        remedies(&study.contacts),
        drops(&study.drops),
        coordination(layout, &study.coordination),
    ];
    tables.into_iter().filter(|table| !table.rows.is_empty()).collect()
}

fn shorts(layout: &Layout, shorts: &[Short]) -> Table {
    let row = |short: &Short| {
        let contacts: Vec<String> = short
            .contacts
            .iter()
            .map(|(pole, amps)| format!("{} {}", layout.pole_name(*pole), amps_text(*amps)))
            .collect();
        vec![
            short.at.clone(),
            positions(layout, &short.positions),
            amps_text(short.amps),
            volts_text(short.volts),
            short.trips.word().to_owned(),
            format!("{:.2}", short.margin),
            coin(short.coin).to_owned(),
            contacts.join(", "),
        ]
    };
    let rows = shorts
        .chunk_by(|one, next| one.at == next.at)
        .flat_map(|place| whatever_the_position(place.iter().map(row).collect()));
    Table {
        title: "Short circuits",
        note: "A dead short at each place. Volts: what is left at the bus end. Margin: current over breaker trip, or \
               over the booster's limit. Coin test: forecast for plain rail, passes from 1.25 times the trip; never try \
               it at a frog, where each test is a full hit on the contact.",
        head: &[
            "at",
            "positions",
            "current",
            "volts left",
            "trips",
            "margin",
            "coin test",
            "contacts",
        ],
        rows: rows.collect(),
    }
}

/// Rows of one place in all its positions: one row where the position changes nothing.
fn whatever_the_position(mut rows: Vec<Vec<String>>) -> Vec<Vec<String>> {
    const POSITIONS: usize = 1;
    let mut rest = rows.iter().map(|row| (&row[..POSITIONS], &row[POSITIONS + 1..]));
    let first = rest.next();
    if rows.len() > 1 && rest.all(|other| Some(other) == first) {
        rows.truncate(1);
        rows[0][POSITIONS] = "any".to_owned();
    }
    rows
}

const fn coin(passes: Option<bool>) -> &'static str {
    match passes {
        Some(true) => "passes",
        Some(false) => "FAILS",
        None => "-",
    }
}

fn contacts(layout: &Layout, contacts: &[Contact]) -> Table {
    let row = |contact: &Contact| {
        let Outcome { amps, withstand, cleared_by, cleared, verdict } = contact.outcome;
        vec![
            contact.name.clone(),
            format!("frog/{}", layout.frogs[contact.frog.at()].id),
            positions(layout, &contact.positions),
            amps_text(amps),
            time_text(withstand, "for ever"),
            cleared_by.word().to_owned(),
            time_text(cleared, "never"),
            verdict_text(verdict).to_owned(),
            format!("{}{}", volts_text(contact.drop), spot(contact.spot)),
        ]
    };
    Table {
        title: "Contacts",
        note: "The worst short that each pole must carry. Stands: until its thermal image is full, starting warm from a \
               locomotive. Protected: it stands at least twice as long as the fault lasts. The rating's time constant is \
               assumed unless measured. Of poles side by side each is charged with more than an even share; in making \
               and breaking one takes all of it.",
        head: &[
            "pole",
            "feeds",
            "positions",
            "current",
            "stands",
            "cleared by",
            "after",
            "verdict",
            "drop",
        ],
        rows: contacts.iter().map(row).collect(),
    }
}

const fn spot(spot: Spot) -> &'static str {
    match spot {
        Spot::Sound => "",
        Spot::Softens => ", silver softens",
        Spot::Melts => ", silver MELTS",
    }
}

const fn verdict_text(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Protected => "protected",
        Verdict::Marginal => "marginal",
        Verdict::Unprotected => "UNPROTECTED",
    }
}

/// One row for each remedy and what it comes to, with the poles that it is for.
fn remedies(contacts: &[Contact]) -> Table {
    let mut groups: Vec<(&Remedy, Vec<&str>, Vec<Outcome>)> = Vec::new();
    for contact in contacts {
        for remedy in &contact.remedies {
            let same = |(other, ..): &&mut (&Remedy, Vec<&str>, Vec<Outcome>)| {
                other.text == remedy.text
                    && other.verdict == remedy.verdict
                    && other.outcome.cleared_by == remedy.outcome.cleared_by
            };
            match groups.iter_mut().find(same) {
                Some((_, poles, outcomes)) => {
                    poles.push(&contact.name);
                    outcomes.push(remedy.outcome);
                }
                None => groups.push((remedy, vec![&contact.name], vec![remedy.outcome])),
            }
        }
    }
    let row = |(remedy, poles, outcomes): (&Remedy, Vec<&str>, Vec<Outcome>)| {
        let amps = outcomes.iter().map(|it| Microamps::from_amps(it.amps.0));
        // what has no end sorts last
        let withstand = outcomes.iter().map(|it| (it.withstand.is_none(), it.withstand));
        let cleared = outcomes.iter().map(|it| (it.cleared.is_none(), it.cleared));
        vec![
            names::joined(poles),
            remedy.text.clone(),
            verdict_text(remedy.verdict).to_owned(),
            span(amps, |it| it.to_string()),
            span(withstand, |(_, time)| time_text(time, "for ever")),
            format!(
                "{} {}",
                remedy.outcome.cleared_by.word(),
                span(cleared, |(_, time)| time_text(time, "never"))
            ),
        ]
    };
    Table {
        title: "What would help",
        note: "Each solved again with the change in place, for every pole by itself.",
        head: &["poles", "remedy", "then", "current", "stands", "cleared by"],
        rows: groups.into_iter().map(row).collect(),
    }
}

/// The least and the greatest of some values, or the one that they all are.
fn span<T: Copy + Ord>(
    values: impl Iterator<Item = T> + Clone,
    text: impl Fn(T) -> String,
) -> String {
    match (values.clone().min(), values.max()) {
        (Some(least), Some(most)) if least < most => format!("{} to {}", text(least), text(most)),
        (Some(only), Some(_)) => text(only),
        (None, _) | (_, None) => "-".to_owned(),
    }
}

fn drops(drops: &[Drop]) -> Table {
    let row = |drop: &Drop| {
        vec![drop.at.clone(), volts_text(drop.volts), format!("{:.1} %", drop.percent)]
    };
    Table {
        title: "Voltage at a train",
        note: "One train at a time; at a frog in its worst position.",
        head: &["at", "volts", "lost"],
        rows: drops.iter().map(row).collect(),
    }
}

fn coordination(layout: &Layout, all: &[Coordination]) -> Table {
    let row = |one: &Coordination| {
        let district = &layout.districts[one.district.at()];
        let booster = &layout.boosters[district.booster.at()];
        let shorts = one.shorts.map_or_else(
            || "none".to_owned(),
            |(low, high)| format!("{} to {}", amps_text(low), amps_text(high)),
        );
        vec![
            district.id.clone(),
            format!("{}: {}, {}", booster.id, booster.limit, booster.trip_delay),
            breaker_text(layout, one),
            shorts,
            if one.notes.is_empty() { "-".to_owned() } else { one.notes.join("; ") },
        ]
    };
    Table {
        title: "Coordination",
        note: "Booster: its limit and how long it stays there.",
        head: &["district", "booster", "breaker", "short circuits", "notes"],
        rows: all.iter().map(row).collect(),
    }
}

fn breaker_text(layout: &Layout, one: &Coordination) -> String {
    let breaker = &layout.districts[one.district.at()].breaker;
    let kind = match breaker.kind {
        BreakerKind::Electronic => "electronic",
        BreakerKind::Fuse => "fuse",
        BreakerKind::Ptc => "ptc",
        BreakerKind::Lamp => "lamp",
        BreakerKind::None => "none",
    };
    match breaker.trip {
        Some(trip) if breaker.delay > Micros::ZERO => format!("{kind} {trip}, {}", breaker.delay),
        Some(trip) => format!("{kind} {trip}"),
        None => kind.to_owned(),
    }
}

fn positions(layout: &Layout, positions: &[(MachineIx, Position)]) -> String {
    let one = |(machine, position): &(MachineIx, Position)| {
        format!("{} {}", layout.machines[machine.at()].id, position.word())
    };
    positions.iter().map(one).collect::<Vec<_>>().join(", ")
}

fn amps_text(amps: Amps) -> String {
    Microamps::from_amps(amps.0).to_string()
}

fn volts_text(volts: Volts) -> String {
    Millivolts((volts.0 * 1e3).round() as i64).to_string()
}

fn time_text(time: Option<Micros>, none: &str) -> String {
    time.map_or_else(|| none.to_owned(), |time| time.to_string())
}
