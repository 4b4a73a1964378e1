//! Poles in more than one frog.
//!
//! A contact has one common and two ties: frogs on one pole are joined with each other always, and their ties are joined
//! with each other. That is how the middle frog of a three-way and the acute frogs of scissors may be fed, and it is a
//! fault everywhere else. It is judged by its effect: the ties must lead to the same conductor of the same district in
//! both positions, and no combination that both pieces of trackwork can take may ask for different conductors.

use super::words::{frog, position_words};
use crate::{
    finding::{Code, Finding},
    index::{FrogIx, MachineIx, PoleIx},
    layout::{Position, Span},
    netlist::{Netlist, Supply},
    polarity::{Combination, MACHINES_MAX, Required, machines, required, wanted},
};

pub(super) fn check(net: &Netlist<'_>, findings: &mut Vec<Finding>) {
    let layout = net.layout;
    let mut users: Vec<Vec<(FrogIx, Span)>> = vec![Vec::new(); layout.poles.len()];
    for (at, frog) in layout.frogs.iter().enumerate() {
        for pole in &frog.poles {
            users[pole.pole.at()].push((FrogIx::new(at), pole.span));
        }
    }
    for (at, users) in users.iter().enumerate() {
        findings.extend(shared(net, PoleIx::new(at), users));
    }
}

fn shared(net: &Netlist<'_>, pole: PoleIx, users: &[(FrogIx, Span)]) -> Option<Finding> {
    let (first, rest) = users.split_first()?;
    let (other, why) =
        rest.iter().find_map(|other| Some((other, quarrel(net, first.0, other.0)?)))?;
    let layout = net.layout;
    let (name, one, two) =
        (layout.pole_name(pole), &frog(layout, first.0).id, &frog(layout, other.0).id);
    let finding = Finding::new(
        Code::PoleShared,
        format!("pole/{name}"),
        other.1,
        format!("pole {name} feeds frog {one} and frog {two}: {why}"),
        format!("give frog {two} a pole of its own, of the machine that decides it"),
    );
    Some(finding.and(first.1, format!("frog {one} has it too")))
}

/// Why two frogs may not hang on one pole; none when they may.
fn quarrel(net: &Netlist<'_>, one: FrogIx, two: FrogIx) -> Option<String> {
    if one == two {
        return Some("it is listed twice".to_owned());
    }
    let (first, second) = (frog(net.layout, one), frog(net.layout, two));
    let ties = [
        (Position::Normal, first.normal, second.normal),
        (Position::Reverse, first.reverse, second.reverse),
    ];
    for (position, tie_one, tie_two) in ties {
        let (tie_one, tie_two) = (net.tie(one, tie_one), net.tie(two, tie_two));
        if let Some(why) = differ(net, tie_one, tie_two) {
            return Some(format!("its {} contact would join {why}", position.word()));
        }
    }
    needs_differ(net, one, two)
}

fn differ(net: &Netlist<'_>, one: Option<Supply>, two: Option<Supply>) -> Option<String> {
    let (Some(one), Some(two)) = (one, two) else {
        return one.or(two).map(|_| "a tied frog with one that is to be dead".to_owned());
    };
    if one.conductor != two.conductor {
        return Some("A and B".to_owned());
    }
    let district = |supply: Supply| &net.layout.districts[supply.district.at()].id;
    (one.district != two.district)
        .then(|| format!("districts {} and {}", district(one), district(two)))
}

/// A combination in which the two need different conductors.
fn needs_differ(net: &Netlist<'_>, one: FrogIx, two: FrogIx) -> Option<String> {
    let layout = net.layout;
    let mut all: Vec<MachineIx> = machines(layout, one);
    all.extend(machines(layout, two));
    all.sort_unstable();
    all.dedup();
    if MACHINES_MAX < all.len() {
        return Some("too many machines take part to prove that both may have it".to_owned());
    }
    let row = (0..1_usize << all.len()).find(|&row| {
        let combination = Combination { machines: &all, row };
        matches!(
            (need(net, one, &combination), need(net, two, &combination)),
            (Some(first), Some(second)) if first != second
        )
    })?;
    let combination = Combination { machines: &all, row };
    let positions = all.iter().map(|it| position_words(layout, (*it, combination.position(*it))));
    let positions: Vec<_> = positions.collect();
    Some(format!("with {} they need different conductors", positions.join(", ")))
}

fn need(
    net: &Netlist<'_>,
    index: FrogIx,
    combination: &Combination<'_>,
) -> Option<crate::layout::Conductor> {
    let it = frog(net.layout, index);
    let kind = &net.layout.trackwork[it.trackwork.at()].kind;
    let position = |machine| combination.position(machine);
    let is_valid = kind.is_valid(position);
    match required(&wanted(net, it, &kind.open_routes(position))) {
        Required::On(conductor) if is_valid => Some(conductor),
        Required::On(_) | Required::Any | Required::Conflict => None,
    }
}
