//! Contact study: what the shorts at a frog do to the contacts that feed it.

use wiring::{
    index::{DistrictIx, FrogIx, MachineIx, PoleIx},
    layout::{Layout, Position},
    material::{SILVER_MELTS, SILVER_SOFTENS},
    protection::Protection,
    units::{Microamps, Micros},
};

use super::{
    Settings,
    base::{Base, Change, FrogFault, Solved},
    protect::{self, Devices},
    remedy,
};
use crate::{
    grid::{Amps, Volts},
    thermal::{Image, charged},
};

/// Withstand must be this many times the clearing time for a contact to count as protected.
pub const PROTECTED: f64 = 2.0;

/// What ends a fault first.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum ClearedBy {
    /// The district's breaker.
    Breaker,
    /// The booster shuts itself down.
    Booster,
    /// Checkrail orders a cut.
    Checkrail,
    /// Nothing.
    Nothing,
}

impl ClearedBy {
    /// `breaker`, `booster`, `checkrail` or `nothing`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Breaker => "breaker",
            Self::Booster => "booster",
            Self::Checkrail => "checkrail",
            Self::Nothing => "nothing",
        }
    }

    /// The same as it stands in a sentence.
    #[must_use]
    pub const fn named(self) -> &'static str {
        match self {
            Self::Breaker => "the breaker",
            Self::Booster => "the booster",
            Self::Checkrail => "Checkrail",
            Self::Nothing => "nothing",
        }
    }
}

/// How a contact fares. Ordered from best to worst.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Verdict {
    /// Withstand is at least twice the clearing time.
    Protected,
    /// Less than twice.
    Marginal,
    /// The budget is spent before the fault is cleared.
    Unprotected,
}

impl Verdict {
    /// `protected`, `marginal` or `unprotected`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Protected => "protected",
            Self::Marginal => "marginal",
            Self::Unprotected => "unprotected",
        }
    }
}

/// What a fault does to a contact.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    /// What the contact is charged with: its share, of poles side by side no less than the pair factor allows.
    pub amps: Amps,
    /// Until its image is full, from the load current's image; none: for ever.
    pub withstand: Option<Micros>,
    /// What clears the fault.
    pub cleared_by: ClearedBy,
    /// When; none: never.
    pub cleared: Option<Micros>,
    /// How it fares.
    pub verdict: Verdict,
}

/// A remedy with what it would make of the contact, solved again.
#[derive(Clone, Debug, PartialEq)]
pub struct Remedy {
    /// What to do.
    pub text: String,
    /// The verdict then.
    pub verdict: Verdict,
    /// What the fault would do then.
    pub outcome: Outcome,
}

/// State of the touching spot by its voltage; silver. The measured drop includes springs and terminals, so this errs to
/// safety.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Spot {
    /// Below softening.
    Sound,
    /// Above the softening voltage.
    Softens,
    /// Above the melting voltage.
    Melts,
}

/// The worst that shorts do to one pole.
#[derive(Clone, Debug, PartialEq)]
pub struct Contact {
    /// The pole.
    pub pole: PoleIx,
    /// `T1.1`.
    pub name: String,
    /// The frog it feeds.
    pub frog: FrogIx,
    /// Its district.
    pub district: DistrictIx,
    /// The combination of positions.
    pub positions: Vec<(MachineIx, Position)>,
    /// What the worst fault does.
    pub outcome: Outcome,
    /// Voltage across the contact in that fault.
    pub drop: Volts,
    /// What that voltage does to the touching spot.
    pub spot: Spot,
    /// What would help, each solved again; empty for a protected contact.
    pub remedies: Vec<Remedy>,
}

/// The contact study of every pole that feeds a frog.
pub(super) fn contacts(
    base: &mut Base,
    settings: &Settings,
    tick: &mut dyn FnMut(),
) -> Vec<Contact> {
    let mut contacts = Vec::new();
    for at in 0..base.layout.frogs.len() {
        let faults = base.frog_faults(FrogIx::new(at));
        let poles = base.layout.frogs[at].poles.len();
        for position in 0..poles {
            let pole = base.layout.frogs[at].poles[position].pole;
            contacts.extend(contact(base, settings, pole, &faults));
            tick();
        }
    }
    contacts
}

fn contact(
    base: &mut Base,
    settings: &Settings,
    pole: PoleIx,
    faults: &[FrogFault],
) -> Option<Contact> {
    let mut worst: Option<(&FrogFault, f64, Outcome)> = None;
    for fault in faults {
        let solved = base.frog(fault, 0.0, &Change::NONE);
        let Some(amps) = carried(&solved, pole) else { continue };
        let devices = Devices::of(base.layout, base.layout.district_of_frog(fault.frog));
        let outcome = outcome(base.layout, settings, &devices, fault, (pole, amps), &solved);
        if worst.as_ref().is_none_or(|(.., known)| is_worse(&outcome, known)) {
            worst = Some((fault, amps, outcome));
        }
    }
    let (fault, amps, outcome) = worst?;
    let drop = amps * resistance(base.layout, pole);
    let remedies = match outcome.verdict {
        Verdict::Protected => Vec::new(),
        Verdict::Marginal | Verdict::Unprotected => remedy::remedies(base, settings, fault, pole),
    };
    Some(Contact {
        pole,
        name: base.layout.pole_name(pole),
        frog: fault.frog,
        district: base.layout.district_of_frog(fault.frog),
        positions: fault.positions.clone(),
        outcome,
        drop: Volts(drop),
        spot: spot(drop),
        remedies,
    })
}

