//! `[protection]` and its overrides: nearest wins, and every key remembers where it came from.

use super::{
    build::Build,
    error::FileErrorKind,
    fields::{Data, Fields, Node},
};
use crate::{
    grammar::{Key, PROTECTION_KEYS},
    index::{DistrictIx, FrogIx},
    protection::{CurveName, CutProof, InForce, LowVoltage, OnStale, Origin, PowerOn, Protection},
    quantity::Dimension,
    units::{Microamps, Micros, Millivolts},
};

/// Puts one value of the file into its place.
type Setter = fn(&mut Protection, &Node);

/// What each key sets. A key of the grammar that is missing here is found by a test.
const SETTERS: [(&str, Setter); 34] = [
    ("short-step", |it, node| it.short_step = amps(node)),
    ("short-window", |it, node| it.short_window = span(node)),
    ("short-after", |it, node| it.short_after = span(node)),
    ("withstand-time", |it, node| it.withstand_time = span(node)),
    ("half-short-after", |it, node| it.half_short_after = span(node)),
    ("at-limit-after", |it, node| it.at_limit_after = span(node)),
    ("overload-pickup", |it, node| it.overload_pickup = Some(amps(node))),
    ("overload-curve", |it, node| it.overload_curve = curve(node)),
    ("overload-multiplier", |it, node| it.overload_multiplier = share(node)),
    ("contact-warning", |it, node| it.contact_warning = share(node)),
    ("mismatch-after", |it, node| it.mismatch_after = span(node)),
    ("mismatch-window", |it, node| it.mismatch_window = span(node)),
    ("low-voltage", |it, node| it.low_voltage = low_voltage(node)),
    ("low-voltage-after", |it, node| it.low_voltage_after = span(node)),
    ("still-shorted-after", |it, node| it.still_shorted_after = span(node)),
    ("cut-within", |it, node| it.cut_within = Some(span(node))),
    ("cut-residual", |it, node| it.cut_residual = Some(amps(node))),
    ("cut-proof", |it, node| it.cut_proof = Some(cut_proof(node))),
    ("restore-tries", |it, node| it.restore_tries = tries(node)),
    ("restore-after", |it, node| it.restore_after = waits(node, it.restore_after)),
    ("inrush-window", |it, node| it.inrush_window = span(node)),
    ("inrush-pickup", |it, node| it.inrush_pickup = Some(amps(node))),
    ("inrush-after", |it, node| it.inrush_after = span(node)),
    ("frog-load", |it, node| it.frog_load = amps(node)),
    ("pair-factor", |it, node| it.pair_factor = share(node)),
    ("occupied-above", |it, node| it.occupied_above = amps(node)),
    ("occupied-after", |it, node| it.occupied_after = span(node)),
    ("clear-below", |it, node| it.clear_below = amps(node)),
    ("clear-after", |it, node| it.clear_after = span(node)),
    ("unaccounted-tolerance", |it, node| it.unaccounted_tolerance = Some(amps(node))),
    ("unaccounted-after", |it, node| it.unaccounted_after = span(node)),
    ("stale-after", |it, node| it.stale_after = Some(span(node))),
    ("on-stale", |it, node| {
        it.on_stale = if node.text() == Some("cut") { OnStale::Cut } else { OnStale::Alarm };
    }),
    ("power-on", |it, node| {
        it.power_on = if node.text() == Some("auto") { PowerOn::Auto } else { PowerOn::Ask };
    }),
];

