//! Orders to coils: echo, read-back, retries, and what falls when Checkrail is silent.

use supervision::output::Action;

use super::rig::{BOARD, Rig, Trouble};
use crate::{driver::Talk, links::Delivery};

const POWER: &str = "district/quarry/power";
const COIL: (u8, u16) = (2, 3);

/// A line at work for a second.
fn at_work(links: &str) -> Rig {
    let mut rig = Rig::new(links);
    rig.coils.extend([(COIL, true), ((2, 4), true)]);
    rig.run(1000);
    assert!(rig.of(&["Born board"]).len() == 1, "{:?}", rig.said());
    assert!(rig.of(&["quarry/feedback on Good"]).len() > 2, "{:?}", rig.said());
    rig.told.clear();
    rig
}

#[test]
fn a_cut_goes_out_at_once_and_is_read_back() {
    let mut rig = at_work(BOARD);
    assert_eq!(rig.order(7, POWER, Action::Cut), Delivery::Sent);
    let ordered = rig.ms;
    rig.run(60);
    assert!(!rig.coils[&COIL] && rig.coils[&(2, 4)], "one coil, and no other");
    assert_eq!(rig.of(&["Acknowledged"]), ["Acknowledged 7"]);
    let said = rig.said();
    let off = said.iter().position(|it| it.contains("quarry/feedback off")).expect("read back");
    let acknowledged = said.iter().position(|it| it.contains("Acknowledged")).expect("told");
    assert!(off < acknowledged);
    let written = rig.asked_at(2, 5);
    let cut = written.iter().find(|at| ordered <= **at).expect("written");
    assert!(cut - ordered <= 15, "after the exchange under way: {cut} {ordered}");
    // The current proves it: it is asked for at once, not at its beat.
    assert!(rig.times("quarry/current").iter().any(|at| at - ordered < 60), "{said:?}");
}

#[test]
fn a_cut_does_not_wait_while_the_line_rests() {
    let mut rig = at_work(BOARD);
    rig.absent = vec![1];
    let failed = rig.bus.counts.failed;
    while rig.bus.counts.failed == failed {
        rig.run(1);
    }
    rig.order(7, POWER, Action::Cut);
    rig.run(10);
    assert!(!rig.coils[&COIL], "the line rests for 120 ms after the question that failed");
}

#[test]
fn an_order_that_is_not_answered_is_given_three_times_and_then_counts_as_not_sent() {
    let mut rig = at_work(BOARD);
    rig.absent = vec![2];
    let before = rig.asked_at(2, 5).len();
    rig.order(7, POWER, Action::Cut);
    rig.run(400);
    assert_eq!(rig.of(&["NotSent"]), ["NotSent 7"]);
    assert_eq!(rig.asked_at(2, 5).len() - before, 3);
    assert!(rig.of(&["Acknowledged"]).is_empty());
}

#[test]
fn an_on_that_is_not_answered_is_taken_back() {
    let mut rig = at_work(BOARD);
    rig.coils.insert(COIL, false);
    // The board obeys, and its answers are lost.
    rig.troubles = [vec![Trouble::Silent; 3], vec![Trouble::None]].concat();
    rig.bus.power_wanted(rig.channels.find("district/yard/power").expect("power"), false);
    assert_eq!(rig.order(8, POWER, Action::On), Delivery::Sent);
    rig.run(1500);
    if rig.of(&["Refused 8"]).is_empty() {
        assert_eq!(rig.of(&["Acknowledged"]), ["Acknowledged 8"]);
        assert!(rig.coils[&COIL]);
    } else {
        assert!(!rig.coils[&COIL], "nobody wants it on any more");
    }
}

#[test]
fn a_coil_that_reads_back_wrong_is_a_refusal() {
    let welded = BOARD.replace("coil = 3,", "coil = 3, readback = { fn = 2, addr = 20 },");
    let mut rig = Rig::new(&welded);
    rig.coils.extend([(COIL, true), ((2, 20), true)]);
    rig.run(1000);
    rig.order(7, POWER, Action::Cut);
    rig.run(500);
    assert!(!rig.coils[&COIL], "the coil is off and its contact is not");
    assert_eq!(rig.of(&["Refused"]), ["Refused 7: it reads back as on"]);
    assert!(rig.of(&["quarry/feedback off"]).len() < rig.of(&["quarry/feedback on"]).len());
}

#[test]
fn an_inverted_coil_is_on_while_power_is_off() {
    let mut rig = Rig::new(&BOARD.replace("coil = 3,", "coil = 3, on = false,"));
    rig.run(1000);
    assert!(!rig.of(&["quarry/feedback on"]).is_empty(), "coil off is power on");
    rig.order(7, POWER, Action::Cut);
    rig.run(60);
    assert!(rig.coils[&COIL]);
    assert_eq!(rig.of(&["Acknowledged"]), ["Acknowledged 7"]);
}

