//! The report: one HTML page with nothing outside it, for screen and print.

use std::fmt::Write;

use wiring::{layout::Layout, units::Microamps};

use super::{CAUTION, Table, escaped, one_line, summary, tables, time_current};
use crate::study::Study;

const STYLE: &str = "\
:root{--ink:#1b1b1b;--rule:#8a8a8a;--faint:#d4d4d4;--ground:#fff}\
body{font:15px/1.45 system-ui,sans-serif;color:var(--ink);background:var(--ground);max-width:64rem;margin:2rem auto;padding:0 1rem}\
h1{margin-bottom:0}h2{margin-top:2.2rem;border-bottom:2px solid var(--ink)}h3{margin-bottom:.3rem}\
.caution{border:2px solid var(--ink);padding:.6rem .8rem;font-weight:600}\
.note{max-width:46rem}.scroll{overflow-x:auto}\
table{border-collapse:collapse;font-size:13px;font-variant-numeric:tabular-nums;width:100%}\
th,td{text-align:left;padding:.22rem .5rem;border-bottom:1px solid var(--faint);vertical-align:top}\
thead th{border-bottom:1.5px solid var(--ink)}tr.bad td{font-weight:700}\
tr.bad td:first-child::before{content:'\\25B2\\00A0'}\
svg{width:100%;height:auto;max-width:54rem}svg text{font:12px system-ui,sans-serif;fill:var(--ink);stroke:#fff;stroke-width:3px;paint-order:stroke}\
svg .middle{text-anchor:middle}svg .end{text-anchor:end}svg .small{font-size:10.5px}\
svg .major{stroke:#b8b8b8;fill:none}svg .minor{stroke:#e6e6e6;fill:none}\
svg .line{fill:none;stroke-width:2}svg .mark{fill:#fff;stroke-width:1.6}\
svg .band{fill:#000;fill-opacity:.09;stroke:#555;stroke-dasharray:1 3}\
svg .wire{fill:none;stroke:var(--ink);stroke-width:1.5}svg .dot{fill:var(--ink)}\
@media print{body{margin:0;max-width:none;font-size:11px}h2{break-after:avoid}figure,tr{break-inside:avoid}thead{display:table-header-group}}\
";

/// The report of a study. `load` is the load that its voltage drops were studied with.
#[must_use]
pub fn html(layout: &Layout, study: &Study, load: Microamps) -> String {
    let name = escaped(&layout.name);
    let mut page = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>Circuit study: {name}</title>\n\
         <style>{STYLE}</style>\n</head>\n<body>\n<h1>{name}</h1>\n<p>Circuit study by Checkrail.</p>\n\
         <p class=\"caution\">{}</p>\n",
        escaped(CAUTION)
    );
    answer(&mut page, layout, study, load);
    put(&mut page, format_args!("<h2>Power tree</h2>\n<figure>{}</figure>\n", one_line(layout)));
    page.push_str("<h2>Time over current</h2>\n");
    page.push_str(
        "<p class=\"note\">A line lies below another where its device acts sooner. What must clear a fault has to lie \
         below the contact at the currents marked <em>shorts here</em>, for a protected contact at half its time.</p>\n",
    );
    for one in &study.coordination {
        let district = escaped(&layout.districts[one.district.at()].id);
        let plot = time_current(layout, one);
        put(&mut page, format_args!("<figure><h3>District {district}</h3>\n{plot}</figure>\n"));
    }
    put(
        &mut page,
        format_args!("<p class=\"note\">Voltage drops: for a train that draws {load}.</p>\n"),
    );
    for table in tables(layout, study) {
        draw_table(&mut page, &table);
    }
    page.push_str("</body>\n</html>\n");
    page
}

/// Writing to a string cannot fail.
fn put(page: &mut String, text: std::fmt::Arguments<'_>) {
    page.write_fmt(text).expect("a string takes any text");
}

fn answer(page: &mut String, layout: &Layout, study: &Study, load: Microamps) {
    page.push_str("<ul>\n");
    for sentence in summary(layout, study, load) {
        put(page, format_args!("<li>{}</li>\n", escaped(&sentence)));
    }
    page.push_str("</ul>\n");
}

fn draw_table(page: &mut String, table: &Table) {
    put(
        page,
        format_args!(
            "<h2>{}</h2>\n<p class=\"note\">{}</p>\n<div class=\"scroll\"><table>\n<thead><tr>",
            escaped(table.title),
            escaped(table.note)
        ),
    );
    for head in table.head {
        put(page, format_args!("<th scope=\"col\">{}</th>", escaped(head)));
    }
    page.push_str("</tr></thead>\n<tbody>\n");
    for row in &table.rows {
        let bad =
            row.iter().any(|cell| cell == "UNPROTECTED" || cell == "FAILS" || cell == "nothing");
        page.push_str(if bad { "<tr class=\"bad\">" } else { "<tr>" });
        for cell in row {
            put(page, format_args!("<td>{}</td>", escaped(cell)));
        }
        page.push_str("</tr>\n");
    }
    page.push_str("</tbody>\n</table></div>\n");
}
