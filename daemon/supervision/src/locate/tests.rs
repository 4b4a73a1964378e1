//! Evidence as it is found in a district, for the tests of each subject.

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, ReverserIx},
    layout::{Conductor, Position},
    trackwork::Port,
    units::{Microohms, Micros},
};

use super::*;
use crate::words::{accused_name, sample};

mod advice;
mod laws;
mod ranking;
mod signs;

const QUARRY: DistrictIx = DistrictIx(0);

fn ms(millis: u64) -> Micros {
    Micros::from_millis(millis)
}

/// A turnout at rest with nobody near, its frog as it should be.
fn quiet(at: u32) -> FrogFacts {
    FrogFacts {
        polarity: PolaritySign::Matches,
        machine: MachineSign::AtRest(Position::Normal),
        around: Around::Clear,
        was_good_here: true,
        ..FrogFacts::of(FrogIx(at))
    }
}

fn entered(at: u32) -> FrogFacts {
    FrogFacts {
        around: Around::Occupied,
        wrong_leg: Some(WrongLeg {
            port: Port::Right,
            block: BlockIx(1),
            edge: Some(ms(300)),
            came: Came::NotKnown,
        }),
        ..quiet(at)
    }
}

fn thrown(at: u32, around: Around) -> FrogFacts {
    FrogFacts {
        machine: MachineSign::Thrown(MachineIx(at), ms(1200)),
        around,
        train_on_it: around == Around::Occupied,
        was_good_here: false,
        ..quiet(at)
    }
}

fn lined(at: u32) -> FrogFacts {
    FrogFacts { around: Around::Occupied, lined_train: true, ..quiet(at) }
}

fn block(at: u32, step: Step, occupied: bool) -> BlockFacts {
    BlockFacts {
        block: BlockIx(at),
        step,
        occupied: Some(occupied),
        edge: occupied.then(|| ms(200)),
    }
}

/// A district that had carried trains for an hour, with these turnouts, and a train about.
fn running(frogs: Vec<FrogFacts>) -> Evidence {
    Evidence {
        shape: Shape::Flat,
        powered_for: Some(ms(3_600_000)),
        movement: Some(true),
        frogs,
        ..Evidence::of(QUARRY)
    }
}

/// The suspects as text: `frog/T4 912, object 40, …`.
fn ranked(evidence: &Evidence) -> String {
    let layout = sample::layout();
    let suspects = rank(evidence, &layout);
    let each =
        suspects.iter().map(|it| format!("{} {}", accused_name(&layout, it.accused), it.share));
    each.collect::<Vec<_>>().join(", ")
}

fn check(name: &str, evidence: &Evidence, first: &str, at_least: u32) {
    let got = ranked(evidence);
    let (subject, share) = got.split(", ").next().and_then(|it| it.split_once(' ')).expect("one");
    assert_eq!(subject, first, "{name}: {got}");
    let share: u32 = share.parse().expect("a number");
    assert!(share >= at_least, "{name}: {got}");
}

/// Signs of one suspect.
fn signs_of(evidence: &Evidence, accused: Accused) -> Vec<Sign> {
    let all = signed(evidence, &sample::layout());
    all.into_iter().find(|it| it.accused == accused).map(|it| it.signs).unwrap_or_default()
}
