//! What can be looked at.

use std::sync::Arc;

use axum::{
    Json,
    extract::{Path, Query, State},
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{App, error::ApiError};
use crate::{archive::ArchiveError, feed::age};

/// Rows of a list unless asked otherwise, and at most.
const ROWS: (usize, usize) = (100, 1000);
/// A supervisor that has not shown itself for this long is failing. Unit: ms.
const SUPERVISOR_AGE: u64 = 1000;

/// `?limit=N`.
#[derive(Debug, Deserialize)]
pub(crate) struct Limit {
    limit: Option<usize>,
}

impl Limit {
    fn rows(
        limit: Result<Query<Self>, axum::extract::rejection::QueryRejection>,
    ) -> Result<usize, ApiError> {
        let Query(limit) = limit.map_err(|_| ApiError::invalid("`limit` is no number"))?;
        Ok(limit.limit.unwrap_or(ROWS.0).min(ROWS.1))
    }
}

type LimitQuery = Result<Query<Limit>, axum::extract::rejection::QueryRejection>;

pub(crate) async fn state(State(app): State<Arc<App>>) -> Response {
    let json = HeaderValue::from_static("application/json");
    ([(header::CONTENT_TYPE, json)], app.feed.state()).into_response()
}

pub(crate) async fn alarms(State(app): State<Arc<App>>) -> Json<Value> {
    Json(app.feed.alarms())
}

pub(crate) async fn turnouts(State(app): State<Arc<App>>) -> Json<Value> {
    Json(app.feed.turnouts())
}

pub(crate) async fn faults(
    State(app): State<Arc<App>>,
    limit: LimitQuery,
) -> Result<Json<Value>, ApiError> {
    let rows = Limit::rows(limit)?;
    let list = Arc::clone(&app.archive.faults);
    let faults = aside(move || list(rows)).await?;
    Ok(Json(json!({ "faults": faults })))
}

pub(crate) async fn fault(
    State(app): State<Arc<App>>,
    Path(number): Path<String>,
) -> Result<Json<Value>, ApiError> {
    let number: u32 = number.parse().map_err(|_| ApiError::unknown("fault"))?;
    let lookup = Arc::clone(&app.archive.fault);
    Ok(Json(aside(move || lookup(number)).await?))
}

pub(crate) async fn machines(
    State(app): State<Arc<App>>,
    limit: LimitQuery,
) -> Result<Json<Value>, ApiError> {
    let rows = Limit::rows(limit)?;
    let list = Arc::clone(&app.archive.machines);
    let machines = aside(move || list(rows)).await?;
    Ok(Json(json!({ "machines": machines })))
}

/// Runs a question to the database beside the tasks that serve the page.
async fn aside(
    question: impl FnOnce() -> Result<Value, ArchiveError> + Send + 'static,
) -> Result<Value, ApiError> {
    match tokio::task::spawn_blocking(question).await {
        Ok(answer) => Ok(answer?),
        Err(_) => Err(ArchiveError::Unreadable { reason: "it failed".to_owned() }.into()),
    }
}

pub(crate) async fn metrics(State(app): State<Arc<App>>) -> Response {
    let text = app.metrics.text(&app.feed.fixed.layout, &app.settings.version, &app.feed.view());
    let kind = HeaderValue::from_static("text/plain; version=0.0.4; charset=utf-8");
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// Ready while the supervisor shows itself. History and links that fail are named, and do not make it unready:
/// protection goes on without them, and a restart would cut the layout for nothing.
pub(crate) async fn health(State(app): State<Arc<App>>) -> Response {
    let view = app.feed.view();
    let age = age(&view);
    let linked = view.links.iter().all(|it| it.up);
    let (status, word) = if age > SUPERVISOR_AGE {
        (StatusCode::SERVICE_UNAVAILABLE, "failing")
    } else if view.history_ok && linked {
        (StatusCode::OK, "ok")
    } else {
        (StatusCode::OK, "degraded")
    };
    let links: Vec<Value> = view
        .links
        .iter()
        .map(|it| json!({ "name": it.name, "up": it.up, "text": it.text }))
        .collect();
    let body = json!({
        "status": word,
        "version": app.settings.version,
        "supervisor_age_ms": age,
        "history": view.history_ok,
        "links": links,
    });
    (status, Json(body)).into_response()
}
