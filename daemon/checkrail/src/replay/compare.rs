//! `checkrail replay --protection`: one journal, the layout's own settings and those of a file, side by side.
//!
//! A journal is open loop: what was recorded does not stop because a run cuts. So each run begins afresh when a fault
//! is over, with the readings of that moment; its first cut counts, and nothing that follows from current that flows on.

use std::{fs, path::Path};

use supervision::{
    Supervisor,
    input::{Feed, Input, Reading, Value},
    output::{Action, Decision},
    record::{Cut, FaultRecord},
    start::Start,
};
use wiring::{
    channel::{Object, Quantity},
    index::{ChannelIx, DistrictIx},
    layout::Layout,
    read::read_changed,
    source::LineIndex,
    units::{Microamps, Micros, Mono},
};

use super::{
    Lines, cost, each_line,
    result::{Comparison, Fault, Setting, Side},
};
use crate::{
    cli::{ReplayArgs, TextOrJson},
    core::Core,
    diagnostic::Diagnostic,
    exit::{Exit, Failure},
    print::{self, Styled},
    source::{Loaded, Source},
};

/// A fault is over when its district carries less than this part of its peak.
const OVER_BELOW: f64 = 0.5;

/// A fault that does not end is over after so long: what follows is looked at anew.
const OVER_AFTER: Micros = Micros::from_millis(30_000);

/// Records of one district belong to the same fault when no more than this lies between them.
const SAME_FAULT: Micros = Micros::from_millis(2000);

/// Runs the comparison.
///
/// # Errors
/// [`Failure`] when a file cannot be read or has errors.
pub fn run(
    args: &ReplayArgs,
    source: &Source,
    loaded: &Loaded,
    changes: &Path,
) -> Result<Exit, Failure> {
    let tried = changed(source, loaded, changes)?;
    let mut lines = Lines::new(&loaded.channels);
    let mut runs = [Run::new(loaded), Run::new(&tried)];
    each_line(&args.journal, |number, line| {
        if let Some(input) = lines.parse(number, line) {
            for run in &mut runs {
                run.take(&input, lines.last);
            }
        }
        Ok(true)
    })?;
    lines.require_journal(&args.journal)?;
    let until = lines.last;
    let [own, tried_faults] = runs.map(|run| run.end(until));
    let comparison = Comparison {
        layout: source.path.display().to_string(),
        journal: args.journal.display().to_string(),
        changes: changes.display().to_string(),
        seconds: until.seconds(),
        settings: settings(&loaded.layout, &tried.layout),
        faults: pairs(own, tried_faults, loaded, &tried),
    };
    match args.format {
        TextOrJson::Text => print::line(&comparison.text(&loaded.layout))?,
        TextOrJson::Json => print::line(&comparison.json(&loaded.layout).to_string())?,
    }
    Ok(if comparison.protects_less() { Exit::ErrorsFound } else { Exit::Done })
}

/// The layout with the settings of the file.
fn changed(source: &Source, loaded: &Loaded, path: &Path) -> Result<Loaded, Failure> {
    let text = fs::read_to_string(path)
        .map_err(|source| Failure::Read { path: path.to_owned(), error: source })?;
    let changed = read_changed(&source.text, &text);
    let lines = LineIndex::new(&text);
    for error in &changed.errors {
        let shown = Diagnostic::from(error).render(
            &lines,
            &path.display().to_string(),
            &Styled::Stderr.renderer(),
        );
        print::error_line(&shown);
    }
    match changed.read.layout {
        Some(layout) if changed.errors.is_empty() => {
            Ok(Loaded { layout: layout.into(), ..loaded.clone() })
        }
        Some(_) | None => Err(Failure::SettingsRefused {
            path: path.to_owned(),
            count: changed.errors.len().max(1),
        }),
    }
}

