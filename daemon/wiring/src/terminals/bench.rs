//! How a machine is proved on the bench and under the table: the steps, in order, as data.

use super::{Function, MachineWiring, Place, Purpose, Throw, Wiring};
use crate::{
    index::{FrogIx, PoleIx},
    layout::{Layout, Position, Tie},
    units::{Microamps, Millivolts},
};

/// When a step is due.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Stage {
    /// The machine lies on the bench, nothing is soldered.
    Bare,
    /// Wires and jumpers are on.
    Soldered,
    /// The machine hangs under the track.
    Mounted,
}

/// Two terminals: positions in the machine's list.
pub type Two = [usize; 2];

/// One step.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Step {
    /// A small reversing supply moves the motor both ways; the lead that is plus for normal is noted.
    MotorBothWays {
        /// Its two terminals.
        motor: Two,
    },
    /// Which pairs beep and which are silent in a position.
    Beeps {
        /// The position.
        position: Position,
        /// These beep.
        beep: Vec<Two>,
        /// These are silent.
        silent: Vec<Two>,
    },
    /// Volts across each contact, each pole alone.
    Drop {
        /// The contacts, each with the position in which it is closed.
        contacts: Vec<(Two, Position)>,
        /// The current.
        at: Microamps,
        /// A good contact has no more.
        good: Millivolts,
        /// Not to be used above.
        bad: Millivolts,
    },
    /// Neighbouring terminals that are never joined.
    Insulated {
        /// These.
        pairs: Vec<Two>,
    },
    /// Stray ends of strands are cut back.
    StraysCut,
    /// With one pole lifted, the volts across the other must rise.
    BothCarry {
        /// The frog that both feed.
        frog: FrogIx,
        /// The poles.
        poles: Vec<PoleIx>,
    },
    /// Wires are strain-relieved and labelled at both ends.
    Labelled,
    /// The machine is centred by power, not by hand.
    CentredByPower,
    /// It throws fully both ways.
    ThrowsFully,
    /// The contact changes over while the points are away from both stock rails.
    ChangesOver,
    /// With the bus unplugged, the frog beeps with one tie and not with the other.
    FrogBeeps {
        /// The frog.
        frog: FrogIx,
        /// The machine's position.
        position: Position,
        /// It beeps with this.
        beep: Tie,
        /// It is silent with this.
        silent: Tie,
    },
}

/// The current of the contact test: about what one locomotive draws. Common practice, no source.
const TEST_CURRENT: Microamps = Microamps(1_000_000);
/// A good contact has at most 25 mohm, one above 100 mohm is to be replaced: derived from the voltage at which silver
/// softens (0.09 V, Holm), with room for the contact to age.
const GOOD: Millivolts = Millivolts(25);
const BAD: Millivolts = Millivolts(100);

/// All steps of a machine, in order.
#[must_use]
pub fn steps(layout: &Layout, wiring: &Wiring, machine: &MachineWiring) -> Vec<(Stage, Step)> {
    let mut steps = bare(machine);
    steps.extend(soldered(layout, wiring, machine));
    steps.extend(mounted(layout, machine));
    steps
}

fn bare(machine: &MachineWiring) -> Vec<(Stage, Step)> {
    let mut steps = Vec::new();
    if let [Some(one), Some(two)] = [1, 2].map(|lead| at(machine, &Function::Motor(lead))) {
        steps.push(Step::MotorBothWays { motor: [one, two] });
    }
    let contacts = contacts(machine);
    if !contacts.is_empty() {
        for position in [Position::Normal, Position::Reverse] {
            let made = |of: Position| {
                contacts.iter().filter(move |(_, at)| *at == of).map(|(pair, _)| *pair).collect()
            };
            let (beep, silent) = (made(position), made(other(position)));
            steps.push(Step::Beeps { position, beep, silent });
        }
        steps.push(Step::Drop { contacts, at: TEST_CURRENT, good: GOOD, bad: BAD });
    }
    steps.push(Step::Insulated { pairs: apart(machine, are_one_contact) });
    steps.into_iter().map(|step| (Stage::Bare, step)).collect()
}

