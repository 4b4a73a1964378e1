//! Laws that hold in any resistive network: Kirchhoff, reciprocity, superposition; and faer as an independent solver.

use circuit::{
    load::Supplied,
    network::{Branch, Network},
    source::Source,
};
use faer::{
    Col, Side,
    linalg::solvers::Solve,
    sparse::{SparseColMat, Triplet},
};
use proptest::prelude::*;

/// A tree of `nodes` with chords, so connected; resistances from 1 milliohm to 100 ohm.
fn network() -> impl Strategy<Value = (usize, Vec<Branch>)> {
    (2usize..60).prop_flat_map(|nodes| {
        let tree = (1..nodes).map(|node| (0..node as u32, -3.0..2.0f64)).collect::<Vec<_>>();
        let chord = (0..nodes as u32, 0..nodes as u32, -3.0..2.0f64);
        (tree, proptest::collection::vec(chord, 0..nodes)).prop_map(move |(tree, chords)| {
            let mut branches: Vec<Branch> = tree
                .iter()
                .enumerate()
                .map(|(at, (parent, power))| {
                    Branch::new(*parent, at as u32 + 1, 10f64.powf(*power))
                })
                .collect();
            let chords = chords.into_iter().filter(|(from, to, _)| from != to);
            branches
                .extend(chords.map(|(from, to, power)| Branch::new(from, to, 10f64.powf(power))));
            (nodes, branches)
        })
    })
}

/// What flows out of each node through branches.
fn outflow(nodes: usize, branches: &[Branch], volts: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; nodes];
    for Branch { from, to, siemens } in branches {
        let amps = (volts[*from as usize] - volts[*to as usize]) * siemens;
        out[*from as usize] += amps;
        out[*to as usize] -= amps;
    }
    out
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 80, ..ProptestConfig::default() })]

    #[test]
    fn what_enters_a_node_leaves_it((nodes, branches) in network(), pick in any::<(u32, u32)>()) {
        let network = Network::new(nodes, &branches).expect("connected");
        let (into, out_of) = (pick.0 % nodes as u32, pick.1 % nodes as u32);
        let volts = network.potentials(&[(into, 1.0), (out_of, -1.0)]);
        let mut want = vec![0.0; nodes];
        want[into as usize] += 1.0;
        want[out_of as usize] -= 1.0;
        for (got, want) in outflow(nodes, &branches, &volts).iter().zip(&want) {
            prop_assert!((got - want).abs() < 1e-8, "{} is not {}", got, want);
        }
    }

    #[test]
    fn current_here_raises_voltage_there_as_it_does_the_other_way_round(
        (nodes, branches) in network(),
        pick in any::<(u32, u32, u32, u32)>(),
    ) {
        let network = Network::new(nodes, &branches).expect("connected");
        let at = |number: u32| number % nodes as u32;
        let mut work = vec![0.0; nodes];
        let one = network.port(at(pick.0), at(pick.1), &mut work);
        let other = network.port(at(pick.2), at(pick.3), &mut work);
        let (there, back) = (network.transfer(&one, &other), network.transfer(&other, &one));
        prop_assert_eq!(there.to_bits(), back.to_bits());
        let volts = network.potentials(&[(at(pick.2), 1.0), (at(pick.3), -1.0)]);
        let across = volts[at(pick.0) as usize] - volts[at(pick.1) as usize];
        prop_assert!((there - across).abs() < 1e-9 * across.abs().max(1.0));
    }

    #[test]
    fn voltages_of_two_currents_add((nodes, branches) in network(), pick in any::<(u32, u32)>()) {
        let network = Network::new(nodes, &branches).expect("connected");
        let at = |number: u32| number % nodes as u32;
        let (one, two) = ([(at(pick.0), 2.0)], [(at(pick.1), -3.0)]);
        let both = network.potentials(&[one[0], two[0]]);
        let (one, two) = (network.potentials(&one), network.potentials(&two));
        for ((both, one), two) in both.iter().zip(&one).zip(&two) {
            prop_assert!((both - one - two).abs() < 1e-9 * both.abs().max(1.0));
        }
    }

    /// A bridge of a case and the same resistance built into the network are the same.
    #[test]
    fn a_bridge_is_a_branch_added_afterwards(
        (nodes, mut branches) in network(),
        pick in any::<(u32, u32)>(),
        power in -3.0..2.0f64,
    ) {
        let source = Source { plus: 0, minus: 1, volts: 15.0, ohms: 0.05, limit: 5.0 };
        branches.push(Branch::new(source.plus, source.minus, source.ohms));
        let (from, to) = (pick.0 % nodes as u32, pick.1 % nodes as u32);
        prop_assume!(from != to);
        let ohms = 10f64.powf(power);
        let plain = Supplied::new(Network::new(nodes, &branches).expect("connected"), vec![source]);
        let bridge = plain.across(from, to, ohms, &mut vec![0.0; nodes]);
        let got = plain.case(&[bridge]);
        branches.push(Branch::new(from, to, ohms));
        let built = Supplied::new(Network::new(nodes, &branches).expect("connected"), vec![source]);
        let case = built.case(&[]);
        let (volts, _) = built.potentials(&[], &case);
        let want = (volts[from as usize] - volts[to as usize]) / ohms;
        prop_assert!((got.amps[0] - want).abs() < 1e-7 * want.abs().max(1e-3), "{} {}", got.amps[0], want);
        prop_assert_eq!(got.driven[0].limits, case.driven[0].limits);
    }

    #[test]
    fn faer_finds_the_same_voltages((nodes, branches) in network(), pick in any::<u32>()) {
        let network = Network::new(nodes, &branches).expect("connected");
        let into = pick % nodes as u32;
        let got = network.potentials(&[(into, 1.0)]);
        // Node 0 is the ground of a connected network.
        let mut cells = Vec::new();
        for Branch { from, to, siemens } in &branches {
            for (row, column, sign) in [(from, from, 1.0), (to, to, 1.0), (from, to, -1.0), (to, from, -1.0)] {
                if *row > 0 && *column > 0 {
                    cells.push(Triplet::new(*row as usize - 1, *column as usize - 1, sign * siemens));
                }
            }
        }
        let matrix = SparseColMat::<usize, f64>::try_new_from_triplets(nodes - 1, nodes - 1, &cells)
            .expect("rows are in range");
        let factor = matrix.sp_cholesky(Side::Lower).expect("positive definite");
        let right = Col::<f64>::from_fn(nodes - 1, |row| f64::from(u8::from(row + 1 == into as usize)));
        let want = factor.solve(&right);
        for node in 1..nodes {
            let (got, want) = (got[node], want[node - 1]);
            prop_assert!((got - want).abs() < 1e-8 * want.abs().max(1e-3), "{} is not {}", got, want);
        }
    }
}

#[test]
fn islands_are_found_before_anything_is_solved() {
    let branches = [Branch::new(0, 1, 1.0), Branch::new(2, 3, 1.0)];
    let network = Network::new(5, &branches).expect("every island has its ground");
    assert_eq!(network.islands(), 3);
    assert_eq!([0, 1, 2, 3, 4].map(|node| network.island(node)), [0, 0, 2, 2, 4]);
    let volts = network.potentials(&[(1, 1.0), (3, 2.0)]);
    assert_eq!(volts, [0.0, 1.0, 0.0, 2.0, 0.0]);
}
