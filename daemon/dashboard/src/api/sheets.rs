//! The wiring sheets: which wire goes on which terminal. The same table as the printed sheets have.

use std::{
    net::IpAddr,
    sync::{Arc, Mutex, PoisonError},
};

use axum::{
    Json,
    extract::{Path, State},
    http::{HeaderMap, header},
};
use serde_json::{Value, json};
use wiring::{
    check,
    finding::Severity,
    index::DistrictIx,
    layout::Layout,
    terminals::{MachineWiring, Wiring, sheet, words},
};

use super::{App, error::ApiError, reads::aside};
use crate::{guard::host_name, qr};

/// What all sheets of a layout are made of, made when the first one is asked for.
#[derive(Debug, Default)]
pub(crate) struct Sheets(Mutex<Option<(Arc<Layout>, Arc<Made>)>>);

#[derive(Debug)]
struct Made {
    wiring: Wiring,
    /// Errors that `check` finds in the wiring itself.
    errors: usize,
}

impl Sheets {
    fn made(&self, layout: &Arc<Layout>) -> Arc<Made> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((of, made)) = &*kept
            && Arc::ptr_eq(of, layout)
        {
            return Arc::clone(made);
        }
        let findings = check::check(layout).findings;
        let errors = findings.iter().filter(|it| it.code.severity() == Severity::Error);
        let made = Arc::new(Made { wiring: Wiring::new(layout), errors: errors.count() });
        *kept = Some((Arc::clone(layout), Arc::clone(&made)));
        made
    }
}

/// Machines by district.
pub(crate) async fn index(State(app): State<Arc<App>>) -> Result<Json<Value>, ApiError> {
    let value = aside(move || {
        let layout = &app.feed.layout();
        let made = app.sheets.made(layout);
        let named = |of: Option<DistrictIx>| {
            let own = made.wiring.machines.iter().filter(|it| it.district == of);
            own.map(|it| layout.machines[it.machine.at()].id.clone()).collect::<Vec<_>>()
        };
        let districts =
            layout.districts.iter().enumerate().map(
                |(at, it)| json!({ "id": it.id, "machines": named(Some(DistrictIx::new(at))) }),
            );
        Ok(json!({
            "revision": app.live().revision,
            "errors": made.errors,
            "districts": districts.collect::<Vec<_>>(),
            "homeless": named(None),
        }))
    });
    Ok(Json(value.await?))
}

/// The sheets of a district, or the sheet of one machine.
pub(crate) async fn show(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Result<Json<Value>, ApiError> {
    let base = reachable(&app, &headers);
    let found = aside(move || {
        let layout = &app.feed.layout();
        let made = app.sheets.made(layout);
        let (kind, machines) = named(layout, &made.wiring, &name);
        let sheets = machines.iter().map(|it| one(layout, &made.wiring, it, base.as_deref()));
        Ok((!kind.is_empty()).then(|| {
            json!({
                "kind": kind,
                "name": name,
                "revision": app.live().revision,
                "errors": made.errors,
                "machines": sheets.collect::<Vec<_>>(),
            })
        }))
    });
    found.await?.map(Json).ok_or_else(|| ApiError::unknown("district or machine"))
}

/// What a name is, and its machines; a district goes before a machine of the same name.
fn named<'a>(
    layout: &Layout,
    wiring: &'a Wiring,
    name: &str,
) -> (&'static str, Vec<&'a MachineWiring>) {
    let all = &wiring.machines;
    if let Some(at) = layout.districts.iter().position(|it| it.id == name) {
        let of = Some(DistrictIx::new(at));
        return ("district", all.iter().filter(|it| it.district == of).collect());
    }
    let own: Vec<_> = all.iter().filter(|it| layout.machines[it.machine.at()].id == name).collect();
    if own.is_empty() { ("", own) } else { ("machine", own) }
}

fn one(layout: &Layout, wiring: &Wiring, machine: &MachineWiring, base: Option<&str>) -> Value {
    let it = &layout.machines[machine.machine.at()];
    let district = machine.district.map(|at| layout.districts[at.at()].id.as_str());
    let code = base.and_then(|base| qr::code(&format!("{base}/commission/{}", it.id)));
    let rows = sheet::rows(layout, wiring, machine);
    json!({
        "id": it.id,
        "district": district,
        "belongs": sheet::belongs(layout, machine),
        "contacts": it.poles.len(),
        "rating_ma": it.contact_rating.0 / 1000,
        "by_meter": it.terminals_by_meter,
        "notes": sheet::notes(layout, machine),
        "code": code.map(|it| json!({ "size": it.size, "path": it.path })),
        "rows": rows.iter().map(row).collect::<Vec<_>>(),
    })
}

fn row(it: &sheet::Row) -> Value {
    let wires = it.wires.iter().map(|wire| {
        json!({
            "number": wire.number,
            "colour": wire.colour,
            "gauge": words::gauge(wire.gauge),
            "to": wire.to,
        })
    });
    json!({
        "terminal": it.terminal,
        "named": it.is_named,
        "function": it.function,
        "wires": wires.collect::<Vec<_>>(),
        "free": it.free,
    })
}

/// The dashboard as a phone reaches it: the address under which the asker did, if that is not this computer's own name
/// for itself; else the first name that the layout file gives.
fn reachable(app: &App, headers: &HeaderMap) -> Option<String> {
    let host = headers.get(header::HOST)?.to_str().ok()?;
    let name = host_name(host).trim_matches(['[', ']']);
    let own = name.eq_ignore_ascii_case("localhost")
        || name.parse::<IpAddr>().is_ok_and(|it| it.is_loopback());
    if !own {
        return Some(format!("http://{host}"));
    }
    let listen = app.settings.listen;
    let named = app.live().hosts.first().map(|it| format!("http://{it}:{}", listen.port()));
    named.filter(|_| !listen.ip().is_loopback()).or_else(|| qr::reachable(&listen.to_string()))
}
