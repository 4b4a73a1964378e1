//! What a session must know about its machine, taken from the layout once.

use wiring::{
    found,
    index::{DistrictIx, FrogIx, MachineIx},
    layout::Layout,
    units::{Microamps, Micros},
};

/// The facts of one machine.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) machine: MachineIx,
    pub(crate) id: String,
    pub(crate) throw_time: Micros,
    /// Terminals of the motor, in words.
    pub(crate) motor: String,
    /// Trackwork that it sets or feeds, in words.
    pub(crate) trackwork: String,
    /// Frogs that its contacts feed.
    pub(crate) frogs: Vec<FrogPlan>,
    pub(crate) district: Option<DistrictIx>,
    pub(crate) district_id: String,
    /// The district has an actuator.
    pub(crate) can_cut: bool,
    /// Below this no current flows.
    pub(crate) residual: Microamps,
    /// What trips its breaker; none: nothing does at a current.
    pub(crate) trip: Option<Microamps>,
}

/// One frog of it.
#[derive(Clone, Debug)]
pub(crate) struct FrogPlan {
    pub(crate) frog: FrogIx,
    pub(crate) id: String,
    /// Numbers of the machine's poles that feed it.
    pub(crate) poles: Vec<u8>,
}

impl Plan {
    pub(crate) fn new(
        layout: &Layout,
        machine: MachineIx,
        residual: impl Fn(DistrictIx) -> Microamps,
    ) -> Self {
        let frogs = frogs(layout, machine);
        let district = frogs.first().map(|it| layout.district_of_frog(it.frog));
        let district = district.or_else(|| of_trackwork(layout, machine));
        let of = district.map(|it| &layout.districts[it.at()]);
        let it = &layout.machines[machine.at()];
        Self {
            machine,
            id: it.id.clone(),
            throw_time: it.throw_time,
            motor: found::motor(layout, machine),
            trackwork: trackwork(layout, machine, &frogs),
            frogs,
            district,
            district_id: of.map_or_else(String::new, |it| it.id.clone()),
            can_cut: of.is_some_and(|it| it.cut),
            residual: district.map_or(Microamps(50_000), residual),
            trip: of.and_then(|it| it.breaker.trip),
        }
    }
}

fn frogs(layout: &Layout, machine: MachineIx) -> Vec<FrogPlan> {
    let all = layout.frogs.iter().enumerate().map(|(at, it)| FrogPlan {
        frog: FrogIx::new(at),
        id: it.id.clone(),
        poles: it
            .poles
            .iter()
            .map(|pole| layout.poles[pole.pole.at()])
            .filter(|pole| pole.machine == machine)
            .map(|pole| pole.number)
            .collect(),
    });
    all.filter(|it| !it.poles.is_empty()).collect()
}

fn of_trackwork(layout: &Layout, machine: MachineIx) -> Option<DistrictIx> {
    let set = layout.trackwork.iter().find(|it| it.kind.machines().contains(&machine))?;
    Some(layout.district_of_block(set.block))
}

fn trackwork(layout: &Layout, machine: MachineIx, frogs: &[FrogPlan]) -> String {
    let set = layout.trackwork.iter().enumerate();
    let set = set.filter(|(_, it)| it.kind.machines().contains(&machine)).map(|(at, _)| at);
    let mut all: Vec<usize> = set.collect();
    all.extend(frogs.iter().map(|it| layout.frogs[it.frog.at()].trackwork.at()));
    all.sort_unstable();
    all.dedup();
    let words = all.iter().map(|at| {
        let it = &layout.trackwork[*at];
        format!("{} {}", it.kind.word(), it.id)
    });
    words.collect::<Vec<_>>().join(", ")
}
