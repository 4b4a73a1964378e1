//! Machines and poles: those with a table, and those that trackwork names.

use std::collections::BTreeMap;

use super::{
    build::{Build, texts},
    error::FileErrorKind,
    fields::{Entry, Fields, Node},
    names::Found,
};
use crate::{
    index::{MachineIx, PoleIx},
    layout::{Machine, Pole, Span, Supply},
    terminals::truth::{self, Pair},
    units::{Microamps, Micrometres, Microohms, Micros},
};

/// Keys of a machine that `[defaults.machine]` may give.
const INHERITED: [&str; 5] =
    ["poles", "contact-rating", "contact-resistance", "contact-time-constant", "throw-time"];

impl Build<'_> {
    /// Those with a table first, then those only named, each in the order of the file.
    pub(super) fn machines(&mut self) {
        let root = self.root;
        for entry in root.by_id("machine") {
            self.machine(&entry.id, entry.item.as_ref(), entry.span);
        }
        for trackwork in root.by_id("trackwork") {
            for (id, span) in named_by(trackwork) {
                if matches!(self.machines.find(&id), Found::No(_)) {
                    self.machine(&id, None, span);
                }
            }
        }
    }

    fn machine(&mut self, id: &str, stated: Option<&Fields>, named_at: Span) {
        let subject = format!("machine/{id}");
        let nothing = Fields::default();
        let own = stated.unwrap_or(&nothing);
        self.list_inherited(own, &subject);
        if stated.is_none() {
            self.assume(&subject, "supply", "own");
        }
        let index = MachineIx::new(self.layout.machines.len());
        let supply = self.supply(own);
        let amount = |key: &str| self.inherited(own, key).map_or(0, i64::unsigned_abs);
        let machine = Machine {
            id: id.to_owned(),
            span: stated.map_or(named_at, |it| it.span),
            poles: Vec::new(),
            contact_rating: Microamps(amount("contact-rating").cast_signed()),
            contact_resistance: Microohms(amount("contact-resistance")),
            contact_time_constant: Micros(amount("contact-time-constant")),
            throw_time: Micros(amount("throw-time")),
            supply,
            uses: own.node("uses").map(texts).unwrap_or_default(),
            terminals: terminals(own),
            terminals_by_meter: own.table("truth").is_some(),
            terminal_hole: self
                .inherited(own, "terminal-hole")
                .map(|it| Micrometres(it.unsigned_abs())),
            time_constant_assumed: !own.is_stated("contact-time-constant")
                && !self.defaults().is_some_and(|it| it.is_stated("contact-time-constant")),
        };
        let mut machine = machine;
        let count = u8::try_from(amount("poles")).unwrap_or(0);
        self.truth(own, count, &mut machine);
        self.layout.machines.push(machine);
        self.poles(index, count);
        self.machines.declare(id, Some(index));
    }

    /// The labels that a meter's table gives.
    fn truth(&mut self, own: &Fields, poles: u8, machine: &mut Machine) {
        let Some(table) = own.table("truth") else { return };
        let [Some(normal), Some(reverse)] = ["normal", "reverse"].map(|key| pairs(table, key))
        else {
            return;
        };
        if machine.terminals.keys().any(|name| name.starts_with("pole-")) {
            let kind = FileErrorKind::KeysClash { first: "terminals.pole-1", second: "truth" };
            self.error(own.span_of("truth"), &own.subject, kind);
            return;
        }
        match truth::contacts(&normal, &reverse, usize::from(poles)) {
            Ok(contacts) => machine.terminals.extend((1..).zip(contacts).map(|(number, it)| {
                (format!("pole-{number}"), vec![it.common, it.normal, it.reverse])
            })),
            Err(problem) => {
                let kind = FileErrorKind::TruthWrong { problem };
                self.error(table.span, &own.subject, kind);
            }
        }
    }

    fn poles(&mut self, machine: MachineIx, count: u8) {
        for number in 1..=count {
            let pole = PoleIx::new(self.layout.poles.len());
            self.layout.poles.push(Pole { machine, number });
            self.layout.machines[machine.at()].poles.push(pole);
        }
    }

    fn defaults(&self) -> Option<&Fields> {
        self.root.table("defaults")?.table("machine")
    }

    /// The machine's own value, or that of `[defaults.machine]`, which is the built-in one where the file has none.
    fn inherited(&self, own: &Fields, key: &str) -> Option<i64> {
        let value = |it: &Fields| it.amount(key).or_else(|| it.count(key));
        value(own).or_else(|| self.defaults().and_then(value))
    }

    fn list_inherited(&mut self, own: &Fields, subject: &str) {
        for key in crate::grammar::DEFAULT_MACHINE.keys {
            let by_defaults = self.defaults().is_some_and(|it| it.is_stated(key.name));
            if INHERITED.contains(&key.name) && !own.is_stated(key.name) && !by_defaults {
                self.assume(subject, key.name, key.need.default_words());
            }
        }
    }

    fn supply(&mut self, own: &Fields) -> Supply {
        let text = own.text("supply").unwrap_or("own");
        let Some(district) = text.strip_prefix("district/") else {
            if text != "own" {
                self.supply_wrong(own, text);
            }
            return Supply::Own;
        };
        let found = self.districts.find(district);
        let district = self.settle(found, own.span_of("supply"), &own.subject);
        district.map_or(Supply::Own, Supply::District)
    }

    fn supply_wrong(&mut self, own: &Fields, text: &str) {
        let district = self.districts.nearest(text);
        let kind = FileErrorKind::ValueWrong {
            key: "supply".to_owned(),
            found: format!("\"{text}\""),
            wanted: "\"own\" or \"district/ID\"".to_owned(),
            write: district.map(|id| format!("\"district/{id}\"")),
        };
        self.error(own.span_of("supply"), &own.subject, kind);
    }
}

