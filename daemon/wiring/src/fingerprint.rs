//! What was proved at commissioning, as a fingerprint: it changes when the wiring of a switch machine changes in the
//! layout file, and stays when anything else does. A result of commissioning is valid for one fingerprint.

use std::fmt::Write as _;

use crate::{
    index::{FrogIx, MachineIx, TrackworkIx},
    layout::{Layout, Position, Side, Supply, Tie, Wire},
    netlist::Netlist,
    plan::settle,
    trackwork::{Hand, Kind, leg_port},
    units::Gauge,
};

/// Fingerprint of everything that a machine's commissioning proves: its contacts and their terminals, the frogs they
/// feed with ties, wires and limiters, the trackwork that it sets, and the conductors of that trackwork's rails. 16
/// hexadecimal digits.
///
/// It goes by names, not by places in the file: order, comments and other entities do not matter.
#[must_use]
pub fn of_machine(layout: &Layout, machine: MachineIx) -> String {
    let (net, _) = settle(layout);
    print(&net, machine, &home(layout, machine))
}

/// The fingerprints of all machines, by machine. Time is linear in the size of the layout.
#[must_use]
pub fn of_machines(layout: &Layout) -> Vec<String> {
    let (net, _) = settle(layout);
    let mut homes = vec![Home::default(); layout.machines.len()];
    for (at, it) in layout.trackwork.iter().enumerate() {
        for machine in it.kind.machines() {
            homes[machine.at()].sets.push(TrackworkIx::new(at));
        }
    }
    for (at, it) in layout.frogs.iter().enumerate() {
        for pole in &it.poles {
            homes[layout.poles[pole.pole.at()].machine.at()].feeds.push(FrogIx::new(at));
        }
    }
    for home in &mut homes {
        home.sets.dedup();
        home.feeds.dedup();
    }
    let all = homes.iter().enumerate();
    all.map(|(at, home)| print(&net, MachineIx::new(at), home)).collect()
}

/// What belongs to a machine, each in the order of the layout.
#[derive(Clone, Debug, Default)]
struct Home {
    sets: Vec<TrackworkIx>,
    feeds: Vec<FrogIx>,
}

fn home(layout: &Layout, machine: MachineIx) -> Home {
    let sets = layout.trackwork.iter().enumerate();
    let sets = sets.filter(|(_, it)| it.kind.machines().contains(&machine));
    let feeds = layout.frogs.iter().enumerate().filter(|(_, frog)| {
        frog.poles.iter().any(|it| layout.poles[it.pole.at()].machine == machine)
    });
    Home {
        sets: sets.map(|(at, _)| TrackworkIx::new(at)).collect(),
        feeds: feeds.map(|(at, _)| FrogIx::new(at)).collect(),
    }
}

fn print(net: &Netlist<'_>, machine: MachineIx, home: &Home) -> String {
    let layout = net.layout;
    let mut lines = vec![own(layout, machine)];
    for &frog in &home.feeds {
        lines.push(fed(layout, frog));
        lines.push(rails(net, layout.frogs[frog.at()].trackwork));
    }
    for &index in &home.sets {
        let it = &layout.trackwork[index.at()];
        let hand = match it.hand {
            Some(Hand::Left) => "left",
            Some(Hand::Right) => "right",
            Some(Hand::Wye) => "wye",
            None => "-",
        };
        lines.push(format!("trackwork {} {hand} {}", it.id, setting(layout, &it.kind)));
        lines.push(rails(net, index));
    }
    lines.push(String::new());
    format!("{:016x}", fnv1a(lines.join("\n").as_bytes()))
}

