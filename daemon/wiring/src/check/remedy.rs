//! Remedies: which wires to move. Every remedy that names wires has been tried on the netlist first.

use super::words::{Terminal, and, frog, label, machine, terminal, tie_words};
use crate::{
    index::{FrogIx, MachineIx, PoleIx, TrackworkIx},
    layout::{Conductor, Frog, Layout, Position, Side, Tie},
    netlist::Netlist,
    polarity::{Combination, FrogProof, required, wanted, wired},
    polarity::{Required, Wired},
    trackwork::{FrogName, Kind, Port},
};

/// A way to wire a frog: one machine's contact, and its two ties.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
struct Wiring {
    machine: MachineIx,
    normal: Tie,
    reverse: Tie,
}

/// How to cure a frog that is on the wrong conductor.
pub(super) fn swapped(net: &Netlist<'_>, index: FrogIx) -> String {
    let layout = net.layout;
    let it = frog(layout, index);
    if let Some(tie) = it.fixed {
        return fixed(net, index, tie);
    }
    let Some(now) = wiring(layout, it) else { return rewire(net, index, it) };
    let turned = Wiring { normal: now.reverse, reverse: now.normal, ..now };
    if suits(net, index, &turned) {
        return swap_wires(layout, it, now.machine);
    }
    if let Some(text) = other_machine(net, index, now) {
        return text;
    }
    for tie in ties(net, index) {
        if suits(net, index, &Wiring { normal: tie, ..now }) {
            return move_wire(layout, it, Terminal::Normal, now.normal, tie);
        }
        if suits(net, index, &Wiring { reverse: tie, ..now }) {
            return move_wire(layout, it, Terminal::Reverse, now.reverse, tie);
        }
    }
    for tie in ties(net, index) {
        if suits(net, index, &Wiring { normal: tie, reverse: tie, ..now }) {
            return format!(
                "move both wires of machine {} that feed frog {} to {}; no contact is needed there",
                machine(layout, now.machine),
                it.id,
                tie_words(layout, tie)
            );
        }
    }
    rewire(net, index, it)
}

/// The frog's wiring, when all its poles belong to one machine.
fn wiring(layout: &Layout, it: &Frog) -> Option<Wiring> {
    let of = |pole: PoleIx| layout.poles[pole.at()].machine;
    let machine = of(it.poles.first()?.pole);
    let is_alone = it.poles.iter().all(|pole| of(pole.pole) == machine);
    is_alone.then_some(Wiring { machine, normal: it.normal, reverse: it.reverse })
}

/// The wiring gives the frog what it must have in every combination that the trackwork can take.
fn suits(net: &Netlist<'_>, index: FrogIx, wiring: &Wiring) -> bool {
    let it = frog(net.layout, index);
    let kind = &net.layout.trackwork[it.trackwork.at()].kind;
    let mut machines = kind.machines();
    machines.push(wiring.machine);
    machines.sort_unstable();
    machines.dedup();
    (0..1_usize << machines.len()).all(|row| {
        let combination = Combination { machines: &machines, row };
        let position = |machine| combination.position(machine);
        let required = required(&wanted(net, it, &kind.open_routes(position)));
        let tie = match position(wiring.machine) {
            Position::Normal => wiring.normal,
            Position::Reverse => wiring.reverse,
        };
        let tied: Vec<_> = net.tie(index, tie).into_iter().filter(|it| it.is_live).collect();
        match required {
            Required::On(conductor) => {
                !kind.is_valid(position) || wired(&tied) == Wired::On(conductor)
            }
            Required::Any | Required::Conflict => true,
        }
    })
}

/// Rails that a tie of the frog could lead to, nearest first, and the bus where a rail is out of reach.
fn ties(net: &Netlist<'_>, index: FrogIx) -> Vec<Tie> {
    let it = frog(net.layout, index);
    let kind = &net.layout.trackwork[it.trackwork.at()].kind;
    let mut ties = Vec::new();
    if kind.has_stock_rails() {
        ties.extend([Tie::Stock(Side::Left), Tie::Stock(Side::Right)]);
    } else {
        for rail in kind.routes().iter().filter_map(|route| route.rail_at(it.name)) {
            let tie = Tie::PortRail(rail.port, rail.side);
            if !ties.contains(&tie) {
                ties.push(tie);
            }
        }
    }
    ties.extend([Tie::Bus(Conductor::A), Tie::Bus(Conductor::B)]);
    ties
}

