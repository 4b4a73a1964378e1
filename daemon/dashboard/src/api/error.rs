//! How the API says no: a status, a word for programs, why, and what to do.

use axum::{
    Json,
    extract::rejection::JsonRejection,
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use supervision::{output::Refusal, words};

use crate::{archive::ArchiveError, auth::Denied};

/// An answer that is not what was asked for.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) struct ApiError {
    pub(crate) status: StatusCode,
    pub(crate) code: &'static str,
    pub(crate) message: String,
    pub(crate) remedy: String,
}

impl ApiError {
    pub(crate) fn new(status: StatusCode, code: &'static str, message: &str, remedy: &str) -> Self {
        Self { status, code, message: message.to_owned(), remedy: remedy.to_owned() }
    }

    /// The supervisor's no. Its text reads `why: what to do`.
    pub(crate) fn refused(refusal: Refusal) -> Self {
        let text = words::refusal_text(refusal);
        let (why, remedy) = text.split_once(": ").unwrap_or((text, "look at the live page"));
        Self::new(StatusCode::CONFLICT, refusal.word(), why, remedy)
    }

    pub(crate) fn denied(denied: Denied) -> Self {
        match denied {
            Denied::SignIn => Self::new(
                StatusCode::UNAUTHORIZED,
                "sign-in",
                "this needs a token, and none or a wrong one was given",
                "sign in with the token that was printed at start",
            ),
            Denied::TooMany => Self::new(
                StatusCode::TOO_MANY_REQUESTS,
                "too-many",
                "too many wrong tokens",
                "wait a minute",
            ),
        }
    }

    pub(crate) fn read_only() -> Self {
        Self::new(
            StatusCode::FORBIDDEN,
            "read-only",
            "the read token does not let anybody act",
            "sign in with the operator token",
        )
    }

    pub(crate) fn unknown(what: &str) -> Self {
        Self::new(
            StatusCode::NOT_FOUND,
            "unknown",
            &format!("there is no such {what}"),
            "see /api/v1/state for what there is",
        )
    }

    pub(crate) fn confirm(text: &str) -> Self {
        Self::new(StatusCode::CONFLICT, "confirm", text, "send `\"confirm\": true` to go on")
    }

    pub(crate) fn invalid(message: &str) -> Self {
        Self::new(
            StatusCode::BAD_REQUEST,
            "invalid",
            message,
            "see /api/v1/openapi.json for what is asked for",
        )
    }

    pub(crate) fn too_large() -> Self {
        Self::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "too-large",
            "the body is too large",
            "send only what is asked for",
        )
    }

    /// What the asker saw is no longer so.
    pub(crate) fn moved_on(what: &str) -> Self {
        Self::new(
            StatusCode::CONFLICT,
            "moved-on",
            &format!("{what} has changed since you looked"),
            "look again, then ask again",
        )
    }

    /// Nobody answers.
    pub(crate) fn unavailable() -> Self {
        Self::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "no-answer",
            "the supervisor does not answer",
            "look at the layout: breakers and boosters still protect it by themselves",
        )
    }
}

impl From<JsonRejection> for ApiError {
    fn from(rejection: JsonRejection) -> Self {
        match rejection.status() {
            // Well-formed JSON of the wrong content is no less a bad request.
            StatusCode::UNPROCESSABLE_ENTITY => Self::invalid(&rejection.body_text()),
            StatusCode::PAYLOAD_TOO_LARGE => Self::too_large(),
            StatusCode::UNSUPPORTED_MEDIA_TYPE => Self::new(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "not-json",
                "the body is not declared as JSON",
                "send `Content-Type: application/json`",
            ),
            _ => Self::invalid(&rejection.body_text()),
        }
    }
}

impl From<ArchiveError> for ApiError {
    fn from(error: ArchiveError) -> Self {
        match error {
            ArchiveError::Unknown => Self::unknown("record"),
            ArchiveError::Question { reason } => Self::invalid(&reason),
            ArchiveError::Unreadable { .. } | ArchiveError::NotSaved => Self::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "history",
                &error.to_string(),
                "see the alarm `history-failing` and the disk",
            ),
        }
    }
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        let body = serde_json::json!({
            "error": self.code,
            "message": self.message,
            "remedy": self.remedy,
        });
        let mut response = (self.status, Json(body)).into_response();
        let headers = response.headers_mut();
        match self.status {
            StatusCode::UNAUTHORIZED => {
                headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
            }
            StatusCode::TOO_MANY_REQUESTS => {
                headers.insert(header::RETRY_AFTER, HeaderValue::from_static("60"));
            }
            _ => {}
        }
        response
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_refusal_says_why_and_what_to_do() {
        for refusal in Refusal::ALL {
            let error = ApiError::refused(refusal);
            assert_eq!(error.status, StatusCode::CONFLICT);
            assert!(!error.message.is_empty() && !error.remedy.is_empty(), "{refusal:?}");
        }
    }
}
