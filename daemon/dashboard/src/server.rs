//! Starting and stopping the dashboard.

use std::{
    fmt, io,
    net::SocketAddr,
    sync::{Arc, PoisonError, RwLock, atomic::AtomicU64},
};

use tokio::{
    net::TcpListener,
    sync::{mpsc, watch},
    task::JoinHandle,
};
use wiring::layout::Layout;

use crate::{
    api::{App, router, sheets::Sheets},
    archive::Archive,
    auth::Auth,
    feed::{Feed, stopped},
    listen::{Guarded, Peer},
    metrics::Metrics,
    once::Answers,
    secret::{SecretError, new_token},
    settings::{Live, Renewal, Settings},
    view::Command,
    window::Window,
    wire::{delta::Head, fixed::Fixed},
};

/// What the dashboard is connected to.
#[derive(Debug)]
pub struct Parts {
    /// The layout.
    pub layout: Arc<Layout>,
    /// What the supervisor shows.
    pub window: Arc<Window>,
    /// Where people's requests go.
    pub commands: mpsc::Sender<Command>,
    /// The reading side of the history.
    pub archive: Arc<dyn Archive>,
    /// Counted by the shell, scraped here.
    pub metrics: Arc<Metrics>,
    /// Becomes true when everything stops.
    pub shutdown: watch::Receiver<bool>,
}

/// The dashboard cannot start.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The address cannot be had.
    #[error(
        "cannot listen on {address}: {source}; another program may have that address, `--listen` names another one"
    )]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// An empty operator token would let everybody act.
    #[error("the operator token is empty")]
    NoToken,
    /// No random numbers.
    #[error(transparent)]
    Secret(#[from] SecretError),
}

/// A running dashboard.
pub struct Server {
    address: SocketAddr,
    task: JoinHandle<()>,
    app: Arc<App>,
}

impl fmt::Debug for Server {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Server").field("address", &self.address).finish_non_exhaustive()
    }
}

impl Server {
    /// Where it listens.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// Goes on with new settings: pages that are open are given the whole state again, and people stay signed in unless
    /// their token changed.
    pub fn renew(&self, renewal: Renewal) {
        let Renewal { layout, hosts, operator_token, read_token, revision } = renewal;
        self.app.auth.renew(operator_token.as_deref(), read_token.as_deref());
        let live = Arc::new(Live { hosts, revision });
        *self.app.live.write().unwrap_or_else(PoisonError::into_inner) = live;
        self.app.feed.renew(layout);
    }

    /// Waits until it has stopped, after `shutdown` said so.
    pub async fn stopped(self) {
        // A panic in it ends the page, never the protection.
        let _ = self.task.await;
    }
}

/// Starts the dashboard; it runs until `parts.shutdown` becomes true.
///
/// # Errors
/// [`ServeError`] when the address cannot be had, the token is empty, or the system has no random source.
pub async fn serve(settings: Settings, parts: Parts) -> Result<Server, ServeError> {
    if settings.operator_token.is_empty() {
        return Err(ServeError::NoToken);
    }
    let at = |source| ServeError::Listen { address: settings.listen, source };
    let listener = TcpListener::bind(settings.listen).await.map_err(at)?;
    let address = listener.local_addr().map_err(at)?;
    let shutdown = parts.shutdown.clone();
    let app = Arc::new(app(settings, parts)?);
    let feed = tokio::spawn(Arc::clone(&app.feed).run(shutdown.clone()));
    let task = tokio::spawn(run(listener, Arc::clone(&app), shutdown, feed));
    Ok(Server { address, task, app })
}

/// Everything the handlers share.
pub(crate) fn app(settings: Settings, parts: Parts) -> Result<App, SecretError> {
    let epoch = new_token()?.chars().take(8).collect();
    let head = Head { epoch, version: settings.version.clone(), demo: settings.demo };
    let feed = Arc::new(Feed::new(Fixed::new(parts.layout), head, parts.window));
    let live = Live { hosts: settings.hosts.clone(), revision: settings.revision.clone() };
    Ok(App {
        live: RwLock::new(Arc::new(live)),
        auth: Auth::new(&settings.operator_token, settings.read_token.as_deref()),
        answers: Answers::default(),
        coins: crate::api::commission::Coins::default(),
        sheets: Sheets::default(),
        settings,
        feed,
        archive: parts.archive,
        metrics: parts.metrics,
        commands: parts.commands,
        requests: AtomicU64::new(0),
        shutdown: parts.shutdown,
    })
}

async fn run(
    listener: TcpListener,
    app: Arc<App>,
    mut shutdown: watch::Receiver<bool>,
    feed: JoinHandle<()>,
) {
    let service = router(app).into_make_service_with_connect_info::<Peer>();
    let server = axum::serve(Guarded::new(listener), service)
        .with_graceful_shutdown(async move { stopped(&mut shutdown).await });
    if let Err(error) = server.await {
        tracing::error!(%error, "the dashboard has stopped");
    }
    feed.abort();
}
