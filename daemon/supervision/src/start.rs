//! What a supervisor starts from: how power is found, and what the history remembers.

use wiring::{
    index::{DistrictIx, FrogIx, PoleIx},
    units::{MicroA2s, Mono},
};

use crate::{
    alarm::{AlarmKey, AlarmState},
    cause::Cause,
    input::Transport,
    record::FaultNumber,
    snapshot::Hand,
};

/// How power is found at the start.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum StartPower {
    /// Real outputs: those found on stay on, those found off stay off until an operator restores (`power-on = "ask"`)
    /// or are switched on (`"auto"`).
    Live,
    /// A journal: on where feedback says so or current is seen, else unknown. Nothing is ordered until a rule asks.
    Journal,
}

/// Everything a supervisor starts from.
#[derive(Clone, Debug)]
pub struct Start {
    /// How power is found.
    pub power: StartPower,
    /// Transport of channels that no node has announced: it decides how long silence and proof may take.
    pub transport: Transport,
    /// What came back from the history.
    pub remembered: Remembered,
}

impl Start {
    /// Over a journal, with nothing remembered.
    #[must_use]
    pub fn journal() -> Self {
        Self {
            power: StartPower::Journal,
            transport: Transport::Journal,
            remembered: Remembered::default(),
        }
    }

    /// On a real layout.
    #[must_use]
    pub fn live(remembered: Remembered) -> Self {
        Self { power: StartPower::Live, transport: Transport::Mqtt, remembered }
    }
}

/// What survives a restart. Everything measured is asked afresh.
#[derive(Clone, Debug, Default)]
pub struct Remembered {
    /// Number of the next fault; 0 counts as 1.
    pub next_fault: u32,
    /// Districts that are locked out: they stay so until an operator restores.
    pub locked_out: Vec<LockedOut>,
    /// Alarms that were not normal.
    pub alarms: Vec<RememberedAlarm>,
    /// What each pole has carried, by pole; missing ones have carried nothing.
    pub ledger: Vec<LedgerEntry>,
    /// Frogs whose two poles were both proved to carry at commissioning.
    pub proved_pairs: Vec<FrogIx>,
    /// What commissioning left, by machine; missing ones were never in commissioning.
    pub commissioning: Vec<crate::commission::Remembered>,
    /// How often an operator named a frog as the culprit of an earlier fault.
    pub culprits: Vec<(FrogIx, u32)>,
}

/// A district that is locked out.
#[derive(Clone, Copy, Debug)]
pub struct LockedOut {
    /// Which.
    pub district: DistrictIx,
    /// Why.
    pub cause: Option<Cause>,
    /// The fault that did it.
    pub fault: Option<FaultNumber>,
}

/// An alarm that was not normal when Checkrail stopped.
#[derive(Clone, Debug)]
pub struct RememberedAlarm {
    /// Which.
    pub alarm: AlarmKey,
    /// Its state.
    pub state: AlarmState,
    /// Its text.
    pub text: String,
    /// When a shelving ends, on the new run's time axis.
    pub shelved_until: Option<Mono>,
    /// Who acknowledged it, shelved it or took it out of service.
    pub by: Option<Hand>,
}

/// What one pole has carried.
#[derive(Clone, Copy, Debug)]
pub struct LedgerEntry {
    /// The pole.
    pub pole: PoleIx,
    /// Fault currents carried.
    pub hits: u32,
    /// Their energy.
    pub energy: MicroA2s,
}
