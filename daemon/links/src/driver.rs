//! Drives one line of bytes: opens the device, reads, writes, and opens it again when it goes.
//!
//! What is said on it is a [`Talk`], which does no I/O: the line protocol, Modbus and LCC have one each. The driver owns
//! the device, the pauses between attempts to open it, and what is told of them.

use std::{
    fmt, io,
    pin::Pin,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};

use supervision::input::Input;
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    sync::Notify,
    time::sleep_until,
};

use crate::{
    device::{Device, Stream},
    queue::Sink,
    status::{LastUnusable, LinkKind, LinkStatus, NodeStatus},
    tick::Tick,
};

/// Shortest and longest pause between attempts to open a device.
const SHORTEST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// A device that takes no byte for this long is closed and opened again.
const STUCK_AFTER: Duration = Duration::from_secs(1);
/// Nothing is due: looked at again after this.
const IDLE: Duration = Duration::from_secs(60);

/// What is said on a line: bytes and time in; bytes, inputs and the next deadline out.
pub(crate) trait Talk: fmt::Debug + Send + 'static {
    /// Kind of the link.
    const KIND: LinkKind;
    /// What is opened, as the log names it.
    const DEVICE: &'static str;

    /// The device was opened.
    fn opened(&mut self, now: Instant);
    /// The device is gone. Nothing waits for it: an order that was under way counts as not sent.
    fn closed(&mut self, now: Instant);
    /// Takes bytes that were read at `at`.
    fn handle_bytes(&mut self, bytes: &[u8], at: Instant);
    /// Settles everything due at `now`.
    fn handle_timeout(&mut self, now: Instant);
    /// The supervisor lives, or does not. Told before every [`Self::poll_bytes`].
    fn handle_supervised(&mut self, is_alive: bool, now: Instant);
    /// The next bytes to write.
    fn poll_bytes(&mut self, now: Instant) -> Option<Vec<u8>>;
    /// When one of the three above is next due. Asked of a closed line too.
    fn poll_deadline(&self, now: Instant) -> Option<Instant>;
    /// What the supervisor is to be told.
    fn take_ready(&mut self) -> Vec<Input>;
    /// Why this connection is of no use any more.
    fn broken(&self) -> Option<&'static str> {
        None
    }
    /// What the dashboard is told.
    fn figures(&self) -> Figures;
}

/// What a [`Talk`] adds to the status of its link; each as in [`LinkStatus`].
#[derive(Debug, Default)]
pub(crate) struct Figures {
    /// Why nothing can be said although the device is open.
    pub(crate) trouble: &'static str,
    pub(crate) received: u64,
    pub(crate) unusable: u64,
    pub(crate) last_unusable: Option<LastUnusable>,
    pub(crate) out_of_order: u64,
    pub(crate) lost: u64,
    pub(crate) orders_sent: u64,
    pub(crate) orders_not_sent: u64,
    pub(crate) lag_ms: u32,
    pub(crate) nodes: Vec<NodeStatus>,
}

/// One line, shared between its driver and whoever gives orders.
#[derive(Debug)]
pub(crate) struct Driver<T> {
    name: String,
    /// As configured.
    address: String,
    device: Device,
    talk: Mutex<T>,
    health: Mutex<Health>,
    /// There may be something to write.
    wake: Notify,
    /// Whatever is to be written is thrown away.
    is_mute: bool,
}

#[derive(Debug)]
struct Health {
    up: bool,
    trouble: String,
    connections: u64,
}

impl<T: Talk> Driver<T> {
    pub(crate) fn new(name: &str, address: &str, device: Device, talk: T) -> Arc<Self> {
        Arc::new(Self::made(name, address, device, talk))
    }

    /// One that hears and never says a word.
    pub(crate) fn mute(name: &str, address: &str, device: Device, talk: T) -> Arc<Self> {
        Arc::new(Self { is_mute: true, ..Self::made(name, address, device, talk) })
    }

    fn made(name: &str, address: &str, device: Device, talk: T) -> Self {
        let health = Health { up: false, trouble: "not opened yet".to_owned(), connections: 0 };
        Self {
            name: name.to_owned(),
            address: address.to_owned(),
            device,
            talk: Mutex::new(talk),
            health: Mutex::new(health),
            wake: Notify::new(),
            is_mute: false,
        }
    }

    /// Works on what is said and lets the driver write what came of it.
    pub(crate) fn with<R>(&self, sink: &Sink, act: impl FnOnce(&mut T) -> R) -> R {
        let result = self.quietly(sink, Instant::now(), act);
        self.wake.notify_one();
        result
    }

    /// Looks without waking the driver.
    pub(crate) fn peek<R>(&self, look: impl FnOnce(&T) -> R) -> R {
        look(&lock(&self.talk))
    }

