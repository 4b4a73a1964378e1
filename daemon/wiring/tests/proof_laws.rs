//! Laws of the proof, on layouts made up at random.

#[path = "support/brute.rs"]
mod brute;
#[path = "support/generate.rs"]
mod generate;
mod support;

use std::collections::BTreeMap;

use generate::{STATIONS, Station, Table, clean, text};
use proptest::{prelude::*, sample::select};
use support::{findings, frog, layout, report};
use wiring::{
    check::check,
    polarity::{ProofRow, Required, Wired},
};

fn stations() -> impl Strategy<Value = Vec<Station>> {
    prop::collection::vec(select(STATIONS.to_vec()), 1..6)
}

fn made_up() -> impl Strategy<Value = Vec<Table>> {
    (stations(), 1_usize..4).prop_map(|(stations, districts)| clean(&stations, districts))
}

/// A layout whose frogs are tied at random, to rails, to the bus, to another district or to nothing.
fn wild() -> impl Strategy<Value = Vec<Table>> {
    (made_up(), prop::collection::vec(0_usize..9, 64)).prop_map(|(mut tables, picks)| {
        let ties = tables.iter_mut().filter(|table| is_frog(table));
        for (table, picks) in ties.zip(picks.chunks(2).cycle()) {
            for (line, pick) in [1, 2].into_iter().zip(picks) {
                tie_at_random(&mut table.lines[line], *pick);
            }
        }
        tables
    })
}

fn is_frog(table: &Table) -> bool {
    table.header.contains(".frog")
}

fn tie_at_random(line: &mut String, pick: usize) {
    let key = line.split(" = ").next().unwrap_or("").to_owned();
    let old = line.clone();
    *line = match pick {
        0 => format!("{key} = \"A\""),
        1 => format!("{key} = \"B\""),
        2 => format!("{key} = \"none\""),
        3 => format!("{key} = \"d0/A\""),
        4 | 5 if old.contains("left") && !old.contains("right") => old.replace("left", "right"),
        4 | 5 if old.contains("right") && !old.contains("left") => old.replace("right", "left"),
        4 | 5 => {
            old.replace("a-left.right", "a-left.left").replace("b-right.left", "b-right.right")
        }
        _ => old,
    };
}

/// Left and right exchanged, and A and B: the layout in a mirror, with the conductors of its left rails as they were.
fn mirrored(tables: &[Table]) -> Vec<Table> {
    let exchange = |line: &str, one: &str, two: &str| {
        line.replace(one, "\u{1}").replace(two, one).replace('\u{1}', two)
    };
    let line = |line: &String| {
        if line.starts_with("left = ") {
            return line.clone();
        }
        let line = exchange(line, "left", "right");
        let is_tie = line.starts_with("normal = ") || line.starts_with("reverse = ");
        if is_tie { exchange(&exchange(&line, "\"A\"", "\"B\""), "d0/A", "d0/B") } else { line }
    };
    let table = |it: &Table| Table {
        header: it.header.clone(),
        lines: it.lines.iter().map(line).collect(),
    };
    tables.iter().map(table).collect()
}

const fn other_row(row: ProofRow) -> ProofRow {
    let required = match row.required {
        Required::On(conductor) => Required::On(conductor.other()),
        Required::Any => Required::Any,
        Required::Conflict => Required::Conflict,
    };
    let wired = match row.wired {
        Wired::On(conductor) => Wired::On(conductor.other()),
        Wired::None => Wired::None,
        Wired::Both => Wired::Both,
    };
    // Ports change places with their mirror images.
    ProofRow { required, wired, open_ports: 0, ..row }
}

