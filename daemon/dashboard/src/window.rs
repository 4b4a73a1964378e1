//! The window between the supervisor's shell and those who look at it: pages, scripts, the demo.
//!
//! The whole state costs more to make than a hundred readings cost to judge. It is made ten times a second while somebody
//! looks, twice a second while nobody does, and within a [`TICK`] of a question. Trends have no gaps for it: what they are
//! drawn from is noted ten times a second all the same.

use std::{
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use supervision::snapshot::DistrictLoad;
use tokio::{sync::watch, time::timeout};

use crate::{trail::Trail, view::View};

/// Time between two views while somebody looks, and between two points of a trend.
pub const BEAT: Duration = Duration::from_millis(100);
/// Time between two views while nobody looks.
pub const UNWATCHED: Duration = Duration::from_millis(500);
/// The shell asks at least this often whether somebody looks.
pub const TICK: Duration = Duration::from_millis(50);
/// Who looked once is expected to look again within this.
pub const LOOKS_FOR: Duration = Duration::from_millis(1000);
/// How long a question waits for a new view. A shell that is stuck must not silence the page that says so.
const PATIENCE: Duration = TICK.saturating_mul(3);

/// What is shown, and whether somebody looks. Shared by the shell, which never waits for those who look, and by them.
#[derive(Debug)]
pub struct Window {
    /// Latest wins.
    views: watch::Sender<Arc<View>>,
    trail: Mutex<Trail>,
    asked: AtomicBool,
}

impl Window {
    /// With what is shown first.
    #[must_use]
    pub fn new(first: View) -> Self {
        let causes = first.snapshot.districts.iter().map(|it| it.cause).collect();
        let trail = Mutex::new(Trail::new(causes));
        Self { views: watch::Sender::new(Arc::new(first)), trail, asked: AtomicBool::new(false) }
    }

    /// Shows a new view.
    pub fn show(&self, view: View) {
        self.views.send_replace(Arc::new(view));
    }

    /// Notes what the districts draw, in the layout's order; once a [`BEAT`].
    pub fn note(&self, loads: impl IntoIterator<Item = DistrictLoad>) {
        // Outside of the lock: those who hold it only copy a list of pointers.
        let loads: Vec<DistrictLoad> = loads.into_iter().collect();
        self.trail().note(&loads);
    }

    /// Somebody looked since the last call.
    pub fn was_asked(&self) -> bool {
        self.asked.swap(false, Ordering::Relaxed)
    }

    /// Somebody looks: views are wanted.
    pub(crate) fn ask(&self) {
        self.asked.store(true, Ordering::Relaxed);
    }

    /// The newest view.
    #[must_use]
    pub fn newest(&self) -> Arc<View> {
        Arc::clone(&self.views.borrow())
    }

    /// Waits until a view is shown that is no older than a [`BEAT`], or for [`PATIENCE`] at most.
    pub(crate) async fn look(&self) {
        let mut views = self.views.subscribe();
        self.ask();
        if BEAT < self.newest().made.elapsed() {
            // Without one the old is shown, with its age.
            let _ = timeout(PATIENCE, views.changed()).await;
        }
    }

    /// Hears of every new view.
    pub(crate) fn follow(&self) -> watch::Receiver<Arc<View>> {
        self.views.subscribe()
    }

    /// The last minute of each district, a point each [`BEAT`].
    pub(crate) fn trends(&self) -> Vec<Vec<Option<i64>>> {
        let trail = self.trail().clone();
        trail.trends()
    }

    fn trail(&self) -> MutexGuard<'_, Trail> {
        // Nothing panics while it is held; if something did, a list is still a list.
        self.trail.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
