//! Studies of small layouts: verdicts and forecasts that the documentation states, and remedies that must help.

use circuit::{
    loops, report, spice,
    study::{self, Contact, Settings, Study, Trips, Verdict},
};
use wiring::{
    finding::Code,
    index::{BlockIx, FrogIx},
    layout::Layout,
    units::Micros,
};

/// One turnout; figures are invented.
const TURNOUT: &str = r#"
schema = 1
[layout]
name = "Tamarrow Valley"
ambient = "20 C"
[booster.main]
volts = "15 V"
limit = "LIMIT"
trip-delay = "150 ms"
resistance = "0.05 ohm"
[district.quarry]
booster = "main"
breaker = BREAKER
bus = { gauge = "14 AWG", length = "6 m" }
cut = CUT
opens-in = "15 ms"
[block.q1]
district = "quarry"
feeder = { gauge = "20 AWG", length = "0.4 m", pairs = 3 }
left = "A"
[trackwork.T1]
kind = "turnout"
hand = "right"
block = "q1"
left = "A"
[trackwork.T1.frog]
poles = POLES
normal = "right"
reverse = "left"
feed = { gauge = "22 AWG", length = "0.6 m" }
"#;

const ELECTRONIC: &str = r#"{ kind = "electronic", trip = "3 A", delay = "40 ms" }"#;
const NO_BREAKER: &str = r#"{ kind = "none" }"#;
const ONE: &str = r#"["T1.1"]"#;
const TWO: &str = r#"["T1.1", "T1.2"]"#;

fn read(text: &str) -> Layout {
    let read = wiring::read::read(text);
    assert!(read.errors.is_empty(), "{:?}", read.errors);
    read.layout.expect("a file without errors is a layout")
}

fn turnout(limit: &str, breaker: &str, cut: bool, poles: &str) -> Layout {
    let text = TURNOUT.replace("LIMIT", limit).replace("BREAKER", breaker);
    read(&text.replace("CUT", &cut.to_string()).replace("POLES", poles))
}

fn run(layout: &Layout) -> Study {
    study::run(layout, &Settings::default())
}

fn worst(study: &Study) -> &Contact {
    let contacts = study.contacts.iter();
    contacts.max_by_key(|contact| contact.outcome.verdict).expect("a frog is fed through a pole")
}

/// Design values: a bare single pole at 5 A is unprotected, a pair is protected; at 8 A a single pole needs a limiter or
/// a lower limit.
#[test]
fn verdicts_are_those_that_the_documentation_states() {
    use study::ClearedBy::{Breaker, Checkrail, Nothing};
    let slow = r#"{ kind = "electronic", trip = "7 A", delay = "40 ms" }"#;
    let cases = [
        ("5 A", NO_BREAKER, true, ONE, Verdict::Unprotected, Checkrail, Some(52_635)),
        ("5 A", NO_BREAKER, true, TWO, Verdict::Protected, Checkrail, Some(248_596)),
        ("5 A", ELECTRONIC, true, ONE, Verdict::Marginal, Breaker, Some(52_635)),
        ("5 A", ELECTRONIC, true, TWO, Verdict::Protected, Breaker, Some(248_596)),
        ("8 A", ELECTRONIC, true, ONE, Verdict::Unprotected, Breaker, Some(20_215)),
        ("8 A", ELECTRONIC, true, TWO, Verdict::Protected, Breaker, Some(92_622)),
        ("5 A", slow, false, ONE, Verdict::Unprotected, study::ClearedBy::Booster, Some(52_635)),
        ("900 mA", slow, false, ONE, Verdict::Protected, study::ClearedBy::Booster, None),
    ];
    for (limit, breaker, cut, poles, verdict, by, withstand) in cases {
        let study = run(&turnout(limit, breaker, cut, poles));
        let outcome = worst(&study).outcome;
        let got = (outcome.verdict, outcome.cleared_by, outcome.withstand);
        assert_eq!(got.0, verdict, "{limit} {breaker} {poles}: {outcome:?}");
        assert_eq!(got.1, by, "{limit} {breaker} {poles}: {outcome:?}");
        let near = |got: Micros, want: u64| got.0.abs_diff(want) <= 2;
        assert!(
            match (got.2, withstand) {
                (Some(got), Some(want)) => near(got, want),
                (got, want) => got.is_none() && want.is_none(),
            },
            "{limit} {breaker} {poles}: {outcome:?}"
        );
        assert_ne!(by, Nothing);
    }
}