fn terminals(own: &Fields) -> BTreeMap<String, Vec<String>> {
    own.map("terminals")
        .iter()
        .filter_map(|entry| Some((entry.id.clone(), texts(entry.item.as_ref()?))))
        .collect()
}

/// The pairs of one position; none when they could not be read.
fn pairs(truth: &Fields, key: &str) -> Option<Vec<Pair>> {
    let pair = |node: &Node| <[String; 2]>::try_from(texts(node)).ok();
    truth.list(key)?.iter().map(pair).collect()
}

/// The machines that a piece of trackwork names or has by default, with the place.
fn named_by(trackwork: &Entry<Fields>) -> Vec<(String, Span)> {
    let Some(it) = trackwork.item.as_ref() else {
        return Vec::new();
    };
    let id = &trackwork.id;
    match it.word("kind") {
        Some("turnout") => vec![named(it, "machine", id.clone(), trackwork.span)],
        Some("three-way") => of_two(it, id, ["left", "right"], trackwork.span),
        Some("single-slip" | "double-slip") => of_two(it, id, ["a", "b"], trackwork.span),
        Some("crossing") => of_crossing(it),
        _ => Vec::new(),
    }
}

fn named(it: &Fields, key: &str, default: String, span: Span) -> (String, Span) {
    match it.node(key).and_then(|node| Some((node.text()?.to_owned(), node.span))) {
        Some(stated) => stated,
        None => (default, span),
    }
}

/// The ids of the two machines of a three-way or slip.
pub(super) fn of_two(it: &Fields, id: &str, ends: [&str; 2], span: Span) -> Vec<(String, Span)> {
    let nothing = Fields::default();
    let machines = it.table("machines").unwrap_or(&nothing);
    ends.iter()
        .filter(|end| !machines.is_broken(end))
        .map(|end| named(machines, end, format!("{id}-{end}"), span))
        .collect()
}

fn of_crossing(it: &Fields) -> Vec<(String, Span)> {
    let mut found: Vec<(String, Span)> = Vec::new();
    if let Some(node) = it.node("machine") {
        found.extend(node.text().map(|id| (id.to_owned(), node.span)));
    }
    for port in ["a-left", "a-right"] {
        for entry in it.table("routes").map(|routes| routes.map(port)).unwrap_or_default() {
            if entry.item.as_ref().and_then(Node::text).is_some() {
                found.push((entry.id.clone(), entry.span));
            }
        }
    }
    found
}
