//! The resistive network of a whole layout, positions as switches: what current flows where, for given bridges.
//!
//! This is the face that other crates use; nodes and branches are drawn in `plan`, switched in `wired`, solved in
//! `network` and `load`.

use std::borrow::Cow;

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, TrackIx, TrackworkIx},
    layout::{
        BreakerKind, Conductor, District, Layout, Limiter, LimiterKind, Position, Side, Which,
    },
    material::PTC_COLD,
    trackwork::Port,
};

use crate::{
    network::LEAST_OHMS,
    plan::Plan,
    wired::{Wired, order},
};

/// Electric current. Unit: ampere.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Amps(pub f64);

/// Voltage. Unit: volt.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Volts(pub f64);

/// Resistance. Unit: ohm.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Ohms(pub f64);

/// A point of the network.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Terminal {
    /// A rail at an end of plain track, side looking from `from` to `to`.
    Rail(TrackIx, Which, Side),
    /// A rail at a port of trackwork, side looking in from there.
    PortRail(TrackworkIx, Port, Side),
    /// A frog.
    Frog(FrogIx),
    /// A bus conductor of a district, at its far end.
    Bus(DistrictIx, Conductor),
    /// The head of a block's feeder rails: where its feeders join the rails.
    Block(BlockIx, Conductor),
}

/// Factors on the model's resistances: 1 is the model itself. A plant that shall differ from it is perturbed here.
#[derive(Clone, Debug)]
pub struct Scales {
    /// On all wire.
    pub wire: f64,
    /// On all rail.
    pub rail: f64,
    /// On booster source resistance.
    pub source: f64,
    /// On each pole's contact resistance.
    pub contacts: Vec<f64>,
}

/// What a pole does.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum PoleState {
    /// As its machine stands; open while it moves.
    Follows,
    /// Burnt: open in both positions.
    Open,
    /// Welded to one contact.
    Stuck(Position),
    /// Both contacts joined.
    Bridged,
}

/// Everything that is switched.
#[derive(Clone, Debug)]
pub struct Switches {
    /// By booster.
    pub boosters_on: Vec<bool>,
    /// By district.
    pub districts_on: Vec<bool>,
    /// By machine; none while it moves.
    pub machines: Vec<Option<Position>>,
    /// By pole.
    pub poles: Vec<PoleState>,
    /// By reverser: true is swapped.
    pub reversers_swapped: Vec<bool>,
}

/// A load or a fault: a resistance between two points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bridge {
    /// From.
    pub from: Terminal,
    /// To.
    pub to: Terminal,
    /// Resistance, above zero.
    pub resistance: Ohms,
}

/// The solution for one set of switches and bridges.
#[derive(Clone, Debug)]
pub struct Flow {
    /// Magnitude of the current at each booster, after current limiting: out of it, unless a stronger one feeds into it.
    pub boosters: Vec<Amps>,
    /// Voltage at each booster's terminals.
    pub booster_volts: Vec<Volts>,
    /// Current into each district.
    pub districts: Vec<Amps>,
    /// Voltage at the far end of each district's bus.
    pub district_volts: Vec<Volts>,
    /// Current through each block's feeders: what its detector sees.
    pub blocks: Vec<Amps>,
    /// Current through each pole.
    pub poles: Vec<Amps>,
    /// Voltage of each frog against its district's conductor B.
    pub frogs: Vec<Volts>,
    /// Current through each bridge from its `from` to its `to`, in the order given.
    pub bridges: Vec<Amps>,
    /// Potential of each node within its group of joined islands.
    pub(crate) potentials: Vec<f64>,
    /// Group of each node.
    pub(crate) groups: Vec<u32>,
}

/// The network of a layout, before anything is switched.
#[derive(Clone, Debug, Default)]
pub struct Grid {
    pub(crate) plan: Plan,
    pub(crate) supplies: Vec<Supply>,
    pub(crate) heads: Vec<Series>,
    pub(crate) limiters: Vec<Series>,
    /// District of each frog.
    pub(crate) frog_districts: Vec<usize>,
    /// Number of poles, of machines, of reversers.
    pub(crate) poles: usize,
    pub(crate) machines: usize,
    pub(crate) reversers: usize,
}

/// A booster as the network sees it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Supply {
    pub(crate) volts: f64,
    pub(crate) ohms: f64,
    pub(crate) limit: f64,
}

/// Something in series at the head of a district or in a frog's feed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Series {
    /// A resistance, also none.
    Ohms(f64),
    /// A lamp: its hot resistance, and the voltage at which it has it.
    Lamp { hot: f64, volts: f64 },
}

