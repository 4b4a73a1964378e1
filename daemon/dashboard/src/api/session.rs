//! Signing in and out. A token is exchanged for a cookie that no script can read.

use std::sync::Arc;

use axum::{
    Json,
    extract::{Request, State, rejection::JsonRejection},
    http::{HeaderMap, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Deserialize;
use serde_json::json;

use super::{App, error::ApiError};
use crate::{
    auth::{COOKIE, Role},
    guard,
};

/// What signing in takes.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SignIn {
    token: String,
    #[serde(default)]
    name: String,
}

/// Who the asker is signed in as.
pub(crate) async fn show(State(app): State<Arc<App>>, request: Request) -> Response {
    let from = guard::address(request.extensions());
    let role = app.auth.role(from, request.headers()).ok().flatten();
    Json(described(&app, role.as_ref())).into_response()
}

pub(crate) async fn sign_in(
    State(app): State<Arc<App>>,
    extensions: axum::http::Extensions,
    body: Result<Json<SignIn>, JsonRejection>,
) -> Result<Response, ApiError> {
    let Json(SignIn { token, name }) = body?;
    let from = guard::address(&extensions);
    let opened = app.auth.sign_in(from, &token, &name).map_err(|denied| {
        tracing::warn!(%from, "sign-in refused");
        ApiError::denied(denied)
    })?;
    let (secret, role) = opened.map_err(|error| {
        tracing::error!(%error, "no session can be opened");
        ApiError::unavailable()
    })?;
    tracing::info!(%from, ?role, "signed in");
    let cookie = format!("{COOKIE}={secret}; Path=/; HttpOnly; SameSite=Strict; Max-Age=43200");
    Ok(([(header::SET_COOKIE, cookie)], Json(described(&app, Some(&role)))).into_response())
}

pub(crate) async fn sign_out(State(app): State<Arc<App>>, headers: HeaderMap) -> Response {
    app.auth.sign_out(&headers);
    let cookie = format!("{COOKIE}=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0");
    (StatusCode::OK, [(header::SET_COOKIE, cookie)], Json(described(&app, None))).into_response()
}

fn described(app: &App, role: Option<&Role>) -> serde_json::Value {
    let (role, name) = match role {
        None => ("none", None),
        Some(Role::Reader) => ("reader", None),
        Some(Role::Operator(name)) => ("operator", Some(name)),
    };
    json!({ "role": role, "name": name, "read_token": app.auth.guards_reading() })
}
