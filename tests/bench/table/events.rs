//! What the events are: one district after the other is quiet, then shorted, then without current. They overlap, and each
//! begins at a moment of its own within its spacing: else the same reading of one would stand beside the deciding reading
//! of another in every event, and what follows from it would be measured as if it belonged to it.

use std::{ops::Range, time::Duration};

use simulator::random::splitmix;

/// Time between the beginnings of two events, in the mean.
pub(crate) const SPACING: Duration = Duration::from_millis(20);

/// Orders that come later are lost.
pub(crate) const LATEST: Duration = Duration::from_secs(3);
/// Rounds of readings without current after the events: every cut is proved, and no order is given again.
pub(crate) const PROOFS: usize = 3;
/// Time between them.
pub(crate) const BETWEEN_PROOFS: Duration = Duration::from_millis(30);

/// One reading of an event.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Step {
    /// Since the first event began.
    pub(crate) at: Duration,
    pub(crate) district: usize,
    pub(crate) milliamps: u16,
    /// The order is to follow from this one.
    pub(crate) decides: bool,
}

/// Three quiet readings, two at 5 A of which the second decides, and nothing after the cut. The two are further apart than
/// the supervisor asks for by so much that a late first one still lets the second decide.
pub(crate) fn steps(districts: Range<usize>) -> Vec<Step> {
    const QUIET: u16 = 300;
    const SHORT: u16 = 5000;
    const EVENT: [(u64, u16, bool); 8] = [
        (0, QUIET, false),
        (10, QUIET, false),
        (20, QUIET, false),
        (30, SHORT, false),
        (75, SHORT, true),
        (105, 0, false),
        (115, 0, false),
        (125, 0, false),
    ];
    let first = districts.start;
    let mut steps: Vec<Step> = districts
        .flat_map(|district| {
            let begins = SPACING * u32::try_from(district - first).expect("few") + within(district);
            EVENT.map(|(at, milliamps, decides)| Step {
                at: begins + Duration::from_millis(at),
                district,
                milliamps,
                decides,
            })
        })
        .collect();
    steps.sort_by_key(|it| it.at);
    steps
}

/// Where in its spacing an event begins: scattered over it, the same in every run.
fn within(district: usize) -> Duration {
    SPACING.mul_f64(splitmix(&mut (district as u64)) as f64 / 2_f64.powi(64))
}
