//! A short at every node of a large network: this crate beside a bare faer loop, and the same network for other solvers.
//!
//! `cargo run --release -p circuit --example short_everywhere -- NODES [DIRECTORY]`. With a directory, writes the
//! network as triplets and as a netlist; `tests/peers/solver_bench.py` runs all of it and reports ratios. All figures of
//! the network are invented.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a program: it prints, and reads what it is told"
)]

use std::{fmt::Write, path::Path, time::Instant};

use circuit::{
    load::Supplied,
    network::{Branch, Network},
    source::Source,
};
use faer::{
    Mat, Par,
    dyn_stack::{MemBuffer, MemStack},
    linalg::cholesky::llt::factor::LltRegularization,
    sparse::{
        SparseColMat, Triplet,
        linalg::cholesky::{
            CholeskySymbolicParams, LltRef, SymmetricOrdering, factorize_symbolic_cholesky,
        },
    },
};

#[path = "../tests/support/mod.rs"]
mod support;

/// Resistance of the short. Unit: ohm.
const SHORT: f64 = 0.01;

/// A booster for each of so many nodes.
const NODES_A_SOURCE: usize = 500;

/// Node 0 is the common return; a tree with 15 % chords, a load at every node, sources of 15 V behind 0.05 ohm.
struct Case {
    nodes: usize,
    branches: Vec<Branch>,
    sources: Vec<Source>,
}

fn case(nodes: usize) -> Case {
    let mut dice = support::random::Dice(42);
    let mut branches = Vec::new();
    let mut section = |dice: &mut support::random::Dice, from: usize, to: usize| {
        branches.push(Branch::new(from as u32, to as u32, 0.005 + 0.075 * dice.part()));
    };
    for node in 2..=nodes {
        let before = node - 1 - dice.below(((node - 1) as u64).min(8)) as usize;
        section(&mut dice, before.max(1), node);
    }
    for _ in 0..nodes * 15 / 100 {
        let from = 1 + dice.below(nodes as u64) as usize;
        let to = (from + 1 + dice.below(40) as usize).min(nodes);
        if from != to {
            section(&mut dice, from, to);
        }
    }
    for node in 1..=nodes {
        branches.push(Branch::new(node as u32, 0, 200.0 + 800.0 * dice.part()));
    }
    let count = nodes / NODES_A_SOURCE;
    let sources: Vec<Source> = (0..count)
        .map(|at| {
            let plus = (1 + at * NODES_A_SOURCE) as u32;
            Source { plus, minus: 0, volts: 15.0, ohms: 0.05, limit: 1e9 }
        })
        .collect();
    branches.extend(sources.iter().map(|one| Branch::new(one.plus, one.minus, one.ohms)));
    Case { nodes: nodes + 1, branches, sources }
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let nodes = arguments.next().expect("a number of nodes").parse().expect("a number");
    let case = case(nodes);
    let open = open_volts(&case);
    let (ours, sum) = ours_all(&case, &open);
    let (floor, floor_sum) = faer_all(&case, &open);
    let (study, amps) = ours_study(&case);
    assert!((sum / floor_sum - 1.0).abs() < 1e-9, "{sum} is not {floor_sum}");
    println!(
        "{{\"nodes\":{nodes},\"branches\":{},\"ours_s\":{ours},\"faer_s\":{floor},\"study_s\":{study},\
         \"sum\":{sum:e},\"amps\":{amps:e}}}",
        case.branches.len()
    );
    if let Some(directory) = arguments.next() {
        export(&case, Path::new(&directory));
    }
}

fn network(case: &Case) -> Network {
    Network::new(case.nodes, &case.branches).expect("the network is connected")
}

/// Voltages without a short, by row.
fn open_volts(case: &Case) -> Vec<f64> {
    let network = network(case);
    let currents: Vec<(u32, f64)> =
        case.sources.iter().map(|one| (one.plus, one.volts / one.ohms)).collect();
    network.potentials(&currents)[1..].to_vec()
}

/// All voltages under a short at a node, from the column of its node: what every solver here does for every node.
/// Returns the sum of the voltages, so that no work can be left out.
fn shorted(open: &[f64], column: &[f64], row: usize, volts: &mut [f64]) -> f64 {
    let amps = open[row] / (column[row] + SHORT);
    let mut sum = 0.0;
    for ((volts, open), ohms) in volts.iter_mut().zip(open).zip(column) {
        *volts = open - ohms * amps;
        sum += *volts;
    }
    sum
}