/// Sensor average 10 ms, spacing 20 ms, short-after 20 ms, transport 10 ms, actuator 15 ms: 75 ms.
#[test]
fn checkrails_clearing_time_is_the_sum_of_its_parts() {
    let layout = turnout("5 A", NO_BREAKER, true, TWO);
    assert_eq!(worst(&run(&layout)).outcome.cleared, Some(Micros::from_millis(75)));
    let slow = Settings { sensor_average: Micros::from_millis(50), ..Settings::default() };
    let study = study::run(&layout, &slow);
    assert_eq!(worst(&study).outcome.cleared, Some(Micros::from_millis(115)));
}

const METER: &str = "[links.modbus.shed]\ndevice = \"/dev/ttyUSB0\"\n[[links.modbus.shed.unit]]\n\
    address = 1\npoll = \"200 ms\"\npoints = [{ channel = \"district/quarry/current\", fn = 4, addr = 0, \
    averaging = \"300 ms\" }]\n";

/// What the layout file says of the sensor goes before what is assumed. An element decides on two readings: with one
/// every 200 ms, 200 ms after the first, where `short-after` alone would be 20 ms.
#[test]
fn a_sensor_that_averages_or_is_read_seldom_makes_the_cut_later() {
    let text = TURNOUT.replace("LIMIT", "5 A").replace("BREAKER", NO_BREAKER);
    let text = text.replace("CUT", "true").replace("POLES", TWO).replace("150 ms", "2 s");
    let topic = "[links.mqtt]\nbroker = \"mqtt://host\"\n[[links.mqtt.map]]\ntopic = \"a/+\"\n\
                 channel = \"district/{1}/current\"\naveraging = \"80 ms\"\n";
    let own = |file: &str| file.replace("opens-in", "averaging = \"50 ms\"\nopens-in");
    for (file, want) in [
        (text.clone(), 10 + 20 + 20 + 10 + 15),
        (own(&text), 50 + 20 + 20 + 10 + 15),
        (format!("{text}{topic}"), 80 + 20 + 20 + 10 + 15),
        (own(&format!("{text}{topic}")), 50 + 20 + 20 + 10 + 15),
        (format!("{text}{METER}"), 300 + 200 + 200 + 10 + 15),
    ] {
        let outcome = worst(&run(&read(&file))).outcome.cleared;
        assert_eq!(outcome, Some(Micros::from_millis(want)), "{file}");
    }
}

#[test]
fn check_says_of_a_seldom_read_district_that_it_is_not_fast_enough() {
    let text = TURNOUT.replace("LIMIT", "5 A").replace("BREAKER", ELECTRONIC).replace("POLES", TWO);
    let found = |cut: &str, more: &str| {
        let layout = read(&format!("{}{more}", text.replace("CUT", cut)));
        let findings = study::findings(&layout).into_iter();
        let mut slow = findings.filter(|it| it.code == Code::NotFastEnough);
        slow.next().map(|it| format!("{} {}", it.subject, it.message))
    };
    let told = found("true", METER).expect("told");
    let want =
        ["district/quarry not fast enough", "read every 200 ms and averaged over 300 ms", "725 ms"];
    assert!(want.iter().all(|it| told.contains(it)), "{told}");
    assert_eq!(found("false", METER), None, "it cannot be cut anyhow");
    assert_eq!(found("true", ""), None);
}

#[test]
fn nothing_but_the_booster_clears_where_checkrail_cannot_cut() {
    let study = run(&turnout("5 A", NO_BREAKER, false, ONE));
    let contact = worst(&study);
    assert_eq!(contact.outcome.cleared_by, study::ClearedBy::Booster);
    assert_eq!(contact.outcome.cleared, Some(Micros::from_millis(150)));
    let text = |part: &str| contact.remedies.iter().any(|remedy| remedy.text.contains(part));
    assert!(text("actuator"), "{:?}", contact.remedies);
}