impl Grid {
    /// Draws the network of `layout` with its resistances scaled.
    ///
    /// A lamp's resistance follows its voltage; it is taken to be made for the booster's. A resettable fuse counts cold:
    /// it heats in seconds, and what happens before that is what the contacts must stand.
    #[must_use]
    pub fn new(layout: &Layout, scales: &Scales) -> Self {
        let supplies = layout.boosters.iter().map(|booster| Supply {
            volts: booster.volts.volts(),
            ohms: booster.resistance.ohms().max(LEAST_OHMS) * scales.source,
            limit: booster.limit.amps(),
        });
        let heads = layout.districts.iter().map(|district| {
            let hot = district.breaker.ohms_hot.map_or(0.0, |ohms| ohms.ohms());
            head(district.breaker.kind, hot, booster_volts(layout, district))
        });
        let limiters = layout.frogs.iter().map(|frog| {
            let block = &layout.blocks[layout.trackwork[frog.trackwork.at()].block.at()];
            let volts = booster_volts(layout, &layout.districts[block.district.at()]);
            frog.limiter.map_or(Series::Ohms(0.0), |limiter| limited(limiter, volts))
        });
        Self {
            plan: Plan::new(layout, scales),
            supplies: supplies.collect(),
            heads: heads.collect(),
            limiters: limiters.collect(),
            frog_districts: (0..layout.frogs.len())
                .map(|frog| layout.district_of_frog(FrogIx::new(frog)).at())
                .collect(),
            poles: layout.poles.len(),
            machines: layout.machines.len(),
            reversers: layout.reversers.len(),
        }
    }

    /// The network as switched, factorised once for as many cases as wanted.
    #[must_use]
    pub fn wired(&self, switches: &Switches) -> Wired<'_> {
        Wired::new(Cow::Borrowed(self), switches, None)
    }

    /// The network as switched, with the grid in it: for who switches and solves again and again.
    #[must_use]
    pub fn into_wired(self, switches: &Switches) -> Wired<'static> {
        let order = order(&self);
        Wired::new(Cow::Owned(self), switches, Some(order))
    }

    /// Solves one case. Magnitudes but for bridges, which have a direction.
    #[must_use]
    pub fn solve(&self, switches: &Switches, bridges: &[Bridge]) -> Flow {
        self.wired(switches).solve(bridges)
    }

    /// Voltage of `a` against `b` in a flow that this grid solved; none where nothing joins the two.
    #[must_use]
    pub fn between(&self, flow: &Flow, a: Terminal, b: Terminal) -> Option<Volts> {
        let [a, b] = [a, b].map(|terminal| self.plan.node(terminal) as usize);
        let same = flow.groups[a] == flow.groups[b];
        same.then(|| Volts(flow.potentials[a] - flow.potentials[b]))
    }
}

fn booster_volts(layout: &Layout, district: &District) -> f64 {
    layout.boosters[district.booster.at()].volts.volts()
}

fn head(kind: BreakerKind, hot: f64, volts: f64) -> Series {
    match kind {
        BreakerKind::Lamp => Series::Lamp { hot, volts },
        BreakerKind::Ptc => Series::Ohms(PTC_COLD),
        BreakerKind::Electronic | BreakerKind::Fuse | BreakerKind::None => Series::Ohms(0.0),
    }
}

fn limited(limiter: Limiter, volts: f64) -> Series {
    let hot = limiter.ohms_hot.ohms();
    match limiter.kind {
        LimiterKind::Lamp => Series::Lamp { hot, volts },
        LimiterKind::Ptc => Series::Ohms(PTC_COLD),
        LimiterKind::Resistor => Series::Ohms(hot),
    }
}

impl Scales {
    /// The model itself.
    #[must_use]
    pub fn unity(layout: &Layout) -> Self {
        Self { wire: 1.0, rail: 1.0, source: 1.0, contacts: vec![1.0; layout.poles.len()] }
    }
}

impl Switches {
    /// Everything on, all machines normal, all poles sound, nothing swapped.
    #[must_use]
    pub fn all_on(layout: &Layout) -> Self {
        Self {
            boosters_on: vec![true; layout.boosters.len()],
            districts_on: vec![true; layout.districts.len()],
            machines: vec![Some(Position::Normal); layout.machines.len()],
            poles: vec![PoleState::Follows; layout.poles.len()],
            reversers_swapped: vec![false; layout.reversers.len()],
        }
    }
}
