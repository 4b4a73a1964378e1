//! What was found wrong at a machine, and the remedies that name its wires.

use wiring::{
    found::{self, Found},
    index::{FrogIx, MachineIx},
    layout::{Layout, Position},
    read::read,
};

const FILE: &str = r#"
schema = 1
[booster.main]
volts = "15 V"
limit = "5 A"
[district.quarry]
booster = "main"
[block.q1]
district = "quarry"
left = "A"
[trackwork.T1]
kind = "turnout"
hand = "right"
block = "q1"
[trackwork.T1.frog]
poles = ["T1.1"]
normal = "right"
reverse = "left"
feed = { gauge = "22 AWG", length = "0.6 m" }
[machine.T1]
terminals = { motor = ["M1", "M2"], pole-1 = ["C1", "N1", "R1"], pole-2 = ["C2", "N2", "R2"] }
[trackwork.T2]
kind = "turnout"
hand = "left"
block = "q1"
[trackwork.T2.frog]
poles = ["T2.1", "T2.2"]
normal = "left"
reverse = "right"
"#;

fn layout(text: &str) -> Layout {
    let result = read(text);
    let errors: Vec<String> = result.errors.iter().map(|error| error.message()).collect();
    assert!(errors.is_empty(), "{errors:?}");
    result.layout.expect("a layout")
}

#[test]
fn remedies_name_the_terminals_and_where_their_wires_belong() {
    let layout = layout(FILE);
    let machine =
        |id: &str| MachineIx::new(layout.machines.iter().position(|it| it.id == id).unwrap());
    let cases = [
        ("T1", 0, Found::Swapped, "Swap the wires on N1 and R1 at T1."),
        (
            "T1",
            0,
            Found::Stays(Position::Normal),
            "Move the wire on N1 at T1 to the right stock rail. If it is there, the contact does not open: use a \
             spare pole.",
        ),
        (
            "T1",
            0,
            Found::DeadIn(Position::Reverse),
            "Check the wire on R1 at T1: it goes to the left stock rail. If it is good, the contact is not.",
        ),
        ("T1", 0, Found::Dead, "Check the frog wire on C1 at T1, and that the rails have power."),
        (
            "T2",
            1,
            Found::Swapped,
            "Swap the wires on the normal contact of pole 1 and the reverse contact of pole 1, and the normal contact \
             of pole 2 and the reverse contact of pole 2 at T2.",
        ),
    ];
    for (id, frog, what, want) in cases {
        assert_eq!(found::remedy(&layout, FrogIx::new(frog), machine(id), what), want);
    }
    assert_eq!(found::motor(&layout, machine("T1")), "M1 and M2");
    assert_eq!(found::motor(&layout, machine("T2")), "the motor");
}