fn swap_wires(layout: &Layout, it: &Frog, of: MachineIx) -> String {
    let pairs = it.poles.iter().map(|pole| {
        let number = layout.poles[pole.pole.at()].number;
        match [Terminal::Normal, Terminal::Reverse].map(|it| label(layout, pole.pole, it)) {
            [Some(normal), Some(reverse)] => format!("on {normal} and {reverse}"),
            [..] => format!("on the normal and reverse contacts of pole {number}"),
        }
    });
    let pairs: Vec<_> = pairs.collect();
    let comma = if pairs.len() > 1 { "," } else { "" };
    // Each pair holds an "and" itself.
    let pairs = pairs.join(", and ");
    format!("swap the wires {pairs}{comma} of machine {}", machine(layout, of))
}

fn move_wire(layout: &Layout, it: &Frog, from: Terminal, old: Tie, new: Tie) -> String {
    let terminals: Vec<_> = it.poles.iter().map(|pole| terminal(layout, pole.pole, from)).collect();
    let machine =
        it.poles.first().map_or("", |pole| machine(layout, layout.poles[pole.pole.at()].machine));
    let (terminals, new) = (and(&terminals), tie_words(layout, new));
    match old {
        Tie::None => format!("run a wire from {terminals} of machine {machine} to {new}"),
        Tie::Stock(_) | Tie::PortRail(..) | Tie::Bus(_) | Tie::ForeignBus(..) => format!(
            "move the wire on {terminals} of machine {machine} from {} to {new}",
            tie_words(layout, old)
        ),
    }
}

/// A slip's frog on the machine at its own end, and whatever else another machine of the trackwork would cure.
fn other_machine(net: &Netlist<'_>, index: FrogIx, now: Wiring) -> Option<String> {
    let layout = net.layout;
    let it = frog(layout, index);
    let kind = &layout.trackwork[it.trackwork.at()].kind;
    let others = kind.machines().into_iter().filter(|machine| *machine != now.machine);
    let cure =
        others
            .flat_map(|machine| {
                [(now.normal, now.reverse), (now.reverse, now.normal)]
                    .map(|(normal, reverse)| Wiring { machine, normal, reverse })
            })
            .find(|wiring| suits(net, index, wiring))?;
    let contacts = contacts(layout, cure);
    Some(match wrong_end(kind, it.name, now.machine) {
        Some((own, far)) => format!(
            "frog {} is wired to the machine at the wrong end: the points at end {far} decide the \
             frog at end {own}. Move its wires from machine {} to a pole of machine {}, {contacts}",
            it.id,
            machine(layout, now.machine),
            machine(layout, cure.machine)
        ),
        None => format!(
            "move the wires of frog {} from machine {} to a pole of machine {}, {contacts}",
            it.id,
            machine(layout, now.machine),
            machine(layout, cure.machine)
        ),
    })
}

fn contacts(layout: &Layout, wiring: Wiring) -> String {
    format!(
        "normal contact to {} and reverse contact to {}",
        tie_words(layout, wiring.normal),
        tie_words(layout, wiring.reverse)
    )
}

/// The ends of a slip's frog and of the machine that decides it, when the frog hangs on the machine at its own end.
fn wrong_end(kind: &Kind, name: FrogName, on: MachineIx) -> Option<(&'static str, &'static str)> {
    let (Kind::DoubleSlip { a, b, .. } | Kind::SingleSlip { a, b, .. }) = kind else { return None };
    match name {
        FrogName::A if on == *a && a != b => Some(("a", "b")),
        FrogName::B if on == *b && a != b => Some(("b", "a")),
        FrogName::A
        | FrogName::B
        | FrogName::Only
        | FrogName::Left
        | FrogName::Middle
        | FrogName::Right
        | FrogName::KLeft
        | FrogName::KRight => None,
    }
}

/// Nothing less than a new contact helps; says which, where one exists.
fn rewire(net: &Netlist<'_>, index: FrogIx, it: &Frog) -> String {
    let layout = net.layout;
    let kind = &layout.trackwork[it.trackwork.at()].kind;
    let ties = ties(net, index);
    let own = it.poles.iter().map(|pole| layout.poles[pole.pole.at()].machine);
    for machine_of in kind.machines().into_iter().chain(own) {
        for &normal in &ties {
            for &reverse in &ties {
                let wiring = Wiring { machine: machine_of, normal, reverse };
                if suits(net, index, &wiring) {
                    let name = machine(layout, machine_of);
                    return format!(
                        "wire frog {} to a pole of machine {name} alone, {}",
                        it.id,
                        contacts(layout, wiring)
                    );
                }
            }
        }
    }
    format!(
        "no contact of a single machine suits frog {} in every position: it needs a selector of \
         its own, or no wire at all",
        it.id
    )
}

