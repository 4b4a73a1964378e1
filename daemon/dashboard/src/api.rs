//! The HTTP interface: which path does what, and who may ask.

pub(crate) mod acts;
pub(crate) mod commission;
pub(crate) mod error;
pub(crate) mod reads;
pub(crate) mod session;
pub(crate) mod sheets;

use std::sync::{
    Arc, PoisonError, RwLock,
    atomic::{AtomicU64, Ordering},
};

use axum::{
    Router,
    extract::{DefaultBodyLimit, Request, State},
    middleware::{self, Next},
    response::Response,
    routing::{MethodRouter, get, post},
};
use supervision::{
    input::{Act, OperatorRequest, RequestId},
    output::Refusal,
};
use tokio::{
    sync::{mpsc, oneshot, watch},
    time::{Duration, timeout},
};
use tower_http::compression::CompressionLayer;

use self::error::ApiError;
use crate::{
    archive::Archive,
    assets,
    auth::Auth,
    feed::Feed,
    guard,
    metrics::Metrics,
    once::{self, Answers},
    openapi,
    settings::{Live, Settings},
    stream,
    view::Command,
};

/// Largest body of a request. Unit: bytes.
pub(crate) const BODY: usize = 16 * 1024;
/// How long a person waits for the supervisor's answer before the page says that there is none.
const PATIENCE: Duration = Duration::from_secs(3);

/// Everything that the handlers share.
pub(crate) struct App {
    /// As at the start.
    pub(crate) settings: Settings,
    /// What may have changed since.
    pub(crate) live: RwLock<Arc<Live>>,
    pub(crate) auth: Auth,
    pub(crate) coins: commission::Coins,
    pub(crate) sheets: sheets::Sheets,
    pub(crate) answers: Answers,
    pub(crate) feed: Arc<Feed>,
    pub(crate) archive: Arc<dyn Archive>,
    pub(crate) metrics: Arc<Metrics>,
    pub(crate) commands: mpsc::Sender<Command>,
    pub(crate) requests: AtomicU64,
    pub(crate) shutdown: watch::Receiver<bool>,
}

impl App {
    /// What of the settings may change while the daemon runs, as it is now.
    pub(crate) fn live(&self) -> Arc<Live> {
        Arc::clone(&self.live.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Asks the supervisor and waits for its answer.
    pub(crate) async fn ask(&self, who: &str, act: Act) -> Result<(), ApiError> {
        let id = RequestId(self.requests.fetch_add(1, Ordering::Relaxed) + 1);
        let request = OperatorRequest { id, who: who.to_owned(), act };
        let (answer, answered) = oneshot::channel();
        // A full queue means that the supervisor's shell is stuck; waiting in line would act late.
        let sent = self.commands.try_send(Command { request, answer });
        if sent.is_err() {
            return Err(ApiError::unavailable());
        }
        let result: Result<(), Refusal> = match timeout(PATIENCE, answered).await {
            Ok(Ok(result)) => result,
            Ok(Err(_)) | Err(_) => return Err(ApiError::unavailable()),
        };
        result.map_err(ApiError::refused)
    }
}

/// Paths that only look.
pub(crate) fn reading() -> Vec<(&'static str, MethodRouter<Arc<App>>)> {
    vec![
        ("/api/v1/state", get(reads::state)),
        ("/api/v1/alarms", get(reads::alarms)),
        ("/api/v1/faults", get(reads::faults)),
        ("/api/v1/faults/{number}", get(reads::fault)),
        ("/api/v1/faults/{number}/export", get(reads::export)),
        ("/api/v1/machines", get(reads::machines)),
        ("/api/v1/report", get(reads::report)),
        ("/api/v1/turnouts", get(reads::turnouts)),
        ("/api/v1/commission", get(commission::index)),
        ("/api/v1/commission/{name}", get(commission::show)),
        ("/api/v1/commission/{name}/coins", get(commission::coins)),
        ("/api/v1/wiring", get(sheets::index)),
        ("/api/v1/wiring/{name}", get(sheets::show)),
        ("/api/v1/stream", get(stream::follow)),
        ("/metrics", get(reads::metrics)),
    ]
}

/// Paths that act.
pub(crate) fn acting() -> Vec<(&'static str, MethodRouter<Arc<App>>)> {
    vec![
        ("/api/v1/acknowledge", post(acts::acknowledge)),
        ("/api/v1/reset", post(acts::reset)),
        ("/api/v1/reset-first-out", post(acts::reset_first_out)),
        ("/api/v1/shelve", post(acts::shelve)),
        ("/api/v1/unshelve", post(acts::unshelve)),
        ("/api/v1/out-of-service", post(acts::out_of_service)),
        ("/api/v1/in-service", post(acts::in_service)),
        ("/api/v1/cut", post(acts::cut)),
        ("/api/v1/restore", post(acts::restore)),
        ("/api/v1/hold", post(acts::hold)),
        ("/api/v1/release", post(acts::release)),
        ("/api/v1/culprit", post(acts::culprit)),
        ("/api/v1/silence", post(acts::silence)),
        ("/api/v1/faults/{number}/note", post(acts::note)),
        ("/api/v1/commission", post(commission::step)),
    ]
}

/// Paths that anybody who reaches the address may ask.
pub(crate) fn open() -> Vec<(&'static str, MethodRouter<Arc<App>>)> {
    vec![
        ("/health", get(reads::health)),
        ("/api/v1/openapi.json", get(openapi::serve)),
        ("/api/v1/session", get(session::show).post(session::sign_in).delete(session::sign_out)),
    ]
}

/// Whatever is asked is answered of a view that is new.
async fn look(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    app.feed.look().await;
    next.run(request).await
}

/// The whole interface.
pub(crate) fn router(app: Arc<App>) -> Router {
    let layered = |routes: Vec<(&'static str, MethodRouter<Arc<App>>)>| {
        let all = routes.into_iter();
        all.fold(Router::new(), |all, (path, method)| all.route(path, method))
            .route_layer(middleware::from_fn_with_state(Arc::clone(&app), look))
    };
    let reading = layered(reading())
        .route_layer(middleware::from_fn_with_state(Arc::clone(&app), guard::reading));
    let acting = layered(acting())
        .route_layer(middleware::from_fn_with_state(Arc::clone(&app), once::once))
        .route_layer(middleware::from_fn_with_state(Arc::clone(&app), guard::acting));
    layered(open())
        .merge(reading)
        .merge(acting)
        .fallback(assets::serve)
        .layer(DefaultBodyLimit::max(BODY))
        // The stream stays as it is: compressing it would hold back its events.
        .layer(CompressionLayer::new())
        .layer(middleware::from_fn_with_state(Arc::clone(&app), guard::form))
        .with_state(app)
}
