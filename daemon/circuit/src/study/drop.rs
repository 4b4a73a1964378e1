//! Voltage-drop study: what a train finds on the rails.

use wiring::units::Microamps;

use super::{
    base::{Base, Change, Solved},
    place::{Place, Spot},
};
use crate::grid::Volts;

/// Most corrections of the load's resistance until it draws its current; one is enough without lamps.
const ROUNDS: usize = 30;

/// The current is met to this part.
const MET: f64 = 1e-9;

/// Voltage at a train.
#[derive(Clone, Debug, PartialEq)]
pub struct Drop {
    /// The place, as in [`super::Short::at`].
    pub at: String,
    /// Voltage there under the load; zero where the circuit cannot drive the load at all.
    pub volts: Volts,
    /// Part of the booster's voltage that is lost. Unit: percent.
    pub percent: f64,
}

/// The drop at a place under a constant current; at a frog in its worst position. None at a place without power.
pub(super) fn drop(base: &mut Base, place: &Place, load: Microamps) -> Option<Drop> {
    let booster = base.booster_of(place.district);
    let full = base.layout.boosters[booster.at()].volts.volts();
    let volts = match place.spot {
        Spot::Rails(one, other) => {
            let nodes = [base.node(one), base.node(other)];
            let open = base.open_volts(nodes[0], nodes[1])?.abs();
            let mut at = |ohms| base.rails(place.district, nodes, ohms);
            (open > 0.0).then(|| loaded(&mut at, open, load.amps()))?
        }
        Spot::Frog(frog) => {
            let mut worst: Option<f64> = None;
            for fault in base.frog_faults(frog) {
                let mut at = |ohms| base.frog(&fault, ohms, &Change::NONE);
                let volts = loaded(&mut at, full, load.amps());
                worst = Some(worst.map_or(volts, |worst| worst.min(volts)));
            }
            worst?
        }
    };
    Some(Drop { at: place.at.clone(), volts: Volts(volts), percent: (1.0 - volts / full) * 100.0 })
}

/// Voltage across a resistance that is corrected until it draws `load`.
fn loaded(at: &mut dyn FnMut(f64) -> Solved, open: f64, load: f64) -> f64 {
    if load <= 0.0 || at(0.0).amps <= load {
        return if load <= 0.0 { open } else { 0.0 };
    }
    let mut ohms = open / load;
    for _ in 0..ROUNDS {
        let amps = at(ohms).amps;
        if (amps - load).abs() <= MET * load {
            break;
        }
        // What the circuit itself loses at this current is what the load must not have.
        let lost = (open / amps - ohms).max(0.0);
        ohms = (open / load - lost).max(0.0);
    }
    ohms * load
}
