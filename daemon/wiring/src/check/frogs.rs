//! Findings about single frogs, each at most once a frog, naming the positions.

use super::{
    remedy,
    words::{frog, machine, rows_words, tie_words},
};
use crate::{
    finding::{Code, Finding},
    index::{FrogIx, TrackworkIx},
    layout::{Conductor, Frog, Layout, Position, Tie},
    netlist::{Netlist, Supply},
    polarity::{FrogProof, PolarityProof, ProofRow, Required, Wired, tied, wanted},
    trackwork::Kind,
};

pub(super) fn check(net: &Netlist<'_>, proof: &PolarityProof, findings: &mut Vec<Finding>) {
    for (at, proof) in proof.frogs.iter().enumerate() {
        let it = Subject { net, frog: FrogIx::new(at), proof };
        let found = [it.swapped(), it.unfed(), it.fight(), it.foreign(), it.conflict(), it.bus()];
        findings.extend(found.into_iter().flatten());
    }
    for at in 0..net.layout.trackwork.len() {
        findings.extend(invalid(net.layout, TrackworkIx::new(at)));
    }
}

#[derive(Clone, Copy)]
struct Subject<'a, 'n> {
    net: &'a Netlist<'n>,
    frog: FrogIx,
    proof: &'a FrogProof,
}

impl Subject<'_, '_> {
    fn frog(&self) -> &Frog {
        frog(self.net.layout, self.frog)
    }

    fn rows(&self, of: impl Fn(&ProofRow) -> bool) -> Vec<usize> {
        let rows = self.proof.rows.iter().enumerate();
        rows.filter(|(_, row)| of(row)).map(|(at, _)| at).collect()
    }

    fn finding(&self, code: Code, message: String, remedy: String) -> Finding {
        Finding::new(code, format!("frog/{}", self.frog().id), self.frog().span, message, remedy)
    }

    fn positions(&self, rows: &[usize]) -> String {
        rows_words(self.net.layout, self.proof, rows)
    }

    fn swapped(&self) -> Option<Finding> {
        let rows = self.rows(|row| row.valid && is_swapped(row));
        let first = self.proof.rows.get(*rows.first()?)?;
        let Required::On(wanted) = first.required else { return None };
        let every_one_alike =
            rows.iter().all(|row| self.proof.rows[*row].required == first.required);
        let message = if every_one_alike {
            format!(
                "frog {} is on {} {}, where it must be on {}",
                self.frog().id,
                wanted.other().word(),
                self.positions(&rows),
                wanted.word()
            )
        } else {
            format!(
                "frog {} is on the conductor of the opposite rail {}",
                self.frog().id,
                self.positions(&rows)
            )
        };
        let finding =
            self.finding(Code::FrogSwapped, message, remedy::swapped(self.net, self.frog));
        Some(self.point_at_ties(finding, &rows))
    }

    /// Shows the ties that are in use in the rows at fault.
    fn point_at_ties(&self, finding: Finding, rows: &[usize]) -> Finding {
        let it = self.frog();
        let layout = self.net.layout;
        let used = |wanted: Position| {
            rows.iter().any(|&row| {
                self.proof.positions(row).any(|(of, position)| {
                    let has_pole =
                        |pole: &crate::layout::FrogPole| layout.poles[pole.pole.at()].machine == of;
                    position == wanted && it.poles.iter().any(has_pole)
                })
            })
        };
        let ties = [
            (Position::Normal, it.normal, it.normal_span),
            (Position::Reverse, it.reverse, it.reverse_span),
        ];
        let shown = ties.into_iter().filter(|(position, ..)| used(*position));
        shown.fold(finding, |finding, (position, tie, span)| {
            let note = format!("{}: tied to {}", position.word(), tie_words(layout, tie));
            finding.and(span, note)
        })
    }

    fn unfed(&self) -> Option<Finding> {
        let rows = self.rows(|row| {
            row.valid && row.wired == Wired::None && matches!(row.required, Required::On(_))
        });
        if rows.is_empty() {
            return None;
        }
        let message = format!("frog {} is dead {}", self.frog().id, self.positions(&rows));
        let finding = self.finding(
            Code::FrogUnfed,
            message,
            remedy::unfed(self.net, self.frog, self.proof, &rows),
        );
        Some(self.point_at_ties(finding, &rows))
    }

    fn fight(&self) -> Option<Finding> {
        let rows = self.rows(|row| row.wired == Wired::Both);
        if rows.is_empty() {
            return None;
        }
        let message = format!(
            "the poles of frog {} join A and B {}: a dead short through the contacts",
            self.frog().id,
            self.positions(&rows)
        );
        let mut finding =
            self.finding(Code::PolesFight, message, remedy::fight(self.net, self.frog));
        for pole in &self.frog().poles {
            let name = self.net.layout.pole_name(pole.pole);
            finding = finding.and(pole.span, format!("pole {name}"));
        }
        Some(finding)
    }

