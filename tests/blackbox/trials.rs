//! The closed loop in small: faults that every layout must survive, and traffic that nobody may cut. The figures are
//! the bench's (`cargo bench --bench protection`); this keeps the loop itself, and the few things that must never
//! happen in it.

#[path = "../trial/mod.rs"]
mod trial;

use simulator::{SensorPlan, scenario};
use trial::{
    bed::Bed,
    closed_loop::Guarded,
    draw::{self, Pair},
};

fn tried(beds: &[Bed], id: &str, seed: u64) -> Pair {
    let scenario = scenario::find(id).expect("a scenario of the list");
    draw::try_fault(beds, draw::Trial { scenario, seed }, false)
        .unwrap_or_else(|| panic!("{id} finds a place"))
}

#[test]
fn shorts_are_cut_in_time_and_nothing_else_is() {
    let beds = [Bed::generated(11, 10)];
    for (id, seed) in [("F01", 1), ("F03", 2), ("F43", 3), ("F42", 4), ("F63", 5)] {
        let it = tried(&beds, id, seed).with;
        assert!(it.flowed.is_some(), "{id}: no current flowed");
        assert!(it.cut, "{id} was not cut");
        assert_eq!(it.cut_beside, Vec::<String>::new(), "{id}");
        assert_eq!(it.cut_without, 0, "{id}");
        let lost = it.poles.iter().filter(|it| it.lost && !it.beyond_saving).count();
        assert_eq!(lost, 0, "{id} cost a contact");
        let named = it.named.unwrap_or_else(|| panic!("{id} left no record"));
        assert!(named.group_rank.is_some_and(|rank| rank <= 3), "{id}: {named:?}");
    }
}

#[test]
fn what_is_no_short_is_not_cut() {
    let beds = [Bed::generated(12, 8)];
    for (id, seed) in [("F09", 1), ("F13", 2), ("F31", 3), ("F70", 4), ("F74", 5)] {
        let it = tried(&beds, id, seed).with;
        assert_eq!((it.cause, it.cut_without), ("", 0), "{id} was cut");
        assert_eq!(it.cut_beside, Vec::<String>::new(), "{id}");
    }
}

/// F76: a run-through, and in another district engines that charge until their breaker has opened three times. That cut
/// comes when the run-through is over: it is needless, and not one without any fault.
#[test]
fn of_two_faults_each_is_judged_by_itself() {
    let beds = [Bed::generated(921_703, 34)];
    let scenario = scenario::find("F76").expect("a scenario of the list");
    let it = draw::session(&beds, 0, scenario, 8_801_952_341_126_294_806, Guarded::Yes);
    let it = it.expect("it finds a place");
    assert!(it.flowed.is_some() && it.cut && it.cut_beside.is_empty(), "{it:?}");
    assert_eq!(it.cut_without, 0);
    let other: Vec<_> = it.beside.iter().map(|it| (it.scenario, it.cut.is_some())).collect();
    assert_eq!(other, [("F40", true)]);
}

/// faults.md, must never happen: more than 10 alarms in 10 minutes from one cause.
#[test]
fn one_cause_is_a_handful_of_alarms() {
    let bed = Bed::generated(13, 8);
    for (id, seed) in [("F01", 1), ("F37", 2), ("F41", 3), ("F53", 4)] {
        let log = draw::play(&bed, id, seed, Guarded::Yes);
        assert!(log.alarms.len() <= 10, "{id}: {:#?}", log.alarms);
    }
}

/// faults.md, must never happen: a district cut because one locomotive started.
#[test]
fn traffic_alone_is_never_cut() {
    let bed = Bed::generated(14, 6);
    let clean = draw::clean(&bed, 1, 0.03, SensorPlan::default());
    assert_eq!(clean.cuts, Vec::<String>::new());
    assert!(clean.hours > 0.029, "{}", clean.hours);
}

/// Without it the figures of the breaker alone would be ours.
#[test]
fn without_checkrail_no_order_reaches_the_plant() {
    let bed = Bed::generated(11, 10);
    let log = draw::play(&bed, "F63", 5, Guarded::ByBreakersAlone);
    assert!(log.orders.is_empty() && log.records.is_empty());
    let opened = log.truth.iter().any(|it| matches!(it.what, simulator::Truth::BreakerOpened(_)));
    assert!(opened, "the breaker acts by itself");
}
