//! `checkrail run`: the daemon. Sets the parts up in the order in which they depend on each other, and takes them down
//! in the other.

mod announce;
mod archive;
mod archivist;
mod notify;
mod recorder;
mod reload;
mod shell;
mod showing;
mod standing;

use std::{
    net::SocketAddr,
    path::{Path, PathBuf},
    sync::Arc,
};

use dashboard::{Metrics, Server, Settings, View, Window};
use links::{Links, Options, Tick};
use supervision::{Supervisor, start::Start};
use tokio::{
    runtime::{self, Runtime},
    signal::unix::{SignalKind, signal},
    sync::{mpsc, oneshot, watch},
    task::JoinHandle,
};
use tracing::{error, info, warn};
use wiring::{links::BrokerAddress, units::Mono};

use crate::{
    cli::RunArgs,
    clock::Clock,
    core::Core,
    exit::{Exit, Failure},
    run::{
        archivist::Archivist,
        notify::Watchdog,
        recorder::Recorder,
        reload::Reload,
        shell::{Ended, Parts, Shell},
    },
    source::{Loaded, Source},
};

/// Requests of signed-in people that may wait.
const MOST_COMMANDS: usize = 64;

/// What the daemon is started with.
pub struct Setup {
    /// The layout.
    pub loaded: Loaded,
    /// Address of the dashboard.
    pub listen: String,
    /// Folder of the history.
    pub data: PathBuf,
    /// The operator token; one is made where none is given.
    pub token: Option<String>,
    /// The layout is a demonstration.
    pub demo: bool,
    /// Where the layout was read from; none: it cannot be read again.
    pub source: Option<PathBuf>,
}

impl Setup {
    /// As the layout file says.
    #[must_use]
    pub fn new(loaded: Loaded) -> Self {
        let links = &loaded.layout.links;
        let listen = links.dashboard.listen.clone();
        let data = data_folder(links.history.path.as_deref().map(Path::new));
        Self { loaded, listen, data, token: None, demo: false, source: None }
    }
}

/// Runs `run`.
///
/// # Errors
/// [`Failure`] when the layout has errors, or an address or folder cannot be had.
pub fn run(args: &RunArgs) -> Result<Exit, Failure> {
    let source = Source::open(&args.layout)?;
    let loaded = source.require()?;
    if args.strict {
        source.show_findings(&loaded, true, |_| true)?;
    }
    let mut setup = Setup::new(loaded.clone());
    setup.source = Some(args.layout.clone());
    if let Some(listen) = &args.listen {
        setup.listen.clone_from(listen);
    }
    if let Some(data) = &args.data {
        setup.data.clone_from(data);
    }
    if let Some(file) = &setup.loaded.layout.links.dashboard.operator_token_file {
        setup.token = Some(token_from(Path::new(file))?);
    }
    block_on_one_thread(async {
        let daemon = Daemon::start(setup).await?;
        daemon.greet();
        if loaded.layout.links.is_empty() {
            warn!(
                "the layout file names no link: nothing is heard and nothing is protected; give it [links.mqtt], \
                 [links.serial.NAME] or another"
            );
        }
        if !args.strict {
            tell_findings(source, loaded);
        }
        daemon.until_stopped().await
    })
}

/// Tells the findings of a layout that is watched all the same: the study behind them takes longer than the start.
fn tell_findings(source: Source, loaded: Loaded) {
    let tell = move || {
        standing::stand_back();
        // Without `strict` no finding is a failure.
        let _ = source.show_findings(&loaded, false, |_| true);
    };
    if let Err(error) = std::thread::Builder::new().name("findings".to_owned()).spawn(tell) {
        error!(%error, "the findings of the layout are not told");
    }
}

/// Runs a future on a runtime of several threads.
///
/// # Errors
/// What the future fails with, or [`Failure::Start`].
pub fn block_on(future: impl Future<Output = Result<Exit, Failure>>) -> Result<Exit, Failure> {
    built(&mut runtime::Builder::new_multi_thread())?.block_on(future)
}

/// Runs the daemon on this thread alone, but for the pages: links and supervisor hand each reading and each order on
/// without waking another thread, which costs more than everything that is done with a reading.
fn block_on_one_thread(
    future: impl Future<Output = Result<Exit, Failure>>,
) -> Result<Exit, Failure> {
    built(&mut runtime::Builder::new_current_thread())?.block_on(future)
}

fn built(builder: &mut runtime::Builder) -> Result<Runtime, Failure> {
    let failed = |source: std::io::Error| Failure::Start { what: "runtime", source: source.into() };
    builder.enable_all().build().map_err(failed)
}

