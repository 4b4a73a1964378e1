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

/// Networks side by side, nothing between them, each with a source of 15 V and 5 A between its first two nodes.
fn beside(networks: &[&(usize, Vec<Branch>)]) -> (usize, Vec<Branch>, Vec<Source>) {
    let mut nodes = 0;
    let (mut all, mut sources) = (Vec::new(), Vec::new());
    for (count, branches) in networks {
        let first = nodes as u32;
        let moved = |it: &Branch| Branch { from: it.from + first, to: it.to + first, ..*it };
        all.extend(branches.iter().map(moved));
        let source = Source { plus: first, minus: first + 1, volts: 15.0, ohms: 0.05, limit: 5.0 };
        all.push(Branch::new(source.plus, source.minus, source.ohms));
        sources.push(source);
        nodes += count;
    }
    (nodes, all, sources)
}

fn supplied(networks: &[&(usize, Vec<Branch>)]) -> Supplied {
    let (nodes, branches, sources) = beside(networks);
    Supplied::new(Network::new(nodes, &branches).expect("grounded"), sources)
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

    /// Two networks that nothing joins: what is bridged in one is solved as if it stood alone, and the other's source does
    /// what it did before.
    #[test]
    fn an_island_knows_nothing_of_another(
        (one, other) in (network(), network()),
        pick in any::<(u32, u32)>(),
        power in -3.0..2.0f64,
    ) {
        let (from, to) = (pick.0 % one.0 as u32, pick.1 % one.0 as u32);
        prop_assume!(from != to);
        let ohms = 10f64.powf(power);
        let [alone, quiet] = [&one, &other].map(|network| supplied(&[network]));
        let both = supplied(&[&one, &other]);
        let bridged = |supplied: &Supplied| {
            let bridge = supplied.across(from, to, ohms, &mut vec![0.0; supplied.network.nodes()]);
            supplied.case(&[bridge])
        };
        let (got, want) = (bridged(&both), bridged(&alone));
        prop_assert!((got.amps[0] - want.amps[0]).abs() < 1e-9 * want.amps[0].abs().max(1e-3));
        let beside = quiet.case(&[]).driven[0];
        for (got, want) in got.driven.iter().zip([want.driven[0], beside]) {
            prop_assert!((got.amps - want.amps).abs() < 1e-9 * want.amps.abs().max(1e-3));
            prop_assert_eq!(got.limits, want.limits);
        }
    }

    /// Two bridges from one island to another, beside a third island, are two branches built into it.
    #[test]
    fn bridges_join_islands(
        (one, other, third) in (network(), network(), network()),
        picks in any::<[u32; 4]>(),
        power in -3.0..2.0f64,
    ) {
        let ohms = 10f64.powf(power);
        let here = |pick: u32| pick % one.0 as u32;
        let there = |pick: u32| (one.0 as u32) + pick % other.0 as u32;
        let ends = [(here(picks[0]), there(picks[1])), (here(picks[2]), there(picks[3]))];
        prop_assume!(ends[0].0 != ends[1].0 && ends[0].1 != ends[1].1);
        let plain = supplied(&[&one, &other, &third]);
        let mut work = vec![0.0; plain.network.nodes()];
        let bridges = ends.map(|(from, to)| plain.across(from, to, ohms, &mut work));
        let got = plain.case(&bridges);
        let (nodes, mut branches, sources) = beside(&[&one, &other, &third]);
        branches.extend(ends.map(|(from, to)| Branch::new(from, to, ohms)));
        let built = Supplied::new(Network::new(nodes, &branches).expect("grounded"), sources);
        let case = built.case(&[]);
        for (got, want) in got.driven.iter().zip(&case.driven) {
            prop_assert!((got.amps - want.amps).abs() < 1e-6 * want.amps.abs().max(1e-3));
        }
        let (volts, _) = built.potentials(&[], &case);
        for (got, (from, to)) in got.amps.iter().zip(ends) {
            let want = (volts[from as usize] - volts[to as usize]) / ohms;
            prop_assert!((got - want).abs() < 1e-6 * want.abs().max(1e-3), "{} {}", got, want);
        }
    }

    /// A source altered for one case is that source built in.
    #[test]
    fn another_limit_for_one_case_is_another_source(
        (one, other) in (network(), network()),
        pick in any::<(u32, u32)>(),
        limit in 0.5..5.0f64,
    ) {
        let (from, to) = (pick.0 % one.0 as u32, pick.1 % one.0 as u32);
        prop_assume!(from != to);
        let (nodes, branches, sources) = beside(&[&one, &other]);
        let mut work = vec![0.0; nodes];
        let plain = Supplied::new(Network::new(nodes, &branches).expect("grounded"), sources.clone());
        let bridge = plain.across(from, to, 0.01, &mut work);
        for altered in 0..2 {
            let lower = Source { limit, ..sources[altered] };
            let mut with = sources.clone();
            with[altered] = lower;
            let built = Supplied::new(plain.network.clone(), with);
            let bridge = [bridge.clone()];
            let (got, want) = (plain.case_from(&[(altered, lower)], &bridge), built.case(&bridge));
            prop_assert_eq!(&got.driven, &want.driven);
            prop_assert_eq!(got.amps, want.amps);
        }
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
