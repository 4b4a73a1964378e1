//! Acting once: a request that comes again with the same `Idempotency-Key` gets the first one's answer, and nothing is
//! asked of the supervisor a second time. A phone that lost its answer in a tunnel of cables may simply send again.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};

use axum::{
    body::{Body, Bytes, to_bytes},
    extract::{Request, State},
    http::{StatusCode, response::Parts},
    middleware::Next,
    response::{IntoResponse, Response},
};
use tokio::sync::OnceCell;

use crate::{
    api::{App, BODY, error::ApiError},
    guard::Who,
    secret::Secret,
};

/// The header.
pub(crate) const HEADER: &str = "idempotency-key";
/// Longest key. Unit: characters.
const KEY: usize = 64;
/// Answers kept; the oldest goes first.
const KEPT: usize = 256;
/// An answer is kept for so long: a person who sends again does so within minutes.
const TIME: Duration = Duration::from_secs(600);
/// Largest answer to an act. Unit: bytes.
const ANSWER: usize = 64 * 1024;

/// Answers by who asked and with which key.
#[derive(Default)]
pub(crate) struct Answers(Mutex<VecDeque<Entry>>);

struct Entry {
    who: String,
    key: String,
    /// Method, path and body: a key belongs to one request.
    asked: Secret,
    since: Instant,
    answer: Answer,
}

type Answer = Arc<OnceCell<(Parts, Bytes)>>;

/// A key was used for something else.
struct Reused;

impl Answers {
    fn lock(&self) -> MutexGuard<'_, VecDeque<Entry>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Where the answer to this request is or will be.
    fn place(&self, who: &str, key: &str, asked: Secret) -> Result<Answer, Reused> {
        let mut entries = self.lock();
        let now = Instant::now();
        entries.retain(|it| now.duration_since(it.since) < TIME);
        if let Some(entry) = entries.iter().find(|it| it.who == who && it.key == key) {
            let same = entry.asked.same(&asked);
            return if same { Ok(Arc::clone(&entry.answer)) } else { Err(Reused) };
        }
        if entries.len() == KEPT {
            entries.pop_front();
        }
        let answer = Answer::default();
        entries.push_back(Entry {
            who: who.to_owned(),
            key: key.to_owned(),
            asked,
            since: now,
            answer: Arc::clone(&answer),
        });
        Ok(answer)
    }
}

/// Lets a request through once a key; without a key always.
pub(crate) async fn once(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let Some(key) = request.headers().get(HEADER) else { return next.run(request).await };
    let key = key.to_str().unwrap_or_default().to_owned();
    if key.is_empty() || key.len() > KEY {
        return ApiError::invalid("`Idempotency-Key` has 1 to 64 plain characters").into_response();
    }
    let who = request.extensions().get::<Who>().map(|it| it.0.clone()).unwrap_or_default();
    let (head, body) = request.into_parts();
    let Ok(body) = to_bytes(body, BODY).await else {
        return ApiError::too_large().into_response();
    };
    let asked = format!("{} {} {}", head.method, head.uri, String::from_utf8_lossy(&body));
    let Ok(answer) = app.answers.place(&who, &key, Secret::new(&asked)) else {
        return reused().into_response();
    };
    let request = Request::from_parts(head, Body::from(body));
    // In a task of its own: the act is done, and its answer kept, though the asker hangs up.
    let acting = tokio::spawn(async move {
        let (head, body) = answer.get_or_init(|| answered(next.run(request))).await;
        Response::from_parts(head.clone(), Body::from(body.clone()))
    });
    acting.await.unwrap_or_else(|_| ApiError::unavailable().into_response())
}

async fn answered(response: impl Future<Output = Response>) -> (Parts, Bytes) {
    let (head, body) = response.await.into_parts();
    // Answers of ours are a few lines; one that cannot be read whole is not there to be read again either.
    (head, to_bytes(body, ANSWER).await.unwrap_or_default())
}

fn reused() -> ApiError {
    ApiError::new(
        StatusCode::UNPROCESSABLE_ENTITY,
        "key-reused",
        "this `Idempotency-Key` was used for another request",
        "make a new key for each thing that is asked for",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_belongs_to_one_person_and_one_request_and_the_oldest_goes_first() {
        let answers = Answers::default();
        let first = answers.place("Ines", "k", Secret::new("a")).ok().unwrap();
        let again = answers.place("Ines", "k", Secret::new("a")).ok().unwrap();
        assert!(Arc::ptr_eq(&first, &again));
        assert!(answers.place("Ines", "k", Secret::new("b")).is_err());
        let other = answers.place("Bram", "k", Secret::new("a")).ok().unwrap();
        assert!(!Arc::ptr_eq(&first, &other));
        for n in 0..KEPT {
            let _ = answers.place("Ines", &n.to_string(), Secret::new("a"));
        }
        let fresh = answers.place("Ines", "k", Secret::new("b")).ok().unwrap();
        assert!(!Arc::ptr_eq(&first, &fresh), "what is long gone may be used again");
        assert_eq!(answers.lock().len(), KEPT);
    }
}