#[test]
fn remedies_always_name_a_lower_limit_and_a_limiter_and_those_that_protect_do() {
    let layout = turnout("8 A", NO_BREAKER, true, ONE);
    let study = run(&layout);
    let remedies = &worst(&study).remedies;
    for part in ["limit to", "lamp", "poles side by side", "breaker", "smaller"] {
        assert!(remedies.iter().any(|one| one.text.contains(part)), "{part}: {remedies:?}");
    }
    let of = |part: &str| remedies.iter().find(|one| one.text.contains(part)).expect("named");
    assert_eq!(of("limit to").verdict, Verdict::Protected);
    assert_eq!(of("lamp").verdict, Verdict::Protected);
    // The limit that it names, put into the file, gives the verdict that it promises.
    let limit = of("limit to").text.rsplit(" to ").next().expect("a current").to_owned();
    let again = run(&turnout(&limit, NO_BREAKER, true, ONE));
    let (promised, found) = (of("limit to").outcome, worst(&again).outcome);
    assert_eq!(found.verdict, promised.verdict);
    assert_eq!(found.withstand, promised.withstand);
    // The same for a second pole: 20 % of inequality stays within what the pair factor allows for.
    let paired = run(&turnout("8 A", NO_BREAKER, true, TWO));
    let (promised, found) = (of("poles side by side").outcome, worst(&paired).outcome);
    assert_eq!((found.verdict, found.withstand), (promised.verdict, promised.withstand));
}

/// A fuse melts by energy: stated 500 ms at 2 A, at 5 A (2/5)² of it.
#[test]
fn a_fuse_clears_with_the_square_of_the_current() {
    let fuse = r#"{ kind = "fuse", trip = "2 A", delay = "500 ms" }"#;
    let study = run(&turnout("5 A", fuse, false, ONE));
    let outcome = worst(&study).outcome;
    assert_eq!(outcome.cleared_by, study::ClearedBy::Breaker);
    assert_eq!(outcome.cleared, Some(Micros::from_millis(80)));
    // Without a stated time nobody can say when it clears, and it is not credited with any.
    let silent = r#"{ kind = "fuse", trip = "2 A" }"#;
    let study = run(&turnout("5 A", silent, false, ONE));
    assert_eq!(worst(&study).outcome.cleared_by, study::ClearedBy::Booster);
}

#[test]
fn a_protected_contact_needs_no_remedy() {
    assert!(worst(&run(&turnout("5 A", ELECTRONIC, true, TWO))).remedies.is_empty());
}

/// 2.5 A through each of a pair of 30 mohm: 75 mV, below silver's 90; 5 A through one: 150 mV.
#[test]
fn the_touching_spot_is_judged_by_the_contacts_own_drop() {
    use study::contact::Spot;
    for (poles, volts, want) in [(TWO, 0.075, Spot::Sound), (ONE, 0.15, Spot::Softens)] {
        let study = run(&turnout("5 A", ELECTRONIC, true, poles));
        let contact = worst(&study);
        assert!((contact.drop.0 - volts).abs() < 1e-6);
        assert_eq!(contact.spot, want);
    }
}

#[test]
fn a_short_trips_whatever_acts_first_and_says_how_surely() {
    let late = r#"{ kind = "electronic", trip = "3 A", delay = "400 ms" }"#;
    let high = r#"{ kind = "electronic", trip = "6 A", delay = "40 ms" }"#;
    let cases = [
        (ELECTRONIC, Trips::Breaker, 5.0 / 3.0, Some(true)),
        (late, Trips::Booster, 5.0 / 3.0, Some(true)),
        (high, Trips::Booster, 5.0 / 6.0, Some(false)),
        (NO_BREAKER, Trips::Booster, 1.0, None),
    ];
    for (breaker, trips, margin, coin) in cases {
        let study = run(&turnout("5 A", breaker, true, ONE));
        let short = study.shorts.iter().find(|short| short.at == "port/T1.points").expect("a port");
        assert_eq!((short.trips, short.coin), (trips, coin), "{breaker}");
        assert!((short.margin - margin).abs() < 1e-6, "{breaker}: {}", short.margin);
    }
}

