//! Frogs, the poles that feed them, and what those are tied to.

use super::{
    build::{Build, wire},
    error::FileErrorKind,
    fields::{Fields, Node},
    names::Found,
    trackwork::port,
};
use crate::{
    grammar::{KindRule, Referent},
    index::{FrogIx, MachineIx, TrackworkIx},
    layout::{Conductor, Frog, FrogPole, Limiter, LimiterKind, Side, Span, Tie},
    suggest,
    trackwork::{FrogName, Port},
    units::Microohms,
};

/// What both contacts of a frog's poles are tied to, and where that is written.
type Ties = [(Tie, Span); 2];

impl Build<'_> {
    pub(super) fn frogs(&mut self, rule: &'static KindRule, of: TrackworkIx, it: &Fields) {
        if let Some(frogs) = it.table("frogs") {
            let names: Vec<&'static str> = rule.frogs.iter().map(|(name, _)| *name).collect();
            self.misplaced(rule, frogs, &names, &[]);
        }
        for (name, frog) in rule.frogs {
            let outer = if *frog == FrogName::Only { Some(it) } else { it.table("frogs") };
            let is_broken = it.is_broken("frogs") || outer.is_some_and(|it| it.is_broken(name));
            let table = outer.and_then(|it| it.table(name));
            let id = match frog {
                FrogName::Only => self.layout.trackwork[of.at()].id.clone(),
                _ => format!("{}.{name}", self.layout.trackwork[of.at()].id),
            };
            let made = match table {
                Some(table) => self.fed(rule, of, *frog, &id, table),
                None if is_broken => None,
                None => Some(self.bare(of, *frog, &id, it.span)),
            };
            self.declared(made.is_some(), "frog", &id);
            if let Some(made) = made {
                let index = FrogIx::new(self.layout.frogs.len());
                self.layout.frogs.push(made);
                self.layout.trackwork[of.at()].frogs.push(index);
            }
        }
    }

    /// A frog without a table: fixed if it is an obtuse one, else dead.
    fn bare(&self, of: TrackworkIx, name: FrogName, id: &str, span: Span) -> Frog {
        Frog {
            id: id.to_owned(),
            span,
            trackwork: of,
            name,
            poles: Vec::new(),
            normal: Tie::None,
            normal_span: span,
            reverse: Tie::None,
            reverse_span: span,
            feed: wire(None),
            limiter: None,
            proved: false,
            fixed: fixed_rail(name),
        }
    }

    fn fed(
        &mut self,
        rule: &'static KindRule,
        of: TrackworkIx,
        name: FrogName,
        id: &str,
        it: &Fields,
    ) -> Option<Frog> {
        let poles = it.list("poles").map(|list| self.poles_of(list, &it.subject));
        let ties = self.ties(rule, of, it);
        let (poles, [(normal, normal_span), (reverse, reverse_span)]) = (poles??, ties?);
        Some(Frog {
            id: id.to_owned(),
            span: it.span,
            trackwork: of,
            name,
            poles,
            normal,
            normal_span,
            reverse,
            reverse_span,
            feed: wire(it.table("feed")),
            limiter: it.table("limiter").and_then(limiter),
            proved: it.flag("proved").unwrap_or(false),
            fixed: None,
        })
    }

    fn poles_of(&mut self, list: &[Node], subject: &str) -> Option<Vec<FrogPole>> {
        let mut poles: Vec<FrogPole> = Vec::new();
        let mut is_whole = true;
        for node in list {
            let text = node.text().unwrap_or_default();
            match self.pole(text) {
                Ok(Some(pole)) if poles.iter().any(|other| other.pole == pole) => {
                    let kind = FileErrorKind::PoleDoubled { pole: text.to_owned() };
                    self.error(node.span, subject, kind);
                }
                Ok(Some(pole)) => poles.push(FrogPole { pole, span: node.span }),
                Ok(None) => is_whole = false,
                Err(kind) => {
                    self.error(node.span, subject, kind);
                    is_whole = false;
                }
            }
        }
        is_whole.then_some(poles)
    }

    /// `MACHINE.N`; none when the machine was left out.
    fn pole(&self, text: &str) -> Result<Option<crate::index::PoleIx>, FileErrorKind> {
        let bad = || FileErrorKind::PoleBad { pole: text.to_owned() };
        let (machine, number) = text.split_once('.').ok_or_else(bad)?;
        let is_digits =
            number.bytes().all(|byte| byte.is_ascii_digit()) && !number.starts_with('0');
        let number: u32 = number.parse().ok().filter(|_| is_digits).ok_or_else(bad)?;
        match self.machines.find(machine) {
            Found::Yes(index) => self.pole_of(index, number).map(Some),
            Found::LeftOut => Ok(None),
            Found::No(FileErrorKind::Unknown { what, id, nearest, known }) => {
                let nearest = nearest.map(|id| format!("{id}.{number}"));
                Err(FileErrorKind::Unknown { what, id, nearest, known })
            }
            Found::No(other) => Err(other),
        }
    }

    fn pole_of(
        &self,
        machine: MachineIx,
        number: u32,
    ) -> Result<crate::index::PoleIx, FileErrorKind> {
        let machine = &self.layout.machines[machine.at()];
        let pole = machine.poles.get(number as usize - 1).copied();
        pole.ok_or_else(|| FileErrorKind::PoleBeyond {
            machine: machine.id.clone(),
            number,
            poles: machine.poles.len(),
        })
    }

    fn ties(&mut self, rule: &KindRule, of: TrackworkIx, it: &Fields) -> Option<Ties> {
        let [normal, reverse] = ["normal", "reverse"].map(|key| {
            let node = it.node(key)?;
            let tie = self.tie(rule, of, node.text()?);
            match tie {
                Ok(tie) => tie.map(|tie| (tie, node.span)),
                Err(kind) => {
                    self.error(node.span, &it.subject, kind.named(key));
                    None
                }
            }
        });
        Some([normal?, reverse?])
    }

    /// None when it names a district that was left out.
    fn tie(
        &self,
        rule: &KindRule,
        of: TrackworkIx,
        text: &str,
    ) -> Result<Option<Tie>, FileErrorKind> {
        let simple = match text {
            "A" => Some(Tie::Bus(Conductor::A)),
            "B" => Some(Tie::Bus(Conductor::B)),
            "none" => Some(Tie::None),
            "left" if has_stock_rails(rule) => Some(Tie::Stock(Side::Left)),
            "right" if has_stock_rails(rule) => Some(Tie::Stock(Side::Right)),
            _ => None,
        };
        if simple.is_some() {
            return Ok(simple);
        }
        if let Some((district, conductor)) = text.split_once('/') {
            return self.bus_tie(rule, of, district, conductor, text);
        }
        match text.split_once('.') {
            Some((port, side)) => port_tie(rule, port, side, text).map(Some),
            None => Err(tie_wrong(rule, text)),
        }
    }

    fn bus_tie(
        &self,
        rule: &KindRule,
        of: TrackworkIx,
        district: &str,
        conductor: &str,
        text: &str,
    ) -> Result<Option<Tie>, FileErrorKind> {
        let conductor = match conductor {
            "A" => Conductor::A,
            "B" => Conductor::B,
            _ => return Err(tie_wrong(rule, text)),
        };
        let own = self.layout.district_of_block(self.layout.trackwork[of.at()].block);
        match self.districts.find(district) {
            Found::Yes(index) if index == own => Ok(Some(Tie::Bus(conductor))),
            Found::Yes(index) => Ok(Some(Tie::ForeignBus(index, conductor))),
            Found::LeftOut => Ok(None),
            Found::No(FileErrorKind::Unknown { what, id, nearest, known }) => {
                let nearest = nearest.map(|id| format!("{id}/{}", conductor.word()));
                Err(FileErrorKind::Unknown { what, id, nearest, known })
            }
            Found::No(other) => Err(other),
        }
    }
}

