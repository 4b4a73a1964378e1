//! One fault, judged by the plant's truth.

use simulator::{Expected, FaultReport, Scenario, Truth};
use supervision::{
    cause::Cause,
    locate,
    output::Action,
    record::{Accused, FaultRecord},
    words,
};
use wiring::{
    channel::Object,
    index::{BoosterIx, DistrictIx, FrogIx, PoleIx},
    layout::Layout,
    units::{Micros, Mono},
};

use super::{bed::Bed, closed_loop::Log};

/// From the first sample to an open actuator in no less than this, beside the actuator's own time: `short-after`, one
/// sample period, the way of the order.
const QUICKEST: Micros = Micros::from_millis(40);

/// A fault that never flows as long in one go is a wheel that bridges for milliseconds, which nobody may cut: the default
/// of `short-after`.
const BRIEF: Micros = Micros::from_millis(20);

/// A pole that carried fault current.
#[derive(Clone, Copy, Debug)]
pub struct Fate {
    pub lost: bool,
    /// From cold it stands its current for less than any cut can take: only a limiter would save it.
    pub beyond_saving: bool,
}

/// Where the culprit stands among the suspects, from 1; none: not named.
#[derive(Clone, Debug)]
pub struct Named {
    pub rank: Option<usize>,
    /// The same with frogs that the record says it cannot tell apart taken as one suspect.
    pub group_rank: Option<usize>,
    /// The record says that it cannot tell.
    pub inseparable: bool,
    /// How many suspects it then names.
    pub alike: usize,
    /// The first suspect, for the list of what went wrong.
    pub first: String,
    pub said: String,
}

/// Another fault that the scenario brings with it, and that only asks for telling.
#[derive(Clone, Debug)]
pub struct Beside {
    pub scenario: &'static str,
    /// What was cut for it all the same.
    pub cut: Option<String>,
}

/// What became of one fault.
#[derive(Clone, Debug)]
pub struct Outcome {
    pub scenario: &'static Scenario,
    /// Which layout and which seed, to play it again.
    pub bed: usize,
    pub seed: u64,
    pub report: FaultReport,
    pub span: Span,
    /// Fault current flowed while it was in place.
    pub flowed: Option<Mono>,
    /// It was over in milliseconds each time.
    pub brief: bool,
    /// The power of its district went by an order while it was in place, and stayed off.
    pub cut: bool,
    /// From the first fault current to the order.
    pub order_after: Option<Micros>,
    /// Without an order: from the first fault current until a breaker or booster opened.
    pub tripped_after: Option<Micros>,
    /// Feeds that were cut although the fault does not lie there, or although a smaller cut holds it.
    pub cut_beside: Vec<String>,
    /// Cuts before the fault was there, or after it had gone, with no short that flowed there: nuisances. A train that a
    /// fault has led astray may short for the first time when it is over.
    pub cut_without: u32,
    /// Faults that came with it and ask for no cut: a cut for one of them is needless, but neither beside this fault nor
    /// without any.
    pub beside: Vec<Beside>,
    pub cause: &'static str,
    pub poles: Vec<Fate>,
    pub named: Option<Named>,
}

impl Outcome {
    /// A cut is asked for, and there was something to cut.
    pub fn counts(&self) -> bool {
        self.scenario.expected == Expected::Cut
            && self.flowed.is_some()
            && (self.cut || !self.brief)
    }
}

/// The report of the fault that was planned, once it is in place.
pub fn started<'a>(log: &'a Log, scenario: &str) -> Option<(Mono, &'a FaultReport)> {
    log.truth.iter().find_map(|event| match &event.what {
        Truth::FaultStarted(report) if report.scenario == scenario => Some((event.at, report)),
        _ => None,
    })
}

/// When the fault of that number was over.
pub fn ended(log: &Log, number: u32) -> Option<Mono> {
    log.truth.iter().find_map(|event| match event.what {
        Truth::FaultEnded { number: of, .. } if of == number => Some(event.at),
        _ => None,
    })
}

