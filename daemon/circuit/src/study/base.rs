//! The network that all studies solve on: factorised once, faults as bridges.
//!
//! Every machine stands between its positions here, so that each frog is a leaf of its own; the contacts that a
//! position closes are bridges of the case. One factorisation thus serves every position of every machine.

use wiring::{
    index::{BoosterIx, DistrictIx, FrogIx, MachineIx, PoleIx},
    layout::{Layout, Position},
};

use crate::{
    grid::{Grid, Series},
    load::{Across, Case},
    network::{LEAST_OHMS, Port},
    source::Source,
    wired::{Wired, lamp_ohms},
};

/// Rounds until a lamp that is studied has settled.
const LAMP_ROUNDS: usize = 40;

/// A change of its resistance by less than this part has settled it.
const LAMP_SETTLED: f64 = 1e-6;

/// More machines than this at one frog are not multiplied out.
const MACHINES_MAX: usize = 4;

/// Voltage below which a frog and a rail count as of one polarity, as a part of the booster's.
const OPPOSITE: f64 = 0.5;

/// The network and what is known about it without a fault.
pub(crate) struct Base<'a> {
    pub(crate) layout: &'a Layout,
    wired: Wired<'a>,
    volts: Vec<f64>,
    groups: Vec<u32>,
    districts: Vec<Ports>,
    /// By pole: it feeds a frog.
    feeding: Vec<bool>,
    work: Vec<f64>,
}

/// What is measured in a district.
struct Ports {
    /// Across the bus end.
    bus: Port,
    /// Along conductor B, from the bus end to the booster.
    back: Port,
    back_ohms: f64,
}

/// A frog with a wheel that joins it to the opposite rail, in one combination of positions.
#[derive(Clone, Debug)]
pub(crate) struct FrogFault {
    pub(crate) frog: FrogIx,
    pub(crate) positions: Vec<(MachineIx, Position)>,
    /// Closed contacts: pole, node of the tie, resistance.
    poles: Vec<(PoleIx, u32, f64)>,
    pub(crate) rail: u32,
}

/// What a study changes about a fault.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Change {
    /// Limit of the district's booster. Unit: ampere.
    pub(crate) limit: Option<f64>,
    /// Something more in series with the frog.
    pub(crate) series: Series,
    /// Poles added side by side, like the first.
    pub(crate) more_poles: usize,
    /// Factor on the resistance of all but the first pole.
    pub(crate) unequal: f64,
}

impl Change {
    pub(crate) const NONE: Self =
        Self { limit: None, series: Series::Ohms(0.0), more_poles: 0, unequal: 1.0 };
}

/// Currents and voltage of a fault.
#[derive(Clone, Debug)]
pub(crate) struct Solved {
    /// Through the fault.
    pub(crate) amps: f64,
    /// Through the district.
    pub(crate) district_amps: f64,
    /// Its booster is at its limit.
    pub(crate) booster_limits: bool,
    /// At the bus end.
    pub(crate) bus_volts: f64,
    /// Through each closed contact, added ones last and without a pole.
    pub(crate) contacts: Vec<(Option<PoleIx>, f64)>,
}

impl<'a> Base<'a> {
    pub(crate) fn new(layout: &'a Layout, grid: &'a Grid) -> Self {
        let wired = grid.wired(&super::loose(layout));
        let mut across = Vec::new();
        let case = wired.settled(&[], &mut across);
        let (volts, groups) = wired.supplied.potentials(&across, &case);
        let network = &wired.supplied.network;
        let mut work = vec![0.0; network.nodes()];
        let ports = grid.plan.districts.iter().map(|district| {
            let [a, b] = district.ends;
            let [_, minus] = grid.plan.boosters[district.booster];
            Ports {
                bus: network.port(a, b, &mut work),
                back: network.port(b, minus, &mut work),
                back_ohms: district.bus_ohms.max(LEAST_OHMS),
            }
        });
        let districts = ports.collect();
        let mut feeding = vec![false; layout.poles.len()];
        for fed in layout.frogs.iter().flat_map(|frog| &frog.poles) {
            feeding[fed.pole.at()] = true;
        }
        Self { layout, wired, volts, groups, districts, feeding, work }
    }

    /// The pole feeds a frog.
    pub(crate) fn feeds(&self, pole: PoleIx) -> bool {
        self.feeding[pole.at()]
    }

    pub(crate) fn node(&self, terminal: crate::grid::Terminal) -> u32 {
        self.wired.grid.plan.node(terminal)
    }