/// The state directory: what the service manager gives, else the user's own.
#[must_use]
pub fn data_folder(configured: Option<&Path>) -> PathBuf {
    if let Some(path) = configured {
        return path.to_owned();
    }
    let from = |name| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    from("STATE_DIRECTORY")
        .or_else(|| from("XDG_STATE_HOME").map(|home| home.join("checkrail")))
        .or_else(|| from("HOME").map(|home| home.join(".local/state/checkrail")))
        .unwrap_or_else(|| PathBuf::from("checkrail-data"))
}

/// What is shown before the first beat.
fn first_view(supervisor: &Supervisor, clock: &Clock, links: &Links, history_ok: bool) -> View {
    let view = View::new(supervisor.snapshot(), clock.wall_ms(Mono::START));
    View { links: shell::link_views(links, clock), history_ok, ..view }
}

fn token_from(path: &Path) -> Result<String, Failure> {
    let text = std::fs::read_to_string(path)
        .map_err(|source| Failure::Read { path: path.to_owned(), error: source })?;
    Ok(text.trim().to_owned())
}

fn new_token() -> Result<String, Failure> {
    dashboard::new_token().map_err(|source| Failure::Start { what: "token", source: source.into() })
}

/// Threads of the dashboard's own: pages, however many or slow, take no time from supervision.
struct Pages(Option<Runtime>);

/// Of them: one busy with a large page leaves another for the rest.
const PAGES_THREADS: usize = 2;

impl Pages {
    fn new() -> Result<Self, Failure> {
        let mut builder = runtime::Builder::new_multi_thread();
        builder
            .worker_threads(PAGES_THREADS)
            .thread_name("pages")
            .on_thread_start(standing::stand_back);
        built(&mut builder).map(Some).map(Self)
    }

    async fn serve(&self, settings: Settings, parts: dashboard::Parts) -> Result<Server, Failure> {
        let failed = |source| Failure::Start { what: "dashboard", source };
        let runtime = self.0.as_ref().expect("there until it is dropped");
        match runtime.spawn(dashboard::serve(settings, parts)).await {
            Ok(served) => served.map_err(|source| failed(source.into())),
            Err(panicked) => Err(failed(panicked.into())),
        }
    }
}

impl Drop for Pages {
    fn drop(&mut self) {
        // A runtime must not be awaited where another one runs.
        if let Some(runtime) = self.0.take() {
            runtime.shutdown_background();
        }
    }
}

/// A running daemon.
pub struct Daemon {
    links: Arc<Links>,
    server: Server,
    /// The dashboard ends with it.
    pages: Pages,
    token: String,
    token_is_new: bool,
    broker: Option<(String, u16)>,
    window: Arc<Window>,
    shell: JoinHandle<Ended>,
    stop: oneshot::Sender<()>,
    reload: Option<Reload>,
    shutdown: watch::Sender<bool>,
}

impl Daemon {
    /// Starts everything. A missing broker or device is no failure: it is awaited, and its readings count as stale.
    ///
    /// # Errors
    /// [`Failure`] when an address or folder cannot be had.
    pub async fn start(setup: Setup) -> Result<Self, Failure> {
        let Setup { loaded, listen, data, token, demo, source } = setup;
        let clock = Clock::start();
        let archivist = Archivist::open(&data, &loaded, (Mono::START, clock.wall(Mono::START)));
        let tick = Tick::new();
        let options =
            Options { run: clock.run_number(), version: env!("CARGO_PKG_VERSION").to_owned() };
        let settings = &loaded.layout.links;
        let (links, arrivals) =
            links::start(settings, loaded.channels.clone(), tick.clone(), options)
                .await
                .map_err(|source| Failure::Start { what: "links", source: source.into() })?;
        let links = Arc::new(links);
        let broker = broker_of(&links, &loaded);
        let recorder = recorder(&loaded, &clock)?;
        let start = Start::live(archivist.remembered());
        let supervisor = Core::new(&loaded).supervisor(start, Mono::START);
        let view = first_view(&supervisor, &clock, &links, archivist.is_ok());
        let window = Arc::new(Window::new(view));
        let (ask, commands) = mpsc::channel(MOST_COMMANDS);
        let metrics = Arc::new(Metrics::new());
        let (shutdown, closing) = watch::channel(false);
        let token_is_new = token.is_none();
        let token = token.map_or_else(new_token, Ok)?;
        let pages = Pages::new()?;
        let shown = dashboard::Parts {
            layout: loaded.layout.clone(),
            window: window.clone(),
            commands: ask,
            archive: archivist.archive(),
            metrics: metrics.clone(),
            shutdown: closing,
        };
        let server =
            pages.serve(dashboard_settings(&listen, &token, &loaded, demo)?, shown).await?;
        let (stop, stopped) = oneshot::channel();
        let (new_settings, settings) = mpsc::channel(1);
        let reload = source.map(|path| Reload::new(path, &loaded, new_settings));
        let parts = Parts {
            loaded,
            supervisor,
            clock,
            links: links.clone(),
            arrivals,
            tick,
            commands,
            window: window.clone(),
            metrics,
            archivist,
            recorder,
            watchdog: Watchdog::from_environment(),
            settings,
        };
        let shell = tokio::spawn(Shell::new(parts).run(stopped));
        notify::ready();
        Ok(Self {
            links,
            server,
            pages,
            token,
            token_is_new,
            broker,
            window,
            shell,
            stop,
            reload,
            shutdown,
        })
    }

