//! The JSON form of a fault and its neighbours: what the database holds, the API answers and `faults --as json` prints.
//!
//! Currents in A, voltages in V, energies in A2s, spans in ms, instants as RFC 3339 in UTC. Objects by name.

use serde::{Deserialize, Serialize};

/// One line of the fault list.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Summary {
    /// The fault's number.
    pub fault: u32,
    /// Id of the district.
    pub district: String,
    /// The cause's word: an alarm kind.
    pub cause: String,
    /// The cause in words.
    pub text: String,
    /// When power was cut, or the alarm decided. RFC 3339, UTC.
    pub trigger: String,
    /// The same. Unit: microseconds since 1970.
    pub trigger_us: i64,
    /// Highest current. Unit: A. None while the record is open.
    pub peak: Option<f64>,
    /// From onset until current was gone. Unit: ms.
    pub cleared_ms: Option<f64>,
    /// The first suspect: `frog/T14`, `object` …
    pub suspect: Option<String>,
    /// Its share, of 1.
    pub share: Option<f64>,
    /// The suspect that a person named.
    pub named: Option<String>,
    /// The record is whole: its window closed and it was saved.
    pub complete: bool,
    /// What is left of its samples.
    pub samples: Samples,
}

/// What is left of a fault's samples.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Samples {
    /// All.
    Kept,
    /// They were removed to bound age or size; everything else is kept.
    Pruned,
    /// There never were any: the record was not finished.
    None,
}

impl Samples {
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::Pruned => "pruned",
            Self::None => "none",
        }
    }

    pub(crate) fn from_word(word: &str) -> Self {
        match word {
            "kept" => Self::Kept,
            "pruned" => Self::Pruned,
            _ => Self::None,
        }
    }
}

/// One fault in full.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Fault {
    /// The line of the list.
    #[serde(flatten)]
    pub summary: Summary,
    /// One paragraph of what happened.
    pub story: String,
    /// Onset from the trigger: negative, for it comes before. Unit: ms.
    pub onset_ms: f64,
    /// End of the record from the trigger. Unit: ms.
    pub closed_ms: f64,
    /// The window was cut short by a stop.
    pub cut_short: bool,
    /// What was cut.
    pub cuts: Vec<Cut>,
    /// Sequence of events.
    pub events: Vec<Event>,
    /// Positions at the onset.
    pub positions: Vec<Position>,
    /// Polarity at the onset.
    pub polarity: Vec<Polarity>,
    /// Contact stress.
    pub contacts: Vec<Contact>,
    /// Ranked suspects; shares add to 1.
    pub suspects: Vec<Suspect>,
    /// Suspects that the sensors cannot tell apart, and the next test that would.
    pub inseparable: Option<String>,
    /// What to do, in order.
    pub advice: Vec<String>,
    /// How many of the first steps of the advice are done and only say so.
    #[serde(default)]
    pub advice_done: usize,
    /// Records of the same fault in other districts.
    #[serde(default)]
    pub beside: Vec<Beside>,
    /// Samples of each channel.
    #[serde(default)]
    pub waveforms: Vec<Waveform>,
    /// Notes by people.
    #[serde(default)]
    pub notes: Vec<Note>,
    /// Who named the culprit, and when.
    #[serde(default)]
    pub naming: Option<Naming>,
}

/// A person named the culprit.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Naming {
    /// When. RFC 3339, UTC.
    pub at: String,
    /// Who.
    pub who: String,
}

/// Another district that the same fault took.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Beside {
    /// Which.
    pub district: String,
    /// Its record.
    pub fault: u32,
    /// Why it went: the cause's word.
    pub cause: String,
    /// The same in words.
    pub text: String,
    /// Its trigger, from that of this record: negative where it went before. Unit: ms.
    pub after_ms: f64,
}

/// One cut.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Cut {
    /// `district/quarry`, `booster/main`.
    pub feed: String,
    /// Why: the cause's word.
    pub cause: String,
    /// Order, from the trigger. Unit: ms.
    pub ordered_ms: f64,
    /// Proof, from the trigger. Unit: ms. None: never proved.
    pub proved_ms: Option<f64>,
    /// `strong` or `weak`.
    pub proof: Option<String>,
    /// How often it was ordered.
    pub attempts: u8,
}

/// One line of the sequence of events.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Event {
    /// From the trigger. Unit: ms.
    pub ms: f64,
    /// What kind: `order`, `alarm`, `state`, or an event's word.
    pub kind: String,
    /// What it is about.
    pub subject: Option<String>,
    /// In words.
    pub text: String,
    /// The first of its burst.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub first_out: bool,
}

/// Position of a machine.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Position {
    /// `machine/T14`.
    pub machine: String,
    /// `normal reverse moving unknown`.
    pub position: String,
}

/// Polarity of a frog.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Polarity {
    /// `frog/T14`.
    pub frog: String,
    /// `A B none unknown`.
    pub expected: String,
    /// `A B dead`; none: not measured.
    pub measured: Option<String>,
}