/// Judges a session with one planned fault; none: it found no place.
pub fn judge(
    bed: &Bed,
    (at, seed): (usize, u64),
    scenario: &'static Scenario,
    log: &Log,
) -> Option<Outcome> {
    let (start, report) = started(log, scenario.id)?;
    let end = ended(log, report.number);
    let span = Span { start, end: end.unwrap_or(Mono(u64::MAX)) };
    let flow = flow_of(log, report, &span);
    let districts = flow.as_ref().map_or_else(|| report.districts.clone(), |it| it.1.clone());
    let flowed = flow.map(|it| it.0);
    let order = log.orders.iter().find(|(at, order)| {
        order.action == Action::Cut
            && span.start <= *at
            && concerns(&bed.layout, bed.channels.channel(order.channel).object, &districts)
    });
    let order_after = order.and_then(|(at, _)| flowed.map(|from| at.since(from)));
    let mut known = report.districts.clone();
    known.extend(districts.iter().copied());
    let carried = carried(log, &span);
    let others = others(log, report);
    let faults = Faults { span: &span, known: &known, others: &others };
    Some(Outcome {
        scenario,
        bed: at,
        seed,
        flowed,
        brief: longest(log, report, &span) < BRIEF,
        cut: order.is_some() && went_off(&bed.layout, log, &districts, &span),
        order_after,
        tripped_after: flowed.and_then(|from| tripped(log, from, &districts, &span)),
        cut_beside: cut_beside(bed, log, &faults, &carried),
        cut_without: cut_without(bed, log, &faults),
        beside: beside(bed, log, &faults),
        cause: order.map_or("", |(_, order)| order.cause.word()),
        poles: fates(&bed.layout, log, report, &span),
        named: record_of(&log.records, report, &span).map(|it| named(bed, it, report)),
        span,
        report: report.clone(),
    })
}

/// The time that a fault is in place.
#[derive(Clone, Copy, Debug)]
pub struct Span {
    pub start: Mono,
    pub end: Mono,
}

impl Span {
    fn holds(&self, at: Mono) -> bool {
        self.start <= at && at <= self.end
    }
}

fn is_cut((_, order): &(Mono, supervision::output::Order)) -> bool {
    order.action == Action::Cut
}

/// Faults that came with the planned one, and when each is in place.
fn others<'a>(log: &'a Log, planned: &FaultReport) -> Vec<(&'a FaultReport, Span)> {
    let started = log.truth.iter().filter_map(|event| match &event.what {
        Truth::FaultStarted(report) if report.number != planned.number => Some((event.at, report)),
        _ => None,
    });
    let placed = started.map(|(start, report)| {
        let end = ended(log, report.number).unwrap_or(Mono(u64::MAX));
        (report, Span { start, end })
    });
    placed.collect()
}

/// The planned fault and those that came with it: whose cut an order is.
struct Faults<'a> {
    /// When the planned one is in place.
    span: &'a Span,
    /// Districts of the planned fault.
    known: &'a [DistrictIx],
    others: &'a [(&'a FaultReport, Span)],
}

impl Faults<'_> {
    /// The other fault in place that an order is for, and not for the planned one.
    fn other_of(&self, layout: &Layout, at: Mono, object: Object) -> Option<&FaultReport> {
        if self.span.holds(at) && concerns(layout, object, self.known) {
            return None;
        }
        let mut others = self.others.iter();
        others
            .find(|(it, span)| span.holds(at) && concerns(layout, object, &it.districts))
            .map(|(it, _)| *it)
    }
}

/// Of the other faults those that ask for no cut, and what was cut for them.
fn beside(bed: &Bed, log: &Log, faults: &Faults<'_>) -> Vec<Beside> {
    let calm = faults.others.iter().filter(|(report, _)| {
        let expected = simulator::scenario::find(report.scenario).map(|it| it.expected);
        matches!(expected, Some(Expected::Alarm | Expected::Nothing))
    });
    calm.map(|(report, span)| {
        let cut = log.orders.iter().filter(|it| is_cut(it)).find_map(|(at, order)| {
            let object = bed.channels.channel(order.channel).object;
            let of = faults.other_of(&bed.layout, *at, object)?;
            let feed = wiring::channel::subject(&bed.layout, object);
            let after = at.since(span.start).0 / 1000;
            (of.number == report.number)
                .then(|| format!("{feed} ({} after {after} ms)", order.cause.word()))
        });
        Beside { scenario: report.scenario, cut }
    })
    .collect()
}

