//! Track plans made up at random, with the loops that `check` finds, one JSON object a line.
//!
//! `cargo run -p wiring --example plans -- SEED COUNT` writes what `tests/peers/parity.py` compares with networkx.

use std::fmt::Write as _;

use wiring::{check::check, layout::Layout, read};

/// A small generator of the linear congruential kind: the same plans for the same seed, everywhere.
struct Random(u64);

impl Random {
    fn below(&mut self, limit: usize) -> usize {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from((self.0 >> 33) % limit as u64).unwrap_or(0)
    }

    fn take<T>(&mut self, from: &mut Vec<T>) -> Option<T> {
        let at = if from.is_empty() { return None } else { self.below(from.len()) };
        Some(from.swap_remove(at))
    }
}

const HEAD: &str = "schema = 1\n[layout]\nname = \"plan\"\n[booster.main]\nvolts = \"15 V\"\n\
                    limit = \"5 A\"\n[district.d]\nbooster = \"main\"\n[block.q]\ndistrict = \"d\"\n";

const KINDS: [(&str, &str, &[&str]); 3] = [
    ("turnout", "hand = \"right\"\n", &["points", "left", "right"]),
    ("crossing", "", &["a-left", "a-right", "b-left", "b-right"]),
    ("double-slip", "", &["a-left", "a-right", "b-left", "b-right"]),
];

/// A plan: trackwork whose ports are joined at random, directly or over a joint, with gaps at random.
fn plan(random: &mut Random) -> String {
    let mut text = HEAD.to_owned();
    let mut ports = Vec::new();
    for at in 0..1 + random.below(6) {
        let (kind, more, names) = KINDS[[0, 0, 0, 0, 1, 2][random.below(6)]];
        let _ = write!(text, "[trackwork.T{at}]\nkind = \"{kind}\"\n{more}block = \"q\"\n");
        ports.extend(names.iter().map(|port| format!("T{at}.{port}")));
    }
    let mut number = 0;
    while let Some(from) = random.take(&mut ports) {
        let to = match random.below(5) {
            0 => None,
            _ => random.take(&mut ports),
        };
        let to = to.unwrap_or_else(|| format!("buffer-{number}"));
        if random.below(3) == 0 {
            let joint = format!("joint-{number}");
            track(random, &mut text, &mut number, [&from, &joint]);
            track(random, &mut text, &mut number, [&to, &joint]);
        } else {
            track(random, &mut text, &mut number, [&from, &to]);
        }
    }
    text
}

fn track(random: &mut Random, text: &mut String, number: &mut usize, ends: [&str; 2]) {
    let _ = write!(
        text,
        "[track.t{number}]\nblock = \"q\"\nfrom = \"{}\"\nto = \"{}\"\nlength = \"{} m\"\n",
        ends[0],
        ends[1],
        1 + random.below(9)
    );
    let mut gaps = Vec::new();
    for end in ["from", "to"] {
        match random.below(8) {
            0 => gaps.push(format!("\"{end}\"")),
            1 => gaps.push(format!("{{ end = \"{end}\", rail = \"left\" }}")),
            2 => gaps.push(format!("{{ end = \"{end}\", rail = \"right\" }}")),
            _ => {}
        }
    }
    let _ = writeln!(text, "gaps = [{}]", gaps.join(", "));
    if random.below(4) == 0 {
        let _ = writeln!(text, "left = \"{}\"", ["A", "B"][random.below(2)]);
    }
    *number += 1;
}

fn described(layout: &Layout) -> serde_json::Value {
    let which = |it: &wiring::layout::Which| match it {
        wiring::layout::Which::From => "from",
        wiring::layout::Which::To => "to",
    };
    let side = |it: &wiring::layout::Side| match it {
        wiring::layout::Side::Left => "left",
        wiring::layout::Side::Right => "right",
    };
    let tracks = layout.tracks.iter().map(|it| {
        let gaps: Vec<_> = it.gaps.iter().map(|gap| [which(&gap.end), side(&gap.rail)]).collect();
        serde_json::json!({
            "id": it.id,
            "from": wiring::plan::end_name(layout, it.from),
            "to": wiring::plan::end_name(layout, it.to),
            "gaps": gaps,
        })
    });
    let trackwork = layout
        .trackwork
        .iter()
        .map(|it| serde_json::json!({ "id": it.id, "kind": it.kind.word() }));
    let loops = check(layout).loops;
    let loops = loops.iter().map(|it| {
        let tracks: Vec<_> = it.tracks.iter().map(|at| &layout.tracks[at.at()].id).collect();
        serde_json::json!({ "tracks": tracks, "gap_at": it.gap_at })
    });
    serde_json::json!({
        "tracks": tracks.collect::<Vec<_>>(),
        "trackwork": trackwork.collect::<Vec<_>>(),
        "loops": loops.collect::<Vec<_>>(),
    })
}

#[allow(clippy::print_stdout, reason = "the plans go to another program")]
fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|it| it.parse().ok());
    let mut random = Random(arguments.next().unwrap_or(1));
    for _ in 0..arguments.next().unwrap_or(100) {
        let read = read(&plan(&mut random));
        assert!(read.errors.is_empty(), "{:?}", read.errors);
        println!("{}", described(&read.layout.expect("a layout")));
    }
}
