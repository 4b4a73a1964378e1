//! Labels for both ends of every wire, to cut out.

#![allow(clippy::write_with_newline, reason = "a template shows its line ends")]

use std::fmt::Write as _;

use wiring::{layout::Layout, terminals::WireRun};

use super::{html::escaped, words};

/// The labels of some wires.
pub fn labels<'a>(layout: &Layout, wires: impl Iterator<Item = &'a WireRun>) -> String {
    let mut text = String::new();
    for wire in wires {
        let Some(number) = wire.number else { continue };
        for _ in 0..wire.count {
            pair(&mut text, layout, number, wire);
        }
    }
    if text.is_empty() {
        return text;
    }
    format!(
        "<section class=\"labels\">\n<h2>Wire labels</h2>\n\
         <p>Both ends of a wire bear its number. Cut out, fold around the wire, tape over. Jumpers have none.</p>\n\
         <ul>\n{text}</ul>\n</section>\n"
    )
}

fn pair(text: &mut String, layout: &Layout, number: u32, wire: &WireRun) {
    let [from, to] = [&wire.from, &wire.to].map(|place| escaped(&words::place(layout, place)));
    let colour = escaped(&words::colour(wire));
    for (here, there) in [(&from, &to), (&to, &from)] {
        let _ = write!(
            text,
            "<li><b>{number}</b> {here}<br>to {there} <i>{colour} {}</i></li>\n",
            words::gauge(wire.gauge)
        );
    }
}