    fn quietly<R>(&self, sink: &Sink, at: Instant, act: impl FnOnce(&mut T) -> R) -> R {
        let mut talk = lock(&self.talk);
        let result = act(&mut talk);
        // Sent under the lock: what two tasks have to tell stays in order.
        for input in talk.take_ready() {
            sink.send(at, input);
        }
        result
    }

    pub(crate) fn status(&self, sink: &Sink) -> LinkStatus {
        let figures = self.peek(T::figures);
        let health = lock(&self.health);
        let trouble = if health.up { figures.trouble } else { &health.trouble };
        LinkStatus {
            name: self.name.clone(),
            kind: T::KIND,
            address: self.address.clone(),
            up: health.up && trouble.is_empty(),
            trouble: trouble.to_owned(),
            connections: health.connections,
            received: figures.received,
            unusable: figures.unusable,
            last_unusable: figures.last_unusable,
            out_of_order: figures.out_of_order,
            lost: figures.lost,
            dropped: sink.dropped(),
            orders_sent: figures.orders_sent,
            orders_not_sent: figures.orders_not_sent,
            lag_ms: figures.lag_ms,
            nodes: figures.nodes,
        }
    }

    fn set_up(&self) {
        tracing::info!(link = self.name, "{} opened", T::DEVICE);
        let mut health = lock(&self.health);
        health.up = true;
        health.connections += 1;
        health.trouble.clear();
    }

    /// Said once for each trouble, not at every attempt.
    fn set_down(&self, trouble: String) {
        let mut health = lock(&self.health);
        if health.trouble != trouble {
            tracing::warn!(link = self.name, trouble, "{} is not usable", T::DEVICE);
        }
        health.up = false;
        health.trouble = trouble;
    }

    /// Runs until the task is ended.
    pub(crate) async fn run(self: Arc<Self>, sink: Sink, tick: Tick) {
        let mut pause = SHORTEST_PAUSE;
        loop {
            let trouble = match self.device.open().await {
                Ok(stream) => {
                    pause = SHORTEST_PAUSE;
                    self.set_up();
                    let ended = self.session(stream, &sink, &tick).await;
                    let now = Instant::now();
                    self.quietly(&sink, now, |talk| talk.closed(now));
                    ended
                }
                Err(error) => error,
            };
            self.set_down(trouble.to_string());
            self.outlast(Instant::now() + pause, &sink).await;
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// Waits for the next attempt; nodes fall silent meanwhile.
    async fn outlast(&self, until: Instant, sink: &Sink) {
        loop {
            let now = Instant::now();
            if until <= now {
                return;
            }
            let due = self.quietly(sink, now, |talk| {
                talk.handle_timeout(now);
                talk.poll_deadline(now)
            });
            sleep_until(due.map_or(until, |due| due.min(until)).into()).await;
        }
    }

    /// One open device, until it ends.
    async fn session(&self, stream: Pin<Box<dyn Stream>>, sink: &Sink, tick: &Tick) -> io::Error {
        let (mut reader, mut writer) = tokio::io::split(stream);
        let opened = Instant::now();
        self.quietly(sink, opened, |talk| talk.opened(opened));
        let mut bytes = [0; 4096];
        let mut pending: Vec<u8> = Vec::new();
        let mut moved = opened;
        loop {
            let now = Instant::now();
            let (next, due, broken) = self.quietly(sink, now, |talk| {
                talk.handle_supervised(tick.is_young(), now);
                let mut next = if pending.is_empty() { talk.poll_bytes(now) } else { None };
                while self.is_mute && next.is_some() {
                    next = talk.poll_bytes(now);
                }
                (next, talk.poll_deadline(now), talk.broken())
            });
            if let Some(why) = broken {
                return io::Error::new(io::ErrorKind::InvalidData, why);
            }
            if let Some(next) = next {
                pending = next;
                moved = now;
            }
            let due = due.unwrap_or_else(|| now + IDLE);
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
                        self.quietly(sink, at, |talk| talk.handle_bytes(&bytes[..count], at));
                    }
                    Err(error) => return error,
                },
                () = self.wake.notified() => {}
                () = sleep_until(due.into()) => {
                    if !pending.is_empty() && moved.elapsed() >= STUCK_AFTER {
                        return io::Error::new(io::ErrorKind::TimedOut, "it takes no bytes");
                    }
                    // Only here: bytes that have come are looked at first.
                    let now = Instant::now();
                    self.quietly(sink, now, |talk| talk.handle_timeout(now));
                }
            }
        }
    }
}

fn lock<T>(it: &Mutex<T>) -> MutexGuard<'_, T> {
    it.lock().unwrap_or_else(PoisonError::into_inner)
}
