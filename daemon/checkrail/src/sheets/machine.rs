//! The sheet of one machine.

use std::fmt::Write as _;

use wiring::{
    layout::Machine,
    terminals::{
        MachineWiring, Terminal,
        fit::{Fit, diameters, fits},
    },
    units::Gauge,
};

use super::{
    Book, bench, drawing,
    html::{BOX, LINE, Table, escaped},
    qr, words,
};

/// Everything about one machine, never split over two pages.
pub fn sheet(book: &Book<'_>, machine: &MachineWiring) -> String {
    let it = &book.layout.machines[machine.machine.at()];
    let stages = bench::test(book, machine);
    let (bare, later) =
        stages.split_first().map_or(("", &[][..]), |(first, rest)| (first.as_str(), rest));
    format!(
        "<section class=\"machine\" id=\"machine-{id}\">\n{head}{table}{jumpers}\
         {views}<div class=\"halves\">\n<div>{bare}{fit}</div>\n<div>{later}</div>\n</div>\n\
         <p class=\"signed\">Checked by {LINE} Date {LINE} Plus for normal on {LINE} Throw time {LINE} s</p>\n</section>\n",
        id = escaped(&it.id),
        head = head(book, machine, it),
        table = terminals(book, machine),
        jumpers = jumpers(book, machine),
        views = drawing::views(book, machine),
        fit = fit(book, machine),
        later = later.concat(),
    )
}

fn head(book: &Book<'_>, machine: &MachineWiring, it: &Machine) -> String {
    let code = book
        .dashboard
        .as_ref()
        .and_then(|dashboard| qr::svg(&format!("{dashboard}/commission/{}", it.id)))
        .unwrap_or_default();
    let by_meter = if it.terminals_by_meter { " Terminals as a meter found them." } else { "" };
    let unnamed = machine.terminals.iter().any(|terminal| terminal.label.is_none());
    let unnamed =
        if unnamed { " Terminals without a name in the layout file: write theirs in." } else { "" };
    format!(
        "<header>{code}<h2>Switch machine {}</h2>\n<p class=\"of\">{}</p>\n\
         <p class=\"rev\">{}, revision {}, {}</p>\n\
         <p>{}, each rated {}.{by_meter}{unnamed} Unplug the booster before working.</p></header>\n",
        escaped(&it.id),
        escaped(&belongs(book, machine)),
        escaped(&book.layout.name),
        book.revision,
        escaped(&book.date),
        words::counted(it.poles.len(), "contact"),
        it.contact_rating,
    )
}

/// `left-hand turnout T1, block a, district home`.
fn belongs(book: &Book<'_>, machine: &MachineWiring) -> String {
    let layout = book.layout;
    let each = machine.trackwork.iter().map(|trackwork| {
        let block = layout.trackwork[trackwork.at()].block;
        let district = &layout.districts[layout.district_of_block(block).at()].id;
        let block = &layout.blocks[block.at()].id;
        format!("{}, district {district}, block {block}", words::trackwork(layout, *trackwork))
    });
    let all: Vec<String> = each.collect();
    if all.is_empty() { "no trackwork names it".to_owned() } else { all.join("; ") }
}

fn terminals(book: &Book<'_>, machine: &MachineWiring) -> String {
    let mut table = Table::new(
        "terminals",
        &["Terminal", "Function", "No.", "Wire", "Gauge", "Goes to", "Measured", "Checked", "Note"],
    );
    for terminal in &machine.terminals {
        let [number, wire, gauge, to] = wires(book, machine, terminal);
        let name = match &terminal.label {
            Some(label) => format!("<b>{}</b>", escaped(label)),
            None => format!("({})", escaped(&words::terminal(book.layout, terminal))),
        };
        let function = escaped(&words::function(book.layout, terminal));
        let cells =
            [name, function, number, wire, gauge, to, String::new(), BOX.to_owned(), String::new()];
        table.row(&cells);
    }
    table.done()
}

