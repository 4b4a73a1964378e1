//! A study as JSON. What cannot be computed is null, never a number that stands for nothing.

use circuit::study::{Contact, Drop, Short, Study};
use serde_json::{Map, Value as Json, json};
use wiring::{
    index::MachineIx,
    layout::{Layout, Position},
    units::Micros,
};

/// The whole study.
#[must_use]
pub fn json(layout: &Layout, study: &Study) -> Json {
    json!({
        "layout": layout.name,
        "shorts": study.shorts.iter().map(|it| short(layout, it)).collect::<Vec<_>>(),
        "contacts": study.contacts.iter().map(|it| contact(layout, it)).collect::<Vec<_>>(),
        "drops": study.drops.iter().map(drop).collect::<Vec<_>>(),
    })
}

fn short(layout: &Layout, it: &Short) -> Json {
    let contacts: Map<String, Json> =
        it.contacts.iter().map(|(pole, amps)| (layout.pole_name(*pole), rounded(amps.0))).collect();
    json!({
        "at": it.at,
        "district": layout.districts[it.district.at()].id,
        "positions": positions(layout, &it.positions),
        "amps": rounded(it.amps.0),
        "volts": rounded(it.volts.0),
        "trips": it.trips.word(),
        "margin": rounded(it.margin),
        "coin_test_passes": it.coin,
        "contacts": contacts,
    })
}

fn contact(layout: &Layout, it: &Contact) -> Json {
    let remedies: Vec<Json> = it
        .remedies
        .iter()
        .map(|remedy| {
            json!({
                "text": remedy.text,
                "verdict": remedy.verdict.word(),
                "amps": rounded(remedy.outcome.amps.0),
                "withstand_s": seconds(remedy.outcome.withstand),
                "cleared_s": seconds(remedy.outcome.cleared),
            })
        })
        .collect();
    json!({
        "pole": it.name,
        "frog": layout.frogs[it.frog.at()].id,
        "district": layout.districts[it.district.at()].id,
        "positions": positions(layout, &it.positions),
        "worst_amps": rounded(it.outcome.amps.0),
        "withstand_s": seconds(it.outcome.withstand),
        "cleared_by": it.outcome.cleared_by.word(),
        "cleared_s": seconds(it.outcome.cleared),
        "verdict": it.outcome.verdict.word(),
        "contact_volts": rounded(it.drop.0),
        "remedies": remedies,
    })
}

fn drop(it: &Drop) -> Json {
    json!({"at": it.at, "volts": rounded(it.volts.0), "percent": rounded(it.percent)})
}

fn positions(layout: &Layout, positions: &[(MachineIx, Position)]) -> Map<String, Json> {
    positions
        .iter()
        .map(|(machine, position)| {
            (layout.machines[machine.at()].id.clone(), json!(position.word()))
        })
        .collect()
}

/// Nine decimals: enough to compare with any solver, and free of the last bits that differ between machines.
fn rounded(value: f64) -> Json {
    if value.is_finite() { json!((value * 1e9).round() / 1e9) } else { Json::Null }
}

fn seconds(span: Option<Micros>) -> Json {
    span.map_or(Json::Null, |span| json!(span.seconds()))
}