    fn foreign(&self) -> Option<Finding> {
        let rows = self.rows(|row| row.valid);
        let strangers = rows.into_iter().filter_map(|row| Some((row, self.stranger(row)?)));
        let strangers: Vec<_> = strangers.collect();
        let &(_, (home, foreign)) = strangers.first()?;
        let rows: Vec<_> = strangers.iter().map(|(row, _)| *row).collect();
        let district = |supply: &Supply| &self.net.layout.districts[supply.district.at()].id;
        let (home, foreign) = (district(&home).clone(), district(&foreign).clone());
        let id = &self.frog().id;
        let finding = self.finding(
            Code::FrogForeign,
            format!(
                "frog {id} is fed from district {foreign} {}, but its rails belong to district {home}",
                self.positions(&rows)
            ),
            format!(
                "take the feed of frog {id} from its own rails, or from the bus of district {home}, \
                 so that cutting {home} also cuts the frog"
            ),
        );
        Some(self.point_at_ties(finding, &rows))
    }

    /// The rail to match and the supply from another district, in one row.
    fn stranger(&self, row: usize) -> Option<(Supply, Supply)> {
        let it = self.frog();
        let kind = &self.net.layout.trackwork[it.trackwork.at()].kind;
        let position = |machine| {
            let found = self.proof.positions(row).find(|(of, _)| *of == machine);
            found.map_or(Position::Normal, |(_, position)| position)
        };
        let wanted = wanted(self.net, it, &kind.open_routes(position));
        let home = *wanted.first()?;
        let tied = tied(self.net, self.frog, position);
        let is_home = |supply: &Supply| wanted.iter().any(|it| it.district == supply.district);
        // A wire on the wrong rail of a border is one fault, not two; another district's bus is one of its own.
        let counts = |supply: &Supply| supply.block.is_none() || !is_swapped(&self.proof.rows[row]);
        let foreign = tied.into_iter().find(|supply| !is_home(supply) && counts(supply))?;
        Some((home, foreign))
    }

    fn conflict(&self) -> Option<Finding> {
        let rows = self.rows(|row| row.valid && row.required == Required::Conflict);
        if rows.is_empty() {
            return None;
        }
        let it = self.frog();
        let when = if self.proof.machines.is_empty() {
            "always open".to_owned()
        } else {
            format!("open {}", self.positions(&rows))
        };
        let message = format!(
            "two routes over frog {} are {when} and want it on different rails: positions alone \
             cannot decide",
            it.id
        );
        Some(self.finding(
            Code::FrogConflict,
            message,
            remedy::conflict(self.net.layout, it.trackwork),
        ))
    }

    /// A frog behind a reverser that is tied straight to the district's bus does not turn over with its rails.
    fn bus(&self) -> Option<Finding> {
        let it = self.frog();
        let layout = self.net.layout;
        let block = &layout.blocks[layout.block_of_frog(self.frog).at()];
        let reverser = block.reverser?;
        let is_bus = |tie: &Tie| matches!(tie, Tie::Bus(_) | Tie::ForeignBus(..));
        [it.normal, it.reverse].iter().chain(&it.fixed).find(|tie| is_bus(tie))?;
        let reverser = &layout.reversers[reverser.at()].id;
        Some(self.finding(
            Code::NotChecked,
            format!(
                "frog {} is tied to a bus conductor, but its block {} lies behind reverser {reverser}: \
                 the file does not say whether that wire comes from before or behind the reverser",
                it.id, block.id
            ),
            format!("take it from behind reverser {reverser}, best from the rails themselves"),
        ))
    }
}

pub(super) fn is_swapped(row: &ProofRow) -> bool {
    let opposite = |conductor: Conductor| Wired::On(conductor.other());
    matches!(row.required, Required::On(conductor) if row.wired == opposite(conductor))
}

/// Only a three-way has positions that it cannot take.
fn invalid(layout: &Layout, index: TrackworkIx) -> Option<Finding> {
    let it = &layout.trackwork[index.at()];
    let Kind::ThreeWay { left, right } = &it.kind else { return None };
    let (left, right) = (machine(layout, *left), machine(layout, *right));
    Some(Finding::new(
        Code::PositionsInvalid,
        format!("machine/{left}"),
        it.span,
        format!(
            "three-way {} cannot take {left} reverse with {right} reverse: both pairs of points \
             would be thrown",
            it.id
        ),
        format!(
            "make the panel throw one of {left} and {right} back to normal before the other goes reverse"
        ),
    ))
}