/// Settings that are in force in one of them only.
fn settings(own: &Layout, tried: &Layout) -> Vec<Setting> {
    let value = |layout: &Layout, subject: &str, key: &str| {
        let mut all = layout.protection.in_force.iter();
        all.find(|it| it.subject == subject && it.key == key).map(|it| it.value.clone())
    };
    let mut all = Vec::new();
    for it in &tried.protection.in_force {
        let before = value(own, &it.subject, it.key);
        if before.as_deref() != Some(it.value.as_str()) {
            let (subject, key, tried) = (it.subject.clone(), it.key, it.value.clone());
            all.push(Setting { subject, key, own: before, tried });
        }
    }
    all
}

/// One run over the journal.
struct Run {
    core: Core,
    supervisor: Supervisor,
    /// Latest reading of each channel, to begin afresh with.
    latest: Vec<Option<Reading>>,
    /// Which channel tells the current of each district.
    currents: Vec<Option<ChannelIx>>,
    /// Something was cut since the run last began.
    has_cut: bool,
    /// The fault whose end is awaited: its district, what counts as over, since when.
    ending: Option<(DistrictIx, Microamps, Mono)>,
    records: Vec<FaultRecord>,
}

impl Run {
    fn new(loaded: &Loaded) -> Self {
        let core = Core::new(loaded);
        let supervisor = core.supervisor(Start::journal(), Mono::START);
        let channels = &loaded.channels;
        let mut currents = vec![None; loaded.layout.districts.len()];
        let mut count = 0;
        for (index, channel) in channels.iter() {
            count += 1;
            if let (Object::District(district), Quantity::Current) =
                (channel.object, channel.quantity)
            {
                currents[district.at()] = Some(index);
            }
        }
        let latest = vec![None; count];
        let (has_cut, ending, records) = (false, None, Vec::new());
        Self { core, supervisor, latest, currents, has_cut, ending, records }
    }

    fn take(&mut self, input: &Input, at: Mono) {
        if let Input::Reading(reading) = input {
            self.latest[reading.channel.at()] = Some(*reading);
        }
        self.supervisor.handle(input.clone(), at);
        self.drain();
        if self.has_cut && self.is_over(at) {
            self.begin_afresh(at);
        }
    }

    fn drain(&mut self) {
        while let Some(output) = self.supervisor.poll_output() {
            match output.what {
                Decision::Order(order) => self.has_cut |= order.action == Action::Cut,
                Decision::FaultClosed(record) => {
                    let below = Microamps((record.peak.0 as f64 * OVER_BELOW) as i64);
                    self.ending.get_or_insert((record.district, below, output.at));
                    self.records.push(*record);
                }
                Decision::Alarm(_)
                | Decision::State { .. }
                | Decision::Event(_)
                | Decision::FaultOpened { .. }
                | Decision::Commissioned(_)
                | Decision::Answer { .. } => {}
            }
        }
    }

    fn is_over(&self, at: Mono) -> bool {
        let Some((district, below, since)) = self.ending else { return false };
        let channel = self.currents[district.at()];
        let reading = channel.and_then(|it| self.latest[it.at()]);
        let is_low = match reading.map(|it| it.value) {
            Some(Value::Current(amps)) => amps < below,
            Some(_) | None => true,
        };
        is_low || OVER_AFTER <= at.since(since)
    }

    /// Everything as it was recorded at this moment; what the run did is forgotten.
    fn begin_afresh(&mut self, at: Mono) {
        self.supervisor.finish(at);
        self.drain();
        self.supervisor = self.core.supervisor(Start::journal(), at);
        (self.has_cut, self.ending) = (false, None);
        for reading in self.latest.iter().flatten() {
            self.supervisor.handle(Input::Reading(*reading), at);
        }
        self.drain();
    }

    fn end(mut self, at: Mono) -> Vec<FaultRecord> {
        self.supervisor.finish(at);
        self.drain();
        self.records
    }
}

/// The records of one fault in one run: a breaker that closes on a fault again and again makes many.
type Chain = Vec<FaultRecord>;

/// Records by fault, each in order of time.
fn chains(records: Vec<FaultRecord>) -> Vec<Chain> {
    let mut all: Vec<Chain> = Vec::new();
    for record in records {
        let of_district = |it: &&mut Chain| it.iter().any(|it| it.district == record.district);
        let latest = all.iter_mut().rev().find(of_district);
        let again = latest.filter(|it| {
            it.last().is_some_and(|last| record.onset.since(last.closed) <= SAME_FAULT)
        });
        match again {
            Some(chain) => chain.push(record),
            None => all.push(vec![record]),
        }
    }
    all
}

