//! The track plan: feeds that meet, rails without feed, gaps, and loops that join the two rails.

mod support;

use support::{ONE_BLOCK, findings, layout, report};
use wiring::{finding::Code, index::BlockIx, plan::neighbours};

const TURNOUT: &str = r#"
[trackwork.T]
kind = "turnout"
hand = "right"
block = "q"
[trackwork.T.frog]
poles = ["T.1"]
normal = "right"
reverse = "left"
[track.lead]
block = "q"
to = "T.points"
left = "A"
length = "1 m"
"#;

const OTHERS: &str = r#"
[block.r]
district = "d"
[block.loop]
district = "d"
[district.e]
booster = "main"
[block.far]
district = "e"
"#;

/// Codes and subjects of a layout of one turnout, a lead to its points, and the tracks given.
fn found(tracks: &str) -> Vec<String> {
    findings(&format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{tracks}"))
}

#[track_caller]
fn check(tracks: &str, want: &[&str]) {
    assert_eq!(found(tracks), want, "{tracks}");
}

const FED_LEGS: &str = r#"
[track.main]
block = "q"
from = "T.left"
to = "buffer-1"
[track.side]
block = "q"
from = "T.right"
to = "buffer-2"
"#;

#[test]
fn a_turnout_fed_at_its_points_feeds_both_legs() {
    check(FED_LEGS, &[]);
}

#[test]
fn a_leg_with_its_feeder_wires_exchanged_is_a_crossed_feed() {
    check(
        &FED_LEGS.replace("to = \"buffer-1\"", "to = \"buffer-1\"\nleft = \"B\""),
        &["feed-crossed track/main"],
    );
}

#[test]
fn a_track_running_towards_the_turnout_counts_left_the_other_way_round() {
    let towards = r#"
[track.main]
block = "q"
from = "buffer-1"
to = "T.left"
left = "B"
"#;
    check(towards, &[]);
    check(&towards.replace('B', "A"), &["feed-crossed track/main"]);
}

#[test]
fn a_track_fed_wrong_in_the_middle_of_others_is_blamed_once() {
    let row = r#"
[track.one]
block = "q"
from = "T.left"
to = "j1"
left = "A"
[track.two]
block = "q"
from = "j1"
to = "j2"
left = "B"
[track.three]
block = "q"
from = "j2"
to = "j3"
left = "A"
"#;
    check(row, &["feed-crossed track/two"]);
}

#[test]
fn a_gap_in_one_rail_leaves_the_other_crossed() {
    let gapped = |gaps: &str| {
        FED_LEGS.replace(
            "to = \"buffer-1\"",
            &format!("to = \"buffer-1\"\nleft = \"B\"\ngaps = [{gaps}]"),
        )
    };
    check(&gapped("{ end = \"from\", rail = \"left\" }"), &["feed-crossed track/main"]);
    // Both rails gapped: nothing is joined, but every wheel that crosses joins them.
    check(&gapped("\"from\""), &["gap-crossed track/main"]);
}

#[test]
fn a_track_that_no_feeder_reaches_is_named_with_all_that_hangs_on_it() {
    let cut = FED_LEGS.replace("to = \"buffer-2\"", "to = \"j\"\ngaps = [\"from\"]");
    check(&cut, &["rail-unfed track/side"]);
    let more = format!("{cut}[track.beyond]\nblock = \"q\"\nfrom = \"j\"\nto = \"buffer-2\"\n");
    check(&more, &["rail-unfed track/side"]);
    let text = format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{more}");
    assert_eq!(
        report(&text).findings[0].message,
        "no feeder reaches either rail of track side, nor of track beyond joined to it"
    );
}

#[test]
fn a_gap_in_one_rail_cuts_off_that_rail_alone() {
    let cut = FED_LEGS.replace(
        "to = \"buffer-2\"",
        "to = \"buffer-2\"\ngaps = [{ end = \"from\", rail = \"right\" }]",
    );
    check(&cut, &["rail-unfed track/side"]);
    let text = format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{cut}");
    let message = &report(&text).findings[0].message;
    assert_eq!(message, "no feeder path leads to the right rail of track side");
}

#[test]
fn a_turnout_cut_off_on_all_sides_leaves_its_frog_dead_too() {
    let cut = r#"
[track.main]
block = "q"
from = "T.left"
to = "buffer-1"
left = "A"
gaps = ["from"]
"#;
    let text = format!("{ONE_BLOCK}{TURNOUT}{cut}").replace("length", "gaps = [\"to\"]\nlength");
    assert_eq!(findings(&text), ["frog-unfed frog/T", "rail-unfed trackwork/T"]);
    let fed = text.replace("hand = \"right\"", "hand = \"right\"\nleft = \"A\"");
    assert_eq!(findings(&fed), [""; 0]);
}

#[test]
fn blocks_and_districts_that_meet_without_a_gap_are_told() {
    let in_block = |block: &str, more: &str| {
        FED_LEGS.replacen("block = \"q\"", &format!("block = \"{block}\"\nleft = \"A\"{more}"), 1)
    };
    check(&in_block("r", ""), &["gap-missing track/main"]);
    check(&in_block("r", "\ngaps = [\"from\"]"), &[]);
    check(&in_block("far", ""), &["feed-crossed track/main", "gap-missing track/main"]);
    check(&in_block("far", "\ngaps = [\"from\"]"), &[]);
    // One rail in common is enough to join two boosters, and enough of a gap to tell two blocks apart.
    let one_rail = "\ngaps = [{ end = \"from\", rail = \"left\" }]";
    check(&in_block("far", one_rail), &["feed-crossed track/main"]);
    check(&in_block("r", one_rail), &[]);
}

const LOOP: &str = r#"
[track.near]
block = "loop"
from = "T.left"
to = "half"
length = "2 m"
[track.round]
block = "loop"
from = "half"
to = "T.right"
length = "1.5 m"
"#;

/// The loop that a layout has: its tracks and where to gap it.
fn loops(tracks: &str) -> Vec<(Vec<String>, Vec<String>)> {
    let text = format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{tracks}");
    let layout = layout(&text);
    let found = report(&text).loops;
    let names = |it: &wiring::check::Loop| {
        it.tracks.iter().map(|track| layout.tracks[track.at()].id.clone()).collect()
    };
    found.iter().map(|it| (names(it), it.gap_at.clone())).collect()
}

fn strings(items: &[&str]) -> Vec<String> {
    items.iter().map(|&it| it.to_owned()).collect()
}

#[test]
fn a_balloon_loop_is_found_with_its_tracks_and_gapped_at_both_legs() {
    let sorted = |mut tracks: Vec<String>| {
        tracks.sort();
        tracks
    };
    let mut found = loops(LOOP);
    assert_eq!(found.len(), 1);
    let (tracks, mut gap_at) = found.remove(0);
    gap_at.sort();
    assert_eq!(
        (sorted(tracks), gap_at),
        (strings(&["near", "round"]), strings(&["T.left", "T.right"]))
    );
    let text = format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{LOOP}");
    let report = report(&text);
    let it = report.findings.iter().find(|it| it.code == Code::ReverseLoop).expect("a loop");
    assert!(it.remedy.contains("3.5 m of track, and no train may be longer"), "{}", it.remedy);
    assert!(it.remedy.contains("reverser"), "{}", it.remedy);
}

#[test]
fn a_loop_gapped_at_one_place_is_still_a_loop_and_wants_the_other_gap() {
    let one_gap = LOOP.replace("from = \"T.left\"", "from = \"T.left\"\ngaps = [\"from\"]");
    let found = loops(&one_gap);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].1, strings(&["T.right"]));
}

