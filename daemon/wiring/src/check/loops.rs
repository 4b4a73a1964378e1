//! Findings about loops that join the two rails with each other.

use super::words::{and, track};
use crate::{
    finding::{Code, Finding},
    netlist::Netlist,
    plan::{OddLoop, Parity},
    units::Micrometres,
};

pub(super) fn check(net: &Netlist<'_>, parity: &Parity, findings: &mut Vec<Finding>) {
    findings.extend(parity.loops.iter().map(|it| finding(net, it)));
}

fn finding(net: &Netlist<'_>, it: &OddLoop) -> Finding {
    let layout = net.layout;
    let tracks: Vec<_> = it.tracks.iter().map(|at| track(layout, *at).to_owned()).collect();
    let (word, lead) = if tracks.len() == 1 { ("track", "leads") } else { ("tracks", "lead") };
    let place = it.section.first().or(it.tracks.first()).copied();
    let (subject, span) = match place {
        Some(at) => (track(layout, at), layout.tracks[at.at()].span),
        None => ("", crate::layout::Span::default()),
    };
    let why = match it.gapped_at.as_slice() {
        [] => "without a gapped section: left and right rail are joined",
        [..] => {
            "with a single gap: the rails on its two sides are on opposite conductors, and every \
             wheel that crosses it joins them"
        }
    };
    let finding = Finding::new(
        Code::ReverseLoop,
        format!("track/{subject}"),
        span,
        format!("{word} {} {lead} a train back with its rails swapped, {why}", and(&tracks)),
        remedy(net, it),
    );
    let others = it.tracks.iter().filter(|at| Some(**at) != place);
    others.fold(finding, |finding, at| finding.and(layout.tracks[at.at()].span, "part of the loop"))
}

fn remedy(net: &Netlist<'_>, it: &OddLoop) -> String {
    let layout = net.layout;
    let block = it.section.first().map(|at| &layout.blocks[layout.tracks[at.at()].block.at()].id);
    let mut text = format!("gap both rails at {}", and(&it.gap_at));
    if !it.gapped_at.is_empty() {
        text.push_str(&format!(" as well as at {}", and(&it.gapped_at)));
    }
    if it.length == Micrometres::ZERO {
        text.push_str("; no train may be longer than the track between the gaps");
    } else {
        text.push_str(&format!(
            ": between the gaps lie {} of track, and no train may be longer",
            it.length
        ));
    }
    if let (Some(block), false) = (block, it.has_reverser) {
        text.push_str(&format!(
            "; let a reverser feed what lies between, as a block of its own ({block} in this file)"
        ));
    }
    text
}
