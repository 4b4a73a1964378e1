//! Whole pages: the overview, a district, and everything in one.

use wiring::{
    index::DistrictIx,
    terminals::{
        MachineWiring,
        fit::{DRILLS_SOURCE, INSULATION},
        totals::totals,
    },
};

use super::{
    Book, district,
    html::{BOX, Table, escaped},
    labels, machine, words,
};

/// What every page says about safety.
pub const CAUTION: &str = "Unplug the booster before you work under the layout. Checkrail supervises; it does not \
                           replace a breaker, a fuse or a current-limited supply sized for the wiring.";

const STYLE: &str = include_str!("sheet.css");

/// The page of a district.
pub fn district(book: &Book<'_>, at: usize) -> String {
    let title = format!("District {}", book.layout.districts[at].id);
    page(book, &title, &[head(book, &title), part(book, DistrictIx::new(at))].concat())
}

/// Index page, machines and labels of a district.
fn part(book: &Book<'_>, of: DistrictIx) -> String {
    let machines = district::machines(book, of);
    let sheets: String = machines.iter().map(|it| machine::page(book, it)).collect();
    let labels = labels::labels(book.layout, district::wires(book, of));
    [district::index(book, of), sheets, labels].concat()
}

/// Everything in one page.
pub fn all(book: &Book<'_>) -> String {
    let mut body = [head(book, "Wiring sheets"), overview(book, false)].concat();
    for at in 0..book.layout.districts.len() {
        let id = escaped(&book.layout.districts[at].id);
        body.push_str(&format!("<h1 class=\"part\">District {id}</h1>\n"));
        body.push_str(&part(book, DistrictIx::new(at)));
    }
    let homeless = homeless(book);
    if !homeless.is_empty() {
        body.push_str("<h1 class=\"part\">Machines that no trackwork names</h1>\n");
        body.extend(homeless.iter().map(|it| machine::page(book, it)));
    }
    page(book, "Wiring sheets", &body)
}

/// The overview, with the way to the other pages.
pub fn index(book: &Book<'_>) -> String {
    page(book, "Wiring sheets", &[head(book, "Wiring sheets"), overview(book, true)].concat())
}

fn homeless<'a>(book: &'a Book<'_>) -> Vec<&'a MachineWiring> {
    book.wiring.machines.iter().filter(|it| it.district.is_none()).collect()
}

fn overview(book: &Book<'_>, with_links: bool) -> String {
    let mut table = Table::new(
        "",
        &["District", "Machines", "Wires", "Length stated", "Done", "Date, initials"],
    );
    for (at, it) in book.layout.districts.iter().enumerate() {
        let of = DistrictIx::new(at);
        let id = escaped(&it.id);
        let name = if with_links {
            format!("<a href=\"{}\">{id}</a>", escaped(&book.files[at]))
        } else {
            id
        };
        let sums = totals(district::wires(book, of));
        let length: f64 = sums.iter().map(|sum| sum.length.metres()).sum();
        let wires: u32 = sums.iter().map(|sum| sum.pieces).sum();
        table.row(&[
            name,
            district::machines(book, of).len().to_string(),
            wires.to_string(),
            format!("{length:.2} m"),
            BOX.to_owned(),
            String::new(),
        ]);
    }
    let all =
        if with_links { "<p><a href=\"all.html\">All districts in one page</a></p>\n" } else { "" };
    let homeless = homeless(book);
    let homeless = if homeless.is_empty() {
        String::new()
    } else {
        format!(
            "<p>Machines that no trackwork names:</p>\n{}",
            district::machine_table(book, &homeless)
        )
    };
    format!(
        "<section class=\"index\">\n<h2>Districts</h2>\n{}{all}{homeless}{}{}{}</section>\n",
        table.done(),
        district::total_table(&totals(&book.wiring.wires)),
        colours(book),
        notes(),
    )
}

fn colours(book: &Book<'_>) -> String {
    if book.layout.colours.is_empty() {
        return "<h2>Colours</h2>\n<p>The layout file has no [colours]: the wires' colours are left to the pen.</p>\n"
            .to_owned();
    }
    let mut table = Table::new("parts", &["Wire", "Colour"]);
    for (wire, colour) in &book.layout.colours {
        table.row(&[escaped(wire), escaped(colour)]);
    }
    format!("<h2>Colours</h2>\n{}", table.done())
}

/// Where the figures come from.
fn notes() -> String {
    format!(
        "<h2>Where the figures come from</h2>\n<ul class=\"note\">\n\
         <li>Bare diameter of a wire: ASTM B258 for AWG, else from its area; seven strands are 1.13 times as thick as \
         solid wire of the same copper. Insulation {INSULATION} mm thick, as hook-up wire for 300 V has it: from memory, \
         so measure yours.</li>\n\
         <li>Drills: {DRILLS_SOURCE}.</li>\n\
         <li>Volts across a contact: derived from the voltage at which silver softens, 0.09 V (Holm, Electric \
         Contacts). An ohmmeter cannot see it: its current is too small.</li>\n\
         <li>Order of the bench test: common practice, no source.</li>\n</ul>\n"
    )
}

fn head(book: &Book<'_>, title: &str) -> String {
    let errors = match book.errors {
        0 => String::new(),
        count => format!(
            "<p class=\"caution\">Do not solder by this sheet yet: checkrail check finds {} in the wiring.</p>\n",
            words::counted(count, "error")
        ),
    };
    format!(
        "<header class=\"page\">\n<h1>{}</h1>\n<p class=\"rev\">{}<br>revision {}, {}</p>\n</header>\n\
         {errors}<p class=\"caution\">{CAUTION}</p>\n",
        escaped(title),
        escaped(&book.layout.name),
        book.revision,
        escaped(&book.date)
    )
}

fn page(book: &Book<'_>, title: &str, body: &str) -> String {
    let name = escaped(&book.layout.name);
    let title = escaped(title);
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>{title}, {name}</title>\n\
         <style>\n{STYLE}</style>\n</head>\n<body>\n{body}</body>\n</html>\n"
    )
}
