//! The rows that change. Numbers are rounded here, so that noise below what the page can show sends nothing.

use serde::{Serialize, Serializer, ser::SerializeMap};
use supervision::{
    input::{MachinePosition, MeasuredPolarity},
    output::{ExpectedPolarity, PowerState},
    snapshot::{BlockView, FeedView, FrogView, MachineView, Measured, NodeView},
    words,
};
use wiring::{
    layout::Layout,
    units::{Microamps, Millivolts, Mono},
};

use super::{fixed::TurnoutFacts, sessions::ProofRow};
use crate::view::{LinkView, UnusableView, View};

/// Currents are rounded to this before they are compared. Unit: mA.
const DEAD_BAND_MA: i64 = 10;

/// A row with what it was before: only the fields that differ are sent.
pub(crate) struct Diff<'a, T> {
    pub(crate) old: Option<&'a T>,
    pub(crate) new: &'a T,
}

/// Sends of a row what differs. A field that is not named here does not compile.
macro_rules! diff {
    ($row:ident { $($field:ident),+ $(,)? }) => {
        impl Serialize for Diff<'_, $row> {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                let $row { $($field),+ } = self.new;
                let mut map = serializer.serialize_map(None)?;
                $(
                    if self.old.is_none_or(|old| old.$field != *$field) {
                        map.serialize_entry(stringify!($field), $field)?;
                    }
                )+
                map.end()
            }
        }
    };
}

diff!(FeedRow {
    power,
    ma,
    ma_old,
    mv,
    mv_old,
    locked_out,
    cause,
    cause_text,
    fault,
    held_by,
    tries,
    protected,
    residual_ma,
});
diff!(BlockRow { ma, ma_old, occupied, held });
diff!(TurnoutRow {
    position,
    old,
    told,
    asked,
    expected,
    measured,
    frog,
    load,
    ma,
    heat,
    estimated,
    hits,
    throws,
    throw_ms,
    proof,
});

/// A booster or district.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct FeedRow {
    /// `unknown on cutting cut cut-failed restoring`.
    pub(crate) power: &'static str,
    /// Last good current; none was ever seen when absent.
    pub(crate) ma: Option<i64>,
    /// Its current is too old to act upon.
    pub(crate) ma_old: bool,
    /// Last good voltage.
    pub(crate) mv: Option<i64>,
    /// Its voltage is too old to act upon.
    pub(crate) mv_old: bool,
    pub(crate) locked_out: bool,
    /// Why it is off: the wire word.
    pub(crate) cause: Option<&'static str>,
    /// Why it is off, in words.
    pub(crate) cause_text: Option<String>,
    /// The fault that cut it.
    pub(crate) fault: Option<u32>,
    pub(crate) held_by: Vec<String>,
    pub(crate) tries: u8,
    pub(crate) protected: bool,
    /// Current below this counts as none.
    pub(crate) residual_ma: i64,
}

impl FeedRow {
    pub(crate) fn new(layout: &Layout, it: &FeedView) -> Self {
        // A cause is shown for what is off, not for what was off once.
        let cause = it.cause.filter(|_| it.power != PowerState::On);
        Self {
            power: it.power.word(),
            ma: it.current.map(|seen| rounded(seen.value)),
            ma_old: it.current.is_some_and(|seen| seen.stale),
            mv: it.voltage.map(|seen| volts(seen.value)),
            mv_old: it.voltage.is_some_and(|seen| seen.stale),
            locked_out: it.locked_out,
            cause: cause.map(|it| it.word()),
            cause_text: cause.map(|it| words::cause_text(it, layout)),
            fault: it.fault.map(|number| number.0),
            held_by: it.held_by.clone(),
            tries: it.tries,
            protected: it.protected,
            residual_ma: rounded(it.residual),
        }
    }
}

impl FeedRow {
    /// It is as powered, for the same reason; currents do not count.
    pub(crate) fn stands_as(&self, other: &Self) -> bool {
        let key = |it: &Self| (it.power, it.locked_out, it.cause, it.fault);
        key(self) == key(other)
    }
}

/// A block.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct BlockRow {
    pub(crate) ma: Option<i64>,
    pub(crate) ma_old: bool,
    /// `yes no unknown`.
    pub(crate) occupied: &'static str,
    /// Occupancy is held, not read.
    pub(crate) held: bool,
}

impl BlockRow {
    pub(crate) fn new(it: &BlockView) -> Self {
        Self {
            ma: it.current.map(|seen| rounded(seen.value)),
            ma_old: it.current.is_some_and(|seen| seen.stale),
            occupied: it.occupancy.word(),
            held: it.occupancy.is_held(),
        }
    }
}

/// A frog with its machine and contacts.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct TurnoutRow {
    /// `normal reverse moving unknown`; none: never seen.
    pub(crate) position: Option<&'static str>,
    /// Position or polarity is only the last known.
    pub(crate) old: bool,
    /// When the position was last told.
    pub(crate) told: Option<i64>,
    pub(crate) asked: Option<&'static str>,
    /// `A B none unknown`.
    pub(crate) expected: &'static str,
    /// `A B dead`; none: not measured.
    pub(crate) measured: Option<&'static str>,
    /// See [`verdict`].
    pub(crate) frog: &'static str,
    /// Current through the contact that carries most, in percent of its rating.
    pub(crate) load: u32,
    /// The same in mA.
    pub(crate) ma: i64,
    /// Thermal image of the hottest contact, percent.
    pub(crate) heat: u32,
    /// Load and heat are estimated.
    pub(crate) estimated: bool,
    pub(crate) hits: u32,
    pub(crate) throws: u32,
    /// Time of the last complete throw. Unit: ms.
    pub(crate) throw_ms: Option<u64>,
    /// What commissioning proved of its machine; none: nothing so far.
    pub(crate) proof: Option<ProofRow>,
}