#[test]
fn a_loop_gapped_at_both_ends_behind_a_reverser_is_in_order() {
    let gapped = LOOP
        .replace("from = \"T.left\"", "from = \"T.left\"\nleft = \"A\"\ngaps = [\"from\"]")
        .replace("to = \"T.right\"", "to = \"T.right\"\ngaps = [\"to\"]");
    check(&format!("{gapped}[reverser.r]\nblock = \"loop\"\n"), &[]);
    // Without a reverser it is no short, but the gap at which the conductors are opposite is.
    check(&gapped, &["gap-crossed track/near"]);
}

#[test]
fn a_reverser_does_not_help_a_loop_that_lies_in_its_section_whole() {
    let text = format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{LOOP}[reverser.r]\nblock = \"q\"\n")
        .replace("block = \"loop\"", "block = \"q\"")
        .replace("from = \"T.left\"", "from = \"T.left\"\ngaps = [\"from\"]");
    assert_eq!(findings(&text), ["reverse-loop track/near"]);
}

#[test]
fn a_gap_in_one_rail_at_each_end_does_not_open_a_loop() {
    let gapped = LOOP
        .replace(
            "from = \"T.left\"",
            "from = \"T.left\"\ngaps = [{ end = \"from\", rail = \"left\" }]",
        )
        .replace(
            "to = \"T.right\"",
            "to = \"T.right\"\ngaps = [{ end = \"to\", rail = \"left\" }]",
        );
    assert_eq!(loops(&gapped).len(), 1);
}

#[test]
fn an_oval_is_no_loop_of_that_kind() {
    let oval = r#"
[track.one]
block = "q"
from = "a"
to = "b"
left = "A"
[track.two]
block = "q"
from = "b"
to = "a"
"#;
    assert_eq!(findings(&format!("{ONE_BLOCK}{oval}")), [""; 0]);
}