/// What the fault did to one pole.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Contact {
    /// `pole/T14.1`.
    pub pole: String,
    /// Contact heat before. Unit: % of its limit.
    pub before: f64,
    /// Highest contact heat after. Unit: % of its limit.
    pub after: f64,
    /// Energy carried. Unit: A2s.
    pub energy: f64,
    /// Highest current carried. Unit: A.
    pub amps: f64,
    /// Computed from block current, not measured at the frog.
    pub estimated: bool,
    /// The computed drop passed the softening voltage of silver.
    pub softening: bool,
    /// It passed the melting voltage.
    pub melting: bool,
    /// Hits counted.
    pub hits: u32,
}

/// One suspect.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Suspect {
    /// `frog/T14`, `block/q1`, `object vehicle wiring reverser not-explained`.
    pub subject: String,
    /// In words.
    pub text: String,
    /// Share of the evidence, of 1.
    pub share: f64,
    /// One fact each.
    pub reasons: Vec<Reason>,
}

/// One fact for or against a suspect.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Reason {
    /// The fact.
    pub text: String,
    /// Likelihood ratio: above 1 for, below 1 against.
    pub ratio: f64,
}

/// Samples of one channel.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Waveform {
    /// The channel.
    pub channel: String,
    /// `A`, `V`, or nothing for words.
    pub unit: Option<String>,
    /// From the trigger. Unit: ms.
    pub ms: Vec<f64>,
    /// Numbers, words, or null where the reading had no value.
    pub values: Vec<serde_json::Value>,
}

/// A note by a person.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Note {
    /// When. RFC 3339, UTC.
    pub at: String,
    /// Who.
    pub who: String,
    /// What.
    pub text: String,
}

/// One line of the event list, across faults.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Line {
    /// When. RFC 3339, UTC.
    pub at: String,
    /// The same. Unit: microseconds since 1970.
    pub at_us: i64,
    /// `order`, `alarm`, or an event's word.
    pub kind: String,
    /// What it is about.
    pub subject: Option<String>,
    /// The fault it belongs to.
    pub fault: Option<u32>,
    /// In words.
    pub text: String,
}

/// What an operator did.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Action {
    /// When. RFC 3339, UTC.
    pub at: String,
    /// Who.
    pub who: String,
    /// What.
    pub what: String,
    /// Why it was refused; none: done.
    pub refused: Option<String>,
}

/// The ledger of one machine's contacts.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Machine {
    /// `machine/T14`.
    pub machine: String,
    /// Complete throws seen.
    pub throws: u32,
    /// Time of its latest throws, oldest first. Unit: s.
    pub throw_times: Vec<f64>,
    /// Median of the first five throws that are kept. Unit: s. None below ten throws.
    pub throw_first: Option<f64>,
    /// Median of the latest five. Unit: s. None below ten throws.
    pub throw_latest: Option<f64>,
    /// Change-over gap: how long its frog had no power in a throw, median of the latest ten. Unit: ms. None: not measured.
    pub change_over_ms: Option<f64>,
    /// How often a frog that it feeds was found on the wrong rail.
    pub mismatches: u32,
    /// Its poles.
    pub poles: Vec<Pole>,
    /// When it last passed commissioning, wired as it is now; none: never, or it failed since, or its wiring changed.
    pub proved: Option<String>,
    /// Who signed that.
    #[serde(default)]
    pub proved_by: Option<String>,
    /// When it last passed, where that counts no more.
    #[serde(default)]
    pub proved_before: Option<String>,
    /// Why that counts no more: `failed` at a later commissioning, or `rewired` in the layout file.
    #[serde(default)]
    pub unproved_by: Option<String>,
    /// `good`, `watch` or `replace`.
    pub verdict: String,
    /// The rule that made the verdict.
    pub because: String,
}

/// The ledger of one pole.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Pole {
    /// `pole/T14.1`.
    pub pole: String,
    /// Fault currents carried.
    pub hits: u32,
    /// Their energy. Unit: A2s.
    pub energy: f64,
    /// That energy as a share of what one pole's thermal image holds, in percent.
    pub stress: f64,
    /// Highest current carried. Unit: A.
    pub amps: f64,
}

/// A step of commissioning.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Proved {
    /// When. RFC 3339, UTC.
    pub at: String,
    /// What.
    pub subject: String,
    /// The step.
    pub step: String,
    /// It passed.
    pub passed: bool,
    /// What was measured.
    pub detail: String,
    /// Who did it.
    pub who: String,
}

/// The result of commissioning one turnout.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Commissioned {
    /// `machine/T14`.
    pub machine: String,
    /// When it ended. RFC 3339, UTC.
    pub at: String,
    /// The same. Unit: microseconds since 1970.
    pub at_us: i64,
    /// Who signed: initials.
    pub who: String,
    /// `passed`, `failed` or `abandoned`.
    pub outcome: String,
    /// Fingerprint of the wiring that was proved.
    pub wiring: String,
    /// The wiring is still that one, by the layout that ran last.
    pub same_wiring: bool,
    /// What was done and measured.
    pub steps: serde_json::Value,
}
