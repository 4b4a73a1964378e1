//! Commissioning as the page shows it.

use serde::Serialize;
use serde_json::{Value, json};
use supervision::{
    commission::{SessionView, Step, StepResult},
    snapshot::Proof,
};
use wiring::layout::Layout;

use crate::view::View;

/// A machine in commissioning.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct SessionRow {
    pub(crate) machine: String,
    pub(crate) who: String,
    pub(crate) since: i64,
    /// The step's word.
    pub(crate) step: &'static str,
    /// Of seven.
    pub(crate) number: u8,
    pub(crate) heading: String,
    pub(crate) note: String,
    pub(crate) readings: Vec<(&'static str, String)>,
    /// `open good bad`.
    pub(crate) mood: &'static str,
    pub(crate) verdict: String,
    pub(crate) offers: Vec<OfferRow>,
    pub(crate) results: Vec<ResultRow>,
}

/// Something that can be pressed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct OfferRow {
    /// `do` of the request.
    #[serde(rename = "do")]
    pub(crate) act: &'static str,
    pub(crate) with: &'static str,
    pub(crate) label: String,
    /// `nothing sure reason meter place initials`.
    pub(crate) ask: &'static str,
}

/// What came of a step.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct ResultRow {
    pub(crate) step: &'static str,
    pub(crate) outcome: &'static str,
    pub(crate) detail: String,
    pub(crate) who: String,
}

impl SessionRow {
    /// All of a view.
    pub(crate) fn all(layout: &Layout, view: &View) -> Vec<Self> {
        view.snapshot.sessions.iter().map(|it| Self::new(layout, view, it)).collect()
    }

    fn new(layout: &Layout, view: &View, it: &SessionView) -> Self {
        Self {
            machine: layout.machines[it.machine.at()].id.clone(),
            who: it.who.clone(),
            since: view.wall_of(it.since),
            step: it.step.word(),
            number: Step::number(it.step),
            heading: it.heading.clone(),
            note: it.note.clone(),
            readings: it.readings.to_vec(),
            mood: it.verdict.mood.word(),
            verdict: it.verdict.text.clone(),
            offers: it.offers.iter().map(offer).collect(),
            results: it.results.iter().map(result).collect(),
        }
    }
}

fn offer(it: &supervision::commission::Offer) -> OfferRow {
    OfferRow { act: it.act, with: it.with, label: it.label.clone(), ask: it.ask.word() }
}

fn result(it: &StepResult) -> ResultRow {
    ResultRow {
        step: it.step.word(),
        outcome: it.outcome.word(),
        detail: it.detail.clone(),
        who: it.who.clone(),
    }
}

/// A signature that proved a machine.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct ProofRow {
    /// `proved`, or `rewired` since.
    pub(crate) state: &'static str,
    /// Unit: ms since 1970-01-01 UTC.
    pub(crate) at: i64,
    /// Initials.
    pub(crate) by: String,
}

impl ProofRow {
    /// None where nobody has signed.
    pub(crate) fn new(of: &Proof, view: &View) -> Option<Self> {
        let it = of.proved.as_ref()?;
        let state = if of.holds() { "proved" } else { "rewired" };
        Some(Self { state, at: view.wall_of_when(it.when), by: it.who.clone() })
    }
}

/// What is proved of a machine: `proved`, `rewired` since, or `due`.
pub(crate) fn proof(id: &str, of: &Proof, view: &View) -> Value {
    let row = ProofRow::new(of, view);
    let state = row.as_ref().map_or("due", |it| it.state);
    let (at, by) = row.map(|it| (it.at, it.by)).unzip();
    json!({ "machine": id, "state": state, "at": at, "by": by, "wiring": of.wiring })
}
