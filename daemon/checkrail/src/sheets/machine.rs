//! The sheet of one machine.

use wiring::{
    layout::Machine,
    terminals::{
        MachineWiring,
        fit::{Fit, diameters, fits},
        sheet,
    },
    units::Gauge,
};

use super::{
    Book, bench, drawing,
    html::{BOX, LINE, Table, escaped},
    qr, words,
};

/// Everything about one machine, never split over two pages.
pub fn page(book: &Book<'_>, machine: &MachineWiring) -> String {
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
        .and_then(|dashboard| qr::code(&format!("{dashboard}/commission/{}", it.id)))
        .map(|code| drawn(&code))
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
        escaped(&sheet::belongs(book.layout, machine)),
        escaped(&book.layout.name),
        book.revision,
        escaped(&book.date),
        words::counted(it.poles.len(), "contact"),
        it.contact_rating,
    )
}

fn drawn(code: &qr::Code) -> String {
    format!(
        "<svg class=\"qr\" viewBox=\"0 0 {0} {0}\" role=\"img\" aria-label=\"Code of the machine's page\" \
         shape-rendering=\"crispEdges\"><path d=\"{1}\"/></svg>",
        code.size, code.path
    )
}

fn terminals(book: &Book<'_>, machine: &MachineWiring) -> String {
    let mut table = Table::new(
        "terminals",
        &["Terminal", "Function", "No.", "Wire", "Gauge", "Goes to", "Measured", "Checked", "Note"],
    );
    for row in sheet::rows(book.layout, &book.wiring, machine) {
        let terminal = escaped(&row.terminal);
        let name =
            if row.is_named { format!("<b>{terminal}</b>") } else { format!("({terminal})") };
        let [number, wire, gauge, to] = ends(&row);
        let function = escaped(&row.function);
        let cells =
            [name, function, number, wire, gauge, to, String::new(), BOX.to_owned(), String::new()];
        table.row(&cells);
    }
    table.done()
}

/// Number, colour, gauge and other end of all wires at a terminal, each on a line of its own.
fn ends(row: &sheet::Row) -> [String; 4] {
    let mut cells: [Vec<String>; 4] = Default::default();
    for end in &row.wires {
        cells[0].push(end.number.map(|number| number.to_string()).unwrap_or_default());
        cells[1].push(escaped(&end.colour));
        cells[2].push(words::gauge(end.gauge));
        cells[3].push(escaped(&end.to));
    }
    cells[3].extend(row.free.as_deref().map(escaped));
    cells.map(|lines| lines.join("<br>"))
}

/// Which poles stand side by side, and what is in the frog's wire.
fn jumpers(book: &Book<'_>, machine: &MachineWiring) -> String {
    let notes = sheet::notes(book.layout, machine);
    if notes.is_empty() {
        return String::new();
    }
    format!("<p class=\"jumpers\">{}</p>\n", escaped(&notes.join(" ")))
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
