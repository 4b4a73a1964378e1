//! `[protection]` and its overrides: nearest wins, and every key remembers where it came from.

use super::{
    build::Build,
    error::{FileError, FileErrorKind},
    fields::{Data, Fields, Node},
    names::{Found, Names},
};
use crate::{
    grammar::{Key, PROTECTION_KEYS, Referent},
    index::{DistrictIx, FrogIx},
    layout::Span,
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
        let mut layout = self.layer(Protection::default(), whole, "layout", Origin::Layout);
        self.change(&mut layout, "", "", Origin::Layout);
        for key in PROTECTION_KEYS {
            let mut in_force = self.layout.protection.in_force.iter();
            if !in_force.any(|it| it.key == key.name) {
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
        self.check_changes();
    }

    /// A change may name only what the layout file has.
    fn check_changes(&mut self) {
        let Some(changes) = self.changes else { return };
        let layout = &self.layout;
        let kinds: [(&str, Referent, Vec<&str>); 3] = [
            ("district", Referent::District, layout.districts.iter().map(|it| &*it.id).collect()),
            ("block", Referent::Block, layout.blocks.iter().map(|it| &*it.id).collect()),
            ("machine", Referent::Machine, layout.machines.iter().map(|it| &*it.id).collect()),
        ];
        for (kind, what, ids) in kinds {
            let mut known = Names::new(what);
            for id in &ids {
                known.declare(id, Some(()));
            }
            for entry in changes.fields.by_id(kind) {
                if let Found::No(kind) = known.find(&entry.id) {
                    let subject = format!("{}/{}", what.word(), entry.id);
                    let (span, also) = (entry.span, Vec::new());
                    self.change_errors.push(FileError { span, also, subject, kind });
                }
            }
        }
    }

    /// Overlays what the changes say of one object; of the layout as a whole where `kind` is empty.
    fn change(&mut self, settings: &mut Protection, kind: &str, id: &str, origin: Origin) {
        let Some(changes) = self.changes else { return };
        let (own, subject) = if kind.is_empty() {
            (changes.fields.table("protection"), "layout".to_owned())
        } else {
            let named = changes.fields.by_id(kind).iter().find(|entry| entry.id == id);
            let fields = named.and_then(|entry| entry.item.as_ref());
            (fields.and_then(|it| it.table("protection")), format!("{kind}/{id}"))
        };
        let Some(own) = own else { return };
        self.overlay(settings, own, changes.text, &subject, origin);
        if let Some((span, kind)) = thresholds_cross(settings, own) {
            let subject = own.subject.clone();
            self.change_errors.push(FileError { span, also: Vec::new(), subject, kind });
        }
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
            let mut settings = self.layer(base, own, &format!("{kind}/{id}"), origin);
            self.change(&mut settings, kind, id, origin);
            all.push(settings);
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
        let text = self.text;
        self.overlay(&mut settings, own, text, subject, origin);
        if let Some((span, kind)) = thresholds_cross(&settings, own) {
            self.error(span, &own.subject, kind);
        }
        settings
    }

    /// Sets every key that `own` states; `text` is what its spans are places in.
    fn overlay(
        &mut self,
        settings: &mut Protection,
        own: &Fields,
        text: &str,
        subject: &str,
        origin: Origin,
    ) {
        for (key, node) in own.stated() {
            let Some((name, set)) = SETTERS.iter().find(|(name, _)| *name == key) else {
                continue;
            };
            set(settings, node);
            let written = text.get(node.span.start..node.span.end).unwrap_or("");
            let in_force = &mut self.layout.protection.in_force;
            if self.changes.is_some() {
                in_force.retain(|it| it.subject != subject || it.key != *name);
            }
            in_force.push(InForce {
                subject: subject.to_owned(),
                key: name,
                value: written.trim_matches('"').to_owned(),
                origin,
            });
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

/// `clear-below` has to stay below `occupied-above`: where, and how they cross.
fn thresholds_cross(settings: &Protection, own: &Fields) -> Option<(Span, FileErrorKind)> {
    let key = ["clear-below", "occupied-above"].into_iter().find(|key| own.is_stated(key))?;
    (settings.occupied_above <= settings.clear_below).then(|| {
        let kind = FileErrorKind::ThresholdsCross {
            clear_below: settings.clear_below.to_string(),
            occupied_above: settings.occupied_above.to_string(),
        };
        (own.span_of(key), kind)
    })
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

    const LAYOUT: &str = r#"
[booster.main]
volts = "14 V"
limit = "8 A"
[protection]
short-after = "25 ms"
[district.east]
booster = "main"
[district.east.protection]
short-step = "2 A"
[district.west]
booster = "main"
"#;

    /// What the changes make of `short-after` and `short-step` in the east and in the west.
    fn check(changes: &str, want: [(u64, i64); 2]) {
        let changed = crate::read::read_changed(LAYOUT, changes);
        assert_eq!((changed.read.errors, changed.errors), (vec![], vec![]), "{changes}");
        let table = &changed.read.layout.expect("the layout is whole").protection;
        let seen = |at: u32| {
            let it = table.district(DistrictIx(at));
            (it.short_after.0 / 1000, it.short_step.0 / 100_000)
        };
        assert_eq!([seen(0), seen(1)], want, "{changes}");
    }

    #[test]
    fn changes_count_as_if_they_were_written_into_the_layout_file() {
        check("", [(25, 20), (25, 15)]);
        check("[protection]\nshort-after = \"10 ms\"", [(10, 20), (10, 15)]);
        // Nearest wins: the district's own key stands against one for the whole layout.
        check("[protection]\nshort-step = \"1 A\"", [(25, 20), (25, 10)]);
        check("[district.east.protection]\nshort-step = \"1 A\"", [(25, 10), (25, 15)]);
        check("[district.west.protection]\nshort-after = \"5 ms\"", [(25, 20), (5, 15)]);
    }

    #[test]
    fn what_is_wrong_with_changes_is_told_with_its_place_in_them() {
        for (changes, code) in [
            ("[district.north.protection]\nshort-step = \"1 A\"", "district-unknown"),
            ("[machine.T9.protection]\nshort-step = \"1 A\"", "machine-unknown"),
            ("[booster.main]\nlimit = \"5 A\"", "key-unknown"),
            ("[district.east]\nbus = {}", "key-unknown"),
            ("[protection]\nshort-afer = \"1 ms\"", "key-unknown"),
            ("[protection]\nshort-after = 10", "unit-missing"),
            ("[protection]\nshort-after = 10 ms", "syntax"),
            ("[protection]\nclear-below = \"9 mA\"", "value-wrong"),
        ] {
            let changed = crate::read::read_changed(LAYOUT, changes);
            let found: Vec<_> = changed.errors.iter().map(|it| it.kind.code()).collect();
            assert_eq!((found, changed.read.errors.len()), (vec![code], 0), "{changes}");
            let span = changed.errors[0].span;
            assert!(
                changes.get(span.start..span.end).is_some_and(|it| !it.is_empty()),
                "{changes}"
            );
        }
    }

    #[test]
    fn every_key_of_the_grammar_sets_something() {
        let known: Vec<&str> = PROTECTION_KEYS.iter().map(|key| key.name).collect();
        let set: Vec<&str> = SETTERS.iter().map(|(name, _)| *name).collect();
        assert_eq!(known, set);
    }
}
