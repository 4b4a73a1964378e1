//! Somebody under the simulated table, who holds lamp and coin to the rails where commissioning asks for it.

use std::{
    sync::Arc,
    time::{Duration, Instant},
};

use circuit::{
    grid::{Bridge, Ohms, Terminal},
    study::place::{Place, Spot, places},
};
use dashboard::Window;
use supervision::commission::Wants;
use wiring::layout::{Conductor, Layout};

/// From what is asked for to the rails.
const REACTS: Duration = Duration::from_millis(1000);
/// A coin stays no longer, whatever comes of it.
const COIN_FOR: Duration = Duration::from_millis(2000);
/// A lamp of half an ampere at 15 V: beside a train it stays below what a limited supply may give.
const LAMP: Ohms = Ohms(30.0);
/// A coin, pressed on two rails.
const COIN: Ohms = Ohms(0.03);

/// Somebody under the table.
pub(super) struct Helper {
    window: Arc<Window>,
    places: Vec<Place>,
    /// What is asked for, since when.
    wants: (Wants, Instant),
}

impl Helper {
    pub(super) fn new(window: Arc<Window>, layout: &Layout, now: Instant) -> Self {
        Self { window, places: places(layout), wants: (Wants::Nothing, now) }
    }

    /// What lies between rails now, and whether it is a load.
    pub(super) fn hold(&mut self, now: Instant) -> Vec<(Bridge, bool)> {
        let asked = {
            let view = self.window.newest();
            let all = view.snapshot.sessions.iter().map(|it| &it.wants);
            // One pair of hands: who began first is served first.
            all.into_iter().find(|it| **it != Wants::Nothing).cloned().unwrap_or(Wants::Nothing)
        };
        if asked != self.wants.0 {
            self.wants = (asked, now);
        }
        let (wants, since) = &self.wants;
        let passed = now.duration_since(*since);
        if passed < REACTS {
            return Vec::new();
        }
        match wants {
            Wants::Nothing => Vec::new(),
            Wants::LampAcross(block) => {
                let [a, b] = rails(*block);
                vec![(Bridge { from: a, to: b, resistance: LAMP }, true)]
            }
            // Only the one on the rail that the frog does not match has volts.
            Wants::LampAtFrog(frog) => {
                let from = Terminal::Frog(*frog);
                let block = self.places.iter().find(|it| it.spot == Spot::Frog(*frog));
                let ends = block.map(|it| rails(it.block)).into_iter().flatten();
                ends.map(|to| (Bridge { from, to, resistance: LAMP }, true)).collect()
            }
            Wants::Coin(place) => {
                let spot = self.places.iter().find(|it| it.at == *place).map(|it| it.spot);
                match spot {
                    Some(Spot::Rails(from, to)) if passed < REACTS + COIN_FOR => {
                        vec![(Bridge { from, to, resistance: COIN }, false)]
                    }
                    Some(Spot::Rails(..) | Spot::Frog(_)) | None => Vec::new(),
                }
            }
        }
    }
}

fn rails(block: wiring::index::BlockIx) -> [Terminal; 2] {
    [Conductor::A, Conductor::B].map(|conductor| Terminal::Block(block, conductor))
}
