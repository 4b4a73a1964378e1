//! The first page of a district: machines, wire to buy, parts, feeders, gaps.

use wiring::{
    index::{DistrictIx, TrackIx},
    layout::{BreakerKind, End, Layout, Side, Track, Which},
    terminals::{
        MachineWiring, WireKind, WireRun,
        bench::spare_poles,
        totals::{Total, totals},
    },
    units::Micrometres,
};

use super::{
    Book,
    html::{BOX, LINE, Table, escaped},
    words,
};

/// Machines of a district.
pub fn machines<'a>(book: &'a Book<'_>, district: DistrictIx) -> Vec<&'a MachineWiring> {
    book.wiring.machines.iter().filter(|it| it.district == Some(district)).collect()
}

/// Wires on a district's sheet.
pub fn wires<'a>(book: &'a Book<'_>, district: DistrictIx) -> impl Iterator<Item = &'a WireRun> {
    book.wiring.wires.iter().filter(move |wire| wire.district == Some(district))
}

/// The index page of a district.
pub fn index(book: &Book<'_>, district: DistrictIx) -> String {
    let layout = book.layout;
    let own: Vec<&WireRun> = wires(book, district).collect();
    [
        format!("<section class=\"index\">\n<p>{}</p>\n", escaped(&head(layout, district))),
        machine_table(book, &machines(book, district)),
        total_table(&totals(own.iter().copied())),
        parts(book, district),
        feeders(book, &own),
        gaps(layout, district),
        fixed_frogs(layout, &own),
        "</section>\n".to_owned(),
    ]
    .concat()
}

/// What feeds and protects it.
fn head(layout: &Layout, district: DistrictIx) -> String {
    let it = &layout.districts[district.at()];
    let booster = &layout.boosters[it.booster.at()];
    let kind = match it.breaker.kind {
        BreakerKind::Electronic => "electronic breaker",
        BreakerKind::Fuse => "fuse",
        BreakerKind::Ptc => "resettable fuse",
        BreakerKind::Lamp => "lamp",
        BreakerKind::None => "no breaker of its own",
    };
    let trip = it.breaker.trip.map(|trip| format!(", trips at {trip}")).unwrap_or_default();
    format!(
        "Fed by booster {} ({}, at most {}); {kind}{trip}. Bus {}, {} one way.",
        booster.id, booster.volts, booster.limit, it.bus.gauge, it.bus.length
    )
}

/// Machines with what they do, and a box for each that is done.
pub fn machine_table(book: &Book<'_>, machines: &[&MachineWiring]) -> String {
    if machines.is_empty() {
        return "<h2>Switch machines</h2>\n<p>None.</p>\n".to_owned();
    }
    let layout = book.layout;
    let mut table = Table::new(
        "",
        &["Machine", "Trackwork", "Frogs fed", "Contacts", "Spare", "Done", "Date, initials"],
    );
    for machine in machines {
        let it = &layout.machines[machine.machine.at()];
        let trackwork: Vec<String> =
            machine.trackwork.iter().map(|at| words::trackwork(layout, *at)).collect();
        let frogs: Vec<String> =
            machine.frogs.iter().map(|at| layout.frogs[at.at()].id.clone()).collect();
        table.row(&[
            format!("<b>{}</b>", escaped(&it.id)),
            escaped(&trackwork.join(", ")),
            escaped(&frogs.join(", ")),
            it.poles.len().to_string(),
            spare_poles(machine).to_string(),
            BOX.to_owned(),
            String::new(),
        ]);
    }
    format!("<h2>Switch machines</h2>\n{}", table.done())
}

