use wiring::channel::Object;
use wiring::index::{BlockIx, FrogIx};

use super::*;
use crate::alarm::Subject;

#[test]
fn delays_hide_what_does_not_last() {
    // frog-dead: 1 s on, 1 s off.
    check(
        "0:set 900:clear 2000:set 4000:clear 4500:set 6000:clear 9000:tick",
        "3000 raised; 7000 cleared-unacknowledged",
    );
}

#[test]
fn a_shelved_alarm_is_silent_and_comes_back_when_time_is_up() {
    check(
        "0:set 2000:shelve 3000:clear 9000:set 62000:tick",
        "1000 raised; 2000 shelved; 62000 unshelved",
    );
    check("0:set 2000:shelve 3000:clear 62000:tick", "1000 raised; 2000 shelved; 62000 unshelved");
}

#[test]
fn acknowledging_is_no_reset_and_no_clearing() {
    check(
        "0:set 2000:ack 5000:ack 6000:reset 7000:clear 9000:tick",
        "1000 raised; 2000 acknowledged; 5000 refused; 6000 refused; 8000 cleared",
    );
}

#[test]
fn out_of_service_is_silent_and_returns_with_its_condition() {
    check("0:remove 1000:set 9000:return 10000:tick", "0 out-of-service; 9000 in-service");
}

#[test]
fn the_first_out_mark_goes_by_its_own_act_and_only_when_acknowledged() {
    check(
        "0:set 2000:first-out 3000:ack 4000:first-out 5000:first-out",
        "1000 raised first-out; 2000 refused; 3000 acknowledged first-out; 5000 refused",
    );
    check(
        "0:set 2000:clear 4000:first-out 5000:ack 6000:first-out",
        "1000 raised first-out; 3000 cleared-unacknowledged first-out; 4000 refused; \
         5000 acknowledged first-out; 6000 refused",
    );
    check(
        "0:set 2000:ack 3000:first-out 4000:clear 6000:set 8000:tick",
        "1000 raised first-out; 2000 acknowledged first-out; 5000 cleared; 7000 raised first-out",
    );
}

#[test]
fn an_alarm_carries_the_name_of_who_brought_it_into_its_state() {
    let by = |events: &str| {
        let mut sut = Alarms::default();
        let key = frog_dead();
        for (nth, event) in events.split_whitespace().enumerate() {
            let at = Mono(nth as u64 * 2_000_000);
            while let Some(due) = sut.poll_deadline().filter(|due| *due <= at) {
                sut.handle_timeout(due);
            }
            match event.split_once(':') {
                None if event == "set" => sut.set(condition(key), at, String::new),
                None if event == "clear" => sut.clear(key, at),
                None => {}
                Some((what, who)) => {
                    let done = match what {
                        "ack" => sut.acknowledge(key, at),
                        "shelve" => sut.shelve(key, Shelving::For(Micros::from_millis(60_000)), at),
                        "unshelve" => sut.end_shelving(key, at),
                        "remove" => sut.remove(condition(key), at),
                        _ => sut.return_to_service(key, at),
                    };
                    done.unwrap();
                    if matches!(what, "ack" | "shelve" | "remove") {
                        sut.sign(key, who, at);
                    }
                }
            }
        }
        let hand = sut.iter().next().and_then(|(_, entry)| entry.by.clone());
        hand.map(|it| match it.at {
            When::Run(at) => format!("{} at {} s", it.who, at.0 / 1_000_000),
            When::Utc(at) => format!("{} at {at}, before", it.who),
        })
    };
    assert_eq!(by("set"), None);
    assert_eq!(by("set tick ack:Ines").as_deref(), Some("Ines at 4 s"));
    assert_eq!(by("set tick ack:Ines shelve:Tom").as_deref(), Some("Tom at 6 s"));
    assert_eq!(by("set tick shelve:Tom unshelve:Ines"), None);
    assert_eq!(by("remove:Tom").as_deref(), Some("Tom at 0 s"));
    assert_eq!(by("set tick remove:Tom return:Tom"), None);
    // It came again: nobody has acknowledged that.
    assert_eq!(by("set tick ack:Ines clear tick set tick"), None);
}

#[test]
fn first_out_is_the_first_of_a_district_within_half_a_second() {
    let mut sut = Alarms::default();
    for (nth, at) in [(0, 0), (1, 400), (2, 1000)] {
        let key = AlarmKey {
            kind: AlarmKind::FrogMismatch,
            subject: Subject::Object(Object::Frog(FrogIx(nth))),
        };
        sut.set(condition(key), Mono(at * 1000), String::new);
    }
    let got: Vec<bool> =
        std::iter::from_fn(|| sut.poll()).map(|(_, change)| change.first_out).collect();
    assert_eq!(got, [true, false, true]);
}

#[test]
fn the_eleventh_in_ten_seconds_stands_under_the_first() {
    let mut sut = Alarms::default();
    for nth in 0..12 {
        let key = AlarmKey {
            kind: AlarmKind::FrogMismatch,
            subject: Subject::Object(Object::Block(BlockIx(nth))),
        };
        sut.set(condition(key), Mono(u64::from(nth) * 800_000), String::new);
    }
    let gathered: Vec<bool> =
        std::iter::from_fn(|| sut.poll()).map(|(_, change)| change.under.is_some()).collect();
    assert_eq!(gathered.iter().filter(|it| **it).count(), 2);
    assert!(gathered[10] && gathered[11]);
    assert_eq!(sut.in_ten_minutes(Mono(9_000_000)), 10);
}

const fn frog_dead() -> AlarmKey {
    AlarmKey { kind: AlarmKind::FrogDead, subject: Subject::Object(Object::Frog(FrogIx(0))) }
}

fn condition(key: AlarmKey) -> Condition {
    Condition { key, district: Some(DistrictIx(0)), grade: Grade::Usual }
}

#[track_caller]
fn check(events: &str, want: &str) {
    let key = frog_dead();
    let mut sut = Alarms::default();
    let marks = events.contains("first-out");
    let mut got = Vec::new();
    for event in events.split_whitespace() {
        let (at, what) = event.split_once(':').unwrap();
        let at = Mono(at.parse::<u64>().unwrap() * 1000);
        while let Some(due) = sut.poll_deadline().filter(|due| *due <= at) {
            sut.handle_timeout(due);
        }
        let result = match what {
            "set" => {
                sut.set(condition(key), at, String::new);
                Ok(())
            }
            "clear" => {
                sut.clear(key, at);
                Ok(())
            }
            "ack" => sut.acknowledge(key, at),
            "reset" => sut.reset(key, at),
            "first-out" => sut.reset_first_out(key),
            "shelve" => sut.shelve(key, Shelving::For(Micros::from_millis(60_000)), at),
            "remove" => sut.remove(condition(key), at),
            "return" => sut.return_to_service(key, at),
            _ => Ok(()),
        };
        while let Some((at, change)) = sut.poll() {
            let mark = if marks && change.first_out { " first-out" } else { "" };
            got.push(format!("{} {}{mark}", at.0 / 1000, change.transition.word()));
        }
        if result.is_err() {
            got.push(format!("{} refused", at.0 / 1000));
        }
    }
    assert_eq!(got.join("; "), want);
}
