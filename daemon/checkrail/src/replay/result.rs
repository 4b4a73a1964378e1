//! The comparison as text and as JSON.

use std::fmt::Write as _;

use serde_json::{Value as Json, json};
use supervision::{cause::Cause, words};
use wiring::{
    index::{DistrictIx, PoleIx},
    layout::Layout,
    units::Mono,
};

use super::cost::Cost;
use crate::table;

/// A contact whose heat reaches this has spent its budget. Unit: %.
const SPENT: f64 = 100.0;

/// Both runs over one journal.
#[derive(Debug)]
pub struct Comparison {
    /// The layout file.
    pub layout: String,
    /// The journal.
    pub journal: String,
    /// The file of settings.
    pub changes: String,
    /// Length of the journal. Unit: s.
    pub seconds: f64,
    /// What differs.
    pub settings: Vec<Setting>,
    /// Faults in either run, in order of time.
    pub faults: Vec<Fault>,
}

/// A setting that differs.
#[derive(Debug)]
pub struct Setting {
    /// `layout`, `district/quarry` …
    pub subject: String,
    /// The key.
    pub key: &'static str,
    /// The layout's own value at this place; none: not set there.
    pub own: Option<String>,
    /// The value tried.
    pub tried: String,
}

/// One recorded fault.
#[derive(Debug)]
pub struct Fault {
    /// Its onset, from the start of the journal.
    pub onset: Mono,
    /// Where.
    pub district: DistrictIx,
    /// With the layout's own settings.
    pub own: Side,
    /// With those tried.
    pub tried: Side,
}

/// What one run makes of a fault.
#[derive(Debug)]
pub struct Side {
    /// The element that decided; none: no fault was seen.
    pub cause: Option<Cause>,
    /// When it decided, from the onset. Unit: ms.
    pub decided_ms: Option<f64>,
    /// What was cut first; none: nothing.
    pub cut: Option<String>,
    /// When that takes effect: the order and the actuator's `opens-in`. Unit: ms from the onset.
    pub off_ms: Option<f64>,
    /// How often the fault current flowed until it was cut for good: more than once where a breaker closed on it again.
    pub times: usize,
    /// Some of that is not in the costs: no element took it for fault current, so nothing was counted.
    pub at_least: bool,
    /// What it costs.
    pub contacts: Vec<Cost>,
}

impl Side {
    fn cost(&self, pole: PoleIx) -> Option<&Cost> {
        self.contacts.iter().find(|it| it.pole == pole)
    }

    fn has_spent(&self, pole: PoleIx) -> bool {
        self.cost(pole).is_some_and(|it| SPENT <= it.heat)
    }

    fn energy(&self) -> f64 {
        self.contacts.iter().map(|it| it.energy).sum()
    }
}

const NOTE: &str = "A journal is open loop: after a cut in one run the recorded currents are what they were. Each fault is judged by its \
first cut, and what it costs is reckoned up to the moment in which that cut takes effect (the order and the actuator's \
opens-in); after each fault both runs begin afresh, contacts cold. Where the recorded current had ended before, the cost \
is what was recorded, and may be less than it would have been.";

impl Comparison {
    /// With the settings tried a fault goes uncut that was cut, or flows again and again that was cut at once, or a
    /// contact's budget is spent that was not.
    #[must_use]
    pub fn protects_less(&self) -> bool {
        self.faults.iter().any(|it| {
            let poles = it.tried.contacts.iter().map(|cost| cost.pole);
            let mut poles = poles.filter(|pole| it.tried.has_spent(*pole));
            (it.own.cut.is_some() && it.tried.cut.is_none())
                || (it.own.times == 1 && 1 < it.tried.times)
                || poles.any(|pole| !it.own.has_spent(pole))
        })
    }

    /// For people.
    #[must_use]
    pub fn text(&self, layout: &Layout) -> String {
        let mut out = format!("{} over {}, {:.1} s\n\n", self.journal, self.layout, self.seconds);
        out.push_str(&self.settings_text());
        for fault in &self.faults {
            out.push('\n');
            out.push_str(&fault.text(layout));
        }
        if self.faults.is_empty() {
            out.push_str("\nNo fault in either run.\n");
        }
        out.push('\n');
        out.push_str(&self.totals_text());
        let _ = write!(out, "\n{}\n{}", self.verdict(), wrapped(NOTE));
        out
    }

    fn settings_text(&self) -> String {
        if self.settings.is_empty() {
            return format!("{} changes nothing.\n", self.changes);
        }
        let mut table = table::table(&["setting", "own", &self.changes]);
        for it in &self.settings {
            let place = match it.subject.as_str() {
                "layout" => it.key.to_owned(),
                subject => format!("{subject} {}", it.key),
            };
            table.add_row([place, it.own.clone().unwrap_or("-".to_owned()), it.tried.clone()]);
        }
        format!("{table}\n")
    }

    fn totals_text(&self) -> String {
        let mut table = table::table(&["in all", "own", &self.changes]);
        for (what, places, sum) in TOTALS {
            let total = |pick: fn(&Fault) -> &Side| -> String {
                let sum: f64 = self.faults.iter().map(|it| sum(pick(it))).sum();
                format!("{sum:.places$}")
            };
            table.add_row([what.to_owned(), total(|it| &it.own), total(|it| &it.tried)]);
        }
        format!("{table}\n")
    }