/// The conductors of a trackwork's rails: a frog that matched its rail does so no more when they change.
fn rails(net: &Netlist<'_>, index: TrackworkIx) -> String {
    let it = &net.layout.trackwork[index.at()];
    let mut text = format!("rails {}", it.id);
    for port in it.kind.ports() {
        for side in [Side::Left, Side::Right] {
            let supply = net.port_rail(index, *port, side);
            let on = if supply.is_live { supply.conductor.word() } else { "none" };
            // Writing to a String cannot fail.
            let _ = write!(text, " {}-{} {on}", port.word(), side_word(side));
        }
    }
    text
}

/// The machine itself: contacts, motor, terminals.
fn own(layout: &Layout, machine: MachineIx) -> String {
    let it = &layout.machines[machine.at()];
    let supply = match it.supply {
        Supply::Own => "own",
        Supply::District(district) => &layout.districts[district.at()].id,
    };
    let poles: Vec<String> =
        it.poles.iter().map(|pole| layout.poles[pole.at()].number.to_string()).collect();
    let mut text = format!(
        "machine {} poles {} rating {} ohms {} supply {supply} uses {}",
        it.id,
        poles.join(","),
        it.contact_rating.0,
        it.contact_resistance.0,
        it.uses.join(","),
    );
    for (part, labels) in &it.terminals {
        // Writing to a String cannot fail.
        let _ = write!(text, " {part}={}", labels.join(","));
    }
    text
}

/// A frog that the machine feeds.
fn fed(layout: &Layout, frog: FrogIx) -> String {
    let it = &layout.frogs[frog.at()];
    let block = &layout.blocks[layout.block_of_frog(frog).at()];
    let mut poles: Vec<String> = it.poles.iter().map(|pole| layout.pole_name(pole.pole)).collect();
    poles.sort_unstable();
    let limiter = it.limiter.map_or(0, |limiter| limiter.ohms_hot.0);
    format!(
        "frog {} poles {} normal {} reverse {} feed {} limiter {limiter} block {} district {}",
        it.id,
        poles.join(","),
        tie(layout, it.normal),
        tie(layout, it.reverse),
        wire(it.feed),
        block.id,
        layout.districts[block.district.at()].id,
    )
}

fn tie(layout: &Layout, tie: Tie) -> String {
    match tie {
        Tie::Stock(side) => format!("stock-{}", side_word(side)),
        Tie::PortRail(port, side) => format!("{}-{}", port.word(), side_word(side)),
        Tie::Bus(conductor) => conductor.word().to_owned(),
        Tie::ForeignBus(district, conductor) => {
            format!("{}-{}", layout.districts[district.at()].id, conductor.word())
        }
        Tie::None => "none".to_owned(),
    }
}