fn fixed(net: &Netlist<'_>, index: FrogIx, now: Tie) -> String {
    let it = frog(net.layout, index);
    let supply = net.tie(index, now);
    let other = ties(net, index).into_iter().find(|tie| {
        let there = net.tie(index, *tie);
        there.map(|it| it.conductor) == supply.map(|it| it.conductor.other())
    });
    match other {
        Some(tie) => format!(
            "move the wire of frog {} from {} to {}",
            it.id,
            tie_words(net.layout, now),
            tie_words(net.layout, tie)
        ),
        None => rewire(net, index, it),
    }
}

/// How to feed a frog that is dead in some rows.
pub(super) fn unfed(net: &Netlist<'_>, index: FrogIx, proof: &FrogProof, rows: &[usize]) -> String {
    let layout = net.layout;
    let it = frog(layout, index);
    let is_dead = |tie: Tie| net.tie(index, tie).is_some_and(|supply| !supply.is_live);
    if let Some(tie) = [it.normal, it.reverse].into_iter().find(|tie| is_dead(*tie)) {
        return format!("feed {}: no feeder reaches it", tie_words(layout, tie));
    }
    let Some(now) = wiring(layout, it) else { return rewire(net, index, it) };
    let open = |position: Position| {
        rows.iter().any(|row| proof.positions(*row).any(|at| at == (now.machine, position)))
    };
    for tie in ties(net, index) {
        if open(Position::Normal) && suits(net, index, &Wiring { normal: tie, ..now }) {
            return move_wire(layout, it, Terminal::Normal, now.normal, tie);
        }
        if open(Position::Reverse) && suits(net, index, &Wiring { reverse: tie, ..now }) {
            return move_wire(layout, it, Terminal::Reverse, now.reverse, tie);
        }
    }
    rewire(net, index, it)
}

/// How to end a short through a frog's own contacts: keep the machine that suits the frog alone.
pub(super) fn fight(net: &Netlist<'_>, index: FrogIx) -> String {
    let layout = net.layout;
    let it = frog(layout, index);
    let keeps = |machine: MachineIx| {
        suits(net, index, &Wiring { machine, normal: it.normal, reverse: it.reverse })
    };
    let (keep, free): (Vec<_>, Vec<_>) =
        it.poles.iter().partition(|pole| keeps(layout.poles[pole.pole.at()].machine));
    let names = |poles: &[&crate::layout::FrogPole]| {
        and(&poles.iter().map(|pole| layout.pole_name(pole.pole)).collect::<Vec<_>>())
    };
    if keep.is_empty() || free.is_empty() {
        return rewire(net, index, it);
    }
    format!("take {} off frog {} and leave {} alone on it", names(&free), it.id, names(&keep))
}

/// How to make positions decide.
pub(super) fn conflict(layout: &Layout, index: TrackworkIx) -> String {
    let it = &layout.trackwork[index.at()];
    match &it.kind {
        Kind::SingleSlip { a, b, slip } if a != b => {
            let (through, other) =
                if *slip == Port::ALeft { ("a-left", "a-right") } else { ("a-right", "a-left") };
            format!(
                "never leave {a} and {b} both normal: throw {b} reverse for the track through \
                 {through}, {a} reverse for the track through {other}, and let {b} decide frog a \
                 and {a} frog b; or add a selector that knows the route",
                a = machine(layout, *a),
                b = machine(layout, *b)
            )
        }
        Kind::Crossing { a_left, a_right } if !a_left.is_empty() || !a_right.is_empty() => {
            let mut names: Vec<String> =
                it.kind.machines().iter().map(|of| machine(layout, *of).to_owned()).collect();
            names.dedup();
            format!(
                "keep {} from opening both routes of {} at once, by an interlock or by another `routes`; \
                 until then leave the frog without a wire",
                and(&names),
                it.id
            )
        }
        Kind::Crossing { .. } => format!(
            "say in [trackwork.{id}] which route is in use: routes = {{ a-left = {{ MACHINE = \"normal\" }}, \
             a-right = {{ MACHINE = \"reverse\" }} }}, and take the frogs from that machine",
            id = it.id
        ),
        Kind::Turnout { .. }
        | Kind::ThreeWay { .. }
        | Kind::DoubleSlip { .. }
        | Kind::SingleSlip { .. } => {
            format!("give {} a machine at each end, or add a selector that knows the route", it.id)
        }
    }
}
