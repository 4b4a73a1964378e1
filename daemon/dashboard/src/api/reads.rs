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
use crate::{
    archive::{ArchiveError, Download, FaultQuery, Form},
    feed::age,
};

/// Rows of a list unless asked otherwise, and at most.
const ROWS: (usize, usize) = (100, 1000);
/// A supervisor that has not shown itself for this long is failing. Unit: ms.
const SUPERVISOR_AGE: u64 = 1000;

/// What a list may be asked for.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct Asked {
    limit: Option<usize>,
    district: Option<String>,
    cause: Option<String>,
    suspect: Option<String>,
    before: Option<u32>,
    from: Option<String>,
    to: Option<String>,
    #[serde(rename = "as")]
    form: Option<String>,
    trends: Option<String>,
}

type AskedFor = Result<Query<Asked>, axum::extract::rejection::QueryRejection>;

impl Asked {
    fn of(asked: AskedFor) -> Result<Self, ApiError> {
        let Query(asked) = asked.map_err(|_| {
            ApiError::invalid("`limit` or `before` is no number, or a name is there twice")
        })?;
        Ok(asked)
    }

    fn rows(&self) -> usize {
        self.limit.unwrap_or(ROWS.0).min(ROWS.1)
    }

    /// None: not asked for as a file.
    fn form(&self) -> Result<Option<Form>, ApiError> {
        let Some(word) = &self.form else { return Ok(None) };
        let found = Form::ALL.into_iter().find(|it| it.word() == word);
        found.map(Some).ok_or_else(|| ApiError::invalid("`as` is no form that is known"))
    }
}

/// The whole state; `?trends=true` with the trends of the last minute, as a page begins with.
pub(crate) async fn state(
    State(app): State<Arc<App>>,
    asked: AskedFor,
) -> Result<Response, ApiError> {
    let with_trends = match Asked::of(asked)?.trends.as_deref() {
        None | Some("false") => false,
        Some("true") => true,
        Some(_) => return Err(ApiError::invalid("`trends` is `true` or `false`")),
    };
    let json = HeaderValue::from_static("application/json");
    Ok(([(header::CONTENT_TYPE, json)], app.feed.state(with_trends)).into_response())
}

pub(crate) async fn alarms(State(app): State<Arc<App>>) -> Json<Value> {
    Json(app.feed.alarms())
}

pub(crate) async fn turnouts(State(app): State<Arc<App>>) -> Json<Value> {
    Json(app.feed.turnouts())
}

pub(crate) async fn faults(
    State(app): State<Arc<App>>,
    asked: AskedFor,
) -> Result<Json<Value>, ApiError> {
    let asked = Asked::of(asked)?;
    let query = FaultQuery {
        limit: asked.rows(),
        district: asked.district,
        cause: asked.cause,
        suspect: asked.suspect,
        before: asked.before,
        from: asked.from.filter(|it| !it.is_empty()),
        to: asked.to.filter(|it| !it.is_empty()),
    };
    let archive = Arc::clone(&app.archive);
    let faults = aside(move || archive.faults(&query)).await?;
    Ok(Json(json!({ "faults": faults })))
}

pub(crate) async fn fault(
    State(app): State<Arc<App>>,
    Path(number): Path<String>,
) -> Result<Json<Value>, ApiError> {
    let number = fault_number(&number)?;
    let archive = Arc::clone(&app.archive);
    Ok(Json(aside(move || archive.fault(number)).await?))
}

pub(crate) fn fault_number(text: &str) -> Result<u32, ApiError> {
    text.parse().map_err(|_| ApiError::unknown("fault"))
}

/// One fault as a file: `?as=json|csv|text|cfg|dat|cfg-binary|dat-binary`.
pub(crate) async fn export(
    State(app): State<Arc<App>>,
    Path(number): Path<String>,
    asked: AskedFor,
) -> Result<Response, ApiError> {
    let number = fault_number(&number)?;
    let form = Asked::of(asked)?.form()?.ok_or_else(|| ApiError::invalid("`as` is missing"))?;
    let archive = Arc::clone(&app.archive);
    Ok(file(aside(move || archive.fault_file(number, form)).await?))
}

pub(crate) async fn machines(
    State(app): State<Arc<App>>,
    asked: AskedFor,
) -> Result<Response, ApiError> {
    let asked = Asked::of(asked)?;
    let archive = Arc::clone(&app.archive);
    if let Some(form) = asked.form()? {
        return Ok(file(aside(move || archive.machines_file(form)).await?));
    }
    let mut machines = aside(move || archive.machines()).await?;
    if let Value::Array(rows) = &mut machines {
        rows.truncate(asked.rows());
    }
    Ok(Json(json!({ "machines": machines })).into_response())
}

/// What a span of time was like: `?from=&to=`, and `as=html` for one page to keep.
pub(crate) async fn report(
    State(app): State<Arc<App>>,
    asked: AskedFor,
) -> Result<Response, ApiError> {
    let asked = Asked::of(asked)?;
    let form = asked.form()?;
    let demo = app.settings.demo;
    let archive = Arc::clone(&app.archive);
    let from = asked.from.filter(|it| !it.is_empty());
    let to = asked.to.filter(|it| !it.is_empty());
    if let Some(form) = form {
        let made = move || archive.session_file(from.as_deref(), to.as_deref(), form, demo);
        return Ok(file(aside(made).await?));
    }
    let session = aside(move || archive.session(from.as_deref(), to.as_deref())).await?;
    Ok(Json(session).into_response())
}

fn file(it: Download) -> Response {
    // Names are made of our own words and numbers; anything else would break out of the header.
    let name: String =
        it.name.chars().filter(|it| it.is_ascii_alphanumeric() || "-_.".contains(*it)).collect();
    let mut response = it.bytes.into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(it.kind));
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        headers.insert(header::CONTENT_DISPOSITION, value);
    }
    response
}

/// Runs a question to the database beside the tasks that serve the page.
pub(crate) async fn aside<T: Send + 'static>(
    question: impl FnOnce() -> Result<T, ArchiveError> + Send + 'static,
) -> Result<T, ApiError> {
    match tokio::task::spawn_blocking(question).await {
        Ok(answer) => Ok(answer?),
        Err(_) => Err(ArchiveError::Unreadable { reason: "it failed".to_owned() }.into()),
    }
}

pub(crate) async fn metrics(State(app): State<Arc<App>>) -> Response {
    let text = app.metrics.text(&app.feed.layout(), &app.settings.version, &app.feed.view());
    let kind = HeaderValue::from_static("text/plain; version=0.0.4; charset=utf-8");
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// Ready while the supervisor shows itself. History and links that fail are named, and do not make it unready:
/// protection goes on without them, and a restart would cut the layout for nothing. Silent sensors are counted only.
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
        "not_protected": view.not_protected(),
        "silent": view.silent(),
    });
    (status, Json(body)).into_response()
}
