//! A resistive network: islands, one factorisation, and ports into it.
//!
//! Each island has a ground of its own, since a matrix of a floating part is singular. Potentials are against the
//! ground of their island; whoever joins two islands finds out how they stand to each other ([`crate::load`]).

use crate::ldl::{Factor, FactorError, Half, Symmetric};

/// Least resistance of a branch: keeps what is "no resistance" in range. Unit: ohm.
pub const LEAST_OHMS: f64 = 1e-6;

const NONE: u32 = u32::MAX;

/// A resistor between two nodes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Branch {
    /// From.
    pub from: u32,
    /// To.
    pub to: u32,
    /// Reciprocal of its resistance, above zero. Unit: siemens.
    pub siemens: f64,
}

impl Branch {
    /// A branch of `ohms`, at least [`LEAST_OHMS`].
    #[must_use]
    pub fn new(from: u32, to: u32, ohms: f64) -> Self {
        Self { from, to, siemens: 1.0 / ohms.max(LEAST_OHMS) }
    }
}

/// The factorised network.
#[derive(Clone, Debug)]
pub struct Network {
    /// Island of each node.
    islands: Vec<u32>,
    /// Row of the matrix of each node; none for the ground of an island.
    rows: Vec<u32>,
    factor: Factor,
    count: usize,
}

/// A pair of nodes at which something is joined to the network.
#[derive(Clone, Debug)]
pub struct Port {
    /// Where current enters.
    pub from: u32,
    /// Where it comes out.
    pub to: u32,
    half: Half,
}

/// Sets of nodes that are joined. The representative of a set is its lowest member.
#[derive(Clone, Debug)]
pub(crate) struct Sets {
    parents: Vec<u32>,
}

impl Sets {
    pub(crate) fn new(nodes: usize) -> Self {
        Self { parents: (0..nodes as u32).collect() }
    }

    pub(crate) fn of(&mut self, node: u32) -> u32 {
        let mut at = node;
        while self.parents[at as usize] != at {
            let above = self.parents[self.parents[at as usize] as usize];
            self.parents[at as usize] = above;
            at = above;
        }
        at
    }

    pub(crate) fn join(&mut self, one: u32, other: u32) {
        let (one, other) = (self.of(one), self.of(other));
        self.parents[one.max(other) as usize] = one.min(other);
    }
}

impl Network {
    /// Finds islands, grounds each at its lowest node, factorises.
    ///
    /// # Errors
    /// [`FactorError`] when a branch has no positive, finite conductance.
    pub fn new(nodes: usize, branches: &[Branch]) -> Result<Self, FactorError> {
        let (islands, rows, size) = grounded(nodes, branches);
        let factor = Factor::new(&matrix(branches, &rows, size))?;
        Ok(Self { islands, rows, factor, count: nodes - size })
    }

    /// As [`Network::new`], with an order of elimination of all nodes that is known already. Any order gives the same
    /// potentials; one that suits keeps the factor small.
    ///
    /// # Errors
    /// [`FactorError`] when a branch has no positive, finite conductance.
    pub(crate) fn in_order(
        nodes: usize,
        branches: &[Branch],
        order: &[u32],
    ) -> Result<Self, FactorError> {
        let (islands, rows, size) = grounded(nodes, branches);
        let rows_of = order.iter().filter_map(|node| rows.get(*node as usize).copied());
        let order = rows_of.filter(|row| *row != NONE);
        let factor = Factor::in_order(&matrix(branches, &rows, size), order.collect())?;
        Ok(Self { islands, rows, factor, count: nodes - size })
    }

    /// Number of nodes.
    #[must_use]
    pub fn nodes(&self) -> usize {
        self.rows.len()
    }

    /// Number of islands, single nodes among them.
    #[must_use]
    pub fn islands(&self) -> usize {
        self.count
    }

    /// The island of a node, named by its ground.
    #[must_use]
    pub fn island(&self, node: u32) -> u32 {
        self.islands[node as usize]
    }

    /// The factor, for those who solve with it directly.
    #[must_use]
    pub fn factor(&self) -> &Factor {
        &self.factor
    }

    /// A port between two nodes. `work` is zero and as long as there are nodes, before and after.
    pub fn port(&self, from: u32, to: u32, work: &mut [f64]) -> Port {
        let ends = [(from, 1.0), (to, -1.0)];
        let mut right = [(0, 0.0); 2];
        let mut used = 0;
        for (node, value) in ends {
            if from != to && self.rows[node as usize] != NONE {
                right[used] = (self.rows[node as usize], value);
                used += 1;
            }
        }
        Port { from, to, half: self.factor.half(&right[..used], work) }
    }

    /// Voltage across `across` for one ampere into `at`, each island held at its ground. Unit: ohm.
    #[must_use]
    pub fn transfer(&self, across: &Port, at: &Port) -> f64 {
        self.factor.product(&across.half, &at.half)
    }

    /// Potentials of all rows of the matrix for one ampere through a port; `work` is scratch of the same length. Unit:
    /// ohm. [`Network::row`] tells which node a row is.
    pub fn column(&self, port: &Port, solution: &mut [f64], work: &mut [f64]) {
        self.factor.whole(&port.half, solution, work);
    }

    /// The row of the matrix of a node; none for the ground of an island.
    #[must_use]
    pub fn row(&self, node: u32) -> Option<usize> {
        let row = self.rows[node as usize];
        (row != NONE).then_some(row as usize)
    }

    /// Potentials of all nodes for currents put into nodes, against the ground of each island. Unit: volt.
    #[must_use]
    pub fn potentials(&self, currents: &[(u32, f64)]) -> Vec<f64> {
        let mut right = vec![0.0; self.factor.size()];
        for &(node, amps) in currents {
            if self.rows[node as usize] != NONE {
                right[self.rows[node as usize] as usize] += amps;
            }
        }
        let mut work = vec![0.0; right.len()];
        self.factor.solve(&mut right, &mut work);
        let volts = |&row: &u32| if row == NONE { 0.0 } else { right[row as usize] };
        self.rows.iter().map(volts).collect()
    }
}

/// The island of each node, the row of each node that is no ground, and the number of rows.
fn grounded(nodes: usize, branches: &[Branch]) -> (Vec<u32>, Vec<u32>, usize) {
    let mut sets = Sets::new(nodes);
    for branch in branches {
        sets.join(branch.from, branch.to);
    }
    let islands: Vec<u32> = (0..nodes as u32).map(|node| sets.of(node)).collect();
    let mut rows = vec![NONE; nodes];
    let mut size = 0;
    for (node, &island) in islands.iter().enumerate() {
        if island as usize != node {
            rows[node] = size;
            size += 1;
        }
    }
    (islands, rows, size as usize)
}

fn matrix(branches: &[Branch], rows: &[u32], size: usize) -> Symmetric {
    let mut matrix = Symmetric { diagonal: vec![0.0; size], off: Vec::new() };
    for &Branch { from, to, siemens } in branches {
        let (from, to) = (rows[from as usize], rows[to as usize]);
        if from == to {
            continue;
        }
        for row in [from, to] {
            if row != NONE {
                matrix.diagonal[row as usize] += siemens;
            }
        }
        if from != NONE && to != NONE {
            matrix.off.push((from, to, -siemens));
        }
    }
    matrix
}
