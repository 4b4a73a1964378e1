//! Locating by itself: taped sessions played again, who was named, and which signs misled.

use std::{collections::BTreeMap, fmt::Write as _};

use simulator::Scenario;
use supervision::{
    locate::{self, Sign, Signed},
    record::{Accused, FaultRecord},
};
use wiring::units::{Micros, Mono};

use super::{
    bed::Bed,
    judge::{self, Named},
    tally::Share,
    tape::Tape,
};

/// Readings that are shown lie this close to the onset, and to the trigger.
const BEFORE: Micros = Micros::from_millis(2000);
const AFTER: Micros = Micros::from_millis(150);

/// One record with its candidates and the truth.
pub struct Case {
    pub scenario: &'static Scenario,
    pub bed: usize,
    pub layout: String,
    pub seed: u64,
    pub subject: String,
    pub place: String,
    pub cause: &'static str,
    pub named: Named,
    /// Every suspect with its signs.
    pub suspects: Vec<Signed>,
    /// Which of them are true.
    pub is_true: Vec<bool>,
    /// What they were ranked by, for whoever asks for it.
    pub evidence: String,
}

impl Case {
    /// Plays a tape; none: no record came of it.
    pub fn of(beds: &[Bed], tape: &Tape) -> Option<Self> {
        let bed = &beds[tape.bed];
        let records = tape.play(bed);
        let record = judge::record_of(&records, &tape.report, &tape.span)?;
        let suspects = locate::signed(&record.evidence, &bed.layout);
        let is_it = |it: &Signed| judge::is_culprit(&bed.layout, &tape.report, it.accused);
        Some(Self {
            scenario: tape.scenario,
            bed: tape.bed,
            layout: bed.name.clone(),
            seed: tape.seed,
            subject: tape.report.subject.clone(),
            place: tape.report.place.clone(),
            cause: record.cause.word(),
            named: judge::named(bed, record, &tape.report),
            is_true: suspects.iter().map(is_it).collect(),
            suspects,
            evidence: format!(
                "{:?} {:#?}\n{}",
                record.cause,
                record.evidence,
                readings(bed, record)
            ),
        })
    }

    /// The strongest of those that are true, and of those that are not.
    fn best(&self) -> [Option<&Signed>; 2] {
        [true, false].map(|wanted| {
            let of = self.suspects.iter().zip(&self.is_true).filter(|it| *it.1 == wanted);
            of.map(|it| it.0).max_by(|a, b| score(a).total_cmp(&score(b)))
        })
    }
}

/// Readings of the district around the onset: milliseconds from it, and the value.
fn readings(bed: &Bed, record: &FaultRecord) -> String {
    let near = |at: Mono| at + BEFORE >= record.onset && at <= record.trigger + AFTER;
    let mut text = String::new();
    for waveform in &record.waveforms {
        let each = waveform.samples.iter().filter(|it| near(it.0)).map(|(at, value)| {
            format!("{}:{value:?}", (at.0 as i64 - record.onset.0 as i64) / 1000)
        });
        let each: Vec<String> = each.collect();
        let _ = writeln!(text, "{} {}", bed.channels.name(waveform.channel), each.join(" "));
    }
    text
}

/// Logarithm of the weight of a suspect.
pub fn score(it: &Signed) -> f64 {
    let signs: f64 =
        it.signs.iter().map(|sign| f64::from(locate::ratio(*sign)) / 100.0).map(f64::ln).sum();
    (f64::from(it.prior) / 100.0).ln() + signs
}

/// What kind of suspect it is.
pub fn kind(accused: Accused) -> &'static str {
    match accused {
        Accused::Object(wiring::channel::Object::Frog(_)) => "frog",
        Accused::Object(_) => "block",
        Accused::ObjectOnTrack => "object",
        Accused::Vehicle => "vehicle",
        Accused::Wiring => "wiring",
        Accused::Reverser => "reverser",
        Accused::NotExplained => "nothing",
    }
}

#[derive(Default)]
struct Row {
    records: u64,
    alone: [Share; 2],
    grouped: [Share; 2],
    told: [Share; 2],
    /// Ranks of the truth: 1, 2, 3, beyond.
    ranks: [u64; 4],
    first: BTreeMap<&'static str, u64>,
    misled: BTreeMap<Sign, f64>,
}