    /// Where the dashboard listens.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.server.address()
    }

    /// What the dashboard is shown.
    #[must_use]
    pub fn window(&self) -> Arc<Window> {
        self.window.clone()
    }

    /// The operator token.
    #[must_use]
    pub fn token(&self) -> &str {
        &self.token
    }

    /// Host and port of the broker, where there is one.
    #[must_use]
    pub fn broker(&self) -> Option<(String, u16)> {
        self.broker.clone()
    }

    /// Says where it can be found. A token from a file is never shown.
    fn greet(&self) {
        let address = format!("http://{}/", self.address());
        info!(%address, "DashboardOpened");
        if self.token_is_new {
            crate::print::error_line(&format!("dashboard:                   {address}"));
            crate::print::error_line(&format!("operator token for this run: {}", self.token));
        }
    }

    /// Runs until a signal, then cuts, proves and saves.
    ///
    /// # Errors
    /// [`Failure::Start`] when signals cannot be awaited.
    pub async fn until_stopped(self) -> Result<Exit, Failure> {
        let signals =
            |source: std::io::Error| Failure::Start { what: "signals", source: source.into() };
        let mut terminate = signal(SignalKind::terminate()).map_err(signals)?;
        let mut interrupt = signal(SignalKind::interrupt()).map_err(signals)?;
        let mut hangup = signal(SignalKind::hangup()).map_err(signals)?;
        let mut shell = self.shell;
        let mut reload = self.reload;
        let early = loop {
            tokio::select! {
                _ = terminate.recv() => break None,
                _ = interrupt.recv() => break None,
                ended = &mut shell => break Some(ended),
                _ = hangup.recv() => match &mut reload {
                    Some(reload) => reload.read_anew(&self.server).await,
                    None => warn!("this layout does not come from a file: nothing to read anew"),
                },
            }
        };
        notify::stopping();
        let ended = match early {
            Some(ended) => ended,
            None => {
                // The task may have ended in this very moment; its result tells.
                let _ = self.stop.send(());
                shell.await
            }
        };
        let exit = match ended {
            Ok(Ended::Proved) => Exit::Done,
            Ok(Ended::NotProved) => Exit::CutNotProved,
            Err(failed) => {
                error!(%failed, "the supervisor has failed: cutting everything");
                Exit::ErrorsFound
            }
        };
        self.links.cut_everything().await;
        self.shutdown.send_replace(true);
        self.server.stopped().await;
        drop(self.pages);
        if let Some(links) = Arc::into_inner(self.links) {
            links.stop().await;
        }
        info!("Stopped");
        Ok(exit)
    }
}

fn broker_of(links: &Links, loaded: &Loaded) -> Option<(String, u16)> {
    if let Some(address) = links.embedded_broker() {
        return Some((address.ip().to_string(), address.port()));
    }
    match &loaded.layout.links.mqtt.as_ref()?.broker {
        BrokerAddress::External { host, port, .. } => Some((host.clone(), *port)),
        BrokerAddress::Embedded { .. } => None,
    }
}

fn recorder(loaded: &Loaded, clock: &Clock) -> Result<Option<Recorder>, Failure> {
    let Some(folder) = &loaded.layout.links.history.journal else { return Ok(None) };
    let started = jiff::Timestamp::from_microsecond(clock.wall(Mono::START)).unwrap_or_default();
    let name = started.strftime("%Y%m%dT%H%M%SZ").to_string();
    Recorder::create(Path::new(folder), &name, loaded.channels.clone()).map(Some)
}

fn dashboard_settings(
    listen: &str,
    token: &str,
    loaded: &Loaded,
    demo: bool,
) -> Result<Settings, Failure> {
    let listen = listen.parse().map_err(|_| {
        Failure::Argument(format!(
            "the dashboard's address `{listen}` needs the form 127.0.0.1:8080"
        ))
    })?;
    let read_token = match &loaded.layout.links.dashboard.read_token_file {
        Some(file) => Some(token_from(Path::new(file))?),
        None => None,
    };
    Ok(Settings {
        listen,
        hosts: loaded.layout.links.dashboard.hosts.clone(),
        operator_token: token.to_owned(),
        read_token,
        revision: loaded.revision.clone(),
        demo,
        version: env!("CARGO_PKG_VERSION").to_owned(),
    })
}