    /// Voltage without a fault; none where nothing joins the two.
    pub(crate) fn open_volts(&self, from: u32, to: u32) -> Option<f64> {
        let [from, to] = [from, to].map(|node| node as usize);
        (self.groups[from] == self.groups[to]).then(|| self.volts[from] - self.volts[to])
    }

    pub(crate) fn booster_of(&self, district: DistrictIx) -> BoosterIx {
        self.layout.districts[district.at()].booster
    }

    pub(crate) fn across(&mut self, from: u32, to: u32, ohms: f64) -> Across {
        self.wired.supplied.across(from, to, ohms, &mut self.work)
    }

    /// A resistance between two nodes.
    pub(crate) fn rails(
        &mut self,
        district: DistrictIx,
        [from, to]: [u32; 2],
        ohms: f64,
    ) -> Solved {
        let fault = self.across(from, to, ohms.max(LEAST_OHMS));
        self.solve(district, vec![fault], None)
    }

    /// Solves a case whose last bridge is the fault.
    fn solve(&self, district: DistrictIx, mut across: Vec<Across>, limit: Option<f64>) -> Solved {
        let fault = across.len() - 1;
        let case = self.wired.settled(&self.limited(district, limit), &mut across);
        let run = self.wired.running[self.booster_of(district).at()];
        let driven = run.map(|at| case.driven[at]);
        let ports = &self.districts[district.at()];
        let volts = |port: &Port| self.wired.supplied.voltage(port, &across, &case);
        Solved {
            amps: case.amps[fault].abs(),
            district_amps: (volts(&ports.back) / ports.back_ohms).abs(),
            booster_limits: driven.is_some_and(|driven| driven.limits),
            bus_volts: volts(&ports.bus),
            contacts: contacts(&case, fault),
        }
    }

    /// The district's booster with another limit, where one is given.
    fn limited(&self, district: DistrictIx, limit: Option<f64>) -> Vec<(usize, Source)> {
        let run = self.wired.running[self.booster_of(district).at()];
        let limited = |(at, limit)| (at, Source { limit, ..self.wired.supplied.sources[at] });
        run.zip(limit).map(limited).into_iter().collect()
    }

    /// Every combination of positions in which a wheel on the frog shorts it to a rail of the other polarity.
    pub(crate) fn frog_faults(&self, frog: FrogIx) -> Vec<FrogFault> {
        let plan = &self.wired.grid.plan.frogs[frog.at()];
        let mut machines: Vec<MachineIx> =
            plan.poles.iter().map(|(.., machine)| *machine).collect();
        machines.sort_unstable();
        machines.dedup();
        machines.truncate(MACHINES_MAX);
        (0..1usize << machines.len())
            .filter_map(|bits| self.frog_fault(frog, &machines, bits))
            .collect()
    }

    fn frog_fault(&self, frog: FrogIx, machines: &[MachineIx], bits: usize) -> Option<FrogFault> {
        let plan = &self.wired.grid.plan.frogs[frog.at()];
        let reverse = |machine: &MachineIx| {
            machines.iter().position(|one| one == machine).is_some_and(|bit| bits >> bit & 1 == 1)
        };
        let closed = plan.poles.iter().filter_map(|(pole, ohms, machine)| {
            Some((*pole, plan.ties[usize::from(reverse(machine))]?, *ohms))
        });
        let poles: Vec<_> = closed.collect();
        let tie = poles.first().map(|pole| pole.1).or(plan.fixed)?;
        let rail = self.opposite(frog, tie)?;
        let position = |machine: &MachineIx| match reverse(machine) {
            true => (*machine, Position::Reverse),
            false => (*machine, Position::Normal),
        };
        Some(FrogFault { frog, positions: machines.iter().map(position).collect(), poles, rail })
    }

    /// The rail of the frog's trackwork that is farthest from the tie in voltage.
    fn opposite(&self, frog: FrogIx, tie: u32) -> Option<u32> {
        let work = self.layout.frogs[frog.at()].trackwork;
        let booster = self.booster_of(self.layout.district_of_frog(frog));
        let least = OPPOSITE * self.layout.boosters[booster.at()].volts.volts();
        let rails = self.wired.grid.plan.ports[work.at()].iter().flat_map(|(_, rails)| *rails);
        let mut best: Option<(u32, f64)> = None;
        for rail in rails {
            let volts = self.open_volts(tie, rail).map_or(0.0, f64::abs);
            if volts >= best.map_or(least, |(_, volts)| volts * (1.0 + 1e-12)) {
                best = Some((rail, volts));
            }
        }
        best.map(|(rail, _)| rail)
    }

