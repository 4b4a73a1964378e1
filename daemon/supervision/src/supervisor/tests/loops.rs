//! The loop that a fault's current saw, against the loop that the studies compute: one table for both.

use circuit::grid::{Amps, Bridge, Grid, Ohms, Scales, Switches, Terminal};
use wiring::{
    index::{DistrictIx, FrogIx, TrackworkIx},
    layout::{Position, Side},
    trackwork::Port,
    units::Microohms,
};

use super::rig::{LAYOUT, Rig};
use crate::start::Start;

/// What locating calls a fit. Unit: percent of the model.
const FITS: std::ops::RangeInclusive<u64> = 85..=120;

/// The rig with wires so long that no dead short reaches the booster's limit.
fn rig(more: &str, head: &str) -> Rig {
    let long = "[district.quarry]\nbus = { gauge = \"26 AWG\", length = \"14 m\" }";
    let text = LAYOUT.replacen("[district.quarry]", long, 1);
    let text = text.replacen(ELECTRONIC, head, 1);
    Rig::new_with(&format!("{text}\n{more}"), Start::journal())
}

const ELECTRONIC: &str = r#"breaker = { kind = "electronic", trip = "3 A", delay = "40 ms" }"#;

/// A wheel joins the frog to a rail of the other polarity; the currents are solved, not taken from the table.
fn currents_of_short(rig: &Rig, position: Position) -> (f64, f64) {
    let layout = &rig.layout;
    let grid = Grid::new(layout, &Scales::unity(layout));
    let mut switches = Switches::all_on(layout);
    switches.machines[0] = Some(position);
    let rails = [Side::Left, Side::Right]
        .map(|side| Terminal::PortRail(TrackworkIx::new(0), Port::Points, side));
    let amps = |rail| {
        let bridge = Bridge { from: Terminal::Frog(FrogIx(0)), to: rail, resistance: Ohms(1e-6) };
        let flow = grid.solve(&switches, &[bridge]);
        let Amps(district) = flow.districts[0];
        let Amps(bridge) = flow.bridges[0];
        (district, bridge.abs())
    };
    rails.map(amps).into_iter().max_by(|one, other| one.1.total_cmp(&other.1)).unwrap()
}

/// Plays the short with a load before it and gives measured and model loop.
fn loops(more: &str, head: &str, position: Position) -> (Option<Microohms>, Option<Microohms>) {
    let mut rig = rig(more, head);
    let (amps, _) = currents_of_short(&rig, position);
    rig.play(&format!(
        "0 machine/T1/position {}
         0..1000/10 district/quarry/current 0.2
         1000..1060/10 district/quarry/current {:.6}",
        position.word(),
        amps + 0.2,
    ));
    let recording = &rig.sut.recordings[0];
    assert_eq!(recording.district, DistrictIx(0));
    let evidence = rig.sut.evidence_of(recording, None);
    (evidence.loop_measured, evidence.frogs[0].loop_model)
}

#[test]
fn a_dead_short_at_a_frog_measures_the_loop_of_the_table() {
    let limiter = "limiter = { kind = \"resistor\", ohms-hot = \"2 ohm\" }";
    for (more, head) in [("", ELECTRONIC), (limiter, ELECTRONIC)] {
        for position in [Position::Normal, Position::Reverse] {
            let (measured, model) = loops(more, head, position);
            let (measured, model) = (measured.unwrap(), model.unwrap());
            let percent = measured.0 * 100 / model.0;
            assert!(FITS.contains(&percent), "{measured:?} against {model:?} ({more})");
        }
    }
}

/// 2 x 14 m of 26 AWG at 133.86 mohm a metre (ASTM B258) is 3.75 ohm; source, feeders, rails and the contact are the
/// rest of both loops, and the source is in neither.
#[test]
fn the_loop_starts_at_the_head_of_the_district() {
    let (measured, model) = loops("", ELECTRONIC, Position::Normal);
    let wire = 2.0 * 14.0 * 0.133_86;
    for ohms in [measured.unwrap().ohms(), model.unwrap().ohms()] {
        assert!(wire < ohms && ohms < wire + 0.4, "{ohms}");
    }
    let doubled = "[booster.main]\nresistance = \"0.3 ohm\"";
    let text = LAYOUT.replacen("[booster.main]", doubled, 1);
    let plain = Rig::new_with(LAYOUT, Start::journal());
    let stiff = Rig::new_with(&text, Start::journal());
    assert_eq!(
        plain.sut.model.loops.frog(FrogIx(0)),
        stiff.sut.model.loops.frog(FrogIx(0)),
        "the source is not part of the loop"
    );
    let district = DistrictIx(0);
    assert!(plain.sut.model.loops.before(district) < stiff.sut.model.loops.before(district));
}

/// A lamp's resistance follows its voltage: what was measured behind one is no loop.
#[test]
fn behind_a_lamp_no_loop_is_told() {
    let lamp = r#"breaker = { kind = "lamp", ohms-hot = "6 ohm" }"#;
    let mut rig = rig("", lamp);
    rig.play(
        "0..1000/10 district/quarry/current 0.2
         1000..2500/10 district/quarry/current 2.4",
    );
    let recording = &rig.sut.recordings[0];
    assert_eq!(rig.sut.evidence_of(recording, None).loop_measured, None);
}