#[test]
fn a_frog_is_shorted_in_every_position_and_never_gets_a_coin() {
    let study = run(&turnout("5 A", ELECTRONIC, true, TWO));
    let frogs: Vec<_> = study.shorts.iter().filter(|short| short.at == "frog/T1").collect();
    assert_eq!(frogs.len(), 2);
    for short in frogs {
        assert_eq!(short.coin, None);
        assert_eq!(short.positions.len(), 1);
        let sum: f64 = short.contacts.iter().map(|(_, amps)| amps.0).sum();
        assert!((sum - short.amps.0).abs() < 1e-9);
    }
}

/// 14 AWG 6 m and three pairs of 20 AWG 0.4 m: 2 × (6 × 8.2855 + 0.4 × 33.309 / 3) mohm and the source's 50.
#[test]
fn a_train_loses_what_ohms_law_says() {
    let study = run(&turnout("5 A", ELECTRONIC, true, TWO));
    let drop = study.drops.iter().find(|drop| drop.at == "port/T1.points").expect("a port");
    let ohms = 0.05 + 2.0 * (6.0 * 8.2855e-3 + 0.4 * 33.309e-3 / 3.0);
    assert!((drop.volts.0 - (15.0 - ohms)).abs() < 1e-5, "{}", drop.volts.0);
    assert!((drop.percent - ohms / 15.0 * 100.0).abs() < 1e-4);
    let frog = study.drops.iter().find(|drop| drop.at == "frog/T1").expect("a frog");
    assert!(frog.volts.0 < drop.volts.0);
}

#[test]
fn loops_for_locating_leave_source_and_breaker_out() {
    let layout = turnout("5 A", ELECTRONIC, true, ONE);
    let loops = loops::table(&layout);
    let block = loops.block(BlockIx(0)).expect("the block is fed");
    let want = 2.0 * (6.0 * 8.2855e-3 + 0.4 * 33.309e-3 / 3.0);
    assert!((block.near.ohms() - want).abs() < 2e-4, "{block:?}");
    assert_eq!(block.near, block.far);
    let frog = loops.frog(FrogIx(0));
    assert_eq!(frog.len(), 2);
    let more = 0.030 + 0.6 * 52.9634e-3;
    assert!((frog[0].ohms.ohms() - want - more).abs() < 2e-4, "{frog:?}");
    assert!([block.near, frog[0].ohms].iter().all(|ohms| ohms.0.is_multiple_of(100)));
}

#[test]
fn findings_name_what_is_too_weak() {
    let codes = |layout: &Layout| -> Vec<(Code, String)> {
        study::findings(layout).into_iter().map(|one| (one.code, one.subject)).collect()
    };
    let sound = turnout("5 A", ELECTRONIC, true, TWO);
    assert_eq!(codes(&sound), []);
    let bare = turnout("5 A", NO_BREAKER, true, ONE);
    assert_eq!(codes(&bare), [(Code::ContactUnderrated, "pole/T1.1".to_owned())]);
    let high = r#"{ kind = "electronic", trip = "6 A", delay = "40 ms" }"#;
    let never = turnout("5 A", high, true, TWO);
    assert_eq!(codes(&never), [(Code::BreakerNeverTrips, "district/quarry".to_owned())]);
    let light = TURNOUT.replace("LIMIT", "5 A").replace("BREAKER", NO_BREAKER);
    let light = light.replace("CUT", "true").replace("POLES", TWO).replace("22 AWG", "26 AWG");
    assert_eq!(codes(&read(&light)), [(Code::GaugeLight, "frog/T1".to_owned())]);
}

/// A frog behind a limiter is meant to stay below the breaker's trip.
#[test]
fn a_limiter_is_no_breaker_that_never_trips() {
    let lamp = "limiter = { kind = \"lamp\", ohms-hot = \"12 ohm\" }\n";
    let text = TURNOUT.replace("LIMIT", "5 A").replace("BREAKER", ELECTRONIC);
    let text = text.replace("CUT", "true").replace("POLES", ONE) + lamp;
    let layout = read(&text);
    let study = run(&layout);
    let frog = study.shorts.iter().find(|short| short.at == "frog/T1").expect("a frog");
    assert!(frog.amps.0 > 1.2 && frog.amps.0 < 1.26, "{}", frog.amps.0);
    assert!(!study::findings(&layout).iter().any(|one| one.code == Code::BreakerNeverTrips));
}