/// Wire by gauge and colour, with the sum.
pub fn total_table(totals: &[Total]) -> String {
    let mut table =
        Table::new("", &["Gauge", "Colour", "Wires", "Length together", "Of these not stated"]);
    let blank = |text: String| if text.is_empty() { LINE.to_owned() } else { text };
    for total in totals {
        let colour = total.colour.as_deref().map(escaped).unwrap_or_default();
        table.row(&[
            blank(words::gauge(total.gauge)),
            blank(colour),
            total.pieces.to_string(),
            if total.unmeasured == total.pieces { "–".to_owned() } else { metres(total.length) },
            or_dash(total.unmeasured),
        ]);
    }
    let sum = totals.iter().fold(Micrometres::ZERO, |sum, total| sum + total.length);
    let pieces: u32 = totals.iter().map(|total| total.pieces).sum();
    let unmeasured: u32 = totals.iter().map(|total| total.unmeasured).sum();
    table.sum(&[
        "All".to_owned(),
        String::new(),
        pieces.to_string(),
        metres(sum),
        or_dash(unmeasured),
    ]);
    format!(
        "<h2>Wire</h2>\n{}<p class=\"note\">One conductor each: a pair counts twice. Lengths are those of the layout \
         file, without waste; wires from contacts to rails, jumpers and motor leads have none there, so measure them. \
         Tie wires and jumpers are taken as thick as the frog's wire.</p>\n",
        table.done()
    )
}

fn metres(length: Micrometres) -> String {
    format!("{:.2} m", length.metres())
}

fn or_dash(count: u32) -> String {
    if count == 0 { "–".to_owned() } else { count.to_string() }
}

/// What else to buy.
fn parts(book: &Book<'_>, district: DistrictIx) -> String {
    let layout = book.layout;
    let machines = machines(book, district);
    let contacts: usize =
        machines.iter().map(|it| layout.machines[it.machine.at()].poles.len()).sum();
    let spare: usize = machines.iter().map(|it| spare_poles(it)).sum();
    let cut: usize = tracks(layout, district).map(|(_, track)| track.gaps.len()).sum();
    let frogs = layout.frogs.iter().filter(|frog| {
        layout.district_of_block(layout.trackwork[frog.trackwork.at()].block) == district
    });
    let (frogs, limiters) = frogs.fold((0, 0), |(all, limited), frog| {
        (all + 1, limited + usize::from(frog.limiter.is_some()))
    });
    let reversers =
        layout.reversers.iter().filter(|it| layout.district_of_block(it.block) == district).count();
    let mut table = Table::new("parts", &["Part", "Number"]);
    let rows = [
        ("Switch machines", machines.len()),
        ("Change-over contacts on them", contacts),
        ("of these to spare", spare),
        ("Frogs", frogs),
        ("Insulated joiners or saw cuts, one a rail, at the gaps below", cut),
        ("Limiters in frog wires (lamp, resettable fuse, resistor)", limiters),
        ("Automatic reversers", reversers),
    ];
    for (name, count) in rows {
        if count > 0 || name == "Switch machines" {
            table.row(&[name.to_owned(), count.to_string()]);
        }
    }
    format!("<h2>Parts</h2>\n{}", table.done())
}

fn feeders(book: &Book<'_>, wires: &[&WireRun]) -> String {
    let layout = book.layout;
    let mut table =
        Table::new("", &["Feeder", "Wire", "Gauge", "Wires", "Length each", "Checked", "Note"]);
    for wire in wires.iter().filter(|wire| matches!(wire.kind, WireKind::Feeder | WireKind::Bus)) {
        let from = words::place(layout, &wire.from);
        let name = match wire.kind {
            WireKind::Bus => format!("{from}, to the far end of the bus"),
            _ => format!("{from} to {}", words::place(layout, &wire.to)),
        };
        table.row(&[
            escaped(&name),
            escaped(&words::colour(wire)),
            words::gauge(wire.gauge),
            wire.count.to_string(),
            words::length(wire.length),
            BOX.to_owned(),
            String::new(),
        ]);
    }
    let places = feeding_places(book);
    let district = wires.first().and_then(|wire| wire.district);
    let rows: Vec<&[String; 3]> =
        places.iter().filter(|(of, _)| Some(*of) == district).map(|(_, row)| row).collect();
    let mut ends =
        Table::new("", &["Feeders join track", "at", "Left rail, looking from there", "Checked"]);
    for [track, at, rail] in &rows {
        ends.row(&[track.clone(), at.clone(), rail.clone(), BOX.to_owned()]);
    }
    let ends = if rows.is_empty() { String::new() } else { ends.done() };
    format!("<h2>Bus and feeders</h2>\n{}{ends}", table.done())
}

