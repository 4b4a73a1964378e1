//! Words that messages and remedies share.

use crate::{
    index::{FrogIx, MachineIx, PoleIx, TrackIx},
    layout::{Frog, Layout, Position, Side, Tie},
    netlist::{Netlist, Piece, StrandIx},
    polarity::FrogProof,
    terminals::Throw,
};

/// A tied terminal of a pole.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Terminal {
    Normal,
    Reverse,
}

pub(super) const fn side_word(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

/// `the left stock rail`, `the right rail of a-left`, `conductor A`, `nothing`.
pub(crate) fn tie_words(layout: &Layout, tie: Tie) -> String {
    match tie {
        Tie::Stock(side) => format!("the {} stock rail", side_word(side)),
        Tie::PortRail(port, side) => format!("the {} rail of {}", side_word(side), port.word()),
        Tie::Bus(conductor) => format!("conductor {}", conductor.word()),
        Tie::ForeignBus(district, conductor) => {
            let id = &layout.districts[district.at()].id;
            format!("conductor {} of district {id}", conductor.word())
        }
        Tie::None => "nothing".to_owned(),
    }
}

/// `N1`, where the file gives labels.
pub(super) fn label(layout: &Layout, pole: PoleIx, terminal: Terminal) -> Option<&str> {
    let it = layout.poles[pole.at()];
    let labels = layout.machines[it.machine.at()].terminals.get(&format!("pole-{}", it.number))?;
    let position = match terminal {
        Terminal::Normal => 1,
        Terminal::Reverse => 2,
    };
    labels.get(position).map(String::as_str)
}

/// `N1`, or `the normal contact of pole 1` where the file gives no labels.
pub(super) fn terminal(layout: &Layout, pole: PoleIx, terminal: Terminal) -> String {
    let number = layout.poles[pole.at()].number;
    let word = match terminal {
        Terminal::Normal => "normal contact",
        Terminal::Reverse => "reverse contact",
    };
    let label = label(layout, pole, terminal).map(str::to_owned);
    label.unwrap_or_else(|| format!("the {word} of pole {number}"))
}

/// The label of a terminal of a pole, or its words.
pub(crate) fn wire_label(layout: &Layout, pole: PoleIx, throw: Throw) -> String {
    let it = layout.poles[pole.at()];
    let labels = layout.machines[it.machine.at()].terminals.get(&format!("pole-{}", it.number));
    let place = Throw::ALL.iter().position(|it| *it == throw).unwrap_or(0);
    labels.and_then(|labels| labels.get(place)).cloned().unwrap_or_else(|| {
        let word = if throw == Throw::Common { "" } else { " contact" };
        format!("the {}{word} of pole {}", throw.word(), it.number)
    })
}

/// `one`, `one and two`, `one, two and three`.
pub(super) fn and(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// The file's label of a machine.
pub(super) fn machine(layout: &Layout, machine: MachineIx) -> &str {
    &layout.machines[machine.at()].id
}

/// `T1 normal, T2 reverse`: a row of a proof.
pub(super) fn row_words(layout: &Layout, proof: &FrogProof, row: usize) -> String {
    let words: Vec<_> = proof.positions(row).map(|it| position_words(layout, it)).collect();
    words.join(", ")
}

pub(super) fn position_words(layout: &Layout, (of, position): (MachineIx, Position)) -> String {
    format!("{} {}", machine(layout, of), position.word())
}

/// `with T1 normal` for one row; `in both positions of T1` for all rows of one machine; else every row.
pub(super) fn rows_words(layout: &Layout, proof: &FrogProof, rows: &[usize]) -> String {
    if let ([only], 2) = (proof.machines.as_slice(), rows.len()) {
        return format!("in both positions of {}", machine(layout, *only));
    }
    if proof.machines.is_empty() {
        return "always".to_owned();
    }
    let rows: Vec<_> = rows.iter().map(|row| row_words(layout, proof, *row)).collect();
    format!("with {}", rows.join(" or "))
}

/// `track/q1-main`, `trackwork/T1`.
pub(super) fn piece(net: &Netlist<'_>, strand: StrandIx) -> String {
    match net.strands[strand.at()].piece {
        Piece::Track(track) => format!("track/{}", net.layout.tracks[track.at()].id),
        Piece::Trackwork(it, _) => format!("trackwork/{}", net.layout.trackwork[it.at()].id),
    }
}

/// Where a strand is written.
pub(super) fn piece_span(net: &Netlist<'_>, strand: StrandIx) -> crate::layout::Span {
    match net.strands[strand.at()].piece {
        Piece::Track(track) => net.layout.tracks[track.at()].span,
        Piece::Trackwork(it, _) => net.layout.trackwork[it.at()].span,
    }
}

pub(super) fn track(layout: &Layout, track: TrackIx) -> &str {
    &layout.tracks[track.at()].id
}

pub(super) fn frog(layout: &Layout, frog: FrogIx) -> &Frog {
    &layout.frogs[frog.at()]
}
