//! Commissioning: what is proved, what is in hand, and the steps of a session. The engine is the supervisor's; here its
//! view becomes JSON, and JSON becomes a request to it.

use std::sync::{Arc, OnceLock};

use axum::{
    Extension, Json,
    extract::{Path, State, rejection::JsonRejection},
};
use circuit::study::{self, Settings as Assumed};
use serde::Deserialize;
use serde_json::{Value, json};
use supervision::{
    commission::{Request, SeenFrog},
    input::Act,
};
use wiring::{
    index::{DistrictIx, MachineIx},
    layout::{Layout, Position},
    units::{Microamps, Millivolts},
};

use super::{App, acts::perform, error::ApiError, reads::aside};
use crate::{
    guard::Who,
    wire::sessions::{SessionRow, proof},
};

/// Highest reading of a meter that can be meant. Unit: mV.
const MOST_MILLIVOLTS: i64 = 20_000;
/// Highest current that can be meant. Unit: mA.
const MOST_MILLIAMPS: i64 = 20_000;

/// What is asked of a session.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Body {
    machine: String,
    #[serde(rename = "do")]
    act: String,
    /// Of `throw`, `stands`: `normal reverse`; of `frog`: `matches wrong dead`.
    with: Option<String>,
    /// Of `skip`.
    reason: Option<String>,
    /// Of `sign`.
    initials: Option<String>,
    /// Of `meter`.
    millivolts: Option<i64>,
    /// Of `meter`, where no sensor measures the current.
    milliamps: Option<i64>,
    /// Of `coin`.
    place: Option<String>,
    /// Of `throw`: no wheel stands on the points.
    #[serde(default)]
    confirm: bool,
}

/// A place for the coin test, and what the study forecasts there.
#[derive(Clone, Debug)]
struct Coin {
    at: String,
    district: DistrictIx,
    amps: f64,
    trips: &'static str,
    passes: bool,
}

/// All places for coins, studied when the first one is asked for.
#[derive(Debug, Default)]
pub(crate) struct Coins(OnceLock<Vec<Coin>>);

impl Coins {
    fn made(&self, layout: &Layout) -> &[Coin] {
        self.0.get_or_init(|| {
            let shorts = study::run(layout, &Assumed::default()).shorts;
            let coins = shorts.into_iter().filter_map(|it| {
                let (at, district, trips) = (it.at, it.district, it.trips.word());
                let passes = it.coin?;
                Some(Coin { at, district, amps: it.district_amps.0, trips, passes })
            });
            coins.collect()
        })
    }
}

/// What is proved and what is due, by machine; and the sessions of the moment.
pub(crate) async fn index(State(app): State<Arc<App>>) -> Json<Value> {
    let view = app.feed.view();
    let layout = &app.feed.layout();
    let machines = layout.machines.iter().zip(view.snapshot.proofs.iter());
    let machines: Vec<Value> = machines.map(|(it, of)| proof(&it.id, of, &view)).collect();
    let sessions: Vec<_> = SessionRow::all(layout, &view);
    Json(json!({ "machines": machines, "sessions": sessions }))
}

/// One machine: its proof, its session, and what was done before.
pub(crate) async fn show(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
) -> Result<Json<Value>, ApiError> {
    let machine = find(&app, &name)?;
    let view = app.feed.view();
    let layout = app.feed.layout();
    let it = &layout.machines[machine.at()];
    let session = SessionRow::all(&layout, &view).into_iter().find(|row| row.machine == it.id);
    let known = view.snapshot.proofs.get(machine.at());
    let known = known.ok_or_else(|| ApiError::unknown("machine"))?;
    let mut answer = proof(&it.id, known, &view);
    let subject = format!("machine/{}", it.id);
    let archive = Arc::clone(&app.archive);
    answer["history"] = aside(move || archive.commissioned(Some(&subject))).await?;
    answer["session"] = json!(session);
    Ok(Json(answer))
}

/// Places for the coin test in a machine's district, its own trackwork first.
pub(crate) async fn coins(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
) -> Result<Json<Value>, ApiError> {
    let machine = find(&app, &name)?;
    let places = aside(move || {
        let layout = &app.feed.layout();
        let Some((district, own)) = home(layout, machine) else { return Ok(Vec::new()) };
        let coins = app.coins.made(layout).iter().filter(|it| it.district == district);
        let mut coins: Vec<&Coin> = coins.collect();
        let is_own = |it: &&Coin| own.iter().any(|id| it.at.starts_with(&format!("port/{id}.")));
        coins.sort_by_key(|it| !is_own(it));
        let row = |it: &&Coin| {
            json!({ "at": it.at, "amps": (it.amps * 100.0).round() / 100.0, "trips": it.trips,
                    "passes": it.passes })
        };
        Ok(coins.iter().map(row).collect())
    });
    Ok(Json(json!({ "places": places.await? })))
}