fn resistance(layout: &Layout, pole: PoleIx) -> f64 {
    layout.machines[layout.poles[pole.at()].machine.at()].contact_resistance.ohms()
}

fn spot(volts: f64) -> Spot {
    if volts >= SILVER_MELTS {
        Spot::Melts
    } else if volts >= SILVER_SOFTENS {
        Spot::Softens
    } else {
        Spot::Sound
    }
}

fn carried(solved: &Solved, pole: PoleIx) -> Option<f64> {
    solved.contacts.iter().find(|(one, _)| *one == Some(pole)).map(|(_, amps)| *amps)
}

/// The worse verdict; of equal ones the smaller margin, then the larger current.
fn is_worse(one: &Outcome, other: &Outcome) -> bool {
    // Currents to the microampere: which of two equal positions is named must not hang on rounding.
    let key = |outcome: &Outcome| {
        (outcome.verdict, -ratio(outcome), Microamps::from_amps(outcome.amps.0))
    };
    key(one).partial_cmp(&key(other)).is_some_and(std::cmp::Ordering::is_gt)
}

/// Withstand over clearing time, for comparing.
fn ratio(outcome: &Outcome) -> f64 {
    match (outcome.withstand, outcome.cleared) {
        (None, _) => f64::MAX,
        (Some(_), None) => 0.0,
        (Some(withstand), Some(cleared)) => withstand.seconds() / cleared.seconds().max(1e-6),
    }
}

/// What a solved fault does to a pole that carries `amps` of it.
pub(super) fn outcome(
    layout: &Layout,
    settings: &Settings,
    devices: &Devices,
    fault: &FrogFault,
    (pole, amps): (PoleIx, f64),
    solved: &Solved,
) -> Outcome {
    let total: f64 = solved.contacts.iter().map(|(_, amps)| amps).sum();
    let index = layout.poles[pole.at()].machine;
    let machine = &layout.machines[index.at()];
    let keys = layout.protection.machine(index);
    let pair_factor = f64::from(keys.pair_factor) / 1e3;
    let part = charged(amps / total.max(f64::MIN_POSITIVE), solved.contacts.len(), pair_factor);
    let (rating, tau) = (machine.contact_rating, machine.contact_time_constant);
    let image = Image::settled(keys.frog_load.amps() * part / rating.amps());
    let withstand = image.time_to_full(total * part / rating.amps(), tau);
    let is_proved = layout.frogs[fault.frog.at()].proved && solved.contacts.len() > 1;
    let factor = if is_proved { pair_factor } else { 1.0 };
    let weakest = image.pick_up(rating, factor, keys.withstand_time, tau);
    let own = layout.protection.district(layout.district_of_frog(fault.frog));
    let (cleared_by, cleared) = cleared(devices, settings, own, weakest, solved);
    let verdict = verdict(withstand, cleared);
    Outcome { amps: Amps(total * part), withstand, cleared_by, cleared, verdict }
}

fn verdict(withstand: Option<Micros>, cleared: Option<Micros>) -> Verdict {
    match (withstand, cleared) {
        (None, _) => Verdict::Protected,
        (Some(_), None) => Verdict::Unprotected,
        (Some(withstand), Some(cleared)) => {
            let (withstand, cleared) = (withstand.0 as f64, cleared.0 as f64);
            if withstand >= PROTECTED * cleared {
                Verdict::Protected
            } else if withstand >= cleared {
                Verdict::Marginal
            } else {
                Verdict::Unprotected
            }
        }
    }
}

/// What clears a fault first, and when.
fn cleared(
    devices: &Devices,
    settings: &Settings,
    keys: &Protection,
    weakest: Microamps,
    solved: &Solved,
) -> (ClearedBy, Option<Micros>) {
    let amps = solved.district_amps;
    let decides = devices.decision(keys, weakest, amps);
    let ours = decides.zip(devices.overhead(settings)).map(|(decides, more)| decides + more);
    let times = [
        (ClearedBy::Breaker, protect::breaker_time(&devices.breaker, amps)),
        (ClearedBy::Booster, devices.booster_time(solved)),
        (ClearedBy::Checkrail, ours),
    ];
    let acting = times.into_iter().filter_map(|(who, time)| Some((who, time?)));
    acting
        .min_by_key(|(_, time)| *time)
        .map_or((ClearedBy::Nothing, None), |(who, time)| (who, Some(time)))
}
