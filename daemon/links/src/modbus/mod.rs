//! Modbus RTU and TCP: meters polled by a register table, relay coils as outputs.
//!
//! [`pdu`] is the language, [`wire`] one exchange at a time, the bus the polling plan; none of them does I/O. The driver
//! below opens the device, moves bytes, and opens it again when it goes. RTU and TCP share everything but the framing:
//! one polling plan, one table of failures.

pub mod crc;
pub mod decode;
pub mod pdu;
pub mod plan;
pub mod probe;
pub mod wire;

pub(crate) mod bus;
mod doubt;
mod stream;
mod unit;

use std::{
    collections::BTreeSet,
    io,
    pin::Pin,
    sync::{Arc, Mutex, PoisonError},
    time::{Duration, Instant},
};

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    sync::Notify,
    time::{sleep, sleep_until},
};
use wiring::{channel::ChannelTable, links::ModbusSettings};

use self::{bus::Bus, stream::Stream};
use crate::{
    nodes::NodeNumbers,
    queue::Sink,
    status::{LinkKind, LinkStatus},
    tick::Tick,
};

/// Shortest and longest pause between attempts to open a device.
const SHORTEST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// The supervisor's sign of life is looked at this often.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// A device that takes no byte for this long is closed and opened again.
const STUCK_AFTER: Duration = Duration::from_secs(1);

/// One line, shared between its driver and whoever gives orders.
#[derive(Debug)]
pub(crate) struct ModbusLink {
    settings: ModbusSettings,
    bus: Mutex<Bus>,
    health: Mutex<Health>,
    /// There may be something to write.
    wake: Notify,
}

#[derive(Debug, Default)]
struct Health {
    up: bool,
    trouble: String,
    connections: u64,
}

impl ModbusLink {
    /// All lines of a layout; names what it does not have.
    pub(crate) fn all(
        lines: &[ModbusSettings],
        channels: &Arc<ChannelTable>,
        numbers: &NodeNumbers,
    ) -> Result<Vec<Arc<Self>>, Vec<String>> {
        let units = lines.iter().flat_map(|line| &line.units);
        let points = units.flat_map(|unit| &unit.points);
        let supplied: BTreeSet<String> = points.map(|point| point.channel.clone()).collect();
        let mut links = Vec::new();
        let mut wrong = Vec::new();
        for settings in lines {
            match Bus::new(settings, Arc::clone(channels), numbers, &supplied, Instant::now()) {
                Ok(bus) => links.push(Self::new(settings, bus)),
                Err(why) => wrong.extend(why),
            }
        }
        if wrong.is_empty() { Ok(links) } else { Err(wrong) }
    }

    fn new(settings: &ModbusSettings, bus: Bus) -> Arc<Self> {
        let trouble = "not opened yet".to_owned();
        let health = Mutex::new(Health { trouble, ..Health::default() });
        let (settings, bus) = (settings.clone(), Mutex::new(bus));
        Arc::new(Self { settings, bus, health, wake: Notify::new() })
    }

    /// Works on the line and lets the driver write what came of it.
    pub(crate) fn with<T>(&self, sink: &Sink, act: impl FnOnce(&mut Bus) -> T) -> T {
        let result = self.quietly(sink, Instant::now(), act);
        self.wake.notify_one();
        result
    }

    fn quietly<T>(&self, sink: &Sink, at: Instant, act: impl FnOnce(&mut Bus) -> T) -> T {
        let mut bus = self.bus.lock().unwrap_or_else(PoisonError::into_inner);
        let result = act(&mut bus);
        for input in bus.take_ready() {
            sink.send(at, input);
        }
        result
    }

    pub(crate) fn is_writing(&self) -> bool {
        self.bus.lock().unwrap_or_else(PoisonError::into_inner).is_writing()
    }

    pub(crate) fn status(&self, sink: &Sink) -> LinkStatus {
        let health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        let bus = self.bus.lock().unwrap_or_else(PoisonError::into_inner);
        let (received, strays, unusable) = bus.heard();
        LinkStatus {
            name: self.settings.name.clone(),
            kind: LinkKind::Modbus,
            address: self.settings.device.clone(),
            up: health.up,
            trouble: health.trouble.clone(),
            connections: health.connections,
            received,
            unusable,
            out_of_order: strays,
            lost: bus.counts.failed,
            dropped: sink.dropped(),
            orders_sent: bus.counts.orders_sent,
            orders_not_sent: bus.counts.orders_not_sent,
            lag_ms: 0,
            nodes: bus.node_statuses(),
        }
    }

    fn set_health(&self, up: bool, trouble: &str) {
        let mut health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        if health.trouble != trouble && !up {
            tracing::warn!(link = self.settings.name, trouble, "Modbus line is not usable");
        }
        health.up = up;
        health.connections += u64::from(up);
        trouble.clone_into(&mut health.trouble);
    }

    /// Runs until the task is ended.
    pub(crate) async fn run(self: Arc<Self>, sink: Sink, tick: Tick) {
        let mut pause = SHORTEST_PAUSE;
        loop {
            let trouble = match stream::open(&self.settings).await {
                Ok(stream) => {
                    pause = SHORTEST_PAUSE;
                    tracing::info!(link = self.settings.name, "Modbus line opened");
                    self.set_health(true, "");
                    let ended = self.session(stream, &sink, &tick).await;
                    let now = Instant::now();
                    self.quietly(&sink, now, |bus| bus.closed(now));
                    ended
                }
                Err(error) => error,
            };
            self.set_health(false, &trouble.to_string());
            sleep(pause).await;
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// One open device, until it ends.
    async fn session(&self, stream: Pin<Box<dyn Stream>>, sink: &Sink, tick: &Tick) -> io::Error {
        let (mut reader, mut writer) = tokio::io::split(stream);
        let opened = Instant::now();
        self.quietly(sink, opened, |bus| bus.opened(opened));
        let mut bytes = [0; 1024];
        let mut pending: Vec<u8> = Vec::new();
        let mut moved = opened;
        loop {
            let now = Instant::now();
            let (next, due, broken) = self.quietly(sink, now, |bus| {
                bus.handle_supervised(tick.is_young());
                let next = if pending.is_empty() { bus.poll_transmit(now) } else { None };
                (next, bus.poll_deadline(now), bus.is_broken())
            });
            if broken {
                return io::Error::new(io::ErrorKind::InvalidData, "it does not speak Modbus TCP");
            }
            if let Some(next) = next {
                pending = next;
                moved = now;
            }
            let look = now + LOOK_EVERY;
            let due = due.map_or(look, |due| due.min(look));
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
                        self.quietly(sink, at, |bus| bus.handle_bytes(&bytes[..count], at));
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
                    self.quietly(sink, now, |bus| bus.handle_timeout(now));
                }
            }
        }
    }
}
