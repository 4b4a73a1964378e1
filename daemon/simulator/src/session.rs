//! A simulated session as text: the journal that `replay` reads, and the truth beside it.

use std::{collections::VecDeque, fmt::Write as _, sync::Arc};

use wiring::{
    channel::{ChannelTable, Object, subject},
    index::{DistrictIx, PoleIx},
    layout::Layout,
    units::{Micros, Mono},
};

use crate::{
    output::{SimReading, SimValue, Truth, TruthEvent},
    plan::Plan,
    world::World,
};

/// How far the world runs between two looks at what it gave.
const SLICE: Micros = Micros::from_millis(1_000);

/// A line of one of the two files, without its end.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Line {
    /// Of the journal.
    Journal(String),
    /// Of the truth.
    Truth(String),
}

/// An iterator over the lines of a session in which nobody supervises.
pub struct Session {
    world: World,
    layout: Arc<Layout>,
    channels: Arc<ChannelTable>,
    until: Mono,
    lines: VecDeque<Line>,
}

/// A session of `span`, line by line.
#[must_use]
pub fn simulate(
    layout: Arc<Layout>,
    channels: Arc<ChannelTable>,
    plan: Plan,
    span: Micros,
) -> Session {
    let world = World::new(Arc::clone(&layout), Arc::clone(&channels), plan);
    Session { world, layout, channels, until: Mono::START + span, lines: VecDeque::new() }
}

impl Iterator for Session {
    type Item = Line;

    fn next(&mut self) -> Option<Line> {
        while self.lines.is_empty() && self.world.now() < self.until {
            let to = (self.world.now() + SLICE).min(self.until);
            let before = self.world.now();
            self.world.advance(to);
            while let Some(reading) = self.world.poll_reading() {
                self.lines.push_back(Line::Journal(journal_line(&self.channels, &reading)));
            }
            while let Some(event) = self.world.poll_truth() {
                self.lines.push_back(Line::Truth(truth_line(&self.layout, &event)));
            }
            if self.world.now() == before {
                break;
            }
        }
        self.lines.pop_front()
    }
}

/// `{"t":12.345,"channel":"district/quarry/current","value":2.31}`: a reading as the journal holds it.
#[must_use]
pub fn journal_line(channels: &ChannelTable, reading: &SimReading) -> String {
    let value = match reading.value {
        SimValue::Number(number) => format!("{number}"),
        SimValue::Word(word) => format!("\"{word}\""),
        SimValue::Invalid(why) => format!("null,\"e\":\"{why}\""),
    };
    let name = channels.name(reading.channel);
    format!("{{\"t\":{:.3},\"channel\":\"{name}\",\"value\":{value}}}", reading.at.seconds())
}

/// One line of truth: `{"t":20.312,"truth":"short-began",…}`.
#[must_use]
pub fn truth_line(layout: &Layout, event: &TruthEvent) -> String {
    let mut line = format!("{{\"t\":{:.3},\"truth\":\"{}\"", event.at.seconds(), word(&event.what));
    for (key, value) in fields(layout, &event.what) {
        let _ = write!(line, ",\"{key}\":{value}");
    }
    line.push('}');
    line
}

fn word(what: &Truth) -> &'static str {
    match what {
        Truth::FaultStarted(_) => "fault-started",
        Truth::FaultEnded { .. } => "fault-ended",
        Truth::FaultSkipped { .. } => "fault-skipped",
        Truth::ShortBegan { .. } => "short-began",
        Truth::ShortEnded => "short-ended",
        Truth::BreakerOpened(_) => "breaker-opened",
        Truth::BreakerClosed(_) => "breaker-closed",
        Truth::BoosterTripped(_) => "booster-tripped",
        Truth::BoosterRecovered(_) => "booster-recovered",
        Truth::DistrictCut(_) => "district-cut",
        Truth::DistrictRestored(_) => "district-restored",
        Truth::BoosterCut(_) => "booster-cut",
        Truth::BoosterRestored(_) => "booster-restored",
        Truth::ContactHit { .. } => "contact-hit",
        Truth::ContactArced { .. } => "contact-arced",
        Truth::ContactBurnt(_) => "contact-burnt",
        Truth::ContactWelded(..) => "contact-welded",
        Truth::ContactRepaired(_) => "contact-repaired",
        Truth::ThrowBegan(..) => "throw-began",
        Truth::ThrowEnded(..) => "throw-ended",
        Truth::ReverserFlipped(..) => "reverser-flipped",
        Truth::TrainMoved { .. } => "train-moved",
        Truth::TrainPlaced { .. } => "train-placed",
    }
}

