//! Findings of `check` that need currents: contacts, breakers and wires against what would flow.

use wiring::{
    finding::{Code, Finding},
    index::{DistrictIx, FrogIx},
    layout::{Block, District, Frog, Layout, Wire},
    material::ampacity,
    units::Microamps,
};

use super::{
    Settings, Study,
    contact::{Contact, Verdict},
    protect::Devices,
    run,
    short::{Short, trips_at_all},
};

/// `contact-underrated`, `breaker-never-trips`, `gauge-light` and `not-fast-enough` of a layout, with default settings.
#[must_use]
pub fn findings(layout: &Layout) -> Vec<Finding> {
    let settings = Settings::default();
    let study = run(layout, &settings);
    let mut findings = Vec::new();
    findings.extend(study.contacts.iter().filter_map(|contact| underrated(layout, contact)));
    findings.extend(never_trips(layout, &study));
    findings.extend(light(layout));
    findings.extend(slow(layout, &settings));
    findings
}

/// Districts that Checkrail may cut and whose current it hears less than 50 times a second, as far as the layout file
/// says how often.
fn slow(layout: &Layout, settings: &Settings) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (at, district) in layout.districts.iter().enumerate().filter(|(_, it)| it.cut) {
        let index = DistrictIx::new(at);
        let devices = Devices::of(layout, index);
        let is_slow = devices.period.is_some_and(|period| settings.sample_spacing < period);
        let (true, Some(sensing), Some(overhead)) =
            (is_slow, devices.sensing(), devices.overhead(settings))
        else {
            continue;
        };
        let short_after = layout.protection.district(index).short_after;
        let whole = devices.on_readings(short_after) + overhead;
        let message = format!(
            "not fast enough for shorts: the current of district {} is {sensing}, so that a short lasts {whole} \
             before Checkrail has cut it",
            district.id
        );
        let remedy = "leave shorts to the breaker, or measure the district's current 50 times a second or more \
                      with a node"
            .to_owned();
        let subject = format!("district/{}", district.id);
        findings.push(Finding::new(Code::NotFastEnough, subject, district.span, message, remedy));
    }
    findings
}

fn underrated(layout: &Layout, contact: &Contact) -> Option<Finding> {
    let outcome = &contact.outcome;
    let what = match outcome.verdict {
        Verdict::Protected => return None,
        Verdict::Marginal => "marginally protected",
        Verdict::Unprotected => "unprotected",
    };
    let frog = &layout.frogs[contact.frog.at()];
    let stands = outcome.withstand.map_or_else(|| "for ever".to_owned(), |time| time.to_string());
    let cleared = outcome.cleared.map_or_else(
        || "nothing clears the fault".to_owned(),
        |time| format!("{} clears the fault after {time}", outcome.cleared_by.named()),
    );
    let amps = Microamps::from_amps(outcome.amps.0);
    let alone = idle_pole(layout, contact).map_or_else(String::new, |idle| {
        format!("; it carries that alone, contact {idle} of the same machine is idle")
    });
    let message = format!(
        "the contact is {what}: a short at frog {} puts {amps} through it, it stands that for {stands}, and \
         {cleared}{alone}",
        frog.id
    );
    let remedy = remedies(contact);
    let subject = format!("pole/{}", contact.name);
    Some(Finding::new(Code::ContactUnderrated, subject, frog.span, message, remedy))
}

/// The remedies that protect the contact, each solved again; where none does, the first with what it comes to.
fn remedies(contact: &Contact) -> String {
    let protect: Vec<&str> = contact
        .remedies
        .iter()
        .filter(|remedy| remedy.verdict == Verdict::Protected)
        .map(|remedy| remedy.text.as_str())
        .collect();
    match (protect.is_empty(), contact.remedies.first()) {
        (false, _) => format!("{} (then protected)", protect.join(", or ")),
        (true, Some(first)) => format!("{} (then {})", first.text, first.verdict.word()),
        (true, None) => String::new(),
    }
}