    fn verdict(&self) -> &'static str {
        if self.protects_less() {
            "With the settings tried something is protected less: a fault is not cut or only after it flowed again, or a contact spends \
             its budget.\n"
        } else {
            "With the settings tried nothing in this journal is protected less.\n"
        }
    }

    /// For programs.
    #[must_use]
    pub fn json(&self, layout: &Layout) -> Json {
        let settings: Vec<Json> = self
            .settings
            .iter()
            .map(|it| json!({"subject": it.subject, "key": it.key, "own": it.own, "tried": it.tried}))
            .collect();
        let faults: Vec<Json> = self.faults.iter().map(|it| it.json(layout)).collect();
        json!({
            "layout": self.layout,
            "journal": self.journal,
            "protection": self.changes,
            "seconds": self.seconds,
            "settings": settings,
            "faults": faults,
            "protects_less": self.protects_less(),
            "note": NOTE,
        })
    }
}

/// What is added up over all faults, and with how many places it is shown.
type Total = (&'static str, usize, fn(&Side) -> f64);

const TOTALS: [Total; 5] = [
    ("faults seen", 0, |it| f64::from(u8::from(it.cause.is_some()))),
    ("faults cut", 0, |it| f64::from(u8::from(it.cut.is_some()))),
    ("contacts at 100 %", 0, |it| {
        it.contacts.iter().filter(|cost| SPENT <= cost.heat).count() as f64
    }),
    ("hits", 0, |it| it.contacts.iter().map(|cost| f64::from(cost.hits)).sum()),
    ("energy through contacts, A2s", 2, Side::energy),
];

impl Fault {
    fn poles(&self) -> Vec<PoleIx> {
        let both = self.own.contacts.iter().chain(&self.tried.contacts);
        let mut poles: Vec<PoleIx> = both.map(|it| it.pole).collect();
        poles.sort_unstable();
        poles.dedup();
        poles
    }

    fn text(&self, layout: &Layout) -> String {
        let district = &layout.districts[self.district.at()].id;
        let title = format!("{:.3} s, district {district}", self.onset.seconds());
        let mut table = table::table(&[title.as_str(), "own", "tried"]);
        let mut row = |what: String, of: &dyn Fn(&Side) -> String| {
            table.add_row([what, of(&self.own), of(&self.tried)]);
        };
        row("decided".to_owned(), &decided);
        row("cut".to_owned(), &|it| it.cut.clone().unwrap_or_else(|| "nothing".to_owned()));
        row("off".to_owned(), &|it| {
            it.off_ms.map_or_else(|| "-".to_owned(), |off| format!("{off:.0} ms after the onset"))
        });
        if 1 < self.own.times.max(self.tried.times) {
            row("flowed".to_owned(), &|it| match it.times {
                0 => "-".to_owned(),
                1 => "once".to_owned(),
                times => format!("{times} times"),
            });
        }
        for pole in self.poles() {
            row(format!("contact {}", layout.pole_name(pole)), &|it| cost(it, pole));
        }
        format!("{table}\n")
    }

    fn json(&self, layout: &Layout) -> Json {
        let side = |it: &Side| {
            let contacts: Vec<Json> = it
                .contacts
                .iter()
                .map(|cost| {
                    json!({"pole": format!("pole/{}", layout.pole_name(cost.pole)), "heat": tenth(cost.heat),
                        "energy": cost.energy, "hits": cost.hits})
                })
                .collect();
            json!({
                "cause": it.cause.map(Cause::word),
                "text": it.cause.map(|cause| words::cause_text(cause, layout)),
                "decided_ms": it.decided_ms,
                "cut": it.cut,
                "off_ms": it.off_ms,
                "times": it.times,
                "at_least": it.at_least,
                "contacts": contacts,
            })
        };
        json!({
            "t": self.onset.seconds(),
            "district": layout.districts[self.district.at()].id,
            "own": side(&self.own),
            "tried": side(&self.tried),
        })
    }
}

fn decided(side: &Side) -> String {
    match side.cause.zip(side.decided_ms) {
        Some((cause, ms)) => format!("{}, {ms:.0} ms after the onset", cause.word()),
        None => "not seen".to_owned(),
    }
}

fn cost(side: &Side, pole: PoleIx) -> String {
    let Some(it) = side.cost(pole) else { return "-".to_owned() };
    let least = if side.at_least { "at least " } else { "" };
    let hits = if it.hits == 1 { "1 hit".to_owned() } else { format!("{} hits", it.hits) };
    format!("{least}heat {:.1} %, {:.2} A2s, {hits}", it.heat, it.energy)
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// A paragraph at the width of the tables.
fn wrapped(text: &str) -> String {
    let width = usize::from(table::width());
    let mut out = String::new();
    let mut column = 0;
    for word in text.split(' ') {
        if column > 0 && width < column + 1 + word.len() {
            out.push('\n');
            column = 0;
        } else if column > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += word.len();
    }
    out
}
