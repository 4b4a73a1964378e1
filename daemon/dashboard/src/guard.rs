//! Checks that every request passes: its host, its origin, its form; and the headers that every answer carries.

use std::{net::IpAddr, sync::Arc};

use axum::{
    extract::{Request, State},
    http::{HeaderMap, HeaderValue, Method, StatusCode, header},
    middleware::Next,
    response::{IntoResponse, Response},
};

use crate::{
    api::{App, error::ApiError},
    auth::{Denied, Role},
    listen::Peer,
};

/// Largest sum of header names and values. Unit: bytes.
const HEADERS: usize = 16 * 1024;

/// Nothing from outside, no inline script or style, no frame around the page.
const POLICY: &str = "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; \
                      object-src 'none'; img-src 'self' data:";

/// Refuses what no page of ours would send.
pub(crate) async fn form(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let refused = check_size(request.headers())
        .and_then(|()| check_host(request.headers(), &app.live().hosts))
        .and_then(|()| check_action(request.method(), request.headers()));
    let mut response = match refused {
        Ok(()) => next.run(request).await,
        Err(error) => error.into_response(),
    };
    secure(response.headers_mut());
    response
}

/// Asks for the read token where one is set.
pub(crate) async fn reading(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    if !app.auth.guards_reading() {
        return next.run(request).await;
    }
    match role(&app, &request) {
        Ok(Some(_)) => next.run(request).await,
        Ok(None) => ApiError::denied(Denied::SignIn).into_response(),
        Err(denied) => ApiError::denied(denied).into_response(),
    }
}

/// Lets only signed-in operators through, and notes who it is.
pub(crate) async fn acting(
    State(app): State<Arc<App>>,
    mut request: Request,
    next: Next,
) -> Response {
    match role(&app, &request) {
        Ok(Some(Role::Operator(name))) => {
            request.extensions_mut().insert(Who(name));
            next.run(request).await
        }
        Ok(Some(Role::Reader)) => ApiError::read_only().into_response(),
        Ok(None) => ApiError::denied(Denied::SignIn).into_response(),
        Err(denied) => ApiError::denied(denied).into_response(),
    }
}

/// The signed-in operator.
#[derive(Clone, Debug)]
pub(crate) struct Who(pub(crate) String);

fn role(app: &App, request: &Request) -> Result<Option<Role>, Denied> {
    app.auth.role(address(request.extensions()), request.headers())
}

/// The address a request came from; requests without a connection come from this machine.
pub(crate) fn address(extensions: &axum::http::Extensions) -> IpAddr {
    extensions
        .get::<axum::extract::ConnectInfo<Peer>>()
        .map_or(IpAddr::from([127, 0, 0, 1]), |peer| peer.0.0.ip())
}

fn check_size(headers: &HeaderMap) -> Result<(), ApiError> {
    let size: usize = headers.iter().map(|(name, value)| name.as_str().len() + value.len()).sum();
    if size <= HEADERS {
        return Ok(());
    }
    Err(ApiError::new(
        StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE,
        "headers-too-large",
        "the headers of the request are too large",
        "clear the cookies of this address",
    ))
}

/// A stranger's name may resolve to this machine (DNS rebinding); a plain address cannot be anybody else's.
fn check_host(headers: &HeaderMap, allowed: &[String]) -> Result<(), ApiError> {
    let host = headers.get(header::HOST).and_then(|it| it.to_str().ok()).unwrap_or_default();
    let name = host_name(host);
    let plain = name.trim_matches(['[', ']']).parse::<IpAddr>().is_ok();
    if plain
        || name.eq_ignore_ascii_case("localhost")
        || allowed.iter().any(|it| it.eq_ignore_ascii_case(name))
    {
        return Ok(());
    }
    Err(ApiError::new(
        StatusCode::MISDIRECTED_REQUEST,
        "host-unknown",
        "this dashboard does not answer under that name",
        "open it by its address, or add the name to `hosts` in `[dashboard]`",
    ))
}

