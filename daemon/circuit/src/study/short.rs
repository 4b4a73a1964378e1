//! Short-circuit study: current at every place, what it trips, and how sure that is.

use wiring::{
    index::{DistrictIx, MachineIx, PoleIx},
    layout::{BreakerKind, Layout, Position},
};

use super::{
    base::{Base, Change, Solved},
    place::{Place, Spot},
    protect::{self, Devices},
};
use crate::grid::{Amps, Volts};

/// A short on plain rail must exceed the breaker's trip by this much for the coin test to pass for certain.
pub const COIN_MARGIN: f64 = 1.25;

/// What a short trips.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Trips {
    /// The district's breaker.
    Breaker,
    /// The booster shuts itself down.
    Booster,
    /// Nothing: it burns on.
    Nothing,
}

impl Trips {
    /// `breaker`, `booster` or `nothing`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Breaker => "breaker",
            Self::Booster => "booster",
            Self::Nothing => "nothing",
        }
    }
}

/// A dead short at one place.
#[derive(Clone, Debug, PartialEq)]
pub struct Short {
    /// `frog/ID`, `port/TRACKWORK.PORT`, `end/NAME` or `block/ID`.
    pub at: String,
    /// Its district.
    pub district: DistrictIx,
    /// Positions of the machines that matter; none on plain rail.
    pub positions: Vec<(MachineIx, Position)>,
    /// Current through the short, after current limiting.
    pub amps: Amps,
    /// Current that the district's breaker sees.
    pub district_amps: Amps,
    /// Voltage left at the bus end: what the other trains of the district have.
    pub volts: Volts,
    /// What it trips first.
    pub trips: Trips,
    /// Current over breaker trip, or over the booster's limit where no breaker trips at a current.
    pub margin: f64,
    /// Forecast of the coin test on plain rail; none at a frog, where nobody should try: each test is a full hit on the
    /// contact.
    pub coin: Option<bool>,
    /// Share of each contact that carries it.
    pub contacts: Vec<(PoleIx, Amps)>,
}

/// The short at a place: one on rails, one for each combination of positions at a frog.
pub(super) fn shorts(base: &mut Base, place: &Place) -> Vec<Short> {
    match place.spot {
        Spot::Rails(one, other) => {
            let nodes = [base.node(one), base.node(other)];
            let solved = base.rails(place.district, nodes, 0.0);
            vec![short(base.layout, place, Vec::new(), &solved)]
        }
        Spot::Frog(frog) => {
            let mut shorts = Vec::new();
            for fault in base.frog_faults(frog) {
                let solved = base.frog(&fault, 0.0, &Change::NONE);
                shorts.push(short(base.layout, place, fault.positions.clone(), &solved));
            }
            shorts
        }
    }
}

fn short(
    layout: &Layout,
    place: &Place,
    positions: Vec<(MachineIx, Position)>,
    solved: &Solved,
) -> Short {
    let district = &layout.districts[place.district.at()];
    let booster = &layout.boosters[district.booster.at()];
    let against = district.breaker.trip.unwrap_or(booster.limit).amps();
    let margin = solved.district_amps / against.max(f64::MIN_POSITIVE);
    let plain = matches!(place.spot, Spot::Rails(..));
    let has_trip = district.breaker.trip.is_some() && trips_at_all(district.breaker.kind);
    let contact = |(pole, amps): &(Option<PoleIx>, f64)| Some(((*pole)?, Amps(*amps)));
    Short {
        at: place.at.clone(),
        district: place.district,
        positions,
        amps: Amps(solved.amps),
        district_amps: Amps(solved.district_amps),
        volts: Volts(solved.bus_volts),
        trips: first(layout, place.district, solved),
        margin,
        coin: (plain && has_trip).then_some(margin >= COIN_MARGIN),
        contacts: solved.contacts.iter().filter_map(contact).collect(),
    }
}

/// The breaker or the booster, whichever acts first.
fn first(layout: &Layout, district: DistrictIx, solved: &Solved) -> Trips {
    let devices = Devices::of(layout, district);
    let breaker = protect::breaker_time(&devices.breaker, solved.district_amps);
    match (protect::breaker_acts(&devices.breaker, solved), devices.booster_time(solved)) {
        (true, Some(booster)) if breaker.is_none_or(|breaker| breaker > booster) => Trips::Booster,
        (true, Some(_) | None) => Trips::Breaker,
        (false, Some(_)) => Trips::Booster,
        (false, None) => Trips::Nothing,
    }
}

/// It acts at a current at all.
pub(super) const fn trips_at_all(kind: BreakerKind) -> bool {
    match kind {
        BreakerKind::Electronic | BreakerKind::Fuse | BreakerKind::Ptc => true,
        BreakerKind::Lamp | BreakerKind::None => false,
    }
}