#[test]
fn the_demo_layout_is_studied_whole_and_its_report_holds_everything() {
    let layout = read(include_str!("../../../config/tamarrow-valley.toml"));
    let study = run(&layout);
    assert_eq!(study.coordination.len(), layout.districts.len());
    for frog in &layout.frogs {
        let at = format!("frog/{}", frog.id);
        assert!(study.shorts.iter().any(|short| short.at == at), "{at}");
    }
    let page = report::html(&layout, &study, Settings::default().train_load);
    for part in ["<!doctype html>", "does not replace", "Power tree", "stroke-dasharray", "</html>"]
    {
        assert!(page.contains(part), "{part}");
    }
    assert!(!page.contains("http"), "the page stands by itself");
    for table in report::tables(&layout, &study) {
        assert!(table.rows.iter().all(|row| row.len() == table.head.len()), "{}", table.title);
    }
}

#[test]
fn a_folded_table_names_every_place_and_says_nothing_twice() {
    let layout = read(include_str!("../../../config/tamarrow-valley.toml"));
    let study = run(&layout);
    for table in report::tables(&layout, &study) {
        let folded = table.folded();
        let names = |rows: &[Vec<String>]| -> usize {
            rows.iter().map(|row| row[0].split(' ').count()).sum()
        };
        assert_eq!(names(&folded.rows), names(&table.rows), "{}", table.title);
        for (at, row) in folded.rows.iter().enumerate() {
            let same = folded.rows[at + 1..].iter().any(|other| other[1..] == row[1..]);
            assert!(!same, "{}: {row:?} stands twice", table.title);
        }
        assert_eq!(folded.folded(), folded, "{}", table.title);
    }
}

#[test]
fn the_summary_names_what_is_in_danger_and_only_that() {
    let cases = [
        (
            turnout("5 A", ELECTRONIC, true, TWO),
            vec!["All 2 contacts are protected"],
            vec!["unprot"],
        ),
        (
            turnout("8 A", NO_BREAKER, true, ONE),
            vec!["1 of 1 contacts are unprotected"],
            vec!["protected."],
        ),
    ];
    for (layout, wanted, unwanted) in cases {
        let text =
            report::summary(&layout, &run(&layout), Settings::default().train_load).join(" ");
        for part in wanted {
            assert!(text.contains(part), "{part} in: {text}");
        }
        for part in unwanted {
            assert!(!text.contains(part), "{part} in: {text}");
        }
    }
}

#[test]
fn the_summary_begins_with_errors_of_the_wiring() {
    let text = TURNOUT.replace("LIMIT", "5 A").replace("BREAKER", ELECTRONIC);
    let text = text.replace("CUT", "true").replace("POLES", TWO);
    let swapped = text.replace(
        "normal = \"right\"\nreverse = \"left\"",
        "normal = \"left\"\nreverse = \"right\"",
    );
    let first = |text: &str| {
        let layout = read(text);
        let load = Settings::default().train_load;
        report::summary(&layout, &run(&layout), load).swap_remove(0)
    };
    assert!(first(&text).starts_with("Every short trips"), "{}", first(&text));
    assert!(first(&swapped).starts_with("The wiring has 1 error, "), "{}", first(&swapped));
}

#[test]
fn any_short_of_a_study_can_be_had_as_a_netlist() {
    let layout = turnout("5 A", ELECTRONIC, true, TWO);
    let study = run(&layout);
    for short in &study.shorts {
        let netlist = spice::short(&layout, &study, Some(&short.at)).expect("the place is known");
        assert!(netlist.contains("Rbridge0") && netlist.ends_with(".op\n.end\n"));
    }
    assert!(spice::short(&layout, &study, None).is_some());
    assert!(spice::short(&layout, &study, Some("port/none")).is_none());
}

#[test]
fn progress_counts_up_to_its_total() {
    let layout = turnout("5 A", ELECTRONIC, true, TWO);
    let mut seen = Vec::new();
    let watched = study::run_watched(&layout, &Settings::default(), &mut |step| seen.push(step));
    assert_eq!(watched, run(&layout));
    let last = seen.last().expect("some progress");
    assert_eq!((last.done, last.total), (seen.len(), seen.len()));
}
