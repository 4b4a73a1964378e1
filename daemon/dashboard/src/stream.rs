//! The live stream: Server-Sent Events, one bounded queue for each page.

use std::{convert::Infallible, sync::Arc};

use axum::{
    body::{Body, Bytes},
    extract::{Query, State, rejection::QueryRejection},
    http::{HeaderMap, HeaderValue, header},
    response::{IntoResponse, Response},
};
use serde::Deserialize;
use tokio::sync::{broadcast::error::RecvError, mpsc, watch};
use tokio_stream::{StreamExt, wrappers::ReceiverStream};

use crate::{
    api::App,
    feed::{Feed, Joined, Message, stopped},
    metrics::StreamGuard,
};

/// Messages handed to a connection that it has not yet taken. What a slow page has not taken beyond these waits in the
/// shared queue, and beyond that is replaced by the whole state.
const IN_HAND: usize = 8;

/// What a page knows already.
#[derive(Debug, Deserialize)]
pub(crate) struct Known {
    /// `EPOCH.Q` of the whole state that it asked for. A page that comes back names a later message in a header.
    after: Option<String>,
}

pub(crate) async fn follow(
    State(app): State<Arc<App>>,
    known: Result<Query<Known>, QueryRejection>,
    headers: HeaderMap,
) -> Response {
    // Whoever says it in a way that is not understood is given the whole state.
    let after = known.ok().and_then(|Query(known)| known.after);
    let last_seen = headers.get("last-event-id").and_then(|it| it.to_str().ok());
    let joined = app.feed.join(last_seen.or(after.as_deref()));
    let (sender, receiver) = mpsc::channel(IN_HAND);
    let page = Page { sender, counted: app.metrics.stream(), seen: 0 };
    tokio::spawn(page.run(Arc::clone(&app.feed), joined, app.shutdown.clone()));
    let body = ReceiverStream::new(receiver).map(Ok::<Bytes, Infallible>);
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("text/event-stream")),
        (header::CACHE_CONTROL, HeaderValue::from_static("no-store")),
        // Asks proxies not to gather events.
        (header::HeaderName::from_static("x-accel-buffering"), HeaderValue::from_static("no")),
    ];
    (headers, Body::from_stream(body)).into_response()
}

/// One page that follows.
struct Page {
    sender: mpsc::Sender<Bytes>,
    /// Counts the page while it lives.
    counted: StreamGuard,
    /// Number of the newest message handed on.
    seen: u64,
}

/// The page is gone.
struct Gone;

impl Page {
    async fn run(mut self, feed: Arc<Feed>, joined: Joined, mut shutdown: watch::Receiver<bool>) {
        let _counted = &self.counted;
        let sender = self.sender.clone();
        tokio::select! {
            () = stopped(&mut shutdown) => {
                // If even this does not fit, the closed connection says the same.
                let _ = sender.try_send(Bytes::from_static(b"event: bye\ndata: {}\n\n"));
            }
            _ = self.follow(&feed, joined) => {}
        }
    }

    async fn follow(&mut self, feed: &Feed, mut joined: Joined) -> Result<(), Gone> {
        // Browsers wait three seconds by themselves; a page beside a layout should be back sooner.
        self.send(Bytes::from_static(b"retry: 1000\n\n")).await?;
        loop {
            for message in std::mem::take(&mut joined.first) {
                self.hand_on(message).await?;
            }
            match joined.rest.recv().await {
                Ok(message) if message.q > self.seen => self.hand_on(message).await?,
                // Already part of the whole state.
                Ok(_) => {}
                Err(RecvError::Lagged(_)) => joined = feed.rejoin(),
                Err(RecvError::Closed) => return Ok(()),
            }
        }
    }

    async fn hand_on(&mut self, message: Message) -> Result<(), Gone> {
        self.seen = message.q;
        self.send(Bytes::copy_from_slice(message.bytes.as_bytes())).await
    }

    async fn send(&self, bytes: Bytes) -> Result<(), Gone> {
        self.sender.send(bytes).await.map_err(|_| Gone)
    }
}
