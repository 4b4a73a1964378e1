//! What was found wrong at a machine when it was tried, and which wires to look at: the remedies of commissioning.
//!
//! The layout file is right here and the wires are not: the text tells the terminal, and where its wire belongs.

use crate::{
    check::{tie_words, wire_label},
    index::{FrogIx, MachineIx, PoleIx},
    layout::{Layout, Position, Tie},
    terminals::Throw,
};

/// What a frog did when its machine was tried in both positions.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Found {
    /// On the wrong rail: in both positions, or in the one that was seen.
    Swapped,
    /// On the wrong rail in this position alone.
    Stays(Position),
    /// Dead in this position alone.
    DeadIn(Position),
    /// Dead in both positions.
    Dead,
}

/// What to do about it, as one or two sentences.
#[must_use]
pub fn remedy(layout: &Layout, frog: FrogIx, machine: MachineIx, found: Found) -> String {
    let id = &layout.machines[machine.at()].id;
    match found {
        Found::Swapped => {
            let both = wires(layout, frog, machine, &[Throw::Normal, Throw::Reverse]);
            format!("Swap the wires on {both} at {id}.")
        }
        Found::Stays(at) => {
            let (wire, to) = there(layout, frog, machine, at);
            format!(
                "Move the wire on {wire} at {id} to {to}. If it is there, the contact does not open: use a spare pole."
            )
        }
        Found::DeadIn(at) => {
            let (wire, to) = there(layout, frog, machine, at);
            format!(
                "Check the wire on {wire} at {id}: it goes to {to}. If it is good, the contact is not."
            )
        }
        Found::Dead => {
            let wire = wires(layout, frog, machine, &[Throw::Common]);
            format!("Check the frog wire on {wire} at {id}, and that the rails have power.")
        }
    }
}

/// The terminals of the motor: `M1 and M2`, or `the motor` where the file gives no labels.
#[must_use]
pub fn motor(layout: &Layout, machine: MachineIx) -> String {
    match layout.machines[machine.at()].terminals.get("motor").map(Vec::as_slice) {
        Some([one, two, ..]) => format!("{one} and {two}"),
        Some(_) | None => "the motor".to_owned(),
    }
}

/// The contact that is closed in a position, and its tie.
fn there(layout: &Layout, frog: FrogIx, machine: MachineIx, at: Position) -> (String, String) {
    let it = &layout.frogs[frog.at()];
    let (throw, tie): (Throw, Tie) = match at {
        Position::Normal => (Throw::Normal, it.normal),
        Position::Reverse => (Throw::Reverse, it.reverse),
    };
    (wires(layout, frog, machine, &[throw]), tie_words(layout, tie))
}

/// The terminals of the poles of a machine that feed a frog: `N1 and R1`, or `N1 and R1, and N2 and R2`.
#[must_use]
pub fn wires(layout: &Layout, frog: FrogIx, machine: MachineIx, throws: &[Throw]) -> String {
    let poles = layout.frogs[frog.at()].poles.iter().map(|it| it.pole);
    let own = poles.filter(|pole| layout.poles[pole.at()].machine == machine);
    let of_pole = |pole: PoleIx| {
        let labels: Vec<_> = throws.iter().map(|it| wire_label(layout, pole, *it)).collect();
        labels.join(" and ")
    };
    own.map(of_pole).collect::<Vec<_>>().join(", and ")
}