#[test]
fn a_refused_order_is_told_with_the_units_word() {
    let mut rig = at_work(BOARD);
    rig.order(7, POWER, Action::Cut);
    rig.troubles = vec![Trouble::Refusal(3), Trouble::Refusal(3), Trouble::None];
    rig.run(200);
    let said = rig.of(&["Refused"]);
    assert_eq!(said, ["Refused 7: illegal data value"]);
}

#[test]
fn a_board_that_comes_back_gets_its_cut_again() {
    let mut rig = at_work(BOARD);
    rig.absent = vec![2];
    rig.order(7, POWER, Action::Cut);
    rig.run(3000);
    assert_eq!(rig.of(&["Lost"]).len(), 1);
    // Power cycle: it comes back as it likes.
    rig.absent.clear();
    rig.coils.insert(COIL, true);
    rig.run(3000);
    assert!(rig.of(&["Born board"])[0].ends_with("true"), "restarted");
    assert!(!rig.coils[&COIL]);
    // Proved: not given again after the next restart.
    rig.bus.proved(rig.channels.find(POWER).expect("power"));
    rig.absent = vec![2];
    rig.run(1000);
    rig.absent.clear();
    rig.coils.insert(COIL, true);
    rig.run(3000);
    assert!(rig.coils[&COIL]);
}

#[test]
fn a_board_that_restarts_shows_its_outputs_off() {
    let mut rig = at_work(BOARD);
    rig.coils.insert(COIL, false);
    rig.run(300);
    assert!(!rig.of(&["quarry/feedback off Good"]).is_empty());
}

#[test]
fn orders_need_an_open_line_and_a_unit_that_is_there() {
    let mut rig = at_work(BOARD);
    assert_eq!(rig.order(1, "booster/main/power", Action::Cut), Delivery::NotMine);
    rig.absent = vec![2];
    rig.run(1000);
    assert_eq!(rig.order(2, POWER, Action::On), Delivery::NotSent);
    assert_eq!(rig.order(3, POWER, Action::Cut), Delivery::Sent);
    let now = rig.now();
    rig.bus.closed(now);
    assert_eq!(rig.order(4, POWER, Action::Cut), Delivery::NotSent);
    rig.step_told();
    assert_eq!(rig.of(&["NotSent"]), ["NotSent 3"]);
}

#[test]
fn a_time_relay_is_pulsed_only_while_power_is_wanted_and_the_supervisor_lives() {
    let mut rig = at_work(BOARD);
    let pulses = |rig: &Rig| rig.asked.iter().filter(|(_, it)| it[..4] == [2, 5, 0, 7]).count();
    assert_eq!(pulses(&rig), 0);
    rig.bus.power_wanted(rig.channels.find(POWER).expect("power"), true);
    rig.run(1000);
    assert!((3..=5).contains(&pulses(&rig)), "{}", pulses(&rig));
    rig.bus.handle_supervised(false, rig.now());
    let before = pulses(&rig);
    rig.run(1000);
    assert_eq!(pulses(&rig), before);
    rig.bus.handle_supervised(true, rig.now());
    rig.run(300);
    assert!(before < pulses(&rig));
    rig.order(7, POWER, Action::Cut);
    let before = pulses(&rig);
    rig.run(1000);
    assert_eq!(pulses(&rig), before, "cut: nothing keeps the relay picked up");
}

#[test]
fn a_boards_watchdog_gets_nothing_while_the_supervisor_hangs() {
    let board = BOARD.replace("\"external\", pulse = 7", "\"board\"");
    let mut rig = at_work(&board);
    rig.bus.handle_supervised(false, rig.now());
    let count = |rig: &Rig, unit| rig.asked.iter().filter(|(_, it)| it[0] == unit).count();
    let (meter, board) = (count(&rig, 1), count(&rig, 2));
    rig.run(2000);
    assert!(meter < count(&rig, 1), "the meter is read on");
    assert_eq!(count(&rig, 2), board);
    rig.order(7, POWER, Action::Cut);
    rig.run(50);
    assert!(!rig.coils[&COIL], "a cut goes out all the same");
}

#[test]
fn everything_is_cut_coil_by_coil_and_by_a_broadcast_beside() {
    let all = BOARD.replace("baud", "broadcast-off = 8\nbaud");
    let mut rig = at_work(&all);
    rig.coils.insert((3, 0), true);
    rig.bus.cut_everything();
    assert!(rig.bus.is_writing());
    rig.run(200);
    assert!(!rig.bus.is_writing());
    assert!(rig.coils.values().all(|on| !on), "{:?}", rig.coils);
    let broadcasts = rig.asked.iter().filter(|(_, it)| it[0] == 0).count();
    assert_eq!((broadcasts, rig.asked_at(2, 5).len()), (1, 2));
}
