//! What signed-in operators ask for. Each becomes one request to the supervisor, which alone decides.

use std::{sync::Arc, time::Duration};

use axum::{
    Extension, Json,
    extract::{Path, State, rejection::JsonRejection},
};
use serde::Deserialize;
use serde_json::{Value, json};
use supervision::{
    alarm::AlarmKey,
    input::{Act, Feed, Shelving},
    record::FaultNumber,
};
use wiring::units::Micros;

use super::{
    App,
    error::ApiError,
    reads::{aside, fault_number},
};
use crate::{guard::Who, wire::names};

/// Longest shelving that may be asked for; the supervisor may allow less. Unit: minutes.
const SHELVE_MINUTES: u64 = 12 * 60;
/// Longest reason. Unit: characters.
const REASON: usize = 200;

/// How long a silence lasts.
const SILENCE: Duration = Duration::from_secs(120);
/// Longest note. Unit: characters.
const NOTE: usize = 4000;

type Asked<T> = Result<Json<T>, JsonRejection>;
type Done = Result<Json<Value>, ApiError>;

/// An alarm, by kind and subject.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct AlarmBody {
    alarm: String,
    subject: String,
}

/// An alarm, for how long it is shelved (`minutes`, or `session`: until that ends), and why.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ShelveBody {
    alarm: String,
    subject: String,
    minutes: Option<u64>,
    #[serde(default)]
    session: bool,
    reason: String,
}

/// A feed: `subject`, or `district` or `booster` with the id alone.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FeedBody {
    subject: Option<String>,
    district: Option<String>,
    booster: Option<String>,
    /// The person has looked and confirms. Only `restore` asks for it.
    #[serde(default)]
    confirm: bool,
    /// The person goes on although no current reading would protect the feed. Only `restore` heeds it.
    #[serde(default)]
    blind: bool,
    /// `EPOCH.Q` of the state that the person looked at. Only `restore` heeds it: one who saw another cause is asked
    /// to look again.
    seen: Option<String>,
}

/// A fault, and which of its suspects it was.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CulpritBody {
    fault: u32,
    suspect: usize,
}

/// Nothing: silence has no choice.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SilenceBody {}

/// What a person noted.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct NoteBody {
    text: String,
}

impl FeedBody {
    fn subject(&self) -> Result<String, ApiError> {
        match (&self.subject, &self.district, &self.booster) {
            (Some(subject), None, None) => Ok(subject.clone()),
            (None, Some(id), None) => Ok(format!("district/{id}")),
            (None, None, Some(id)) => Ok(format!("booster/{id}")),
            _ => Err(ApiError::invalid("name one of `subject`, `district`, `booster`")),
        }
    }
}