/// A short of the last second is what a cut was for.
const JUST_BEFORE: Micros = Micros::from_millis(1000);

fn cut_without(bed: &Bed, log: &Log, faults: &Faults<'_>) -> u32 {
    let flowed = |at: Mono, object: Object| {
        log.truth.iter().any(|event| match &event.what {
            Truth::ShortBegan { districts, .. } => {
                event.at <= at
                    && at.since(event.at) <= JUST_BEFORE
                    && concerns(&bed.layout, object, districts)
            }
            _ => false,
        })
    };
    let without = log.orders.iter().filter(|it| {
        let object = bed.channels.channel(it.1.channel).object;
        is_cut(it)
            && !faults.span.holds(it.0)
            && faults.other_of(&bed.layout, it.0, object).is_none()
            && !flowed(it.0, object)
    });
    without.count() as u32
}

/// When its current began, and in which districts.
fn flow_of(log: &Log, report: &FaultReport, span: &Span) -> Option<(Mono, Vec<DistrictIx>)> {
    log.truth.iter().find_map(|event| match &event.what {
        Truth::ShortBegan { fault, districts, .. }
            if *fault == Some(report.number) && span.holds(event.at) =>
        {
            let mut all = report.districts.clone();
            all.extend(districts.iter().copied());
            Some((event.at, all))
        }
        _ => None,
    })
}

/// How long its current flowed in one go, at most.
fn longest(log: &Log, report: &FaultReport, span: &Span) -> Micros {
    let mut since = None;
    let mut longest = Micros::ZERO;
    for event in &log.truth {
        match &event.what {
            Truth::ShortBegan { fault, .. } if *fault == Some(report.number) => {
                since = since.or(Some(event.at));
            }
            Truth::ShortEnded => {
                longest = longest.max(since.take().map_or(Micros::ZERO, |it| event.at.since(it)));
            }
            _ => {}
        }
    }
    let last = log.truth.last().map_or(span.start, |event| event.at.min(span.end));
    longest.max(since.map_or(Micros::ZERO, |it| last.since(it)))
}

/// Shorts while the fault is in place, wherever they flow: a wheel on the gap to a district that was cut feeds its fault
/// from the next one, and cutting that too is right.
fn carried(log: &Log, span: &Span) -> Vec<(Mono, DistrictIx)> {
    let shorts = log.truth.iter().filter_map(|event| match &event.what {
        Truth::ShortBegan { districts, .. } if span.holds(event.at) => Some((event.at, districts)),
        _ => None,
    });
    shorts.flat_map(|(at, all)| all.iter().map(move |district| (at, *district))).collect()
}

fn booster_of(layout: &Layout, district: DistrictIx) -> BoosterIx {
    layout.districts[district.at()].booster
}

fn concerns(layout: &Layout, object: Object, districts: &[DistrictIx]) -> bool {
    districts.iter().any(|&it| {
        object == Object::District(it) || object == Object::Booster(booster_of(layout, it))
    })
}

/// The plant says that power went off by an order, in one of the districts or above it.
fn went_off(layout: &Layout, log: &Log, districts: &[DistrictIx], span: &Span) -> bool {
    log.truth.iter().any(|event| {
        let off = match event.what {
            Truth::DistrictCut(it) => districts.contains(&it),
            Truth::BoosterCut(it) => districts.iter().any(|of| booster_of(layout, *of) == it),
            _ => false,
        };
        off && span.holds(event.at)
    })
}

fn tripped(log: &Log, from: Mono, districts: &[DistrictIx], span: &Span) -> Option<Micros> {
    log.truth.iter().find_map(|event| {
        let opened = match event.what {
            Truth::BreakerOpened(it) => districts.contains(&it),
            Truth::BoosterTripped(_) => true,
            _ => false,
        };
        (opened && from <= event.at && span.holds(event.at)).then(|| event.at.since(from))
    })
}