/// The district of a machine and its trackwork.
fn home(layout: &Layout, machine: MachineIx) -> Option<(DistrictIx, Vec<String>)> {
    let feeds = |at: usize| {
        let mut frogs = layout.trackwork[at].frogs.iter();
        frogs.any(|frog| {
            let mut poles = layout.frogs[frog.at()].poles.iter();
            poles.any(|it| layout.poles[it.pole.at()].machine == machine)
        })
    };
    let of = |at: &usize| layout.trackwork[*at].kind.machines().contains(&machine) || feeds(*at);
    let own: Vec<usize> = (0..layout.trackwork.len()).filter(of).collect();
    let district = layout.district_of_block(layout.trackwork[*own.first()?].block);
    Some((district, own.iter().map(|at| layout.trackwork[*at].id.clone()).collect()))
}

/// A step of a session.
pub(crate) async fn step(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    body: Result<Json<Body>, JsonRejection>,
) -> Result<Json<Value>, ApiError> {
    let Json(body) = body?;
    let machine = find(&app, &body.machine)?;
    let predicted = match &body.place {
        Some(place) if body.act == "coin" => Some(forecast(&app, machine, place).await?),
        Some(_) | None => None,
    };
    let request = request(&body, predicted)?;
    let act = Act::Commission { machine, request };
    perform(&app, &who, "commission", &format!("{} {}", body.machine, body.act), act).await
}

/// The current that the study forecasts at a place.
async fn forecast(app: &Arc<App>, machine: MachineIx, place: &str) -> Result<Microamps, ApiError> {
    let (app, place) = (Arc::clone(app), place.to_owned());
    let amps = aside(move || {
        let layout = &app.feed.layout();
        let district = home(layout, machine).map(|(district, _)| district);
        let coins = app.coins.made(layout);
        let found = coins.iter().find(|it| it.at == place && Some(it.district) == district);
        Ok(found.map(|it| it.amps))
    });
    amps.await?.map(Microamps::from_amps).ok_or_else(|| ApiError::unknown("place for a coin"))
}

fn find(app: &App, id: &str) -> Result<MachineIx, ApiError> {
    let layout = app.feed.layout();
    let machines = &layout.machines;
    // A code under the table may have been typed: case does not matter where it does not tell two apart.
    let exact = machines.iter().position(|it| it.id == id);
    let alike = || {
        let mut like = (0..machines.len()).filter(|at| machines[*at].id.eq_ignore_ascii_case(id));
        like.next().filter(|_| like.next().is_none())
    };
    exact.or_else(alike).map(MachineIx::new).ok_or_else(|| ApiError::unknown("machine"))
}

fn request(body: &Body, predicted: Option<Microamps>) -> Result<Request, ApiError> {
    Ok(match body.act.as_str() {
        "begin" => Request::Begin,
        "stay" => Request::Stay,
        "next" => Request::Next,
        "throw" => Request::Throw { to: position(body)?, confirmed: body.confirm },
        "stands" => Request::SeenPosition(position(body)?),
        "frog" => Request::SeenFrog(match body.with.as_deref() {
            Some("matches") => SeenFrog::Matches,
            Some("wrong") => SeenFrog::Wrong,
            Some("dead") => SeenFrog::Dead,
            _ => return Err(ApiError::invalid("`with` is one of `matches`, `wrong`, `dead`")),
        }),
        "meter" => meter(body)?,
        "cut" => Request::Cut,
        "coin" => Request::Coin {
            place: body.place.clone().ok_or_else(|| ApiError::invalid("`place` is missing"))?,
            predicted: predicted.ok_or_else(|| ApiError::unknown("place for a coin"))?,
        },
        "again" => Request::Again,
        "back" => Request::Back,
        "skip" => Request::Skip(text(body.reason.as_ref(), "`reason` is empty: say why")?),
        "sign" => Request::Sign(text(body.initials.as_ref(), "`initials` is empty: who signs?")?),
        "leave" => Request::Leave,
        _ => return Err(ApiError::invalid("`do` is no step that is known")),
    })
}

fn meter(body: &Body) -> Result<Request, ApiError> {
    let drop = body.millivolts.filter(|it| (0..=MOST_MILLIVOLTS).contains(it));
    let drop = drop.ok_or_else(|| ApiError::invalid("`millivolts` is from 0 to 20000"))?;
    if body.milliamps.is_some_and(|it| !(1..=MOST_MILLIAMPS).contains(&it)) {
        return Err(ApiError::invalid("`milliamps` is from 1 to 20000"));
    }
    let lifted = match body.with.as_deref() {
        None | Some("") => None,
        Some(pole) => {
            let pole = pole.parse().map_err(|_| ApiError::invalid("`with` is a pole's number"))?;
            Some(pole)
        }
    };
    let amps = body.milliamps.map(Microamps::from_milliamps);
    Ok(Request::Meter { drop: Millivolts(drop), amps, lifted })
}

fn position(body: &Body) -> Result<Position, ApiError> {
    match body.with.as_deref() {
        Some("normal") => Ok(Position::Normal),
        Some("reverse") => Ok(Position::Reverse),
        _ => Err(ApiError::invalid("`with` is one of `normal`, `reverse`")),
    }
}

fn text(it: Option<&String>, otherwise: &str) -> Result<String, ApiError> {
    it.filter(|it| !it.trim().is_empty()).cloned().ok_or_else(|| ApiError::invalid(otherwise))
}