/// The host part of `name:port` or `[v6]:port`.
pub(crate) fn host_name(host: &str) -> &str {
    if host.starts_with('[') {
        return host.split_once(']').map_or(host, |(inside, _)| &host[..=inside.len()]);
    }
    host.rsplit_once(':').map_or(host, |(name, _)| name)
}

/// What acts must come from our own page or from a program, never from another site; and in JSON, which no form of
/// another site can send.
fn check_action(method: &Method, headers: &HeaderMap) -> Result<(), ApiError> {
    if method.is_safe() {
        return Ok(());
    }
    let text = |name| headers.get(name).and_then(|it: &HeaderValue| it.to_str().ok());
    let own = match text(header::ORIGIN) {
        Some(origin) => origin.split_once("://").map(|(_, rest)| rest) == text(header::HOST),
        None => text(header::HeaderName::from_static("sec-fetch-site"))
            .is_none_or(|site| site == "same-origin" || site == "none"),
    };
    if !own {
        return Err(ApiError::new(
            StatusCode::FORBIDDEN,
            "cross-site",
            "the request comes from another site",
            "use the dashboard's own page",
        ));
    }
    let json = text(header::CONTENT_TYPE)
        .and_then(|it| it.split(';').next())
        .is_some_and(|it| it.trim().eq_ignore_ascii_case("application/json"));
    if json || method == Method::DELETE {
        return Ok(());
    }
    Err(ApiError::new(
        StatusCode::UNSUPPORTED_MEDIA_TYPE,
        "not-json",
        "the body is not declared as JSON",
        "send `Content-Type: application/json`",
    ))
}

fn secure(headers: &mut HeaderMap) {
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.insert("cross-origin-opener-policy", HeaderValue::from_static("same-origin"));
    headers.insert("cross-origin-resource-policy", HeaderValue::from_static("same-origin"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| {
                (header::HeaderName::from_static(name), HeaderValue::from_str(value).unwrap())
            })
            .collect()
    }

    #[test]
    fn only_addresses_localhost_and_named_hosts_are_answered() {
        let allowed = ["layout.example".to_owned()];
        let cases = [
            ("127.0.0.1:8080", true),
            ("localhost:8080", true),
            ("192.0.2.4", true),
            ("[::1]:8080", true),
            ("layout.example:80", true),
            ("LAYOUT.example", true),
            ("evil.example:8080", false),
            ("layout.example.evil.example", false),
            ("127.0.0.1.evil.example", false),
            ("", false),
        ];
        for (host, want) in cases {
            let got = check_host(&headers(&[("host", host)]), &allowed);
            assert_eq!(got.is_ok(), want, "{host}");
        }
    }

    /// Headers, and the status of the refusal.
    type Case<'a> = (&'a [(&'static str, &'a str)], Option<StatusCode>);

    #[test]
    fn acts_come_from_the_own_page_or_a_program() {
        let json = ("content-type", "application/json; charset=utf-8");
        let host = ("host", "127.0.0.1:8080");
        let cases: [Case<'_>; 7] = [
            (&[host, json], None),
            (&[host, json, ("origin", "http://127.0.0.1:8080")], None),
            (&[host, json, ("origin", "http://127.0.0.1:9090")], Some(StatusCode::FORBIDDEN)),
            (&[host, json, ("origin", "http://evil.example")], Some(StatusCode::FORBIDDEN)),
            (&[host, json, ("origin", "null")], Some(StatusCode::FORBIDDEN)),
            (&[host, json, ("sec-fetch-site", "cross-site")], Some(StatusCode::FORBIDDEN)),
            (&[host, ("content-type", "text/plain")], Some(StatusCode::UNSUPPORTED_MEDIA_TYPE)),
        ];
        for (pairs, want) in cases {
            let got = check_action(&Method::POST, &headers(pairs)).err();
            assert_eq!(got.map(|it| it.status), want, "{pairs:?}");
        }
    }
}