impl FileErrorKind {
    /// The same about another key.
    fn named(self, key: &str) -> Self {
        match self {
            Self::ValueWrong { found, wanted, write, .. } => {
                Self::ValueWrong { key: key.to_owned(), found, wanted, write }
            }
            other => other,
        }
    }
}

/// The obtuse frogs of a crossing lie on the outer rails: left of the left track and right of the right track, both
/// seen from end a. On either route that is the same conductor, as long as both tracks are wired in the same sense.
const fn fixed_rail(name: FrogName) -> Option<Tie> {
    match name {
        FrogName::KLeft => Some(Tie::PortRail(Port::ALeft, Side::Left)),
        FrogName::KRight => Some(Tie::PortRail(Port::ARight, Side::Right)),
        FrogName::Only
        | FrogName::Left
        | FrogName::Middle
        | FrogName::Right
        | FrogName::A
        | FrogName::B => None,
    }
}

fn has_stock_rails(rule: &KindRule) -> bool {
    rule.ports.contains(&Port::Points)
}

fn port_tie(rule: &KindRule, name: &str, side: &str, text: &str) -> Result<Tie, FileErrorKind> {
    let side = match side {
        "left" => Some(Side::Left),
        "right" => Some(Side::Right),
        _ => None,
    };
    match (port(name).filter(|port| rule.ports.contains(port)), side) {
        (Some(port), Some(side)) => Ok(Tie::PortRail(port, side)),
        (Some(_), None) => Err(tie_wrong(rule, text)),
        (None, _) => {
            let known = port_rails(rule);
            let nearest = suggest::nearest(text, known.iter().map(String::as_str));
            Err(FileErrorKind::Unknown {
                what: Referent::Port,
                id: name.to_owned(),
                nearest: nearest.map(str::to_owned),
                known,
            })
        }
    }
}

fn port_rails(rule: &KindRule) -> Vec<String> {
    let sides = ["left", "right"];
    let of_port = |port: &Port| sides.map(|side| format!("{}.{side}", port.word()));
    rule.ports.iter().flat_map(of_port).collect()
}

fn tie_wrong(rule: &KindRule, text: &str) -> FileErrorKind {
    let mut known = vec!["A".to_owned(), "B".to_owned(), "none".to_owned()];
    let wanted = if has_stock_rails(rule) {
        known.extend(["left".to_owned(), "right".to_owned()]);
        "\"left\" or \"right\" (stock rails), \"A\", \"B\", \"none\", or \"DISTRICT/A\""
    } else {
        "a port's rail such as \"a-left.right\", \"A\", \"B\", \"none\", or \"DISTRICT/A\""
    };
    known.extend(port_rails(rule));
    let nearest = suggest::nearest(text, known.iter().map(String::as_str));
    FileErrorKind::ValueWrong {
        key: String::new(),
        found: format!("\"{text}\""),
        wanted: wanted.to_owned(),
        write: nearest.map(|word| format!("\"{word}\"")),
    }
}

fn limiter(it: &Fields) -> Option<Limiter> {
    let kind = match it.word("kind")? {
        "lamp" => LimiterKind::Lamp,
        "ptc" => LimiterKind::Ptc,
        _ => LimiterKind::Resistor,
    };
    Some(Limiter { kind, ohms_hot: Microohms(it.magnitude("ohms-hot")?) })
}
