//! The means to cut that the layout file writes down: at least one of a feed must let power fall by itself when
//! Checkrail falls silent. Outputs that a node of one's own announces are not in the file; they hold by permit.

use crate::{
    channel::{ChannelTable, Object},
    finding::{Code, Finding},
    layout::{Layout, Span},
    links::Deadman,
};

/// An output as written.
struct Means {
    object: Object,
    /// It falls when Checkrail is silent.
    falls: bool,
    /// What it is, for the text.
    by: String,
}

pub(super) fn check(layout: &Layout, findings: &mut Vec<Finding>) {
    let means = means(layout);
    let nodes = !layout.links.serial.is_empty();
    let boosters = layout.boosters.iter().enumerate().filter(|(_, it)| it.cut);
    let boosters = boosters.map(|(at, it)| {
        (Object::Booster(crate::index::BoosterIx::new(at)), "booster", &it.id, it.span)
    });
    let districts = layout.districts.iter().enumerate().filter(|(_, it)| it.cut);
    let districts = districts.map(|(at, it)| {
        (Object::District(crate::index::DistrictIx::new(at)), "district", &it.id, it.span)
    });
    for (object, kind, id, span) in boosters.chain(districts) {
        let own: Vec<&Means> = means.iter().filter(|it| it.object == object).collect();
        // A booster that falls takes the district with it.
        let above = above(layout, object);
        let falls =
            means.iter().any(|it| it.falls && (it.object == object || above == Some(it.object)));
        if !own.is_empty() && !nodes && !falls {
            findings.push(unguarded(kind, id, span, &own));
        }
    }
}

/// What feeds a district.
fn above(layout: &Layout, object: Object) -> Option<Object> {
    let Object::District(district) = object else { return None };
    Some(Object::Booster(layout.districts[district.at()].booster))
}

/// Every output that the file writes down.
fn means(layout: &Layout) -> Vec<Means> {
    let links = &layout.links;
    let channels = ChannelTable::new(layout);
    let mut found = Vec::new();
    for it in links.brokers().flat_map(|it| &it.out) {
        let Some(channel) = channels.find(&it.channel) else { continue };
        let falls = it.deadman != Deadman::None;
        let by = format!("the topic {} with deadman = \"none\"", it.topic);
        found.push(Means { object: channels.channel(channel).object, falls, by });
    }
    for line in &links.modbus {
        for (unit, it) in line.units.iter().flat_map(|it| it.outputs.iter().map(move |o| (it, o))) {
            let Some(channel) = channels.find(&it.channel) else { continue };
            let falls = it.deadman != Deadman::None;
            let coil =
                format!("coil {} of unit {} on links.modbus.{}", it.coil, unit.address, line.name);
            let by = format!("{coil} with deadman = \"none\"");
            found.push(Means { object: channels.channel(channel).object, falls, by });
        }
    }
    for link in &links.lcc {
        for it in &link.events_out {
            let by = format!("LCC events of links.lcc.{}", link.name);
            found.push(Means { object: channels.channel(it.channel).object, falls: false, by });
        }
    }
    found
}

fn unguarded(kind: &str, id: &str, span: Span, own: &[&Means]) -> Finding {
    let by: Vec<&str> = own.iter().map(|it| it.by.as_str()).collect();
    Finding::new(
        Code::CutUnguarded,
        format!("{kind}/{id}"),
        span,
        format!(
            "the only means to cut {kind} {id} is {}, which stays on when Checkrail falls silent",
            by.join(" and ")
        ),
        "add an output that falls by itself: a node with permits, a relay board with a watchdog, \
         or a time relay in series (deadman = \"external\")"
            .to_owned(),
    )
}
