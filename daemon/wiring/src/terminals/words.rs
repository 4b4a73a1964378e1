//! Words for terminals, wires and the places they go to.

use super::{Function, MachineWiring, Place, Purpose, Terminal, Throw, WireRun};
use crate::{
    index::{DistrictIx, FrogIx, TrackworkIx},
    layout::{Conductor, Layout, Side, Supply, Tie},
    trackwork::Hand,
    units::{Gauge, Micrometres},
};

/// What stands on the machine, or where the file does not say, a name of ours: `1C`, `1N`, `1R`, `motor 1`.
#[must_use]
pub fn terminal(layout: &Layout, it: &Terminal) -> String {
    it.label.clone().unwrap_or_else(|| stand_in(layout, &it.function))
}

fn stand_in(layout: &Layout, function: &Function) -> String {
    match function {
        Function::Motor(lead) => format!("motor {lead}"),
        Function::Contact(pole, throw) => {
            let letter = match throw {
                Throw::Common => 'C',
                Throw::Normal => 'N',
                Throw::Reverse => 'R',
            };
            format!("{}{letter}", layout.poles[pole.at()].number)
        }
        Function::Other(group, number) => format!("{group} {number}"),
    }
}

/// `contact 1 common`.
#[must_use]
pub fn function(layout: &Layout, it: &Terminal) -> String {
    match &it.function {
        Function::Motor(lead) => format!("motor, lead {lead}"),
        Function::Contact(pole, throw) => {
            format!("contact {} {}", layout.poles[pole.at()].number, throw.word())
        }
        Function::Other(group, _) => group.clone(),
    }
}

/// What a terminal without wires is for.
#[must_use]
pub fn unwired(it: &Terminal) -> String {
    match &it.purpose {
        Purpose::Use(name) => format!("{name} (own drawing)"),
        Purpose::Spare | Purpose::Motor => "not used".to_owned(),
        Purpose::Frog => "nothing in this position".to_owned(),
    }
}

/// The other end of a wire, seen from a machine.
#[must_use]
pub fn goes_to(layout: &Layout, machine: &MachineWiring, place: &Place) -> String {
    match place {
        Place::Terminal(at, function) if *at == machine.machine => {
            let other = machine.terminal(function);
            let name = other.map_or_else(|| stand_in(layout, function), |it| terminal(layout, it));
            format!("jumper to {name}")
        }
        other => self::place(layout, other),
    }
}

/// A place as it stands on a label.
#[must_use]
pub fn place(layout: &Layout, place: &Place) -> String {
    match place {
        Place::Terminal(machine, function) => {
            let it = &layout.machines[machine.at()];
            let label = known_label(layout, place);
            format!("{} {}", it.id, label.unwrap_or_else(|| stand_in(layout, function)))
        }
        Place::Drive(machine, lead) => drive(layout, layout.machines[machine.at()].supply, *lead),
        Place::Frog(frog) => frog_name(layout, *frog),
        Place::Tied { frog, tie, conductor } => {
            let it = &layout.frogs[frog.at()];
            tied(layout, it.trackwork, layout.district_of_frog(*frog), *tie, *conductor)
        }
        Place::Bus(district, conductor) => bus(layout, *district, *conductor),
        Place::Rails(block, conductor) => {
            format!("block {}, rails on {}", layout.blocks[block.at()].id, conductor.word())
        }
        Place::Breaker(district, conductor) => {
            format!("breaker of {}, {}", layout.districts[district.at()].id, conductor.word())
        }
    }
}

fn known_label(layout: &Layout, place: &Place) -> Option<String> {
    let Place::Terminal(machine, function) = place else { return None };
    let labels = &layout.machines[machine.at()].terminals;
    let (group, at) = match function {
        Function::Motor(lead) => ("motor".to_owned(), usize::from(*lead) - 1),
        Function::Contact(pole, throw) => {
            let number = layout.poles[pole.at()].number;
            (format!("pole-{number}"), Throw::ALL.iter().position(|it| it == throw)?)
        }
        Function::Other(group, number) => (group.clone(), usize::from(*number) - 1),
    };
    labels.get(&group)?.get(at).cloned()
}

fn drive(layout: &Layout, supply: Supply, lead: u8) -> String {
    match supply {
        Supply::Own => format!("motor supply, lead {lead}"),
        Supply::District(district) => {
            format!("drive on district {}, lead {lead}", layout.districts[district.at()].id)
        }
    }
}

/// `frog of T1`, `frog a of S1`.
#[must_use]
pub fn frog_name(layout: &Layout, frog: FrogIx) -> String {
    let it = &layout.frogs[frog.at()];
    let id = &layout.trackwork[it.trackwork.at()].id;
    match it.name.word() {
        "" => format!("frog of {id}"),
        name => format!("frog {name} of {id}"),
    }
}

fn bus(layout: &Layout, district: DistrictIx, conductor: Conductor) -> String {
    format!("bus {} of {}", conductor.word(), layout.districts[district.at()].id)
}

/// `T1 left stock rail (A)`.
fn tied(
    layout: &Layout,
    trackwork: TrackworkIx,
    own: DistrictIx,
    tie: Tie,
    conductor: Option<Conductor>,
) -> String {
    let id = &layout.trackwork[trackwork.at()].id;
    let on = conductor.map_or("not fed", Conductor::word);
    match tie {
        Tie::Stock(_) | Tie::PortRail(..) => format!("{id} {} ({on})", rail(tie)),
        Tie::Bus(conductor) => bus(layout, own, conductor),
        Tie::ForeignBus(district, conductor) => bus(layout, district, conductor),
        Tie::None => "nothing".to_owned(),
    }
}

/// A tie without the trackwork's name: `left stock rail`, `right rail of a-left`, `bus A`.
#[must_use]
pub fn rail(tie: Tie) -> String {
    match tie {
        Tie::Stock(side) => format!("{} stock rail", self::side(side)),
        Tie::PortRail(port, side) => format!("{} rail of {}", self::side(side), port.word()),
        Tie::Bus(conductor) | Tie::ForeignBus(_, conductor) => format!("bus {}", conductor.word()),
        Tie::None => "nothing".to_owned(),
    }
}

/// `left` or `right`.
#[must_use]
pub const fn side(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

/// `right-hand turnout T1`.
#[must_use]
pub fn trackwork(layout: &Layout, trackwork: TrackworkIx) -> String {
    let it = &layout.trackwork[trackwork.at()];
    let hand = match it.hand {
        Some(Hand::Left) => "left-hand ",
        Some(Hand::Right) => "right-hand ",
        Some(Hand::Wye) => "wye ",
        None => "",
    };
    format!("{hand}{} {}", it.kind.word(), it.id)
}

/// A wire's colour; words, so that a print without colour tells it too.
#[must_use]
pub fn colour(wire: &WireRun) -> String {
    wire.colour.clone().unwrap_or_default()
}

/// A size, or nothing where the file states none.
#[must_use]
pub fn gauge(gauge: Option<Gauge>) -> String {
    gauge.map(|gauge| gauge.to_string()).unwrap_or_default()
}

/// A length, or that there is none.
#[must_use]
pub fn length(length: Option<Micrometres>) -> String {
    length.map_or_else(|| "not stated".to_owned(), |length| length.to_string())
}

/// `2 machines`, `1 machine`.
#[must_use]
pub fn counted(count: usize, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

/// `one`, `one and two`, `one, two and three`.
#[must_use]
pub fn and(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}
