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
    index::{DistrictIx, FrogIx, MachineIx, TrackworkIx},
    layout::{Conductor, Frog, FrogPole, Limiter, LimiterKind, Side, Span, Tie, Wire},
    suggest,
    trackwork::{FrogName, Port},
    units::Microohms,
};

/// What both contacts of a frog's poles are tied to, and where that is written.
type Ties = [(Tie, Span); 2];

/// The trackwork that frogs belong to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Home<'f> {
    /// Its id.
    pub(super) id: &'f str,
    /// Its index; none when it was left out.
    pub(super) index: Option<TrackworkIx>,
    /// Its district; none when that is not known.
    pub(super) district: Option<DistrictIx>,
}

/// How a frog is fed.
#[derive(Debug)]
struct Feeding {
    span: Span,
    poles: Vec<FrogPole>,
    ties: Ties,
    feed: Wire,
    limiter: Option<Limiter>,
    proved: bool,
    fixed: Option<Tie>,
}

impl Feeding {
    /// A frog without a table: fixed if it is an obtuse one, else dead.
    fn without(name: FrogName, span: Span) -> Self {
        Self {
            span,
            poles: Vec::new(),
            ties: [(Tie::None, span); 2],
            feed: wire(None),
            limiter: None,
            proved: false,
            fixed: fixed_rail(name),
        }
    }

    fn frog(self, id: String, trackwork: TrackworkIx, name: FrogName) -> Frog {
        let [(normal, normal_span), (reverse, reverse_span)] = self.ties;
        Frog {
            id,
            span: self.span,
            trackwork,
            name,
            poles: self.poles,
            normal,
            normal_span,
            reverse,
            reverse_span,
            feed: self.feed,
            limiter: self.limiter,
            proved: self.proved,
            fixed: self.fixed,
        }
    }
}

impl Build<'_> {
    /// The frogs of a piece of trackwork. Those of one that is left out are looked at all the same, so that everything
    /// that is wrong with them is told in one run.
    pub(super) fn frogs(&mut self, rule: &'static KindRule, home: Home<'_>, it: &Fields) {
        if let Some(frogs) = it.table("frogs") {
            let names: Vec<&'static str> = rule.frogs.iter().map(|(name, _)| *name).collect();
            self.misplaced(rule, frogs, &names, &[]);
        }
        for (name, frog) in rule.frogs {
            let outer = if *frog == FrogName::Only { Some(it) } else { it.table("frogs") };
            let is_broken = it.is_broken("frogs") || outer.is_some_and(|it| it.is_broken(name));
            let id = if *frog == FrogName::Only {
                home.id.to_owned()
            } else {
                format!("{}.{name}", home.id)
            };
            let feeding = match outer.and_then(|it| it.table(name)) {
                Some(table) => self.feeding(rule, home.district, table),
                None if is_broken => None,
                None => Some(Feeding::without(*frog, it.span)),
            };
            self.declared(feeding.is_some() && home.index.is_some(), "frog", &id);
            if let (Some(feeding), Some(of)) = (feeding, home.index) {
                let index = FrogIx::new(self.layout.frogs.len());
                self.layout.frogs.push(feeding.frog(id, of, *frog));
                self.layout.trackwork[of.at()].frogs.push(index);
            }
        }
    }

    fn feeding(
        &mut self,
        rule: &'static KindRule,
        district: Option<DistrictIx>,
        it: &Fields,
    ) -> Option<Feeding> {
        let poles = it.list("poles").map(|list| self.poles_of(list, &it.subject));
        let ties = self.ties(rule, district, it);
        Some(Feeding {
            span: it.span,
            poles: poles??,
            ties: ties?,
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
        let bad = || {
            let machine = text.split('.').next().unwrap_or_default();
            let is_there = matches!(self.machines.find(machine), Found::Yes(_));
            let machine = if is_there { machine } else { "T1" };
            FileErrorKind::PoleBad { pole: text.to_owned(), write: format!("{machine}.1") }
        };
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

    fn ties(&mut self, rule: &KindRule, own: Option<DistrictIx>, it: &Fields) -> Option<Ties> {
        let [normal, reverse] = ["normal", "reverse"].map(|key| {
            let node = it.node(key)?;
            let tie = self.tie(rule, own, node.text()?);
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
        own: Option<DistrictIx>,
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
            return self.bus_tie(rule, own, district, conductor, text);
        }
        match text.split_once('.') {
            Some((port, side)) => port_tie(rule, port, side, text).map(Some),
            None => Err(tie_wrong(rule, text)),
        }
    }

    fn bus_tie(
        &self,
        rule: &KindRule,
        own: Option<DistrictIx>,
        district: &str,
        conductor: &str,
        text: &str,
    ) -> Result<Option<Tie>, FileErrorKind> {
        let conductor = match conductor {
            "A" => Conductor::A,
            "B" => Conductor::B,
            _ => return Err(tie_wrong(rule, text)),
        };
        match self.districts.find(district) {
            Found::Yes(index) if Some(index) == own => Ok(Some(Tie::Bus(conductor))),
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