type Fields = Vec<(&'static str, String)>;

fn fields(layout: &Layout, what: &Truth) -> Fields {
    let of = |object| vec![("subject", quoted(&subject(layout, object)))];
    match what {
        Truth::FaultStarted(report) => vec![
            ("fault", report.number.to_string()),
            ("scenario", quoted(report.scenario)),
            ("subject", quoted(&report.subject)),
            ("place", quoted(&report.place)),
            ("districts", districts(layout, &report.districts)),
            ("poles", poles(layout, &report.poles)),
            ("amps", rounded(report.amps)),
        ],
        Truth::FaultEnded { number, after_cut } => {
            vec![("fault", number.to_string()), ("after-cut", after_cut.to_string())]
        }
        Truth::FaultSkipped { scenario } => vec![("scenario", quoted(scenario))],
        Truth::ShortBegan { fault, amps, districts: carrying, poles: through } => vec![
            ("fault", fault.map_or("null".to_owned(), |fault| fault.to_string())),
            ("amps", rounded(*amps)),
            ("districts", districts(layout, carrying)),
            ("poles", poles(layout, through)),
        ],
        Truth::ShortEnded => Vec::new(),
        Truth::BreakerOpened(it)
        | Truth::BreakerClosed(it)
        | Truth::DistrictCut(it)
        | Truth::DistrictRestored(it) => of(Object::District(*it)),
        Truth::BoosterTripped(it)
        | Truth::BoosterRecovered(it)
        | Truth::BoosterCut(it)
        | Truth::BoosterRestored(it) => of(Object::Booster(*it)),
        Truth::ContactHit { pole, energy, stress } => {
            let mut fields = of(Object::Pole(*pole));
            fields.push(("a2s", rounded(*energy)));
            fields.push(("stress", rounded(*stress)));
            fields
        }
        Truth::ContactArced { pole, amps } => {
            let mut fields = of(Object::Pole(*pole));
            fields.push(("amps", rounded(*amps)));
            fields
        }
        Truth::ContactBurnt(pole) | Truth::ContactRepaired(pole) => of(Object::Pole(*pole)),
        Truth::ContactWelded(pole, side) => {
            let mut fields = of(Object::Pole(*pole));
            fields.push(("to", quoted(side.word())));
            fields
        }
        Truth::ThrowBegan(machine, to) | Truth::ThrowEnded(machine, to) => {
            let mut fields = of(Object::Machine(*machine));
            fields.push(("to", quoted(to.word())));
            fields
        }
        Truth::ReverserFlipped(reverser, swapped) => {
            let mut fields = of(Object::Reverser(*reverser));
            fields.push(("swapped", swapped.to_string()));
            fields
        }
        Truth::TrainMoved { train, block, .. } | Truth::TrainPlaced { train, block } => {
            let mut fields = of(Object::Block(*block));
            fields.push(("train", train.to_string()));
            fields
        }
    }
}

fn districts(layout: &Layout, list: &[DistrictIx]) -> String {
    let names: Vec<_> = list.iter().map(|it| quoted(&layout.districts[it.at()].id)).collect();
    format!("[{}]", names.join(","))
}

fn poles(layout: &Layout, list: &[(PoleIx, f64)]) -> String {
    let names = list
        .iter()
        .map(|(it, amps)| format!("{}:{}", quoted(&layout.pole_name(*it)), rounded(*amps)));
    format!("{{{}}}", names.collect::<Vec<_>>().join(","))
}

fn rounded(number: f64) -> String {
    format!("{}", (number * 1e4).round() / 1e4)
}

/// A JSON string. Ids and our own words hold nothing that needs more than this.
fn quoted(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|c| if c.is_control() || c == '"' || c == '\\' { '?' } else { c })
        .collect();
    format!("\"{plain}\"")
}