/// Cuts that the fault did not need: other districts, or a booster although the district's own actuator opened.
fn cut_beside(
    bed: &Bed,
    log: &Log,
    faults: &Faults<'_>,
    carried: &[(Mono, DistrictIx)],
) -> Vec<String> {
    let Faults { span, known, .. } = faults;
    let mut beside = Vec::new();
    for (at, order) in log.orders.iter().filter(|it| is_cut(it) && span.holds(it.0)) {
        let object = bed.channels.channel(order.channel).object;
        let by_then = carried.iter().filter(|(from, _)| from <= at).map(|(_, it)| *it);
        let districts: Vec<DistrictIx> = known.iter().copied().chain(by_then).collect();
        let needed = match object {
            Object::District(it) => districts.contains(&it),
            Object::Booster(it) => districts
                .iter()
                .any(|of| booster_of(&bed.layout, *of) == it && !opened_before(log, *of, *at)),
            _ => false,
        };
        let feed = wiring::channel::subject(&bed.layout, object);
        let name =
            format!("{feed} ({} after {} ms)", order.cause.word(), at.since(span.start).0 / 1000);
        let of_another = faults.other_of(&bed.layout, *at, object).is_some();
        if !needed && !of_another && !beside.contains(&name) {
            beside.push(name);
        }
    }
    beside
}

fn opened_before(log: &Log, district: DistrictIx, at: Mono) -> bool {
    log.truth.iter().any(|event| {
        event.at < at && matches!(event.what, Truth::DistrictCut(it) if it == district)
    })
}

/// The poles that carried its current, and whether they still work.
fn fates(layout: &Layout, log: &Log, report: &FaultReport, span: &Span) -> Vec<Fate> {
    let mut carried: Vec<(PoleIx, f64)> = Vec::new();
    let mut note = |pole: PoleIx, amps: f64| match carried.iter_mut().find(|it| it.0 == pole) {
        Some(it) => it.1 = it.1.max(amps),
        None => carried.push((pole, amps)),
    };
    for (pole, amps) in &report.poles {
        note(*pole, *amps);
    }
    let mut lost = Vec::new();
    for event in log.truth.iter().filter(|event| span.holds(event.at)) {
        match &event.what {
            Truth::ShortBegan { fault, poles, .. } if *fault == Some(report.number) => {
                poles.iter().for_each(|(pole, amps)| note(*pole, *amps));
            }
            Truth::ContactBurnt(pole) | Truth::ContactWelded(pole, _) => {
                note(*pole, 0.0);
                lost.push(*pole);
            }
            _ => {}
        }
    }
    carried
        .into_iter()
        .filter(|(pole, amps)| rating(layout, *pole) <= *amps || lost.contains(pole))
        .map(|(pole, amps)| Fate {
            lost: lost.contains(&pole),
            beyond_saving: is_beyond_saving(layout, pole, amps),
        })
        .collect()
}

fn rating(layout: &Layout, pole: PoleIx) -> f64 {
    layout.machines[layout.poles[pole.at()].machine.at()].contact_rating.amps()
}

/// supervision.md, thermal image with k = 1 from cold: t = tau ln(m2 / (m2 - 1)), m the current by the rating.
fn is_beyond_saving(layout: &Layout, pole: PoleIx, amps: f64) -> bool {
    let machine = &layout.machines[layout.poles[pole.at()].machine.at()];
    let square = (amps / machine.contact_rating.amps().max(0.05)).powi(2);
    if square <= 1.0 {
        return false;
    }
    let stands = machine.contact_time_constant.seconds() * (square / (square - 1.0)).ln();
    let slowest = layout.districts.iter().map(|it| it.opens_in).max().unwrap_or(Micros(0));
    stands < (QUICKEST + slowest).seconds()
}

/// The first record of its district that has a fault to locate.
pub fn record_of<'a>(
    records: &'a [FaultRecord],
    report: &FaultReport,
    span: &Span,
) -> Option<&'a FaultRecord> {
    records
        .iter()
        .filter(|it| span.start <= it.trigger && report.districts.contains(&it.district))
        // Power that somebody switched off has a record of its own, and no fault to locate.
        .find(|it| !matches!(it.cause, Cause::PowerGone { .. }))
}