/// Number, colour, gauge and other end of all wires at a terminal, each on a line of its own.
fn wires(book: &Book<'_>, machine: &MachineWiring, terminal: &Terminal) -> [String; 4] {
    let mut cells: [Vec<String>; 4] = Default::default();
    for (wire, place) in book.wiring.at(machine, &terminal.function) {
        cells[0].push(wire.number.map(|number| number.to_string()).unwrap_or_default());
        cells[1].push(escaped(&words::colour(wire)));
        cells[2].push(words::gauge(wire.gauge));
        cells[3].push(escaped(&words::goes_to(book.layout, machine, place)));
    }
    if cells[3].is_empty() {
        cells[3].push(escaped(&words::unwired(terminal)));
    }
    cells.map(|lines| lines.join("<br>"))
}

/// Which poles stand side by side, and what is in the frog's wire.
fn jumpers(book: &Book<'_>, machine: &MachineWiring) -> String {
    let layout = book.layout;
    let mut text = String::new();
    for frog in &machine.frogs {
        let it = &layout.frogs[frog.at()];
        let poles: Vec<String> = it.poles.iter().map(|pole| layout.pole_name(pole.pole)).collect();
        let name = words::frog_name(layout, *frog);
        if 1 < poles.len() {
            let _ = write!(
                text,
                "Jumpers put contacts {} side by side, so that they share the current of the {}. ",
                escaped(&words::and(&poles)),
                escaped(&name)
            );
        }
        if let Some(limiter) = it.limiter {
            let kind = match limiter.kind {
                wiring::layout::LimiterKind::Lamp => "a lamp",
                wiring::layout::LimiterKind::Ptc => "a resettable fuse",
                wiring::layout::LimiterKind::Resistor => "a resistor",
            };
            let _ = write!(
                text,
                "In the wire to the {}: {kind}, {}. ",
                escaped(&name),
                limiter.ohms_hot
            );
        }
    }
    if text.is_empty() { text } else { format!("<p class=\"jumpers\">{}</p>\n", text.trim_end()) }
}

/// Whether the wires go through the terminals' holes.
fn fit(book: &Book<'_>, machine: &MachineWiring) -> String {
    let fits = fits(book.layout, &book.wiring, machine);
    if fits.is_empty() {
        return String::new();
    }
    let items = fits.iter().map(|fit| format!("<li>{BOX}<span>{}</span></li>\n", fit_words(fit)));
    format!(
        "<div class=\"stage\"><h3>Wire and terminal hole</h3>\n<ul class=\"steps\">\n{}</ul></div>\n",
        items.collect::<String>()
    )
}

fn fit_words(fit: &Fit) -> String {
    let needs = format!("{:.2} mm", fit.needs);
    let drill = fit.drill.map_or_else(
        || "more than a number 50 drill".to_owned(),
        |drill| format!("number {} drill ({:.2} mm)", drill.number, drill.millimetres()),
    );
    let wires = wires_words(&fit.wires);
    let verdict = match (fit.hole, fit.fits()) {
        (Some(hole), Some(true)) => {
            format!("goes through the hole of {:.2} mm", hole.0 as f64 / 1e3)
        }
        (Some(hole), _) => format!(
            "<b>does not go through</b> the hole of {:.2} mm: a hole that clears it is a {drill}; drill only where metal \
             enough is left, or solder on a thinner tail",
            hole.0 as f64 / 1e3
        ),
        (None, _) => format!("hole {LINE} mm; {drill} clears it"),
    };
    format!("{wires} needs {needs}: {verdict}")
}

/// `22 AWG (bare 0.64 mm solid, 0.73 mm stranded; 1.53 mm insulated)`.
fn wires_words(wires: &[Gauge]) -> String {
    let each = |gauge: &Gauge| {
        let it = diameters(*gauge);
        format!(
            "{gauge} (bare {:.2} mm solid, {:.2} mm stranded, {:.1} mm insulated)",
            it.solid, it.stranded, it.insulated
        )
    };
    match wires {
        [one, two] if one == two => format!("Two {}", each(one)),
        [one, rest @ ..] if rest.iter().all(|it| it == one) && !rest.is_empty() => {
            format!("{} times {}", wires.len(), each(one))
        }
        several => several.iter().map(each).collect::<Vec<_>>().join(" with "),
    }
}