/// The same faults beside each other, in order of time.
fn pairs(
    own: Vec<FaultRecord>,
    tried: Vec<FaultRecord>,
    loaded: &Loaded,
    with_changes: &Loaded,
) -> Vec<Fault> {
    let mut tried: Vec<Option<Chain>> = chains(tried).into_iter().map(Some).collect();
    let mut all: Vec<(Chain, Chain)> = Vec::new();
    for chain in chains(own) {
        let same = tried.iter().position(|it| it.as_ref().is_some_and(|it| is_same(it, &chain)));
        let other = same.and_then(|at| tried[at].take());
        all.push((chain, other.unwrap_or_default()));
    }
    all.extend(tried.into_iter().flatten().map(|chain| (Chain::new(), chain)));
    let mut faults: Vec<Fault> = all
        .iter()
        .filter_map(|(own, tried)| {
            let first = own.first().into_iter().chain(tried.first()).min_by_key(|it| it.onset)?;
            Some(Fault {
                onset: first.onset,
                district: first.district,
                own: side(own, tried, first.onset, loaded),
                tried: side(tried, own, first.onset, with_changes),
            })
        })
        .collect();
    faults.sort_by_key(|it| it.onset);
    faults
}

/// Their times overlap, or nearly so.
fn is_same(one: &Chain, other: &Chain) -> bool {
    let (Some(first), Some(last)) = (one.first(), one.last()) else { return false };
    let (Some(begun), Some(ended)) = (other.first(), other.last()) else { return false };
    let begins_in = |at: Mono, from: Mono, to: Mono| from <= at + SAME_FAULT && at <= to;
    first.district == begun.district
        && (begins_in(begun.onset, first.onset, last.closed)
            || begins_in(first.onset, begun.onset, ended.closed))
}

/// What one run makes of a fault: its first cut ends it. What its settings did not take for fault current flowed all the
/// same: poles of which only the `other` run keeps a record carry what that holds, up to this run's cut.
fn side(own: &Chain, other: &Chain, onset: Mono, loaded: &Loaded) -> Side {
    let (layout, channels) = (&loaded.layout, &loaded.channels);
    let first_cut = |it: &FaultRecord| it.cuts.iter().min_by_key(|cut| cut.ordered).cloned();
    let ends = own.iter().position(|it| first_cut(it).is_some());
    let told = ends.map_or(own.first(), |at| own.get(at));
    let cut = told.and_then(first_cut);
    let opens_in = |cut: &Cut| match cut.feed {
        Feed::Booster(it) => layout.boosters[it.at()].opens_in,
        Feed::District(it) => layout.districts[it.at()].opens_in,
    };
    let off = cut.as_ref().map(|cut| cut.ordered + opens_in(cut));
    let counted = ends.map_or(own.as_slice(), |at| &own[..=at]);
    let cost_of = |records: &[FaultRecord]| {
        let begun = records.iter().filter(|it| off.is_none_or(|off| it.onset < off));
        let costs = begun.flat_map(|it| {
            // Current that had gone before the cut is counted whole.
            let off = off.filter(|off| *off < it.closed);
            cost::of(it, off, layout, channels)
        });
        cost::sum(costs)
    };
    let mut contacts = cost_of(counted);
    for cost in cost_of(other) {
        if contacts.iter().all(|it| it.pole != cost.pole) {
            contacts.push(cost);
        }
    }
    contacts.sort_by_key(|it| it.pole);
    let at_least = 1 < counted.len() && counted.iter().any(|it| it.contacts.is_empty());
    let millis = |at: Mono| at.seconds() * 1e3 - onset.seconds() * 1e3;
    Side {
        cause: told.map(|it| it.cause),
        decided_ms: told.map(|it| millis(it.trigger)),
        cut: cut.as_ref().map(|cut| channels.name(cut.order.channel).to_owned()),
        off_ms: off.map(millis),
        times: counted.len(),
        at_least,
        contacts,
    }
}
