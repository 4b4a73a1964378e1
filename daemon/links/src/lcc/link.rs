//! Drives one LCC adapter: opens the device or the connection, reads, writes, and opens it again when it goes.

use std::{
    io,
    pin::Pin,
    sync::{Arc, Mutex, PoisonError},
    time::{Duration, Instant},
};

use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt},
    net::TcpStream,
    sync::Notify,
    time::{sleep, sleep_until},
};
use tokio_serial::SerialPortBuilderExt;
use wiring::links::LccSettings;

use super::node::Node;
use crate::{
    queue::Sink,
    status::{LinkKind, LinkStatus},
};

/// Shortest and longest pause between attempts to open an adapter.
const SHORTEST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// An adapter that takes no byte for this long is closed and opened again.
const STUCK_AFTER: Duration = Duration::from_secs(1);

/// A stream of bytes to an adapter.
trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

/// One adapter, shared between its driver and whoever gives orders.
#[derive(Debug)]
pub(crate) struct LccLink {
    settings: LccSettings,
    node: Mutex<Node>,
    health: Mutex<Health>,
    /// There is something to write.
    wake: Notify,
}

#[derive(Debug, Default)]
struct Health {
    up: bool,
    trouble: String,
    connections: u64,
}

impl LccLink {
    pub(crate) fn new(settings: LccSettings, node: Node) -> Arc<Self> {
        let trouble = "not opened yet".to_owned();
        let health = Mutex::new(Health { trouble, ..Health::default() });
        Arc::new(Self { settings, node: Mutex::new(node), health, wake: Notify::new() })
    }

    /// Works on the node and lets the driver write what came of it.
    pub(crate) fn with<T>(&self, sink: &Sink, act: impl FnOnce(&mut Node) -> T) -> T {
        let result = self.quietly(sink, Instant::now(), act);
        self.wake.notify_one();
        result
    }

    fn quietly<T>(&self, sink: &Sink, at: Instant, act: impl FnOnce(&mut Node) -> T) -> T {
        let mut node = self.node.lock().unwrap_or_else(PoisonError::into_inner);
        let result = act(&mut node);
        for input in node.take_ready() {
            sink.send(at, input);
        }
        result
    }

    pub(crate) fn status(&self, sink: &Sink) -> LinkStatus {
        let health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        let node = self.node.lock().unwrap_or_else(PoisonError::into_inner);
        let own = node.trouble();
        let trouble = if health.up { own.to_owned() } else { health.trouble.clone() };
        LinkStatus {
            name: self.settings.name.clone(),
            kind: LinkKind::Lcc,
            address: self.settings.device.clone(),
            up: health.up && own.is_empty(),
            trouble,
            connections: health.connections,
            received: node.counts.received,
            unusable: node.unusable(),
            out_of_order: node.counts.out_of_order,
            lost: 0,
            dropped: sink.dropped(),
            orders_sent: node.counts.orders_sent,
            orders_not_sent: node.counts.orders_not_sent,
            lag_ms: 0,
            nodes: node.node_statuses(),
        }
    }

    fn set_health(&self, up: bool, trouble: &str) {
        let mut health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        health.up = up;
        health.connections += u64::from(up);
        trouble.clone_into(&mut health.trouble);
    }

    /// Runs until the task is ended.
    pub(crate) async fn run(self: Arc<Self>, sink: Sink) {
        let mut pause = SHORTEST_PAUSE;
        loop {
            let trouble = match open(&self.settings).await {
                Ok(stream) => {
                    pause = SHORTEST_PAUSE;
                    tracing::info!(link = self.settings.name, "LCC adapter opened");
                    self.set_health(true, "");
                    let ended = self.session(stream, &sink).await;
                    self.quietly(&sink, Instant::now(), Node::closed);
                    ended
                }
                Err(error) => error,
            };
            let trouble = trouble.to_string();
            if self.health.lock().unwrap_or_else(PoisonError::into_inner).trouble != trouble {
                tracing::warn!(link = self.settings.name, trouble, "LCC adapter is not usable");
            }
            self.set_health(false, &trouble);
            sleep(pause).await;
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// One open adapter, until it ends.
    async fn session(&self, stream: Pin<Box<dyn Stream>>, sink: &Sink) -> io::Error {
        let (mut reader, mut writer) = tokio::io::split(stream);
        self.quietly(sink, Instant::now(), |node| node.opened(Instant::now()));
        let mut bytes = [0; 4096];
        let mut pending: Vec<u8> = Vec::new();
        let mut moved = Instant::now();
        loop {
            if pending.is_empty() {
                moved = Instant::now();
                let next = self.quietly(sink, moved, |node| node.poll_frame(moved));
                pending.extend(next.map(String::into_bytes).unwrap_or_default());
            }
            let due = self.quietly(sink, Instant::now(), |node| node.poll_deadline());
            let due = due.unwrap_or_else(|| Instant::now() + Duration::from_secs(60));
            let due = if pending.is_empty() { due } else { due.min(moved + STUCK_AFTER) };
            tokio::select! {
                biased;
                written = writer.write(&pending), if !pending.is_empty() => match written {
                    Ok(0) => return io::ErrorKind::WriteZero.into(),
                    Ok(count) => {
                        pending.drain(..count);
                        moved = Instant::now();
                    }
                    Err(error) => return error,
                },
                read = reader.read(&mut bytes) => match read {
                    // A serial device that hung up reads nothing for ever.
                    Ok(0) => return io::Error::new(io::ErrorKind::UnexpectedEof, "it was unplugged"),
                    Ok(count) => {
                        let at = Instant::now();
                        self.quietly(sink, at, |node| node.handle_bytes(&bytes[..count], at));
                    }
                    Err(error) => return error,
                },
                () = self.wake.notified(), if pending.is_empty() => {}
                () = sleep_until(due.into()) => {
                    if !pending.is_empty() && moved.elapsed() >= STUCK_AFTER {
                        return io::Error::new(io::ErrorKind::TimedOut, "it takes no bytes");
                    }
                    self.quietly(sink, Instant::now(), |node| node.handle_timeout(Instant::now()));
                }
            }
        }
    }
}

async fn open(settings: &LccSettings) -> io::Result<Pin<Box<dyn Stream>>> {
    if settings.tcp {
        let stream = TcpStream::connect(&settings.device).await?;
        stream.set_nodelay(true)?;
        return Ok(Box::pin(stream));
    }
    let builder = tokio_serial::new(&settings.device, settings.baud);
    Ok(Box::pin(builder.open_native_async()?))
}
