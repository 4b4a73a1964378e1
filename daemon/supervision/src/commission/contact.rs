//! The contacts of a machine under test: volts across them at a known current.

use wiring::{
    layout::Position,
    units::{Microamps, Microohms, Millivolts},
};

/// Below this a film on the contact is not seen: the load of a small lamp (R41 of the reference).
pub(crate) const LEAST: Microamps = Microamps::from_milliamps(200);
/// Above `WATCH` a contact is watched, above `WEAK` it fails (R25 of the reference: watch above 50 milliohm, replace
/// above 100).
const WATCH: Microohms = Microohms(50_000);
const WEAK: Microohms = Microohms(100_000);
/// With one of two poles lifted the drop must rise to this many percent, else the lifted one did not carry. Equal poles
/// double it. Common practice, no source.
const RISES: u64 = 130;
/// Measurements wanted, each after a throw.
pub(crate) const THROWS: usize = 4;

/// One measurement.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct Drop {
    pub(crate) position: Position,
    pub(crate) ohms: Microohms,
}

/// The measurements.
#[derive(Clone, Debug, Default)]
pub(crate) struct ContactCheck {
    pub(crate) drops: Vec<Drop>,
    /// With a pole lifted: its number, position, ohms.
    lifted: Vec<(u8, Drop)>,
}

/// How good the contacts are.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Grade {
    /// As new, or nearly.
    Good,
    /// It carries; look at it again.
    Watch,
    /// It does not do.
    Weak,
}

impl ContactCheck {
    /// A measurement. A second one in the same position replaces the first: only a throw makes another.
    pub(crate) fn handle(
        &mut self,
        position: Position,
        drop: Millivolts,
        amps: Microamps,
        lifted: Option<u8>,
    ) {
        let drop = Drop { position, ohms: ohms(drop, amps) };
        if let Some(pole) = lifted {
            self.lifted.retain(|(it, _)| *it != pole);
            self.lifted.push((pole, drop));
            return;
        }
        if self.drops.len() == THROWS {
            self.drops.clear();
        }
        match self.drops.last_mut() {
            Some(last) if last.position == position => *last = drop,
            Some(_) | None => self.drops.push(drop),
        }
    }

    /// All wanted are there.
    pub(crate) fn is_complete(&self) -> bool {
        self.drops.len() == THROWS
    }

    /// The worst of them.
    pub(crate) fn worst(&self) -> Option<Drop> {
        self.drops.iter().copied().max_by_key(|it| it.ohms)
    }

    /// How good, by the worst.
    pub(crate) fn grade(&self) -> Option<Grade> {
        self.worst().map(|worst| match worst.ohms {
            ohms if WEAK < ohms => Grade::Weak,
            ohms if WATCH < ohms => Grade::Watch,
            _ => Grade::Good,
        })
    }

    /// Whether each of two poles carries its part; none: not measured with each of them lifted.
    pub(crate) fn both_carry(&self, poles: &[u8]) -> Option<bool> {
        if poles.len() != 2 {
            return None;
        }
        let mut all = true;
        for pole in poles {
            let (_, lifted) = self.lifted.iter().find(|(it, _)| it == pole)?;
            let whole = self.drops.iter().rev().find(|it| it.position == lifted.position)?;
            all &= whole.ohms.0.saturating_mul(RISES) < lifted.ohms.0.saturating_mul(100);
        }
        Some(all)
    }

    /// Poles that were lifted so far.
    pub(crate) fn lifted(&self) -> impl Iterator<Item = u8> + '_ {
        self.lifted.iter().map(|(pole, _)| *pole)
    }
}

fn ohms(drop: Millivolts, amps: Microamps) -> Microohms {
    let micro = i128::from(drop.0.max(0)) * 1_000_000_000 / i128::from(amps.0.max(1));
    Microohms(u64::try_from(micro).unwrap_or(u64::MAX))
}

impl Grade {
    /// It passes.
    pub(crate) const fn passes(self) -> bool {
        match self {
            Self::Good | Self::Watch => true,
            Self::Weak => false,
        }
    }
}