/// A pole of the contact's machine that nothing uses, where the frog has this one alone: one pole where two were meant
/// looks just so.
fn idle_pole(layout: &Layout, contact: &Contact) -> Option<u8> {
    if layout.frogs[contact.frog.at()].poles.len() != 1 {
        return None;
    }
    let machine = &layout.machines[layout.poles[contact.pole.at()].machine.at()];
    let feeds = |pole| layout.frogs.iter().any(|frog| frog.poles.iter().any(|it| it.pole == pole));
    let idle = machine.poles.iter().filter(|pole| !feeds(**pole)).skip(machine.uses.len());
    idle.map(|pole| layout.poles[pole.at()].number).next()
}

/// The weakest short of each district whose breaker it does not trip. Frogs behind a limiter are meant to stay below.
fn never_trips(layout: &Layout, study: &Study) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (at, district) in layout.districts.iter().enumerate() {
        let Some(trip) = district.breaker.trip.filter(|_| trips_at_all(district.breaker.kind))
        else {
            continue;
        };
        let own = study.shorts.iter().filter(|short| {
            short.district == DistrictIx::new(at)
                && short.amps.0 > 0.0
                && !is_limited(layout, short)
        });
        let weakest =
            own.min_by(|one, other| one.district_amps.0.total_cmp(&other.district_amps.0));
        if let Some(weak) = weakest.filter(|weak| weak.district_amps.0 < trip.amps()) {
            findings.push(never_trips_at(layout, district, trip, weak));
        }
    }
    findings
}

fn is_limited(layout: &Layout, short: &Short) -> bool {
    let frog = short.at.strip_prefix("frog/");
    frog.is_some_and(|id| layout.frogs.iter().any(|frog| frog.id == id && frog.limiter.is_some()))
}

fn never_trips_at(layout: &Layout, district: &District, trip: Microamps, weak: &Short) -> Finding {
    let amps = Microamps::from_amps(weak.district_amps.0);
    let limit = layout.boosters[district.booster.at()].limit;
    let message = format!(
        "a short at {} draws {amps}, the breaker of district {} trips at {trip}: it never trips",
        weak.at, district.id
    );
    let remedy = if limit < trip {
        format!("set the breaker's trip below the booster's limit of {limit}")
    } else {
        "thicker bus or more feeders there, or a lower trip of the breaker".to_owned()
    };
    let subject = format!("district/{}", district.id);
    Finding::new(Code::BreakerNeverTrips, subject, district.breaker.span, message, remedy)
        .and(district.span, "the district")
}

/// Wires that carry more than their ampacity while the breaker still holds.
fn light(layout: &Layout) -> Vec<Finding> {
    let mut findings = Vec::new();
    let holds = |district: DistrictIx| Microamps::from_amps(Devices::of(layout, district).lowest());
    for (at, district) in layout.districts.iter().enumerate() {
        let subject = format!("district/{}", district.id);
        let held = holds(DistrictIx::new(at));
        findings.extend(light_wire(subject, district.span, "bus", &district.bus, held));
    }
    for block in &layout.blocks {
        let Block { id, span, feeder, district, .. } = block;
        let subject = format!("block/{id}");
        findings.extend(light_wire(subject, *span, "feeder", feeder, holds(*district)));
    }
    for (at, frog) in layout.frogs.iter().enumerate() {
        let Frog { id, span, feed, limiter, .. } = frog;
        let held = holds(layout.district_of_frog(FrogIx::new(at)));
        if limiter.is_none() {
            let subject = format!("frog/{id}");
            findings.extend(light_wire(subject, *span, "frog's feed", feed, held));
        }
    }
    findings
}

fn light_wire(
    subject: String,
    span: wiring::layout::Span,
    what: &str,
    wire: &Wire,
    held: Microamps,
) -> Option<Finding> {
    let one = ampacity(wire.gauge);
    let whole = Microamps(one.0 * i64::from(wire.pairs.max(1)));
    (whole < held).then(|| {
        let message = format!(
            "the {what} of {} may carry {whole}, and {held} can flow for ever before anything trips",
            wire.gauge
        );
        let remedy = format!("thicker wire, or a breaker that trips below {whole}");
        Finding::new(Code::GaugeLight, subject, span, message, remedy)
    })
}