/// Factorises once and finds all voltages for a short at every node. Seconds and a check sum.
fn ours_all(case: &Case, open: &[f64]) -> (f64, f64) {
    let begun = Instant::now();
    let network = network(case);
    let rows = open.len();
    let (mut column, mut volts, mut work) = (vec![0.0; rows], vec![0.0; rows], vec![0.0; rows]);
    let mut zero = vec![0.0; case.nodes];
    let mut sum = 0.0;
    for row in 0..rows {
        let port = network.port(row as u32 + 1, 0, &mut zero);
        network.column(&port, &mut column, &mut work);
        sum += shorted(open, &column, row, &mut volts);
    }
    (begun.elapsed().as_secs_f64(), sum)
}

/// What the short-circuit study needs: currents of all sources and of the short, current limits kept, no other voltage.
fn ours_study(case: &Case) -> (f64, f64) {
    let begun = Instant::now();
    let supplied = Supplied::new(network(case), case.sources.clone());
    let mut zero = vec![0.0; case.nodes];
    let mut amps = 0.0;
    for node in 1..case.nodes {
        let short = supplied.across(node as u32, 0, SHORT, &mut zero);
        amps += supplied.case(&[short]).amps[0];
    }
    (begun.elapsed().as_secs_f64(), amps)
}

/// The floor: faer's sparse Cholesky factored once, one solve in place for each node, no allocation in the loop.
fn faer_all(case: &Case, open: &[f64]) -> (f64, f64) {
    let begun = Instant::now();
    let rows = open.len();
    let matrix = SparseColMat::<usize, f64>::try_new_from_triplets(rows, rows, &triplets(case))
        .expect("rows are in range");
    let upper = matrix.as_ref();
    let symbolic = factorize_symbolic_cholesky(
        upper.symbolic(),
        faer::Side::Upper,
        SymmetricOrdering::Amd,
        CholeskySymbolicParams::default(),
    )
    .expect("memory is at hand");
    let mut values = vec![0.0f64; symbolic.len_val()];
    let need = symbolic.factorize_numeric_llt_scratch::<f64>(Par::Seq, Default::default());
    let mut memory = MemBuffer::new(need);
    let factor: LltRef<'_, usize, f64> = symbolic
        .factorize_numeric_llt(
            &mut values,
            upper,
            faer::Side::Upper,
            LltRegularization::default(),
            Par::Seq,
            MemStack::new(&mut memory),
            Default::default(),
        )
        .expect("positive definite");
    let mut memory = MemBuffer::new(symbolic.solve_in_place_scratch::<f64>(1, Par::Seq));
    let mut right = Mat::<f64>::zeros(rows, 1);
    let mut volts = vec![0.0; rows];
    let mut sum = 0.0;
    for row in 0..rows {
        right.fill(0.0);
        right[(row, 0)] = 1.0;
        factor.solve_in_place_with_conj(
            faer::Conj::No,
            right.as_mut(),
            Par::Seq,
            MemStack::new(&mut memory),
        );
        let column = right.col(0).try_as_col_major().expect("one column is contiguous");
        sum += shorted(open, column.as_slice(), row, &mut volts);
    }
    (begun.elapsed().as_secs_f64(), sum)
}

fn triplets(case: &Case) -> Vec<Triplet<usize, usize, f64>> {
    let mut cells = Vec::new();
    for Branch { from, to, siemens } in &case.branches {
        let (from, to) = (*from as usize, *to as usize);
        for (row, column, value) in
            [(from, from, *siemens), (to, to, *siemens), (from, to, -siemens), (to, from, -siemens)]
        {
            if row > 0 && column > 0 {
                cells.push(Triplet::new(row - 1, column - 1, value));
            }
        }
    }
    cells
}

/// The matrix as `row column value` lines, open voltages, and a netlist with a short at a place to be filled in.
fn export(case: &Case, directory: &Path) {
    let mut text = String::new();
    for cell in triplets(case) {
        writeln!(text, "{} {} {:e}", cell.row, cell.col, cell.val)
            .expect("a string takes any text");
    }
    std::fs::write(directory.join("matrix.txt"), text).expect("writable");
    let volts: Vec<String> = open_volts(case).iter().map(|volts| format!("{volts:e}")).collect();
    std::fs::write(directory.join("open.txt"), volts.join("\n")).expect("writable");
    let mut netlist = String::from("* a network of invented figures\n");
    let resistors = case.branches.len() - case.sources.len();
    for (at, Branch { from, to, siemens }) in case.branches[..resistors].iter().enumerate() {
        writeln!(netlist, "R{at} {from} {to} {:e}", 1.0 / siemens)
            .expect("a string takes any text");
    }
    for (at, source) in case.sources.iter().enumerate() {
        writeln!(
            netlist,
            "V{at} s{at} 0 {}\nRs{at} s{at} {} {}",
            source.volts, source.plus, source.ohms
        )
        .expect("a string takes any text");
    }
    writeln!(netlist, "Rshort SHORT 0 {SHORT}\n.op\n.end").expect("a string takes any text");
    std::fs::write(directory.join("network.cir"), netlist).expect("writable");
}
