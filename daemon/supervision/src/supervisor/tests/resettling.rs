//! Other settings while everything goes on.

use std::sync::Arc;

use wiring::units::{Microamps, Mono};

use super::rig::{LAYOUT, Rig, acts};
use crate::output::{Decision, PowerState};

fn other(rig: &mut Rig, more: &str, at: u64) {
    let read = wiring::read::read(&format!("{LAYOUT}\n{more}"));
    let layout = read.layout.expect("a layout");
    assert_eq!(wiring::change::beyond_settings(&rig.layout, &layout), Vec::<String>::new());
    rig.sut.resettle(Arc::new(layout), "the owner", "read anew", Mono(at * 1000));
    rig.drain();
}

const LOADED: &str = "0 machine/T1/position normal\n0 frog/T1/polarity B\n\
     0..1000/20 district/quarry/current 0.9\n0..1000/20 block/q1/current 0.9";

#[test]
fn images_readings_and_power_stay() {
    let mut rig = Rig::new("");
    rig.play(LOADED);
    let mut twin = Rig::new("");
    twin.play(LOADED);
    twin.sut.handle(crate::input::Input::Tick, Mono(1_000_000));
    twin.drain();
    other(&mut rig, "[protection]\nshort-step = \"2 A\"", 1000);
    let (got, want) = (rig.sut.snapshot(), twin.sut.snapshot());
    assert!(0 < want.poles[0].image, "the contact is warm");
    assert_eq!(got.poles[0].image, want.poles[0].image);
    assert_eq!(got.districts[0].current, want.districts[0].current);
    assert_eq!((got.districts[0].power, want.districts[0].power), (PowerState::On, PowerState::On));
}

#[test]
fn a_lock_out_stays_and_so_does_the_order_to_cut() {
    let mut rig = Rig::new("");
    rig.play(
        "0..1000/20 district/quarry/current 0.1\n1000..1040/20 district/quarry/current 5.0\n\
         1040..2000/20 district/quarry/current 0.0",
    );
    other(&mut rig, "[protection]\nrestore-tries = 3", 2000);
    rig.play("2020..30000/20 district/quarry/current 0.0");
    assert!(rig.sut.snapshot().districts[0].locked_out);
    assert_eq!(rig.shown(acts)[0], "1020 cut district/quarry short-circuit");
    let orders = rig.outputs.iter().filter(|it| matches!(it.what, Decision::Order(_))).count();
    assert_eq!(orders, 1, "nothing was tried: {:?}", rig.shown(acts));
}

#[test]
fn a_timer_that_runs_goes_on_by_the_new_setting() {
    let stale = "[protection]\nstale-after = \"10 s\"";
    let mut rig = Rig::new("");
    rig.play("0..1000/20 district/quarry/current 0.4");
    other(&mut rig, stale, 1100);
    rig.play("5000 district/yard/current 0.1");
    assert!(!rig.sut.snapshot().districts[0].current.unwrap().stale, "4 s of 10 s");
    rig.play("10900 district/yard/current 0.1");
    assert!(
        !rig.sut.snapshot().districts[0].current.unwrap().stale,
        "just below 10 s from its last word"
    );
    rig.play("11000 district/yard/current 0.1");
    assert!(
        rig.sut.snapshot().districts[0].current.unwrap().stale,
        "10 s from its last word, not from the change"
    );
}

#[test]
fn thresholds_are_derived_again() {
    for (more, cut) in [("", true), ("[protection]\nshort-step = \"4.9 A\"", false)] {
        let mut rig = Rig::new("");
        rig.play("0..1000/20 district/quarry/current 0.3");
        other(&mut rig, more, 1000);
        rig.play("1020..1080/20 district/quarry/current 4.0");
        assert_eq!(!rig.shown(acts).is_empty(), cut, "{more}");
        assert!(rig.sut.snapshot().districts[0].residual <= Microamps(50_000));
    }
}