#[test]
fn a_wye_is_found_as_one_loop_over_its_three_legs() {
    let corner =
        |id: &str| TURNOUT.replace("[track.lead]", &format!("[track.stem-{id}]")).replace('T', id);
    let corners: String = ["W", "E", "S"].map(corner).concat().replace("left = \"A\"\n", "");
    let legs = r#"
[track.main]
block = "q"
from = "W.left"
to = "E.right"
left = "A"
length = "3 m"
[track.west]
block = "q"
from = "W.right"
to = "S.left"
length = "1 m"
[track.east]
block = "q"
from = "E.left"
to = "S.right"
length = "1 m"
"#;
    let text = format!("{ONE_BLOCK}{corners}{legs}");
    let report = report(&text);
    assert_eq!(report.loops.len(), 1);
    let layout = layout(&text);
    let mut tracks: Vec<_> =
        report.loops[0].tracks.iter().map(|it| layout.tracks[it.at()].id.as_str()).collect();
    tracks.sort_unstable();
    assert_eq!(tracks, ["east", "main", "west"]);
    let mut gap_at = report.loops[0].gap_at.clone();
    gap_at.sort();
    assert_eq!(gap_at, ["E.right", "W.left"], "the longest leg holds the longest train");
}

#[test]
fn blocks_adjoin_over_joints_and_gaps_and_without_a_plan_within_their_district() {
    let text = format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{}", FED_LEGS.replacen("\"q\"", "\"far\"", 1));
    let (q, r, looped, far) = (BlockIx(0), BlockIx(1), BlockIx(2), BlockIx(3));
    assert_eq!(neighbours(&layout(&text)), [vec![far], vec![], vec![], vec![q]]);
    let bare = format!("{ONE_BLOCK}{OTHERS}");
    assert_eq!(neighbours(&layout(&bare)), [vec![r, looped], vec![q, looped], vec![q, r], vec![]]);
}

#[test]
fn without_a_track_plan_the_checks_that_need_one_are_named() {
    let bare = TURNOUT.split("[track.lead]").next().expect("a turnout");
    let report = report(&format!("{ONE_BLOCK}{bare}"));
    let codes: Vec<_> = report.findings.iter().map(|it| it.code.code()).collect();
    assert_eq!(codes, ["not-checked"]);
    assert!(report.findings[0].message.contains("reverse-loop"));
}

#[test]
fn every_rail_is_booked_to_the_detector_of_the_feeder_that_reaches_it() {
    // Block r has no feeder of its own and hangs on q over a single rail: the other rail is dead.
    let tracks = FED_LEGS.replacen("block = \"q\"", "block = \"r\"", 1).replace(
        "to = \"buffer-1\"",
        "to = \"buffer-1\"\ngaps = [{ end = \"from\", rail = \"left\" }]",
    );
    let text = format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{tracks}");
    let seen = wiring::detect::rails(&layout(&text));
    let q = Some(BlockIx(0));
    let of = |piece: &str| {
        let it = seen.iter().find(|it| it.piece == piece).expect("a piece");
        (it.left, it.right)
    };
    assert_eq!(of("track/lead"), (q, q));
    assert_eq!(of("trackwork/T"), (q, q));
    assert_eq!(of("track/main"), (None, q));
    assert_eq!(of("track/side"), (q, q));
}

/// A bridge whose two ends lie in one pit: whatever stands around it meets both.
#[test]
fn a_turntable_is_a_loop_until_its_bridge_is_gapped_and_reversed() {
    let pit = |bridge: &str| {
        format!(
            "{ONE_BLOCK}{OTHERS}[track.bridge]\nblock = \"{bridge}\"\nfrom = \"pit\"\nto = \"pit\"\nleft = \"A\"\n\
             [track.stall-1]\nblock = \"q\"\nfrom = \"pit\"\nto = \"s1\"\nleft = \"A\"\n\
             [track.stall-2]\nblock = \"q\"\nfrom = \"pit\"\nto = \"s2\"\nleft = \"A\"\n"
        )
    };
    let read = wiring::read(&pit("q"));
    if !read.errors.is_empty() {
        panic!("{:#?}", read.errors);
    }
    let report = report(&pit("q"));
    assert_eq!(report.loops.len(), 1);
    assert_eq!(report.loops[0].gap_at, ["pit"]);
    let gapped = pit("loop").replace("to = \"pit\"", "to = \"pit\"\ngaps = [\"from\", \"to\"]");
    assert_eq!(findings(&format!("{gapped}[reverser.r]\nblock = \"loop\"\n")), [""; 0]);
}

#[test]
fn a_rail_common_to_two_blocks_is_booked_to_its_own_block_even_where_the_other_feeder_is_nearer() {
    let track = |id: &str, from: &str, to: &str, more: &str| {
        format!("[track.{id}]\nblock = \"r\"\nfrom = \"{from}\"\nto = \"{to}\"\n{more}\n")
    };
    let tracks = [
        track("near", "T.left", "j1", "gaps = [{ end = \"from\", rail = \"left\" }]"),
        track("middle", "j1", "j2", ""),
        track("further", "j2", "j3", ""),
        track("far", "j3", "buffer-1", "left = \"A\""),
    ];
    let text = format!("{ONE_BLOCK}{OTHERS}{TURNOUT}{}", tracks.concat());
    assert_eq!(findings(&text), [""; 0]);
    let seen = wiring::detect::rails(&layout(&text));
    let near = seen.iter().find(|it| it.piece == "track/near").expect("a piece");
    assert_eq!((near.left, near.right), (Some(BlockIx(1)), Some(BlockIx(1))));
}
