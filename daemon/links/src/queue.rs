//! From the links to the supervisor: one bounded queue. When it is full the oldest reading goes, and is counted; reports,
//! requests and whatever says that something was switched off never go.

use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
    time::Instant,
};

use supervision::input::{Input, LinkReport, Reading, Value};
use tokio::sync::Notify;

/// Readings that may wait. At 5,000 readings a second this is more than three seconds.
const MOST_WAITING: usize = 16_384;

/// An input and when it was read from the outside, before it was parsed.
#[derive(Clone, Debug)]
pub struct Arrived {
    /// Monotonic instant of the read.
    pub at: Instant,
    /// What it was.
    pub input: Input,
}

#[derive(Debug, Default)]
struct Shared {
    waiting: Mutex<VecDeque<Arrived>>,
    wake: Notify,
    dropped: AtomicU64,
    senders: AtomicU64,
}

impl Shared {
    fn pop(&self) -> Option<Arrived> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner).pop_front()
    }
}

/// The supervisor's end.
#[derive(Debug)]
pub struct Arrivals(Arc<Shared>);

/// The links' end.
#[derive(Debug)]
pub(crate) struct Sink {
    shared: Arc<Shared>,
    most: usize,
}

/// A queue of the standard length.
pub(crate) fn queue() -> (Sink, Arrivals) {
    queue_of(MOST_WAITING)
}

fn queue_of(most: usize) -> (Sink, Arrivals) {
    let shared = Arc::new(Shared::default());
    shared.senders.store(1, Ordering::Release);
    (Sink { shared: Arc::clone(&shared), most }, Arrivals(shared))
}

impl Arrivals {
    /// Waits for the next input; none once every link has ended.
    pub async fn recv(&mut self) -> Option<Arrived> {
        loop {
            let woken = self.0.wake.notified();
            if let Some(arrived) = self.0.pop() {
                return Some(arrived);
            }
            if self.0.senders.load(Ordering::Acquire) == 0 {
                return None;
            }
            woken.await;
        }
    }

    /// The next input if one waits.
    pub fn try_recv(&mut self) -> Option<Arrived> {
        self.0.pop()
    }

    /// Readings dropped because the supervisor did not keep up.
    #[must_use]
    pub fn dropped(&self) -> u64 {
        self.0.dropped.load(Ordering::Relaxed)
    }
}

impl Sink {
    pub(crate) fn send(&self, at: Instant, input: Input) {
        self.send_all(at, [input]);
    }

    /// All that one message gave.
    pub(crate) fn send_all(&self, at: Instant, inputs: impl IntoIterator<Item = Input>) {
        let mut inputs = inputs.into_iter().peekable();
        if inputs.peek().is_none() {
            return;
        }
        {
            let mut waiting = self.shared.waiting.lock().unwrap_or_else(PoisonError::into_inner);
            for input in inputs {
                if waiting.len() >= self.most {
                    make_room(&mut waiting, &self.shared.dropped);
                }
                waiting.push_back(Arrived { at, input });
            }
        }
        self.shared.wake.notify_one();
    }

    pub(crate) fn report(&self, at: Instant, report: LinkReport) {
        self.send(at, Input::Link(report));
    }

    pub(crate) fn dropped(&self) -> u64 {
        self.shared.dropped.load(Ordering::Relaxed)
    }
}

impl Clone for Sink {
    fn clone(&self) -> Self {
        self.shared.senders.fetch_add(1, Ordering::AcqRel);
        Self { shared: Arc::clone(&self.shared), most: self.most }
    }
}

impl Drop for Sink {
    fn drop(&mut self) {
        self.shared.senders.fetch_sub(1, Ordering::AcqRel);
        self.shared.wake.notify_one();
    }
}

/// The oldest input that may go, goes. Where none may, the queue grows: what may not go is rare by construction.
fn make_room(waiting: &mut VecDeque<Arrived>, dropped: &AtomicU64) {
    if let Some(oldest) = waiting.iter().position(|arrived| may_go(&arrived.input)) {
        waiting.remove(oldest);
        dropped.fetch_add(1, Ordering::Relaxed);
    }
}

fn may_go(input: &Input) -> bool {
    match input {
        Input::Reading(Reading { value, .. }) => !matches!(value, Value::Feedback(_)),
        Input::Tick | Input::Link(LinkReport::Unusable { .. } | LinkReport::Alive { .. }) => true,
        Input::Operator(_)
        | Input::Link(
            LinkReport::Born { .. }
            | LinkReport::Lost { .. }
            | LinkReport::Acknowledged { .. }
            | LinkReport::NotSent { .. }
            | LinkReport::Refused { .. }
            | LinkReport::ClockSkew { .. }
            | LinkReport::HistoryFailing { .. },
        ) => false,
    }
}

#[cfg(test)]
mod tests {
    use supervision::input::{NodeIx, OrderId, Quality};
    use wiring::{index::ChannelIx, units::Microamps};

    use super::*;

    fn reading(channel: u32) -> Input {
        Input::Reading(Reading {
            channel: ChannelIx(channel),
            value: Value::Current(Microamps(1)),
            quality: Quality::Good,
            node_ms: None,
        })
    }

    #[test]
    fn a_full_queue_drops_the_oldest_readings_and_no_report() {
        let (sink, mut arrivals) = queue_of(4);
        let now = Instant::now();
        sink.report(now, LinkReport::NotSent { order: OrderId(1) });
        sink.report(now, LinkReport::Lost { node: NodeIx(0) });
        for channel in 0..10 {
            sink.send(now, reading(channel));
        }
        assert_eq!(arrivals.dropped(), 8);
        let left: Vec<String> = std::iter::from_fn(|| arrivals.try_recv())
            .map(|arrived| format!("{:?}", arrived.input))
            .collect();
        assert_eq!(left.len(), 4);
        assert!(left[0].contains("NotSent") && left[1].contains("Lost"), "{left:?}");
        assert!(left[2].contains("ChannelIx(8)") && left[3].contains("ChannelIx(9)"), "{left:?}");
    }

    #[tokio::test]
    async fn the_end_of_all_links_ends_the_queue() {
        let (sink, mut arrivals) = queue_of(4);
        let second = sink.clone();
        sink.send(Instant::now(), reading(1));
        drop(sink);
        drop(second);
        assert!(arrivals.recv().await.is_some());
        assert!(arrivals.recv().await.is_none());
    }
}
