//! Drives one serial port: opens the device, reads, writes, and opens it again when it goes.

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
use wiring::links::SerialSettings;

use crate::{
    clp::port::Port,
    queue::Sink,
    status::{LinkKind, LinkStatus},
    tick::Tick,
};

/// Shortest and longest pause between attempts to open a device.
const SHORTEST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// Permits go out this often.
const PERMIT_EVERY: Duration = Duration::from_millis(250);
/// A device that takes no byte for this long is closed and opened again.
const STUCK_AFTER: Duration = Duration::from_secs(1);

/// A stream of bytes to nodes: a serial device, or the same lines over TCP.
trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

/// One serial link, shared between its driver and whoever gives orders.
#[derive(Debug)]
pub(crate) struct SerialLink {
    settings: SerialSettings,
    port: Mutex<Port>,
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

impl SerialLink {
    pub(crate) fn new(settings: SerialSettings, port: Port) -> Arc<Self> {
        let trouble = "not opened yet".to_owned();
        let health = Mutex::new(Health { trouble, ..Health::default() });
        Arc::new(Self { settings, port: Mutex::new(port), health, wake: Notify::new() })
    }

    /// Works on the port and lets the driver write what came of it.
    pub(crate) fn with<T>(&self, sink: &Sink, act: impl FnOnce(&mut Port) -> T) -> T {
        let result = self.quietly(sink, Instant::now(), act);
        self.wake.notify_one();
        result
    }

    fn quietly<T>(&self, sink: &Sink, at: Instant, act: impl FnOnce(&mut Port) -> T) -> T {
        let mut port = self.port.lock().unwrap_or_else(PoisonError::into_inner);
        let result = act(&mut port);
        for input in port.take_ready() {
            sink.send(at, input);
        }
        result
    }

    pub(crate) fn status(&self, sink: &Sink) -> LinkStatus {
        let health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        let port = self.port.lock().unwrap_or_else(PoisonError::into_inner);
        LinkStatus {
            name: self.settings.name.clone(),
            kind: LinkKind::Serial,
            address: self.settings.device.clone(),
            up: health.up,
            trouble: health.trouble.clone(),
            connections: health.connections,
            received: port.counts.received,
            unusable: port.unusable(),
            out_of_order: port.counts.out_of_order,
            lost: port.counts.lost,
            dropped: sink.dropped(),
            orders_sent: port.counts.orders_sent,
            orders_not_sent: port.counts.orders_not_sent,
            lag_ms: port.lag(),
            nodes: port.node_statuses(),
        }
    }

    fn set_health(&self, up: bool, trouble: &str) {
        let mut health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        health.up = up;
        health.connections += u64::from(up);
        trouble.clone_into(&mut health.trouble);
    }

    /// Runs until the task is ended.
    pub(crate) async fn run(self: Arc<Self>, sink: Sink, tick: Tick) {
        let mut pause = SHORTEST_PAUSE;
        loop {
            let trouble = match open(&self.settings).await {
                Ok(stream) => {
                    pause = SHORTEST_PAUSE;
                    tracing::info!(link = self.settings.name, "serial port opened");
                    self.set_health(true, "");
                    let ended = self.session(stream, &sink, &tick).await;
                    self.quietly(&sink, Instant::now(), Port::closed);
                    ended
                }
                Err(error) => error,
            };
            let trouble = trouble.to_string();
            if self.health.lock().unwrap_or_else(PoisonError::into_inner).trouble != trouble {
                tracing::warn!(link = self.settings.name, trouble, "serial port is not usable");
            }
            self.set_health(false, &trouble);
            self.outlast(pause, &sink).await;
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// Waits for the next attempt; nodes fall silent meanwhile.
    async fn outlast(&self, pause: Duration, sink: &Sink) {
        let until = Instant::now() + pause;
        while Instant::now() < until {
            let step =
                Duration::from_millis(100).min(until.saturating_duration_since(Instant::now()));
            sleep(step).await;
            self.quietly(sink, Instant::now(), |port| port.handle_timeout(Instant::now()));
        }
    }

    /// One open device, until it ends.
    async fn session(&self, stream: Pin<Box<dyn Stream>>, sink: &Sink, tick: &Tick) -> io::Error {
        let (mut reader, mut writer) = tokio::io::split(stream);
        self.quietly(sink, Instant::now(), |port| port.opened(Instant::now()));
        let mut bytes = [0; 4096];
        let mut pending: Vec<u8> = Vec::new();
        let mut permits = tokio::time::interval(PERMIT_EVERY);
        permits.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut moved = Instant::now();
        loop {
            if pending.is_empty() {
                moved = Instant::now();
                let next = self.quietly(sink, Instant::now(), Port::poll_line);
                pending.extend(next.map(String::into_bytes).unwrap_or_default());
            }
            let due = self.quietly(sink, Instant::now(), |port| port.poll_deadline());
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
                        self.quietly(sink, at, |port| port.handle_bytes(&bytes[..count], at));
                    }
                    Err(error) => return error,
                },
                () = self.wake.notified(), if pending.is_empty() => {}
                _ = permits.tick() => {
                    if tick.is_young() {
                        self.quietly(sink, Instant::now(), Port::permits);
                    }
                    self.quietly(sink, Instant::now(), |port| port.ping(Instant::now()));
                }
                () = sleep_until(due.into()) => {
                    if !pending.is_empty() && moved.elapsed() >= STUCK_AFTER {
                        return io::Error::new(io::ErrorKind::TimedOut, "it takes no bytes");
                    }
                    self.quietly(sink, Instant::now(), |port| port.handle_timeout(Instant::now()));
                }
            }
        }
    }
}

/// Opens a device; `tcp://HOST:PORT` carries the same lines over a network.
async fn open(settings: &SerialSettings) -> io::Result<Pin<Box<dyn Stream>>> {
    if let Some(address) = settings.device.strip_prefix("tcp://") {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        return Ok(Box::pin(stream));
    }
    let builder = tokio_serial::new(&settings.device, settings.baud);
    Ok(Box::pin(builder.open_native_async()?))
}