    /// Solves a frog's fault, or a load there, of `ohms`.
    pub(crate) fn frog(&mut self, fault: &FrogFault, ohms: f64, change: &Change) -> Solved {
        match change.series {
            Series::Ohms(more) => self.frog_through(fault, ohms + more, change),
            Series::Lamp { hot, volts } => {
                let mut lamp = hot;
                let mut solved = self.frog_through(fault, ohms + lamp, change);
                for _ in 0..LAMP_ROUNDS {
                    let cooler = lamp_ohms(hot, volts, solved.amps * lamp);
                    let settled = (cooler - lamp).abs() <= LAMP_SETTLED * hot;
                    lamp = cooler;
                    if settled {
                        break;
                    }
                    solved = self.frog_through(fault, ohms + lamp, change);
                }
                solved
            }
        }
    }

    fn frog_through(&mut self, fault: &FrogFault, ohms: f64, change: &Change) -> Solved {
        let plan = &self.wired.grid.plan.frogs[fault.frog.at()];
        let (node, common) = (plan.node, plan.common);
        let mut across = Vec::new();
        let added = fault.poles.first().into_iter().cycle().take(change.more_poles);
        let added: Vec<_> = added.copied().collect();
        for (at, (_, tie, contact)) in fault.poles.iter().chain(&added).enumerate() {
            let factor = if at == 0 { 1.0 } else { change.unequal };
            across.push(self.across(*tie, common, (contact * factor).max(LEAST_OHMS)));
        }
        across.push(self.across(node, fault.rail, ohms.max(LEAST_OHMS)));
        let district = self.layout.district_of_frog(fault.frog);
        let mut solved = self.solve(district, across, change.limit);
        for ((pole, _), (known, ..)) in solved.contacts.iter_mut().zip(&fault.poles) {
            *pole = Some(*known);
        }
        solved
    }

    /// Resistance around the loop from the head of a district to a place, without source and head: what a meter
    /// between the district's terminals sees. Unit: ohm.
    pub(crate) fn loop_ohms(&mut self, district: DistrictIx, [from, to]: [u32; 2]) -> Option<f64> {
        self.open_volts(from, to).filter(|volts| volts.abs() > 1e-6)?;
        let port = self.wired.supplied.network.port(from, to, &mut self.work);
        let whole = self.wired.supplied.network.transfer(&port, &port);
        let booster = self.booster_of(district).at();
        let head = match self.wired.grid.heads[district.at()] {
            Series::Ohms(ohms) => ohms,
            Series::Lamp { hot, .. } => hot,
        };
        Some(whole - self.wired.grid.supplies[booster].ohms - head)
    }

    /// Resistance in series before the head of a district: source and what heads it; none for a lamp. Unit: ohm.
    pub(crate) fn before_ohms(&self, district: DistrictIx) -> Option<f64> {
        let source = self.wired.grid.supplies[self.booster_of(district).at()].ohms;
        match self.wired.grid.heads[district.at()] {
            Series::Ohms(ohms) => Some(source + ohms),
            Series::Lamp { .. } => None,
        }
    }

    /// Resistance of contacts, feed wire and limiter (a lamp's: hot) that a frog's fault adds to the loop of its tie
    /// and the rail. Unit: ohm.
    pub(crate) fn frog_loop_ohms(&mut self, fault: &FrogFault) -> Option<f64> {
        let plan = &self.wired.grid.plan.frogs[fault.frog.at()];
        let feed = plan.feed_ohms;
        let siemens: f64 = fault.poles.iter().map(|(.., ohms)| 1.0 / ohms.max(LEAST_OHMS)).sum();
        let tie = fault.poles.first().map(|pole| pole.1).or(plan.fixed)?;
        let contact = if siemens > 0.0 { 1.0 / siemens } else { 0.0 };
        let limiter = match self.wired.grid.limiters[fault.frog.at()] {
            Series::Ohms(ohms) => ohms,
            Series::Lamp { hot, .. } => hot,
        };
        let district = self.layout.district_of_frog(fault.frog);
        Some(self.loop_ohms(district, [tie, fault.rail])? + contact + feed + limiter)
    }
}

/// Contacts are the bridges in front of the fault.
fn contacts(case: &Case, fault: usize) -> Vec<(Option<PoleIx>, f64)> {
    case.amps[..fault].iter().map(|amps| (None, amps.abs())).collect()
}
