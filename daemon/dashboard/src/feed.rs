//! The beat of the live stream: views in, one snapshot and a ring of deltas out, the same bytes for every page.
//!
//! One task makes each message once, a message for each view, however many pages follow. Pages that cannot keep up lose
//! messages, notice the gap, and are given the whole state again; nothing is kept for them. Where no page follows, no
//! messages are made, and whoever asks is told of the newest view all the same.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock},
    time::Duration,
};

use tokio::{
    sync::{broadcast, watch},
    time::{Instant, sleep},
};
use wiring::layout::Layout;

use crate::{
    view::View,
    window::{UNWATCHED, Window},
    wire::{
        Frame,
        delta::{Head, Stamp, delta, whole_state},
        fixed::Fixed,
    },
};

/// With nothing new, a delta is still sent this often: silence must mean a broken line.
const HEARTBEAT: Duration = UNWATCHED;
/// Deltas kept for pages that come back: ten seconds.
pub(crate) const RING: usize = 100;
/// After a longer time in which no page followed, a delta says where things stand and not what a page missed.
const RING_SPAN: Duration = Duration::from_secs(10);
/// Messages that a slow page may fall behind before it is given the whole state.
const QUEUE: usize = 32;

/// One message of the stream, formatted.
#[derive(Clone, Debug)]
pub(crate) struct Message {
    pub(crate) q: u64,
    pub(crate) bytes: Arc<str>,
}

/// What a page that joins is given first.
pub(crate) struct Joined {
    /// The whole state, or the deltas it missed.
    pub(crate) first: Vec<Message>,
    /// Everything after.
    pub(crate) rest: broadcast::Receiver<Message>,
}

/// The newest state and the recent deltas, shared between the beat and the pages.
#[derive(Debug)]
pub(crate) struct Feed {
    /// Of the layout in force: its name and colours may change while the daemon runs.
    fixed: RwLock<Arc<Fixed>>,
    head: Head,
    window: Arc<Window>,
    sender: broadcast::Sender<Message>,
    inner: Mutex<Inner>,
}

#[derive(Debug)]
struct Inner {
    q: u64,
    frame: Frame,
    stamp: Stamp,
    ring: VecDeque<Message>,
    /// Number of the first message since which there was no break longer than [`RING_SPAN`].
    unbroken: u64,
    sent: Instant,
    /// Number of the message that last changed how each booster and each district stands.
    moved: [Vec<u64>; 2],
    /// See [`Frame::silent`].
    silent: i64,
    /// When the newest view that was sent was made.
    made: std::time::Instant,
}

impl Feed {
    pub(crate) fn new(fixed: Fixed, head: Head, window: Arc<Window>) -> Self {
        let view = window.newest();
        let frame = Frame::new(&fixed, &view);
        let inner = Inner {
            q: 1,
            frame,
            stamp: stamp(1, &view),
            ring: VecDeque::with_capacity(RING),
            unbroken: 1,
            sent: Instant::now(),
            moved: [vec![1; fixed.boosters.len()], vec![1; fixed.districts.len()]],
            silent: 0,
            made: view.made,
        };
        let sender = broadcast::Sender::new(QUEUE);
        let fixed = RwLock::new(Arc::new(fixed));
        Self { fixed, head, window, sender, inner: Mutex::new(inner) }
    }