impl Build<'_> {
    pub(super) fn protection(&mut self) {
        let root = self.root;
        let whole = root.table("protection");
        let layout = self.layer(Protection::default(), whole, "layout", Origin::Layout);
        for key in PROTECTION_KEYS {
            if whole.is_none_or(|it| it.node(key.name).is_none()) {
                self.by_default(key);
            }
        }
        let districts = self.over("district", Origin::District, |_, _| layout.clone());
        self.layout.protection.districts = districts;
        let blocks = self.over("block", Origin::Block, |build, at| {
            build.layout.protection.district(build.layout.blocks[at].district).clone()
        });
        let fed = self.districts_fed();
        let machines = self.over("machine", Origin::Machine, |build, at| {
            let of_district = |it| build.layout.protection.district(it);
            fed[at].map_or(&layout, of_district).clone()
        });
        self.layout.protection.blocks = blocks;
        self.layout.protection.machines = machines;
        self.layout.protection.layout = layout;
    }

    /// The settings of all objects of a kind: what each inherits, overlaid with its own.
    fn over(
        &mut self,
        kind: &str,
        origin: Origin,
        inherited: impl Fn(&Self, usize) -> Protection,
    ) -> Vec<Protection> {
        let root = self.root;
        let ids: Vec<String> = match origin {
            Origin::District => self.layout.districts.iter().map(|it| it.id.clone()).collect(),
            Origin::Block => self.layout.blocks.iter().map(|it| it.id.clone()).collect(),
            Origin::Machine => self.layout.machines.iter().map(|it| it.id.clone()).collect(),
            Origin::Default | Origin::Layout => Vec::new(),
        };
        let tables: std::collections::BTreeMap<&str, &Fields> = root
            .by_id(kind)
            .iter()
            .filter_map(|entry| Some((entry.id.as_str(), entry.item.as_ref()?)))
            .collect();
        let mut all = Vec::new();
        for (at, id) in ids.iter().enumerate() {
            let own = tables.get(id.as_str()).and_then(|it| it.table("protection"));
            let base = inherited(self, at);
            all.push(self.layer(base, own, &format!("{kind}/{id}"), origin));
        }
        all
    }

    fn layer(
        &mut self,
        mut settings: Protection,
        own: Option<&Fields>,
        subject: &str,
        origin: Origin,
    ) -> Protection {
        let Some(own) = own else {
            return settings;
        };
        for (key, node) in own.stated() {
            if let Some((name, set)) = SETTERS.iter().find(|(name, _)| *name == key) {
                set(&mut settings, node);
                let written = self.text.get(node.span.start..node.span.end).unwrap_or("");
                self.layout.protection.in_force.push(InForce {
                    subject: subject.to_owned(),
                    key: name,
                    value: written.trim_matches('"').to_owned(),
                    origin,
                });
            }
        }
        self.check_thresholds(&settings, own);
        settings
    }

    fn check_thresholds(&mut self, settings: &Protection, own: &Fields) {
        let Some(key) =
            ["clear-below", "occupied-above"].into_iter().find(|key| own.is_stated(key))
        else {
            return;
        };
        if settings.occupied_above <= settings.clear_below {
            let kind = FileErrorKind::ThresholdsCross {
                clear_below: settings.clear_below.to_string(),
                occupied_above: settings.occupied_above.to_string(),
            };
            self.error(own.span_of(key), &own.subject, kind);
        }
    }

    fn by_default(&mut self, key: &'static Key) {
        self.layout.protection.in_force.push(InForce {
            subject: "layout".to_owned(),
            key: key.name,
            value: key.need.default_words().to_owned(),
            origin: Origin::Default,
        });
    }

    /// By machine: the district of the first frog that it feeds.
    fn districts_fed(&self) -> Vec<Option<DistrictIx>> {
        let layout = &self.layout;
        let mut districts = vec![None; layout.machines.len()];
        for (at, frog) in layout.frogs.iter().enumerate() {
            for pole in &frog.poles {
                let machine = layout.poles[pole.pole.at()].machine;
                districts[machine.at()].get_or_insert(layout.district_of_frog(FrogIx::new(at)));
            }
        }
        districts
    }
}

fn amps(node: &Node) -> Microamps {
    Microamps(node.amount().unwrap_or(0))
}

fn span(node: &Node) -> Micros {
    Micros(node.amount().unwrap_or(0).unsigned_abs())
}

fn share(node: &Node) -> u32 {
    node.amount().and_then(|value| u32::try_from(value).ok()).unwrap_or(0)
}

fn tries(node: &Node) -> u8 {
    let Data::Count(count) = node.data else { return 0 };
    u8::try_from(count).unwrap_or(0)
}

/// One wait for all tries, or up to three of which the last repeats.
fn waits(node: &Node, before: [Micros; 3]) -> [Micros; 3] {
    let Data::List(items) = &node.data else {
        return [span(node); 3];
    };
    let given: Vec<Micros> = items.iter().map(span).collect();
    let at = |index: usize| given.get(index).or(given.last()).copied().unwrap_or(before[index]);
    [at(0), at(1), at(2)]
}

fn low_voltage(node: &Node) -> LowVoltage {
    let Data::Amount(Dimension::Voltage, value) = node.data else {
        return LowVoltage::OfBooster(share(node));
    };
    LowVoltage::Absolute(Millivolts(value))
}

fn curve(node: &Node) -> CurveName {
    match node.text() {
        Some("standard-inverse") => CurveName::StandardInverse,
        Some("extremely-inverse") => CurveName::ExtremelyInverse,
        Some("long-time-inverse") => CurveName::LongTimeInverse,
        Some("moderately-inverse") => CurveName::ModeratelyInverse,
        Some("ieee-very-inverse") => CurveName::IeeeVeryInverse,
        Some("ieee-extremely-inverse") => CurveName::IeeeExtremelyInverse,
        _ => CurveName::VeryInverse,
    }
}

fn cut_proof(node: &Node) -> CutProof {
    match node.text() {
        Some("voltage") => CutProof::Voltage,
        Some("feedback") => CutProof::Feedback,
        Some("none") => CutProof::None,
        _ => CutProof::Current,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_of_the_grammar_sets_something() {
        let known: Vec<&str> = PROTECTION_KEYS.iter().map(|key| key.name).collect();
        let set: Vec<&str> = SETTERS.iter().map(|(name, _)| *name).collect();
        assert_eq!(known, set);
    }
}