impl TurnoutRow {
    pub(crate) fn new(layout: &Layout, it: &TurnoutFacts, view: &View) -> Self {
        let snapshot = &view.snapshot;
        let machine = snapshot.machines.get(it.machine_ix.at());
        let frog = snapshot.frogs.get(it.frog_ix.at());
        let position = machine.and_then(|it| it.position);
        let mut row = Self {
            position: position.map(|seen| seen.value.word()),
            old: is_old(position) || is_old(frog.and_then(|it| it.measured)),
            told: position.map(|seen| view.wall_of(seen.at)),
            asked: machine.and_then(|it| it.asked).map(|asked| asked.word()),
            expected: frog.map_or("unknown", |it| it.expected.word()),
            measured: frog.and_then(|it| it.measured).map(|seen| seen.value.word()),
            frog: verdict(machine, frog),
            load: 0,
            ma: 0,
            heat: 0,
            estimated: false,
            hits: 0,
            throws: machine.map_or(0, |it| it.throws),
            throw_ms: machine.and_then(|it| it.last_throw).map(|span| span.0 / 1000),
            proof: snapshot
                .proofs
                .get(it.machine_ix.at())
                .and_then(|proof| ProofRow::new(proof, view)),
        };
        row.add_contacts(layout, it, view);
        row
    }

    fn add_contacts(&mut self, layout: &Layout, it: &TurnoutFacts, view: &View) {
        let rating = layout.machines[it.machine_ix.at()].contact_rating.0.max(1);
        let poles = it.pole_ixs.iter().filter_map(|pole| view.snapshot.poles.get(pole.at()));
        for pole in poles {
            let load = (pole.current.0.saturating_mul(100) / rating).clamp(0, 9999);
            self.load = self.load.max(u32::try_from(load).unwrap_or(0));
            self.ma = self.ma.max(rounded(pole.current));
            self.heat = self.heat.max(pole.image / 10);
            self.estimated |= pole.estimated;
            self.hits = self.hits.max(pole.hits);
        }
    }
}

fn is_old<T>(seen: Option<Measured<T>>) -> bool {
    seen.is_some_and(|it| it.stale)
}

/// How a frog stands: `matches`, `wrong`, `no-power` (its district is off), `dead` (powered and yet dead), `moving`,
/// `unknown` (no position to judge against), `wired-dead` or `not-measured`.
fn verdict(machine: Option<&MachineView>, frog: Option<&FrogView>) -> &'static str {
    let position = machine.and_then(|it| it.position).map(|it| it.value);
    let Some(frog) = frog else { return "not-measured" };
    match (position, frog.measured.map(|it| it.value), frog.expected) {
        (Some(MachinePosition::Moving), ..) => "moving",
        (_, None, _) => "not-measured",
        // Said before power went, and not said to be over.
        _ if frog.mismatched => "wrong",
        _ if !frog.powered => "no-power",
        (None | Some(MachinePosition::Unknown), ..) | (_, _, ExpectedPolarity::Unknown) => {
            "unknown"
        }
        (_, Some(MeasuredPolarity::Dead), ExpectedPolarity::None) => "wired-dead",
        (_, Some(MeasuredPolarity::Dead), ExpectedPolarity::On(_)) => "dead",
        (_, Some(MeasuredPolarity::On(_)), ExpectedPolarity::None) => "wrong",
        (_, Some(MeasuredPolarity::On(seen)), ExpectedPolarity::On(wanted)) => {
            // Not yet wrong for long enough to say so is still under way.
            if seen == wanted { "matches" } else { "unknown" }
        }
    }
}

/// A node.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct NodeRow {
    pub(crate) name: String,
    pub(crate) up: bool,
    /// Time since its last sign of life where that is noteworthy: 0 below two seconds. Unit: s.
    pub(crate) silent: u64,
}

impl NodeRow {
    pub(crate) fn new(now: Mono, it: &NodeView) -> Self {
        let silent = now.since(it.heard).0 / 1_000_000;
        Self { name: it.name.clone(), up: it.up, silent: if silent < 2 { 0 } else { silent } }
    }
}

/// A link.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct LinkRow {
    pub(crate) name: String,
    pub(crate) up: bool,
    pub(crate) text: String,
    /// Messages that could not be used.
    pub(crate) unusable: u64,
    pub(crate) last_unusable: Option<UnusableView>,
}

impl LinkRow {
    pub(crate) fn new(it: &LinkView) -> Self {
        let LinkView { name, up, text, unusable, last_unusable } = it.clone();
        Self { name, up, text, unusable, last_unusable }
    }
}

fn rounded(current: Microamps) -> i64 {
    let milli = current.0 / 1000;
    (milli + milli.signum() * DEAD_BAND_MA / 2) / DEAD_BAND_MA * DEAD_BAND_MA
}

const fn volts(voltage: Millivolts) -> i64 {
    voltage.0 / 100 * 100
}