/// Where feeders join the rails: district, track, end, and the conductor of the left rail looking from that end.
fn feeding_places(book: &Book<'_>) -> Vec<(DistrictIx, [String; 3])> {
    let layout = book.layout;
    let mut found = Vec::new();
    for track in &layout.tracks {
        for which in &track.feeders {
            let left = track.left.map(|left| match which {
                Which::From => left,
                Which::To => left.other(),
            });
            let row = [
                escaped(&track.id),
                escaped(&end(layout, track, *which)),
                left.map_or_else(String::new, |it| it.word().to_owned()),
            ];
            found.push((layout.district_of_block(track.block), row));
        }
    }
    found
}

fn tracks(layout: &Layout, district: DistrictIx) -> impl Iterator<Item = (TrackIx, &Track)> {
    let all = layout.tracks.iter().enumerate().map(|(at, track)| (TrackIx::new(at), track));
    all.filter(move |(_, track)| layout.district_of_block(track.block) == district)
}

fn gaps(layout: &Layout, district: DistrictIx) -> String {
    let mut table = Table::new("", &["Gap in track", "at", "Rails", "Cut", "Filled", "Date"]);
    let mut is_empty = true;
    for (_, track) in tracks(layout, district) {
        for which in [Which::From, Which::To] {
            let cut = |side| track.gaps.iter().any(|gap| gap.end == which && gap.rail == side);
            let rails = match (cut(Side::Left), cut(Side::Right)) {
                (true, true) => "both",
                (true, false) => "left, looking from its start",
                (false, true) => "right, looking from its start",
                (false, false) => continue,
            };
            is_empty = false;
            table.row(&[
                escaped(&track.id),
                escaped(&end(layout, track, which)),
                rails.to_owned(),
                BOX.to_owned(),
                BOX.to_owned(),
                String::new(),
            ]);
        }
    }
    let table = if is_empty { "<p>None in plain track.</p>\n".to_owned() } else { table.done() };
    format!(
        "<h2>Gaps</h2>\n{table}<p class=\"note\">Each switched frog is cut off as well: two closure rails and two frog \
         legs of a turnout, all sides of a crossing's. Fill every gap at once; look at all of them again when the \
         heating starts and when it ends.</p>\n"
    )
}

/// `T1.left`, `buffer-3`.
fn end(layout: &Layout, track: &Track, which: Which) -> String {
    let end = match which {
        Which::From => track.from,
        Which::To => track.to,
    };
    match end {
        End::Port(trackwork, port) => {
            format!("{}.{}", layout.trackwork[trackwork.at()].id, port.word())
        }
        End::Joint(joint) => layout.joints[joint.at()].name.clone(),
    }
}

/// Frogs that are wired to a rail once and for all.
fn fixed_frogs(layout: &Layout, wires: &[&WireRun]) -> String {
    let mut table = Table::new("", &["Frog", "Goes to", "Wire", "Gauge", "Length", "Checked"]);
    let mut is_empty = true;
    for wire in wires.iter().filter(|wire| wire.kind == WireKind::FixedFrog) {
        is_empty = false;
        table.row(&[
            escaped(&words::place(layout, &wire.from)),
            escaped(&words::place(layout, &wire.to)),
            escaped(&words::colour(wire)),
            words::gauge(wire.gauge),
            words::length(wire.length),
            BOX.to_owned(),
        ]);
    }
    if is_empty {
        String::new()
    } else {
        format!("<h2>Frogs without a contact</h2>\n{}", table.done())
    }
}
