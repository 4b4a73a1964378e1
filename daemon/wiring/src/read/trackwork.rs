//! Trackwork: what it is, which machines set it, and its ports.

use super::{
    build::{Build, conductor},
    error::FileErrorKind,
    fields::{Data, Entry, Fields, Node},
    frogs::Home,
    scalar::check_id,
};
use crate::{
    grammar::{KINDS, KindRule},
    index::{MachineIx, TrackworkIx},
    layout::{Position, Trackwork},
    trackwork::{Hand, Kind, Leg, Port},
};

/// Keys that every kind takes.
const COMMON: [&str; 3] = ["kind", "block", "left"];

impl Build<'_> {
    pub(super) fn trackwork(&mut self) {
        for entry in self.root.by_id("trackwork") {
            let made = entry.item.as_ref().and_then(|it| self.one(entry, it));
            self.declared(made.is_some(), "trackwork", &entry.id);
            self.trackwork.declare(&entry.id, made);
        }
    }

    fn one(&mut self, entry: &Entry<Fields>, it: &Fields) -> Option<TrackworkIx> {
        let rule = rule(it)?;
        self.misplaced(rule, it, rule.keys, &COMMON);
        let block = it.text("block").map(|id| self.blocks.find(id));
        let block = block.and_then(|found| self.settle(found, it.span_of("block"), &it.subject));
        let kind = self.kind(rule, &entry.id, it);
        let index = block.zip(kind).map(|(block, (kind, hand))| {
            self.layout.trackwork.push(Trackwork {
                id: entry.id.clone(),
                span: it.span,
                kind,
                hand,
                block,
                left: conductor(it, "left"),
                frogs: Vec::new(),
                at_port: rule.ports.iter().map(|port| (*port, None)).collect(),
            });
            TrackworkIx::new(self.layout.trackwork.len() - 1)
        });
        let district = block.map(|block| self.layout.district_of_block(block));
        self.frogs(rule, Home { id: &entry.id, index, district }, it);
        index
    }

    /// Complains about keys that this kind does not take.
    pub(super) fn misplaced(
        &mut self,
        rule: &'static KindRule,
        it: &Fields,
        takes: &[&'static str],
        also: &[&str],
    ) {
        for (key, node) in it.stated() {
            if !takes.contains(&key) && !also.contains(&key) {
                let takes = takes.to_vec();
                let kind = FileErrorKind::KeyMisplaced { key, kind: rule.words, takes };
                self.error(node.span, &it.subject, kind);
            }
        }
    }

    fn kind(&mut self, rule: &KindRule, id: &str, it: &Fields) -> Option<(Kind, Option<Hand>)> {
        let without_hand = |kind| (kind, None);
        match rule.word {
            "turnout" => self.turnout(id, it),
            "three-way" => {
                let [left, right] = self.two_machines(id, it, ["left", "right"])?;
                Some(without_hand(Kind::ThreeWay { left, right }))
            }
            "single-slip" => self.single_slip(id, it).map(without_hand),
            "double-slip" => self.double_slip(id, it).map(without_hand),
            _ => self.crossing(it).map(without_hand),
        }
    }

    fn turnout(&mut self, id: &str, it: &Fields) -> Option<(Kind, Option<Hand>)> {
        let hand = match it.word("hand") {
            Some("left") => Some(Hand::Left),
            Some("right") => Some(Hand::Right),
            Some(_) => Some(Hand::Wye),
            None => None,
        };
        let normal = self.normal_leg(it, hand);
        let machine = it.text("machine").unwrap_or(id);
        let machine = self.machines.index(machine)?;
        if !it.is_stated("machine") {
            self.assume(&it.subject, "machine", id);
        }
        let (normal, hand) = normal?;
        Some((Kind::Turnout { machine, normal }, hand))
    }

    /// The leg in use when the machine is normal. A hand that nobody states is taken as right, and listed as such.
    fn normal_leg(&mut self, it: &Fields, hand: Option<Hand>) -> Option<(Leg, Option<Hand>)> {
        if it.is_stated("normal") {
            return match it.node("normal")?.text() {
                Some("left") => Some((Leg::Left, hand)),
                Some("right") => Some((Leg::Right, hand)),
                _ => self.normal_wrong(it, "\"left\" or \"right\", a leg"),
            };
        }
        if hand.is_none() && !it.is_stated("hand") {
            self.assume(&it.subject, "hand", "right");
        }
        match hand {
            Some(Hand::Wye) => {
                self.missing(it, "normal", "\"left\"");
                None
            }
            Some(Hand::Left) => {
                self.assume(&it.subject, "normal", "right");
                Some((Leg::Right, hand))
            }
            Some(Hand::Right) | None => {
                self.assume(&it.subject, "normal", "left");
                Some((Leg::Left, Some(Hand::Right)))
            }
        }
    }

    fn single_slip(&mut self, id: &str, it: &Fields) -> Option<Kind> {
        let machines = self.two_machines(id, it, ["a", "b"]);
        if !it.is_stated("slip") {
            self.missing(it, "slip", "\"a-left\"");
        }
        let slip = port(it.word("slip")?)?;
        let [a, b] = machines?;
        Some(Kind::SingleSlip { a, b, slip })
    }

    fn double_slip(&mut self, id: &str, it: &Fields) -> Option<Kind> {
        let [a, b] = self.two_machines(id, it, ["a", "b"])?;
        if it.is_broken("normal") {
            return None;
        }
        if !it.is_stated("normal") {
            self.assume(&it.subject, "normal", "{ a = \"b-left\", b = \"a-left\" }");
            let (a_normal, b_normal) = (Port::BLeft, Port::ALeft);
            return Some(Kind::DoubleSlip { a, a_normal, b, b_normal });
        }
        let Some(normal) = it.table("normal") else {
            return self.normal_wrong(it, "a table such as { a = \"b-left\", b = \"a-left\" }");
        };
        let a_normal = port(normal.word("a")?)?;
        let b_normal = port(normal.word("b")?)?;
        Some(Kind::DoubleSlip { a, a_normal, b, b_normal })
    }

    fn crossing(&mut self, it: &Fields) -> Option<Kind> {
        if it.is_stated("routes") && it.is_stated("machine") {
            let kind = FileErrorKind::KeysClash { first: "routes", second: "machine" };
            self.error(it.span_of("machine"), &it.subject, kind);
            return None;
        }
        if it.is_broken("routes") || it.is_broken("machine") || it.is_broken("normal") {
            return None;
        }
        if let Some(machine) = it.text("machine") {
            let machine = self.machines.index(machine)?;
            return self.short_crossing(it, machine);
        }
        if it.is_stated("normal") {
            self.missing(it, "machine", "\"M1\"");
            return None;
        }
        let a_left = self.conditions(it, "a-left");
        let a_right = self.conditions(it, "a-right");
        Some(Kind::Crossing { a_left: a_left?, a_right: a_right? })
    }

    fn short_crossing(&mut self, it: &Fields, machine: MachineIx) -> Option<Kind> {
        let normal = match it.node("normal").map(Node::text) {
            None => {
                self.assume(&it.subject, "normal", "a-left");
                Some("a-left")
            }
            Some(text) => text,
        };
        let (left, right) = match normal {
            Some("a-left") => (Position::Normal, Position::Reverse),
            Some("a-right") => (Position::Reverse, Position::Normal),
            _ => return self.normal_wrong(it, "\"a-left\" or \"a-right\""),
        };
        Some(Kind::Crossing { a_left: vec![(machine, left)], a_right: vec![(machine, right)] })
    }

    fn conditions(&mut self, it: &Fields, port: &str) -> Option<Vec<(MachineIx, Position)>> {
        let Some(routes) = it.table("routes") else {
            return Some(Vec::new());
        };
        let mut conditions = Vec::new();
        let mut is_whole = !routes.is_broken(port);
        for entry in routes.map(port) {
            if let Err(kind) = check_id(&entry.id) {
                self.error(entry.span, &it.subject, kind);
                is_whole = false;
                continue;
            }
            let position = match entry.item.as_ref().and_then(Node::text) {
                Some("normal") => Some(Position::Normal),
                Some(_) => Some(Position::Reverse),
                None => None,
            };
            match (self.machines.index(&entry.id), position) {
                (Some(machine), Some(position)) => conditions.push((machine, position)),
                _ => is_whole = false,
            }
        }
        is_whole.then_some(conditions)
    }

    fn two_machines(
        &mut self,
        id: &str,
        it: &Fields,
        ends: [&'static str; 2],
    ) -> Option<[MachineIx; 2]> {
        if it.is_broken("machines") {
            return None;
        }
        if let (Some(machines), Some(rule)) = (it.table("machines"), rule(it)) {
            self.misplaced(rule, machines, &ends, &[]);
        }
        let ids = super::machines::of_two(it, id, ends, it.span);
        let [(first, _), (second, _)] = ids.as_slice() else {
            return None;
        };
        for (end, id) in ends.iter().zip([first, second]) {
            if !it.table("machines").is_some_and(|machines| machines.is_stated(end)) {
                self.assume(&it.subject, machine_key(end), id.clone());
            }
        }
        Some([self.machines.index(first)?, self.machines.index(second)?])
    }

    fn normal_wrong<T>(&mut self, it: &Fields, wanted: &str) -> Option<T> {
        if let Some(node) = it.node("normal") {
            let found = if matches!(node.data, Data::Table(_)) {
                "a table".to_owned()
            } else {
                format!("\"{}\"", node.text().unwrap_or_default())
            };
            let kind = FileErrorKind::ValueWrong {
                key: "normal".to_owned(),
                found,
                wanted: wanted.to_owned(),
                write: None,
            };
            self.error(node.span, &it.subject, kind);
        }
        None
    }

    fn missing(&mut self, it: &Fields, key: &'static str, example: &str) {
        let table = match it.subject.split_once('/') {
            Some((kind, id)) => format!("[{kind}.{id}]"),
            None => String::new(),
        };
        let kind = FileErrorKind::KeyMissing { key, table, example: example.to_owned() };
        self.error(it.span, &it.subject, kind);
    }
}

/// The rule of a trackwork's kind.
pub(super) fn rule(it: &Fields) -> Option<&'static KindRule> {
    let word = it.word("kind")?;
    KINDS.iter().find(|rule| rule.word == word)
}

pub(super) fn port(word: &str) -> Option<Port> {
    crate::grammar::ALL_PORTS.into_iter().find(|port| port.word() == word)
}

fn machine_key(end: &str) -> &'static str {
    match end {
        "left" => "machines.left",
        "right" => "machines.right",
        "a" => "machines.a",
        _ => "machines.b",
    }
}
