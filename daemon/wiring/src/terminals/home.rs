//! Where machines belong, and their terminals in order.

use super::{Function, Purpose, Terminal, Throw};
use crate::{
    index::{DistrictIx, FrogIx, MachineIx, TrackworkIx},
    layout::{Layout, Machine},
};

/// What a machine has to do with.
#[derive(Clone, Debug, Default)]
pub(super) struct Home {
    /// Trackwork, that which it sets first.
    pub(super) trackwork: Vec<TrackworkIx>,
    /// Frogs that its contacts feed.
    pub(super) frogs: Vec<FrogIx>,
    /// The district of the first trackwork.
    pub(super) district: Option<DistrictIx>,
}

/// By machine, in one pass over the layout.
pub(super) fn homes(layout: &Layout) -> Vec<Home> {
    let mut homes = vec![Home::default(); layout.machines.len()];
    for (at, trackwork) in layout.trackwork.iter().enumerate() {
        for machine in trackwork.kind.machines() {
            homes[machine.at()].trackwork.push(TrackworkIx::new(at));
        }
    }
    for (at, frog) in layout.frogs.iter().enumerate() {
        for pole in &frog.poles {
            let home = &mut homes[layout.poles[pole.pole.at()].machine.at()];
            add(&mut home.trackwork, frog.trackwork);
            add(&mut home.frogs, FrogIx::new(at));
        }
    }
    for home in &mut homes {
        let block = home.trackwork.first().map(|it| layout.trackwork[it.at()].block);
        home.district = block.map(|block| layout.district_of_block(block));
    }
    homes
}

fn add<T: PartialEq>(list: &mut Vec<T>, item: T) {
    if !list.contains(&item) {
        list.push(item);
    }
}

/// The terminals of a machine. By their numbers where every label is one, for so they sit on the machine; otherwise
/// motor first, then pole by pole.
pub(super) fn terminals(layout: &Layout, machine: MachineIx, home: &Home) -> Vec<Terminal> {
    let it = &layout.machines[machine.at()];
    let mut found = motor(it);
    let mut uses = it.uses.iter();
    for &pole in &it.poles {
        let feeds = home
            .frogs
            .iter()
            .any(|frog| layout.frogs[frog.at()].poles.iter().any(|listed| listed.pole == pole));
        let purpose = if feeds {
            Purpose::Frog
        } else {
            uses.next().map_or(Purpose::Spare, |name| Purpose::Use(name.clone()))
        };
        let group = format!("pole-{}", layout.poles[pole.at()].number);
        for (at, throw) in Throw::ALL.into_iter().enumerate() {
            found.push(Terminal {
                label: label(it, &group, at),
                function: Function::Contact(pole, throw),
                purpose: purpose.clone(),
            });
        }
    }
    found.extend(others(it));
    sort_by_number(&mut found);
    found
}

fn motor(it: &Machine) -> Vec<Terminal> {
    let lead = |number: u8| Terminal {
        label: label(it, "motor", usize::from(number) - 1),
        function: Function::Motor(number),
        purpose: Purpose::Motor,
    };
    vec![lead(1), lead(2)]
}

fn label(it: &Machine, group: &str, at: usize) -> Option<String> {
    it.terminals.get(group)?.get(at).cloned()
}

/// Terminals under names of the owner's own, and labels beyond what a motor or a contact has.
fn others(it: &Machine) -> Vec<Terminal> {
    let known = |group: &str| match group {
        "motor" => 2,
        _ if it.poles.iter().zip(1..).any(|(_, number)| group == format!("pole-{number}")) => 3,
        _ => 0,
    };
    let mut found = Vec::new();
    for (group, labels) in &it.terminals {
        for (at, label) in labels.iter().enumerate().skip(known(group)) {
            found.push(Terminal {
                label: Some(label.clone()),
                function: Function::Other(group.clone(), u8::try_from(at + 1).unwrap_or(u8::MAX)),
                purpose: Purpose::Spare,
            });
        }
    }
    found
}

fn sort_by_number(terminals: &mut [Terminal]) {
    let number = |it: &Terminal| it.label.as_ref().and_then(|label| label.parse::<u32>().ok());
    if terminals.iter().all(|it| number(it).is_some()) {
        terminals.sort_by_key(number);
    }
}
