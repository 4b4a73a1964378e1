//! The electrical plant: the network as it was really built, solved again whenever anything in it has changed.

use circuit::grid::{Bridge, Flow, Grid, Scales, Switches};
use wiring::layout::Layout;

use crate::{contact::Contact, plan::Perturbation, random::Random};

/// Network, switches, loads and the currents that follow.
pub(crate) struct Plant {
    grid: Grid,
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
        let grid = Grid::new(built, &scales);
        let flow = grid.solve(&switches, &[]);
        Self { grid, scales, switches, bridges: Vec::new(), flow, solved: false, solutions: 1 }
    }

    /// The layout was rewired, or a contact's resistance changed.
    pub(crate) fn rebuild(&mut self, built: &Layout, contacts: &[Contact]) {
        self.scales.contacts = contacts.iter().map(Contact::ohms_factor).collect();
        self.grid = Grid::new(built, &self.scales);
        self.solved = false;
    }

    /// Finds the currents for these switches and bridges. True when they are not those of the last time.
    pub(crate) fn solve(&mut self, switches: Switches, bridges: Vec<Bridge>) -> bool {
        if self.solved && same(&self.switches, &switches) && self.bridges == bridges {
            return false;
        }
        self.flow = self.grid.solve(&switches, &bridges);
        self.switches = switches;
        self.bridges = bridges;
        self.solved = true;
        self.solutions += 1;
        true
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