macro_rules! alarm_acts {
    ($($(#[$doc:meta])* $name:ident => $word:literal, $act:expr;)*) => {$(
        $(#[$doc])*
        pub(crate) async fn $name(
            State(app): State<Arc<App>>,
            Extension(who): Extension<Who>,
            body: Asked<AlarmBody>,
        ) -> Done {
            let Json(AlarmBody { alarm, subject }) = body?;
            let key = find_alarm(&app, &alarm, &subject)?;
            perform(&app, &who, $word, &format!("{alarm}/{subject}"), $act(key)).await
        }
    )*};
}

alarm_acts! {
    acknowledge => "acknowledge", Act::Acknowledge;
    reset => "reset", Act::Reset;
    reset_first_out => "reset-first-out", Act::ResetFirstOut;
    unshelve => "unshelve", Act::Unshelve;
    out_of_service => "out-of-service", Act::OutOfService;
    in_service => "in-service", Act::InService;
}

pub(crate) async fn shelve(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    body: Asked<ShelveBody>,
) -> Done {
    let Json(ShelveBody { alarm, subject, minutes, session, reason }) = body?;
    let key = find_alarm(&app, &alarm, &subject)?;
    let lasts = match (minutes, session) {
        (None, true) => Shelving::Session,
        (Some(minutes), false) if (1..=SHELVE_MINUTES).contains(&minutes) => {
            Shelving::For(Micros(minutes * 60_000_000))
        }
        (_, true) => return Err(ApiError::invalid("`minutes` or `session`, not both")),
        (_, false) => {
            let why = "`minutes` is from 1 to 720: nothing is shelved for ever";
            return Err(ApiError::invalid(why));
        }
    };
    let reason: String = reason.chars().filter(|it| !it.is_control()).take(REASON).collect();
    if reason.trim().is_empty() {
        return Err(ApiError::invalid("`reason` is empty: say why it is shelved"));
    }
    let act = Act::Shelve { alarm: key, lasts, reason };
    perform(&app, &who, "shelve", &format!("{alarm}/{subject}"), act).await
}

pub(crate) async fn cut(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    body: Asked<FeedBody>,
) -> Done {
    let (feed, subject, _) = find_feed(&app, body)?;
    perform(&app, &who, "cut", &subject, Act::Cut(feed)).await
}

pub(crate) async fn restore(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    body: Asked<FeedBody>,
) -> Done {
    let (feed, subject, body) = find_feed(&app, body)?;
    if !body.confirm {
        return Err(ApiError::confirm(&confirmation(&app, feed, &subject)));
    }
    if body.seen.as_deref().is_some_and(|seen| app.feed.moved_on(feed, seen)) {
        return Err(ApiError::moved_on(&subject));
    }
    let act = Act::Restore { feed, confirmed: body.blind };
    perform(&app, &who, "restore", &subject, act).await
}

pub(crate) async fn hold(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    body: Asked<FeedBody>,
) -> Done {
    let (feed, subject, _) = find_feed(&app, body)?;
    perform(&app, &who, "hold", &subject, Act::Hold(feed)).await
}

pub(crate) async fn release(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    body: Asked<FeedBody>,
) -> Done {
    let (feed, subject, _) = find_feed(&app, body)?;
    perform(&app, &who, "release", &subject, Act::Release(feed)).await
}

pub(crate) async fn culprit(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    body: Asked<CulpritBody>,
) -> Done {
    let Json(CulpritBody { fault, suspect }) = body?;
    let act = Act::NameCulprit { fault: FaultNumber(fault), suspect };
    perform(&app, &who, "culprit", &format!("fault {fault}"), act).await
}

/// Stops the sound of every screen for two minutes. It acknowledges nothing, and no power depends on it.
pub(crate) async fn silence(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    body: Asked<SilenceBody>,
) -> Done {
    let Json(SilenceBody {}) = body?;
    app.feed.silence(SILENCE);
    app.metrics.request("silence", "done");
    tracing::info!(who = %who.0, act = "silence", "operator's request done");
    Ok(Json(json!({ "done": true })))
}

/// A note on a fault. It goes to the history alone: the supervisor decides nothing by it.
pub(crate) async fn note(
    State(app): State<Arc<App>>,
    Extension(who): Extension<Who>,
    Path(number): Path<String>,
    body: Asked<NoteBody>,
) -> Done {
    let number = fault_number(&number)?;
    let Json(NoteBody { text }) = body?;
    let text: String =
        text.trim().chars().filter(|it| *it == '\n' || !it.is_control()).take(NOTE).collect();
    if text.is_empty() {
        return Err(ApiError::invalid("`text` is empty: say what was found"));
    }
    let archive = Arc::clone(&app.archive);
    let name = who.0.clone();
    aside(move || archive.note(number, &name, &text)).await?;
    app.metrics.request("note", "done");
    tracing::info!(who = %who.0, act = "note", fault = number, "operator's request done");
    Ok(Json(json!({ "done": true })))
}

/// Asks, counts, logs who asked for what and how it went.
pub(crate) async fn perform(
    app: &App,
    who: &Who,
    word: &'static str,
    subject: &str,
    act: Act,
) -> Done {
    let result = app.ask(&who.0, act).await;
    match &result {
        Ok(()) => {
            app.metrics.request(word, "done");
            tracing::info!(who = %who.0, act = word, subject, "operator's request done");
        }
        Err(error) => {
            app.metrics.request(word, "refused");
            let (status, why) = (error.status.as_u16(), error.code);
            tracing::warn!(who = %who.0, act = word, subject, status, why, "request refused");
        }
    }
    result.map(|()| Json(json!({ "done": true })))
}

fn find_alarm(app: &App, kind: &str, subject: &str) -> Result<AlarmKey, ApiError> {
    names::alarm(&app.feed.layout(), &app.feed.view().snapshot, kind, subject)
        .ok_or_else(|| ApiError::unknown("alarm"))
}

fn find_feed(app: &App, body: Asked<FeedBody>) -> Result<(Feed, String, FeedBody), ApiError> {
    let Json(body) = body?;
    let subject = body.subject()?;
    let feed = names::feed(&app.feed.layout(), &subject)
        .ok_or_else(|| ApiError::unknown("district or booster"))?;
    Ok((feed, subject, body))
}

/// What a person must have read before power returns.
fn confirmation(app: &App, feed: Feed, subject: &str) -> String {
    let view = app.feed.view();
    let row = match feed {
        Feed::Booster(it) => view.snapshot.boosters.get(it.at()),
        Feed::District(it) => view.snapshot.districts.get(it.at()),
    };
    let cause = row.and_then(|it| it.cause).map_or_else(
        || "no cause is recorded".to_owned(),
        |cause| supervision::words::cause_text(cause, &app.feed.layout()),
    );
    format!("{subject} was cut: {cause}. Restoring puts power on the track")
}