impl Row {
    fn add(&mut self, case: &Case) {
        self.records += 1;
        let named = &case.named;
        let within = |rank: Option<usize>, most: usize| rank.is_some_and(|rank| rank <= most);
        for (nth, most) in [1, 3].into_iter().enumerate() {
            self.alone[nth].add(within(named.rank, most));
            self.grouped[nth].add(within(named.group_rank, most));
            if !named.inseparable {
                self.told[nth].add(within(named.rank, most));
            }
        }
        self.ranks[named.group_rank.map_or(3, |rank| rank.min(4) - 1)] += 1;
        if named.group_rank == Some(1) {
            return;
        }
        let [truth, other] = case.best();
        let Some(other) = other else { return };
        *self.first.entry(kind(other.accused)).or_default() += 1;
        let signs = |of: Option<&Signed>| of.map_or_else(Vec::new, |it| it.signs.clone());
        let (for_truth, for_other) = (signs(truth), signs(Some(other)));
        for sign in for_other.iter().filter(|it| !for_truth.contains(it)) {
            *self.misled.entry(*sign).or_default() += weight(*sign).max(0.0);
        }
        for sign in for_truth.iter().filter(|it| !for_other.contains(it)) {
            *self.misled.entry(*sign).or_default() += (-weight(*sign)).max(0.0);
        }
    }

    fn line(&self, id: &str) -> String {
        let [first, second, third, beyond] = self.ranks;
        let mut misled: Vec<(&Sign, &f64)> = self.misled.iter().collect();
        misled.sort_by(|a, b| b.1.total_cmp(a.1));
        let misled: Vec<String> = misled
            .iter()
            .take(3)
            .filter(|it| 0.5 < *it.1)
            .map(|(sign, by)| format!("{sign:?} {by:.0}"))
            .collect();
        let before: Vec<String> =
            self.first.iter().map(|(kind, count)| format!("{kind} {count}")).collect();
        format!(
            "{id:<5} {:>5} | {:>6} {:>6} | {:>6} {:>6} | {:>6} {:>6} | {first:>4} {second:>4} {third:>4} {beyond:>4} | \
             {:<30} | {}\n",
            self.records,
            self.alone[0].percent(),
            self.alone[1].percent(),
            self.grouped[0].percent(),
            self.grouped[1].percent(),
            self.told[0].percent(),
            self.told[1].percent(),
            before.join(", "),
            misled.join(", ")
        )
    }
}

fn weight(sign: Sign) -> f64 {
    (f64::from(locate::ratio(sign)) / 100.0).ln()
}

/// One line a scenario: where the truth stands, who was named before it, and the signs that misled.
pub fn table(cases: &[Case]) -> String {
    let mut rows: BTreeMap<&str, Row> = BTreeMap::new();
    let mut all = Row::default();
    for case in cases {
        rows.entry(case.scenario.id).or_default().add(case);
        all.add(case);
    }
    let mut text = format!(
        "{:<5} {:>5} | {:>6} {:>6} | {:>6} {:>6} | {:>6} {:>6} | {:>4} {:>4} {:>4} {:>4} | {:<30} | misled by\n",
        "",
        "recs",
        "first",
        "three",
        "group1",
        "group3",
        "told1",
        "told3",
        "1",
        "2",
        "3",
        "4+",
        "named before it"
    );
    for (id, row) in &rows {
        let _ = write!(text, "{}", row.line(id));
    }
    let sizes: Vec<f64> =
        cases.iter().filter(|it| it.named.inseparable).map(|it| it.named.alike as f64).collect();
    let mean = sizes.iter().sum::<f64>() / sizes.len().max(1) as f64;
    text + &all.line("all") + &format!("{} records name {mean:.1} suspects as one\n", sizes.len())
}

/// What went wrong, one line a record.
pub fn misses(cases: &[Case], with_evidence: bool) -> String {
    let mut text = String::new();
    for case in cases.iter().filter(|it| it.named.group_rank != Some(1)) {
        let rank = case.named.group_rank.map_or_else(|| "-".to_owned(), |it| it.to_string());
        let signs = |of: Option<&Signed>| {
            of.map_or_else(String::new, |it| format!("{:?} {:?}", it.accused, it.signs))
        };
        let [truth, other] = case.best();
        let _ = writeln!(
            text,
            "{} bed {} ({}) seed {} {} at {}, {}: culprit at {rank}\n    named {}\n    other {}\n    truth {}",
            case.scenario.id,
            case.bed,
            case.layout,
            case.seed,
            case.subject,
            case.place,
            case.cause,
            case.named.said,
            signs(other),
            signs(truth),
        );
        if with_evidence {
            let _ = writeln!(text, "{}", case.evidence);
        }
    }
    text
}