fn soldered(layout: &Layout, wiring: &Wiring, machine: &MachineWiring) -> Vec<(Stage, Step)> {
    let mut steps = vec![Step::StraysCut];
    let nets = nets(wiring, machine);
    let pairs = apart(machine, |one, two| are_joined(&nets, one, two));
    steps.push(Step::Insulated { pairs });
    for &frog in &machine.frogs {
        let listed = layout.frogs[frog.at()].poles.iter().map(|listed| listed.pole);
        let own = |pole: &PoleIx| layout.poles[pole.at()].machine == machine.machine;
        let poles: Vec<PoleIx> = listed.filter(own).collect();
        if 1 < poles.len() {
            steps.push(Step::BothCarry { frog, poles });
        }
    }
    steps.push(Step::Labelled);
    steps.into_iter().map(|step| (Stage::Soldered, step)).collect()
}

fn mounted(layout: &Layout, machine: &MachineWiring) -> Vec<(Stage, Step)> {
    let mut steps = vec![Step::CentredByPower, Step::ThrowsFully, Step::ChangesOver];
    for &frog in &machine.frogs {
        let it = &layout.frogs[frog.at()];
        let ways =
            [(Position::Normal, it.normal, it.reverse), (Position::Reverse, it.reverse, it.normal)];
        for (position, beep, silent) in ways {
            if beep != Tie::None && beep != silent {
                steps.push(Step::FrogBeeps { frog, position, beep, silent });
            }
        }
    }
    steps.into_iter().map(|step| (Stage::Mounted, step)).collect()
}

const fn other(position: Position) -> Position {
    match position {
        Position::Normal => Position::Reverse,
        Position::Reverse => Position::Normal,
    }
}

fn at(machine: &MachineWiring, function: &Function) -> Option<usize> {
    machine.terminals.iter().position(|it| it.function == *function)
}

/// Common and throw of every pole, with the position in which they are joined.
fn contacts(machine: &MachineWiring) -> Vec<(Two, Position)> {
    let mut found = Vec::new();
    for (common, terminal) in machine.terminals.iter().enumerate() {
        let Function::Contact(pole, Throw::Common) = terminal.function else { continue };
        for (throw, position) in
            [(Throw::Normal, Position::Normal), (Throw::Reverse, Position::Reverse)]
        {
            let end = at(machine, &Function::Contact(pole, throw));
            found.extend(end.map(|end| ([common, end], position)));
        }
    }
    found
}

/// Neighbours for which `joined` does not hold.
fn apart(machine: &MachineWiring, joined: impl Fn(&Function, &Function) -> bool) -> Vec<Two> {
    let all = &machine.terminals;
    let pairs = (1..all.len()).map(|at| [at - 1, at]);
    pairs.filter(|[one, two]| !joined(&all[*one].function, &all[*two].function)).collect()
}

/// A contact joins its common to either throw, and never one throw to the other.
fn are_one_contact(one: &Function, two: &Function) -> bool {
    match (one, two) {
        (Function::Contact(pole, throw), Function::Contact(other, its)) => {
            pole == other && (*throw == Throw::Common || *its == Throw::Common)
        }
        (Function::Motor(_), Function::Motor(_)) => true,
        (Function::Motor(_) | Function::Contact(..) | Function::Other(..), _) => false,
    }
}

/// Terminals that wires join, and the contacts on them: those that may beep once all is soldered.
fn nets(wiring: &Wiring, machine: &MachineWiring) -> Vec<Vec<Function>> {
    let mut nets: Vec<Vec<Function>> = Vec::new();
    let own = |place: &Place| match place {
        Place::Terminal(of, function) if *of == machine.machine => Some(function.clone()),
        _ => None,
    };
    for wire in wiring.of(machine) {
        let ends: Vec<Function> = [own(&wire.from), own(&wire.to)].into_iter().flatten().collect();
        match nets.iter_mut().find(|net| ends.iter().any(|end| net.contains(end))) {
            Some(net) => net.extend(ends),
            None => nets.push(ends),
        }
    }
    nets
}

/// Directly, or through a contact in one position or the other.
fn are_joined(nets: &[Vec<Function>], one: &Function, two: &Function) -> bool {
    let net = |of: &Function| nets.iter().find(|net| net.contains(of));
    let alone = |of: &Function| vec![of.clone()];
    let ones = net(one).cloned().unwrap_or_else(|| alone(one));
    let twos = net(two).cloned().unwrap_or_else(|| alone(two));
    ones.iter().any(|a| twos.iter().any(|b| a == b || are_one_contact(a, b)))
}

/// A pole that feeds no frog and has no other use.
#[must_use]
pub fn spare_poles(machine: &MachineWiring) -> usize {
    let is_spare = |it: &&super::Terminal| {
        it.purpose == Purpose::Spare && matches!(it.function, Function::Contact(_, Throw::Common))
    };
    machine.terminals.iter().filter(is_spare).count()
}