/// The proof of every frog by its id, with machines by name.
fn proofs(text: &str) -> BTreeMap<String, BTreeMap<Vec<String>, ProofRow>> {
    let layout = layout(text);
    let report = check(&layout);
    let rows = |id: &str| {
        let proof = report.proof.frog(frog(&layout, id));
        let rows = proof.rows.iter().enumerate().map(|(at, row)| {
            let name = |(of, position): (wiring::index::MachineIx, wiring::layout::Position)| {
                format!("{}={}", layout.machines[of.at()].id, position.word())
            };
            let mut positions: Vec<_> = proof.positions(at).map(name).collect();
            positions.sort();
            (positions, *row)
        });
        rows.collect()
    };
    layout.frogs.iter().map(|frog| (frog.id.clone(), rows(&frog.id))).collect()
}

fn exchange_lines(table: &mut Table) {
    let normal = table.lines[1].replacen("normal", "reverse", 1);
    let reverse = table.lines[2].replacen("reverse", "normal", 1);
    (table.lines[1], table.lines[2]) = (reverse, normal);
}

/// `T1` of `trackwork.T1.frog`, `S1.a` of `trackwork.S1.frogs.a`.
fn frog_id(table: &Table) -> String {
    let path = table.header.trim_start_matches("trackwork.");
    path.trim_end_matches(".frog").replace(".frogs.", ".")
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 32, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_clean_layout_has_no_finding(tables in made_up()) {
        prop_assert_eq!(findings(&text(&tables)), Vec::<String>::new());
    }

    #[test]
    fn exchanging_the_tie_wires_of_one_frog_is_exactly_one_frog_swapped(
        tables in made_up(),
        pick in any::<prop::sample::Index>(),
    ) {
        let mut tables = tables;
        let frogs: Vec<usize> = (0..tables.len()).filter(|at| is_frog(&tables[*at])).collect();
        prop_assume!(!frogs.is_empty());
        let at = frogs[pick.index(frogs.len())];
        exchange_lines(&mut tables[at]);
        prop_assert_eq!(
            findings(&text(&tables)),
            vec![format!("frog-swapped frog/{}", frog_id(&tables[at]))]
        );
        let remedy = &report(&text(&tables)).findings[0].remedy;
        prop_assert!(remedy.starts_with("swap the wires on"), "{}", remedy);
    }

    #[test]
    fn taking_away_a_jumper_leaves_that_frog_dead(
        tables in made_up(),
        pick in any::<prop::sample::Index>(),
    ) {
        let mut tables = tables;
        let frogs: Vec<usize> = (0..tables.len()).filter(|at| is_frog(&tables[*at])).collect();
        prop_assume!(!frogs.is_empty());
        let at = frogs[pick.index(frogs.len())];
        let id = frog_id(&tables.remove(at));
        prop_assert_eq!(findings(&text(&tables)), vec![format!("frog-unfed frog/{id}")]);
    }

    #[test]
    fn taking_away_a_feeder_leaves_a_rail_unfed(
        tables in made_up(),
        pick in any::<prop::sample::Index>(),
    ) {
        let mut tables = tables;
        let fed = |table: &Table| {
            table.header.starts_with("track.") && table.lines.iter().any(|it| it == "left = \"A\"")
        };
        let fed: Vec<usize> = (0..tables.len()).filter(|at| fed(&tables[*at])).collect();
        let at = fed[pick.index(fed.len())];
        tables[at].lines.push("feeders = []".to_owned());
        let found = findings(&text(&tables));
        prop_assert!(found.iter().any(|it| it.starts_with("rail-unfed track/")), "{:?}", found);
        let allowed = |it: &String| it.starts_with("rail-unfed") || it.starts_with("frog-unfed");
        prop_assert!(found.iter().all(allowed), "{:?}", found);
    }

    #[test]
    fn taking_away_a_gap_yields_gap_missing_and_at_a_loop_the_loop(
        tables in made_up(),
        pick in any::<prop::sample::Index>(),
        is_from in any::<bool>(),
    ) {
        let mut tables = tables;
        let gapped = |table: &Table| table.lines.iter().any(|it| it.starts_with("gaps"));
        let gapped: Vec<usize> = (0..tables.len()).filter(|at| gapped(&tables[*at])).collect();
        prop_assume!(!gapped.is_empty());
        let table = &mut tables[gapped[pick.index(gapped.len())]];
        let subject = table.header.replace('.', "/");
        let is_loop = table.lines.iter().any(|it| it == "gaps = [\"from\", \"to\"]");
        let left = match (is_loop, is_from) {
            (true, true) => "gaps = [\"to\"]",
            (true, false) => "gaps = [\"from\"]",
            (false, _) => "gaps = []",
        };
        for line in table.lines.iter_mut().filter(|it| it.starts_with("gaps")) {
            *line = left.to_owned();
        }
        let found = findings(&text(&tables));
        prop_assert!(found.contains(&format!("gap-missing {subject}")), "{:?}", found);
        let has_loop = found.contains(&format!("reverse-loop {subject}"));
        prop_assert_eq!(has_loop, is_loop, "{:?}", found);
    }

    #[test]
    fn a_mirror_exchanges_the_conductors_and_nothing_else(tables in wild()) {
        let (here, there) = (text(&tables), text(&mirrored(&tables)));
        let other = |id: &String| id.replace("k-left", "k-?").replace("k-right", "k-left").replace("k-?", "k-right");
        let expected: BTreeMap<_, BTreeMap<_, _>> = proofs(&here)
            .iter()
            .map(|(id, rows)| {
                let rows = rows.iter().map(|(at, row)| (at.clone(), other_row(*row)));
                (other(id), rows.collect())
            })
            .collect();
        let got: BTreeMap<_, BTreeMap<_, _>> = proofs(&there)
            .into_iter()
            .map(|(id, rows)| {
                let flat = |row| other_row(other_row(row));
                (id, rows.into_iter().map(|(at, row)| (at, flat(row))).collect())
            })
            .collect();
        prop_assert_eq!(got, expected);
        let mut mirrored: Vec<_> = findings(&here).iter().map(other).collect();
        mirrored.sort();
        prop_assert_eq!(findings(&there), mirrored);
    }

    #[test]
    fn the_order_of_the_tables_changes_nothing(
        (tables, shuffled) in wild().prop_flat_map(|it| (Just(it.clone()), Just(it).prop_shuffle())),
    ) {
        let (here, there) = (text(&tables), text(&shuffled));
        prop_assert_eq!(findings(&here), findings(&there));
        prop_assert_eq!(proofs_without_blocks(&here), proofs_without_blocks(&there));
    }

    #[test]
    fn other_names_change_nothing_but_the_names(tables in wild()) {
        // Every id of a machine and its trackwork gets a longer name that sorts the other way round.
        let renamed = text(&tables).replace('T', "Zweig-T").replace("[Zweig-Table", "[Table");
        let renamed = renamed.replace("\"Zweig-Tamarrow", "\"Tamarrow");
        let names = |found: Vec<String>| {
            let mut found: Vec<_> = found.iter().map(|it| it.replace("Zweig-T", "T")).collect();
            found.sort();
            found
        };
        prop_assert_eq!(names(findings(&renamed)), findings(&text(&tables)));
    }

    #[test]
    fn the_proof_agrees_with_painting_every_rail_by_hand(tables in wild()) {
        let layout = layout(&text(&tables));
        let report = check(&layout);
        let paint = brute::painted(&layout);
        for at in 0..layout.frogs.len() {
            let index = wiring::index::FrogIx::new(at);
            let proof = report.proof.frog(index);
            for (row, got) in proof.rows.iter().enumerate() {
                let positions: BTreeMap<_, _> = proof.positions(row).collect();
                let want = brute::row(&layout, &paint, index, &positions);
                prop_assert_eq!(want, (got.required, got.wired), "{} row {}", layout.frogs[at].id, row);
            }
        }
    }
}

/// Blocks and districts have other numbers when their tables change places.
fn proofs_without_blocks(text: &str) -> Vec<(String, Vec<String>, Required, Wired, bool)> {
    let proofs = proofs(text).into_iter().flat_map(|(id, rows)| {
        rows.into_iter().map(move |(positions, row)| {
            (id.clone(), positions, row.required, row.wired, row.valid)
        })
    });
    proofs.collect()
}