/// Where the culprit stands in a record.
pub fn named(bed: &Bed, record: &FaultRecord, report: &FaultReport) -> Named {
    let layout = &bed.layout;
    let is_it = |accused: Accused| is_culprit(layout, report, accused);
    let rank = record.suspects.iter().position(|it| is_it(it.accused)).map(|at| at + 1);
    let group_rank = rank.map(|rank| group_rank(layout, record, rank));
    let first = record.suspects.first();
    Named {
        rank,
        group_rank,
        inseparable: record.inseparable.is_some(),
        alike: locate::alike(&record.evidence, &record.suspects, layout).len(),
        first: first.map_or_else(String::new, |it| words::accused_name(layout, it.accused)),
        said: record
            .suspects
            .iter()
            .take(3)
            .map(|it| {
                let reasons: Vec<String> =
                    it.reasons.iter().map(|it| format!("{} x{}", it.text, it.ratio)).collect();
                let name = words::accused_name(layout, it.accused);
                format!("{name} {}: {}", it.share, reasons.join("; "))
            })
            .collect::<Vec<_>>()
            .join(" | "),
    }
}

/// The rank when the suspects of one `inseparable` sentence count as one.
fn group_rank(layout: &Layout, record: &FaultRecord, rank: usize) -> usize {
    let alike = locate::alike(&record.evidence, &record.suspects, layout);
    if !alike.contains(&record.suspects[rank - 1].accused) {
        return rank;
    }
    record.suspects.iter().position(|it| alike.contains(&it.accused)).map_or(rank, |at| at + 1)
}

/// The plant names one culprit; some can be named in more than one way that is as true.
pub fn is_culprit(layout: &Layout, report: &FaultReport, accused: Accused) -> bool {
    let name = words::accused_name(layout, accused);
    // F43: a poor conductor that lies on the track. The plant leaves its kind open; who looks for it must be told where.
    if name == report.subject && report.scenario != "F43" {
        return true;
    }
    match accused {
        // The wheel is to be looked for at that turnout. faults.md: F61 and F62 name the vehicle only once it has done so at
        // several turnouts, F65 reports the gap on which it stands.
        Accused::Object(Object::Frog(frog))
            if ["F61", "F62", "F65"].contains(&report.scenario)
                && turnout_of_place(&report.place) == Some(turnout_of(layout, frog)) =>
        {
            true
        }
        // F19: the frogs of a slip are on each other's machines, both of them.
        Accused::Object(Object::Frog(frog))
            if report.scenario == "F19"
                && report.place.strip_prefix("double slip ") == Some(turnout_of(layout, frog)) =>
        {
            true
        }
        // A turnout is named by its frogs; the plant blames its machine.
        Accused::Object(Object::Frog(frog)) => {
            let poles = &layout.frogs[frog.at()].poles;
            poles.iter().any(|it| {
                let machine = layout.poles[it.pole.at()].machine;
                report.subject == wiring::channel::subject(layout, Object::Machine(machine))
            })
        }
        Accused::Object(Object::Block(block)) => {
            let it = &layout.blocks[block.at()].id;
            let lies_on_plain_track =
                ["object", "not-explained"].contains(&report.subject.as_str());
            lies_on_plain_track && block_of_place(layout, &report.place) == Some(it.as_str())
        }
        // F49: two reversers face to face are a mistake of wiring, and reversers.
        Accused::Reverser => report.subject.starts_with("reverser/") || report.scenario == "F49",
        // F43: something that lies on the track and is a poor conductor.
        Accused::ObjectOnTrack => report.scenario == "F43",
        Accused::Object(_) | Accused::Vehicle | Accused::Wiring | Accused::NotExplained => false,
    }
}

fn turnout_of(layout: &Layout, frog: FrogIx) -> &str {
    &layout.trackwork[layout.frogs[frog.at()].trackwork.at()].id
}

/// `T7` of `turnout T7`, `turnout T7, left leg`.
fn turnout_of_place(place: &str) -> Option<&str> {
    place.strip_prefix("turnout ")?.split(',').next()
}

/// The block of `track T7`, `block b3`.
fn block_of_place<'a>(layout: &'a Layout, place: &str) -> Option<&'a str> {
    let block = match place.split_once(' ')? {
        ("track", id) => layout.tracks.iter().find(|it| it.id == id)?.block,
        ("block", id) => {
            return layout.blocks.iter().find(|it| it.id == id).map(|it| it.id.as_str());
        }
        _ => return None,
    };
    Some(layout.blocks[block.at()].id.as_str())
}
