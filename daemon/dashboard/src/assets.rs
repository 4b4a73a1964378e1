//! The page's files, built into the program.

use axum::{
    http::{HeaderMap, HeaderValue, StatusCode, Uri, header},
    response::{IntoResponse, Response},
};
use rust_embed::{EmbeddedFile, RustEmbed};

use crate::api::error::ApiError;

#[derive(RustEmbed)]
#[folder = "page/"]
struct Files;

/// Paths that a person may open or a printed label may name; all of them are the one page.
const PAGES: [&str; 11] = [
    "live",
    "alarms",
    "faults",
    "turnouts",
    "commission",
    "wiring",
    "machines",
    "report",
    "setup",
    "about",
    "more",
];

/// A file of the page, or the page itself.
pub(crate) async fn serve(uri: Uri, headers: HeaderMap) -> Response {
    let path = uri.path().trim_start_matches('/');
    let first = path.split('/').next().unwrap_or_default();
    if path.is_empty() || PAGES.contains(&first) {
        return file("index.html", &headers);
    }
    match path.strip_prefix("assets/") {
        Some(name) => file(name, &headers),
        None => ApiError::unknown("page").into_response(),
    }
}

fn file(name: &str, asked: &HeaderMap) -> Response {
    let Some(file) = Files::get(name) else {
        return ApiError::unknown("file").into_response();
    };
    let tag = tag(&file);
    let known = asked.get(header::IF_NONE_MATCH).and_then(|it| it.to_str().ok());
    let mut response = if known.is_some_and(|it| it.contains(tag.as_str())) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        file.data.into_response()
    };
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind(name)));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    if let Ok(value) = HeaderValue::from_str(&tag) {
        headers.insert(header::ETAG, value);
    }
    response
}

/// Weak, because the same file may go out compressed or plain.
fn tag(file: &EmbeddedFile) -> String {
    let hash = file.metadata.sha256_hash();
    let hex: String = hash.iter().take(12).map(|byte| format!("{byte:02x}")).collect();
    format!("W/\"{hex}\"")
}

fn kind(name: &str) -> &'static str {
    match name.rsplit_once('.').map(|(_, ending)| ending) {
        Some("html") => "text/html; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("svg") => "image/svg+xml",
        Some("webmanifest") => "application/manifest+json",
        _ => "text/plain; charset=utf-8",
    }
}