const fn side_word(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

fn wire(wire: Wire) -> String {
    let gauge = match wire.gauge {
        Gauge::Awg(number) => format!("awg{number}"),
        Gauge::Area(area) => format!("{area}um2"),
    };
    format!("{gauge}x{}um*{}", wire.length.0, wire.pairs)
}

/// Which position of which machine selects what.
fn setting(layout: &Layout, kind: &Kind) -> String {
    let id = |machine: &MachineIx| layout.machines[machine.at()].id.as_str();
    let all = |set: &[(MachineIx, Position)]| {
        let mut set: Vec<String> =
            set.iter().map(|(machine, at)| format!("{}:{}", id(machine), at.word())).collect();
        set.sort_unstable();
        set.join(",")
    };
    let what = match kind {
        Kind::Turnout { machine, normal } => {
            format!("{} {}", id(machine), leg_port(*normal).word())
        }
        Kind::ThreeWay { left, right } => format!("{} {}", id(left), id(right)),
        Kind::Crossing { a_left, a_right } => format!("{} / {}", all(a_left), all(a_right)),
        Kind::DoubleSlip { a, a_normal, b, b_normal } => {
            format!("{} {} {} {}", id(a), a_normal.word(), id(b), b_normal.word())
        }
        Kind::SingleSlip { a, b, slip } => format!("{} {} {}", id(a), id(b), slip.word()),
    };
    format!("{} {what}", kind.word())
}

/// FNV-1a, 64 bits: no adversary changes the wiring, and the value must be the same in every version of the program.
/// Source: the public description of Fowler, Noll and Vo; offset basis and prime as published there.
fn fnv1a(bytes: &[u8]) -> u64 {
    const BASIS: u64 = 0xcbf2_9ce4_8422_2325;
    const PRIME: u64 = 0x0000_0100_0000_01b3;
    bytes.iter().fold(BASIS, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(PRIME))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TWO: &str = r#"
schema = 1
[layout]
name = "Tamarrow Valley"
control = "dcc"
[booster.main]
volts = "14 V"
limit = "8 A"
[district.quarry]
booster = "main"
breaker = { kind = "electronic", trip = "3 A", delay = "30 ms" }
bus = { gauge = "14 AWG", length = "4 m" }
[block.q1]
district = "quarry"
feeder = { gauge = "20 AWG", length = "0.4 m" }
left = "A"
[trackwork.T1]
kind = "turnout"
hand = "left"
block = "q1"
normal = "right"
[trackwork.T1.frog]
poles = ["T1.1"]
normal = "left"
reverse = "right"
feed = { gauge = "22 AWG", length = "0.5 m" }
[trackwork.T2]
kind = "turnout"
hand = "left"
block = "q1"
normal = "right"
[trackwork.T2.frog]
poles = ["T2.1"]
normal = "left"
reverse = "right"
feed = { gauge = "22 AWG", length = "0.6 m" }
[defaults.machine]
poles = 2
contact-rating = "1 A"
throw-time = "2.5 s"
"#;

    fn prints(text: &str) -> Vec<(String, String)> {
        let layout = crate::read(text).layout.expect("the layout is whole");
        let all = layout.machines.iter().enumerate();
        let mut all: Vec<_> =
            all.map(|(at, it)| (it.id.clone(), of_machine(&layout, MachineIx::new(at)))).collect();
        let together: Vec<_> = all.iter().map(|(_, print)| print.clone()).collect();
        assert_eq!(of_machines(&layout), together);
        all.sort();
        all
    }

    #[test]
    fn only_the_wiring_of_the_machine_itself_changes_its_fingerprint() {
        let before = prints(TWO);
        for (change, into, changes) in [
            ("length = \"4 m\"", "length = \"5 m\"", [false, false]),
            ("name = \"Tamarrow Valley\"", "name = \"Another\"", [false, false]),
            ("throw-time = \"2.5 s\"", "throw-time = \"2.0 s\"", [false, false]),
            ("length = \"0.5 m\"", "length = \"0.7 m\"", [true, false]),
            ("poles = [\"T2.1\"]", "poles = [\"T2.2\"]", [false, true]),
            (
                "poles = [\"T1.1\"]\nnormal = \"left\"",
                "poles = [\"T1.1\"]\nnormal = \"A\"",
                [true, false],
            ),
            ("contact-rating = \"1 A\"", "contact-rating = \"2 A\"", [true, true]),
            ("left = \"A\"", "left = \"B\"", [true, true]),
            ("hand = \"left\"", "# a comment\nhand = \"left\"", [false, false]),
            (
                "[district.quarry]",
                "[block.q0]\ndistrict = \"quarry\"\nfeeder = { gauge = \"20 AWG\", \
              length = \"0.4 m\" }\nleft = \"A\"\n[district.quarry]",
                [false, false],
            ),
        ] {
            assert!(TWO.contains(change), "{change}");
            let after = prints(&TWO.replacen(change, into, 1));
            let seen = [0, 1].map(|at| before[at] != after[at]);
            assert_eq!(seen, changes, "{change} -> {into}");
        }
    }

    #[test]
    fn the_hash_is_the_published_one() {
        // Source: test values published with the description of the hash (FNV-1a, 64 bits, of "" and "foobar").
        assert_eq!(fnv1a(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a(b"foobar"), 0x8594_4171_f739_67e8);
    }
}