    /// What does not change with every view.
    pub(crate) fn fixed(&self) -> Arc<Fixed> {
        Arc::clone(&self.fixed.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// The layout in force.
    pub(crate) fn layout(&self) -> Arc<Layout> {
        Arc::clone(&self.fixed().layout)
    }

    /// Goes on with a layout of the same things, and gives every page the whole state again.
    pub(crate) fn renew(&self, layout: Arc<Layout>) {
        let view = self.view();
        let fixed = Arc::new(Fixed::new(layout));
        let mut inner = self.lock();
        inner.frame = Frame { silent: inner.silent, ..Frame::new(&fixed, &view) };
        *self.fixed.write().unwrap_or_else(PoisonError::into_inner) = fixed;
        inner.q += 1;
        inner.stamp = stamp(inner.q, &view);
        // What a page missed before cannot be made up for by deltas.
        inner.ring.clear();
        let whole = self.snap(&inner);
        // No page follows: nothing to do.
        let _ = self.sender.send(whole);
    }

    /// The newest view.
    pub(crate) fn view(&self) -> Arc<View> {
        self.window.newest()
    }

    /// Waits for a view that is new enough to be told to somebody who asks.
    pub(crate) async fn look(&self) {
        self.window.look().await;
    }

    /// Beats until `shutdown` says stop or its sender is gone.
    pub(crate) async fn run(self: Arc<Self>, mut shutdown: watch::Receiver<bool>) {
        let mut views = self.window.follow();
        loop {
            tokio::select! {
                biased;
                () = stopped(&mut shutdown) => return,
                () = sleep(HEARTBEAT) => {}
                // It cannot end: the window is ours as well.
                Ok(()) = views.changed() => {}
            }
            if self.is_followed() {
                self.beat();
            }
        }
    }

    fn beat(&self) {
        self.window.ask();
        let view = self.view();
        let mut inner = self.lock();
        if view.made != inner.made || inner.sent.elapsed() >= HEARTBEAT {
            self.advance(&mut inner, &view);
        }
    }

    fn is_followed(&self) -> bool {
        self.sender.receiver_count() > 0
    }

    /// Stops the sound of every screen for a time. A new alarm of priority 1 breaks it; the screens see to that.
    pub(crate) fn silence(&self, span: Duration) {
        let view = self.view();
        let mut inner = self.lock();
        inner.silent = view.wall_ms + i64::try_from(span.as_millis()).unwrap_or(0);
        self.advance(&mut inner, &view);
    }

    /// Makes, keeps and sends the next delta.
    fn advance(&self, inner: &mut Inner, view: &View) {
        let frame = Frame { silent: inner.silent, ..Frame::new(&self.fixed(), view) };
        inner.q += 1;
        if RING_SPAN < inner.sent.elapsed() {
            inner.unbroken = inner.q;
        }
        inner.stamp = stamp(inner.q, view);
        let data = delta(inner.stamp, &currents(view), &inner.frame, &frame);
        let message = self.message("d", inner.q, &data);
        inner.mark_moved(&frame);
        inner.frame = frame;
        inner.made = view.made;
        inner.sent = Instant::now();
        if inner.ring.len() == RING {
            inner.ring.pop_front();
        }
        inner.ring.push_back(message.clone());
        // No page follows: nothing to do.
        let _ = self.sender.send(message);
    }

    /// What a page is given that last saw `last_seen` (`EPOCH.Q`).
    pub(crate) fn join(&self, last_seen: Option<&str>) -> Joined {
        let inner = self.newest();
        let rest = self.sender.subscribe();
        let missed = last_seen.and_then(|id| self.missed(&inner, id));
        Joined { first: missed.unwrap_or_else(|| vec![self.snap(&inner)]), rest }
    }

    /// Whether a feed stands otherwise than in the state `seen` (`EPOCH.Q`): another power, cause or fault.
    pub(crate) fn moved_on(&self, feed: supervision::input::Feed, seen: &str) -> bool {
        use supervision::input::Feed as Of;
        let inner = self.newest();
        let (kind, at) = match feed {
            Of::Booster(it) => (0, it.at()),
            Of::District(it) => (1, it.at()),
        };
        let moved = inner.moved[kind].get(at).copied().unwrap_or(inner.q);
        let seen = seen.split_once('.').filter(|(epoch, _)| *epoch == self.head.epoch);
        seen.and_then(|(_, q)| q.parse::<u64>().ok()).is_none_or(|q| q < moved)
    }

    /// The whole state, for a page that fell behind.
    pub(crate) fn rejoin(&self) -> Joined {
        self.join(None)
    }

    /// The deltas after `id`, if they are all still in the ring.
    fn missed(&self, inner: &Inner, id: &str) -> Option<Vec<Message>> {
        let (epoch, q) = id.split_once('.')?;
        let q: u64 = q.parse().ok()?;
        if epoch != self.head.epoch || q > inner.q || q < inner.unbroken {
            return None;
        }
        let oldest = inner.ring.front().map_or(inner.q + 1, |it| it.q);
        (q + 1 >= oldest).then(|| inner.ring.iter().filter(|it| it.q > q).cloned().collect())
    }

    fn snap(&self, inner: &Inner) -> Message {
        let trends = self.window.trends();
        let (aged, frame) = (self.aged(inner), &inner.frame);
        let data = whole_state(&self.head, aged, &self.fixed(), frame, Some(&trends));
        self.message("snap", inner.q, &data)
    }

    /// The whole state, for `/api/v1/state`.
    pub(crate) fn state(&self, with_trends: bool) -> String {
        let inner = self.newest();
        let trends = with_trends.then(|| self.window.trends());
        whole_state(&self.head, self.aged(&inner), &self.fixed(), &inner.frame, trends.as_deref())
    }

    fn aged(&self, inner: &Inner) -> Stamp {
        Stamp { age: age(&self.view()), ..inner.stamp }
    }

    /// The alarms, as JSON.
    pub(crate) fn alarms(&self) -> serde_json::Value {
        let inner = self.newest();
        serde_json::json!({ "alarms": inner.frame.alarms, "recent": inner.frame.recent })
    }

    /// The turnouts, as JSON.
    pub(crate) fn turnouts(&self) -> serde_json::Value {
        let inner = self.newest();
        let fixed = self.fixed();
        let rows = crate::wire::joined(&fixed.turnouts, &inner.frame.turnouts);
        serde_json::json!({ "turnouts": rows })
    }

    /// A message of the stream; the last one of all has no data worth naming.
    fn message(&self, event: &str, q: u64, data: &str) -> Message {
        let epoch = &self.head.epoch;
        Message { q, bytes: format!("event: {event}\nid: {epoch}.{q}\ndata: {data}\n\n").into() }
    }

    /// With the newest view in it.
    fn newest(&self) -> MutexGuard<'_, Inner> {
        let view = self.view();
        let mut inner = self.lock();
        if view.made != inner.made {
            self.advance(&mut inner, &view);
        }
        inner
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // Nothing panics while it is held; if something did, the state is still whole.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    /// Notes which feeds stand otherwise in `new`.
    fn mark_moved(&mut self, new: &Frame) {
        let pairs =
            [(&self.frame.boosters, &new.boosters), (&self.frame.districts, &new.districts)];
        for (moved, (old, new)) in self.moved.iter_mut().zip(pairs) {
            for (at, (old, new)) in old.iter().zip(new).enumerate() {
                if !old.stands_as(new) {
                    moved[at] = self.q;
                }
            }
        }
    }
}

/// District currents; none where nothing fresh is known, so that a trend shows a gap and not a line.
fn currents(view: &View) -> Vec<Option<i64>> {
    let fresh = age(view) < 1000;
    let currents =
        view.snapshot.districts.iter().map(|it| {
            it.current.filter(|seen| fresh && !seen.stale).map(|seen| seen.value.0 / 1000)
        });
    currents.collect()
}

fn stamp(q: u64, view: &View) -> Stamp {
    Stamp { q, t: view.wall_ms, age: age(view) }
}

/// How long ago the supervisor's shell made a view. Unit: ms.
pub(crate) fn age(view: &View) -> u64 {
    u64::try_from(view.made.elapsed().as_millis()).unwrap_or(u64::MAX)
}

/// Waits until `shutdown` says stop or its sender is gone.
pub(crate) async fn stopped(shutdown: &mut watch::Receiver<bool>) {
    // An error means that nobody is left who could say stop: that is a stop.
    let _ = shutdown.wait_for(|stop| *stop).await;
}

#[cfg(test)]
mod tests {
    use supervision::snapshot::Snapshot;

    use super::*;

    #[tokio::test]
    async fn a_page_that_comes_back_after_a_long_time_without_any_gets_the_whole_state() {
        let view = || View::new(Snapshot::default(), 0);
        let window = Arc::new(Window::new(view()));
        let epoch = "e".to_owned();
        let head = Head { epoch, version: String::new(), demo: false };
        let sut = Feed::new(Fixed::new(Arc::new(Layout::default())), head, Arc::clone(&window));
        let kind = |last: u64| {
            let first = sut.join(Some(&format!("e.{last}"))).first;
            first
                .iter()
                .map(|it| it.bytes.split('\n').next().unwrap().to_owned())
                .collect::<Vec<_>>()
        };
        window.show(view());
        assert_eq!(kind(1), ["event: d"], "what it missed");
        sut.lock().sent -= RING_SPAN + HEARTBEAT;
        window.show(view());
        assert_eq!(kind(2), ["event: snap"], "of the time between nothing is known");
    }
}
