//! Findings about machines: too few poles, and motors on the power that they may have to restore.

use std::collections::BTreeSet;

use super::words::and;
use crate::{
    finding::{Code, Finding},
    index::{DistrictIx, FrogIx, MachineIx},
    layout::{Layout, Supply},
};

pub(super) fn check(layout: &Layout, findings: &mut Vec<Finding>) {
    let users = users(layout);
    let clears = clears(layout, &users);
    for at in 0..layout.machines.len() {
        let machine = MachineIx::new(at);
        findings.extend(too_few(layout, machine, &users[at]));
        findings.extend(shorted(layout, machine, &clears[at]));
    }
}

/// By machine: the frogs that use its poles, with the numbers of those poles.
fn users(layout: &Layout) -> Vec<Vec<(FrogIx, u8)>> {
    let mut users = vec![Vec::new(); layout.machines.len()];
    for (at, frog) in layout.frogs.iter().enumerate() {
        for it in &frog.poles {
            let pole = layout.poles[it.pole.at()];
            users[pole.machine.at()].push((FrogIx::new(at), pole.number));
        }
    }
    users
}

/// By machine: the districts of the trackwork that it sets and of the frogs that it feeds.
fn clears(layout: &Layout, users: &[Vec<(FrogIx, u8)>]) -> Vec<BTreeSet<DistrictIx>> {
    let mut districts = vec![BTreeSet::new(); layout.machines.len()];
    for it in &layout.trackwork {
        for machine in it.kind.machines() {
            districts[machine.at()].insert(layout.district_of_block(it.block));
        }
    }
    for (machine, users) in users.iter().enumerate() {
        districts[machine].extend(users.iter().map(|(frog, _)| layout.district_of_frog(*frog)));
    }
    districts
}

fn too_few(layout: &Layout, index: MachineIx, users: &[(FrogIx, u8)]) -> Option<Finding> {
    let it = &layout.machines[index.at()];
    let used: BTreeSet<u8> = users.iter().map(|(_, number)| *number).collect();
    let (has, needs) = (it.poles.len(), used.len() + it.uses.len());
    if needs <= has {
        return None;
    }
    let frogs: BTreeSet<FrogIx> = users.iter().map(|(frog, _)| *frog).collect();
    let frogs = frogs.iter().map(|frog| format!("frog {}", layout.frogs[frog.at()].id));
    let all: Vec<String> = frogs.chain(it.uses.iter().cloned()).collect();
    let poles =
        |count: usize| if count == 1 { "1 pole".to_owned() } else { format!("{count} poles") };
    let finding = Finding::new(
        Code::PoleMissing,
        format!("machine/{}", it.id),
        it.span,
        format!("machine {} has {}, but {} need {needs}", it.id, poles(has), and(&all)),
        what_gives(layout, index, users, needs - has),
    );
    let places = users.iter().map(|(frog, number)| (*frog, *number));
    Some(places.fold(finding, |finding, (frog, number)| {
        let it = &layout.frogs[frog.at()];
        finding.and(it.span, format!("frog {} uses pole {number}", it.id))
    }))
}

/// What must give: first poles that only share a frog's current, then other uses, which a relay can take over.
fn what_gives(layout: &Layout, index: MachineIx, users: &[(FrogIx, u8)], short: usize) -> String {
    let it = &layout.machines[index.at()];
    let mut seen = BTreeSet::new();
    let spare = users.iter().filter(|(frog, _)| !seen.insert(*frog));
    let spare: Vec<_> = spare
        .take(short)
        .map(|(frog, number)| {
            let frog = &layout.frogs[frog.at()].id;
            format!(
                "give up pole {number} at frog {frog}, which then has a single pole for its load"
            )
        })
        .collect();
    let missing = short - spare.len();
    let moved: Vec<_> = it.uses.iter().rev().take(missing).cloned().collect();
    let mut texts = spare;
    if !moved.is_empty() {
        texts.push(format!("take {} from a relay or another machine", and(&moved)));
    }
    if texts.is_empty() {
        texts.push("add a machine or a relay with the poles that are missing".to_owned());
    }
    texts.join(", and ")
}

fn shorted(layout: &Layout, index: MachineIx, clears: &BTreeSet<DistrictIx>) -> Option<Finding> {
    let it = &layout.machines[index.at()];
    let Supply::District(district) = it.supply else { return None };
    if !clears.contains(&district) {
        return None;
    }
    let district = &layout.districts[district.at()].id;
    Some(Finding::new(
        Code::ThrowShorted,
        format!("machine/{}", it.id),
        it.span,
        format!(
            "machine {} is powered from district {district}, in which its own trackwork lies: when \
             a short cuts {district}, it cannot be thrown to clear it",
            it.id
        ),
        format!("give machine {} a supply of its own (supply = \"own\")", it.id),
    ))
}
