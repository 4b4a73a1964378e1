//! The electrical plant: the network as it was really built, solved again whenever anything in it has changed.

use circuit::{
    grid::{Bridge, Flow, Grid, Scales, Switches, Terminal},
    repeat::Kept,
    wired::Wired,
};
use wiring::layout::Layout;

use crate::{contact::Contact, plan::Perturbation, random::Random};

/// Network, switches, loads and the currents that follow.
pub(crate) struct Plant {
    /// Kept factorised until something is switched.
    wired: Wired<'static>,
    kept: Kept,
    scales: Scales,
    switches: Switches,
    bridges: Vec<Bridge>,
    pub(crate) flow: Flow,
    solved: bool,
    /// Number of solutions so far, for measuring.
    pub(crate) solutions: u64,
}

impl Plant {
    pub(crate) fn new(
        built: &Layout,
        contacts: &[Contact],
        spread: &Perturbation,
        random: &mut Random,
    ) -> Self {
        let scales = Scales {
            wire: random.factor(spread.resistance),
            rail: random.factor(spread.resistance),
            source: random.factor(spread.resistance),
            contacts: contacts.iter().map(Contact::ohms_factor).collect(),
        };
        let switches = Switches {
            boosters_on: vec![true; built.boosters.len()],
            districts_on: vec![true; built.districts.len()],
            machines: vec![None; built.machines.len()],
            poles: contacts.iter().map(|contact| contact.state).collect(),
            reversers_swapped: vec![false; built.reversers.len()],
        };
        let wired = Grid::new(built, &scales).into_wired(&switches);
        let mut kept = Kept::default();
        let flow = wired.solve_again(&[], &mut kept);
        let bridges = Vec::new();
        Self { wired, kept, scales, switches, bridges, flow, solved: false, solutions: 1 }
    }

    /// The layout was rewired, or a contact's resistance changed.
    pub(crate) fn rebuild(&mut self, built: &Layout, contacts: &[Contact]) {
        self.scales.contacts = contacts.iter().map(Contact::ohms_factor).collect();
        self.switches.reversers_swapped.resize(built.reversers.len(), false);
        self.wired = Grid::new(built, &self.scales).into_wired(&self.switches);
        self.kept = Kept::default();
        self.solved = false;
    }

    /// Finds the currents for these switches and bridges. True when they are not those of the last time.
    pub(crate) fn solve(&mut self, switches: &Switches, bridges: &[Bridge]) -> bool {
        let switched = !same(&self.switches, switches);
        if self.solved && !switched && self.bridges == bridges {
            return false;
        }
        if switched {
            self.switch(switches);
        }
        self.flow = self.wired.solve_again(bridges, &mut self.kept);
        self.bridges.clear();
        self.bridges.extend_from_slice(bridges);
        self.solved = true;
        self.solutions += 1;
        true
    }

    fn switch(&mut self, switches: &Switches) {
        self.wired.switch(switches);
        self.kept = Kept::default();
        self.switches.clone_from(switches);
    }

    /// Volts between two points in the last solution; none where nothing joins them.
    pub(crate) fn volts_between(&self, a: Terminal, b: Terminal) -> Option<f64> {
        self.wired.between(&self.flow, a, b).map(|volts| volts.0.abs())
    }

    /// The switches of the last solution.
    pub(crate) fn switches(&self) -> &Switches {
        &self.switches
    }

    /// The bridges of the last solution, in the order of `flow.bridges`.
    pub(crate) fn bridges(&self) -> &[Bridge] {
        &self.bridges
    }
}

fn same(one: &Switches, two: &Switches) -> bool {
    one.boosters_on == two.boosters_on
        && one.districts_on == two.districts_on
        && one.machines == two.machines
        && one.poles == two.poles
        && one.reversers_swapped == two.reversers_swapped
}
