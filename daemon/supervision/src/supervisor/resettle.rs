//! New settings without a new start: what was measured, cut, locked and counted stays; thresholds are derived again.

use std::sync::Arc;

use wiring::{
    index::{FrogIx, PoleIx},
    layout::Layout,
    units::Mono,
};

use super::{Supervisor, slots};
use crate::{
    input::{Feed, Transport},
    output::EventKind,
    protect::Settings,
};

impl Supervisor {
    /// Goes on with the settings of `layout`, which must be this layout with another `[protection]`: see
    /// [`wiring::change::beyond_settings`]. `who` and `what` go into the event list. Drain the outputs before and after.
    ///
    /// # Panics
    /// When `now` is before an instant given earlier, or the layouts have different lists of things.
    pub fn resettle(&mut self, layout: Arc<Layout>, who: &str, what: &str, now: Mono) {
        self.settle_until(now);
        assert_eq!(self.model.layout.poles.len(), layout.poles.len(), "the same layout");
        assert_eq!(self.model.layout.districts.len(), layout.districts.len(), "the same layout");
        self.model = Arc::new(self.model.with_layout(layout));
        self.resettle_feeds();
        self.resettle_track();
        for slot in 0..self.slots.count() {
            self.refresh(slot);
        }
        let (who, what) = (who.to_owned(), what.to_owned());
        self.emit_event(now, EventKind::Operated { who, what, refused: None }, None);
    }

    fn resettle_feeds(&mut self) {
        let model = Arc::clone(&self.model);
        for nth in 0..self.powers.len() {
            let feed = model.feed(nth);
            let keys = slots::feed_keys(&model, feed);
            self.powers[nth].resettle(slots::power_settings(&model, feed, Transport::Mqtt));
            self.restores[nth].resettle(keys.restore_tries, keys.restore_after);
            self.residuals[nth].resettle(slots::tolerance(&model, feed), keys.unaccounted_after);
        }
        let outputs: Vec<(Feed, Transport)> = self
            .nodes
            .values()
            .flat_map(|node| node.outputs.iter().map(|feed| (*feed, node.transport)))
            .collect();
        for (feed, transport) in outputs {
            self.proof_due(feed, transport);
        }
        for at in 0..self.guards.len() {
            self.guards[at].resettle(Settings::new(&model.layout, at));
        }
        for (at, guard) in self.booster_guards.iter_mut().enumerate() {
            if let (Some(guard), Some(settings)) = (guard, Settings::of_booster(&model.layout, at))
            {
                guard.resettle(settings);
            }
        }
    }

    fn resettle_track(&mut self) {
        let model = Arc::clone(&self.model);
        for at in 0..self.frogs.len() {
            self.frogs[at].resettle(slots::frog_keys(&model, FrogIx::new(at)).mismatch_after);
        }
        for at in 0..self.blocks.len() {
            self.blocks[at].resettle(slots::occupancy_settings(&model, at));
        }
        for at in 0..self.contacts.len() {
            self.contacts[at].resettle(slots::contact_settings(&model, PoleIx::new(at)));
        }
        for (channel, stale_after) in slots::stale_afters(&model) {
            self.store.slot_mut(channel).stale_after = stale_after;
        }
    }
}
