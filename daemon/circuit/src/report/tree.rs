//! One-line diagram of the power tree as SVG: boosters, districts with their breakers, blocks with their feeders.

use std::fmt::Write;

use wiring::{
    index::{BoosterIx, DistrictIx},
    layout::{Block, Booster, BreakerKind, District, Layout},
};

use super::escaped;

const ROW: f64 = 26.0;
const TOP: f64 = 20.0;
/// Where boosters, breakers, bus ends and blocks stand.
const COLUMNS: [f64; 4] = [24.0, 190.0, 470.0, 520.0];
const WIDTH: f64 = 780.0;

/// The diagram.
#[must_use]
pub fn one_line(layout: &Layout) -> String {
    let mut body = String::new();
    let mut row = 0;
    for (at, booster) in layout.boosters.iter().enumerate() {
        row = draw_booster(&mut body, layout, (BoosterIx::new(at), booster), row);
    }
    let height = TOP * 2.0 + row as f64 * ROW;
    format!(
        "<svg viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-label=\"One-line diagram of the power tree\">\n\
         {body}</svg>\n"
    )
}

fn y(row: usize) -> f64 {
    TOP + row as f64 * ROW
}

/// Writing to a string cannot fail.
fn put(svg: &mut String, text: std::fmt::Arguments<'_>) {
    svg.write_fmt(text).expect("a string takes any text");
}

/// Draws a booster with all that hangs on it; returns the next free row.
fn draw_booster(
    svg: &mut String,
    layout: &Layout,
    (index, booster): (BoosterIx, &Booster),
    first: usize,
) -> usize {
    let [left, breaker, ..] = COLUMNS;
    let at = y(first);
    let label = format!("{}: {}, {}", booster.id, booster.volts, booster.limit);
    put(
        svg,
        format_args!(
            "<circle class=\"wire\" cx=\"{left}\" cy=\"{at}\" r=\"9\"/>\
             <path class=\"wire\" d=\"M{} {}l3 -5l3 5l3 -5\"/>\n\
             <text x=\"{}\" y=\"{}\">{}</text>\n",
            left - 4.0,
            at + 3.0,
            left + 16.0,
            at - 6.0,
            escaped(&label)
        ),
    );
    let own = layout.districts.iter().enumerate().filter(|(_, one)| one.booster == index);
    let mut row = first;
    let mut last = first;
    for (at, district) in own {
        last = row;
        row = draw_district(svg, layout, (DistrictIx::new(at), district), row);
    }
    let trunk = breaker - 16.0;
    put(
        svg,
        format_args!("<path class=\"wire\" d=\"M{} {at}H{trunk}V{}\"/>\n", left + 9.0, y(last)),
    );
    row.max(first + 1)
}

fn draw_district(
    svg: &mut String,
    layout: &Layout,
    (index, district): (DistrictIx, &District),
    first: usize,
) -> usize {
    let [_, breaker, bus, block_left] = COLUMNS;
    let at = y(first);
    let label = format!("{}: {}", district.id, wire(&district.bus));
    put(
        svg,
        format_args!(
            "<path class=\"wire\" d=\"M{} {at}h16m20 0H{bus}\"/>\n<text x=\"{}\" y=\"{}\">{}</text>\n",
            breaker - 16.0,
            breaker + 28.0,
            at - 6.0,
            escaped(&label)
        ),
    );
    draw_breaker(svg, district, breaker, at);
    let mut row = first;
    for block in layout.blocks.iter().filter(|block| block.district == index) {
        let at = y(row);
        put(
            svg,
            format_args!(
                "<path class=\"wire\" d=\"M{bus} {at}H{block_left}\"/>\n\
                 <circle class=\"dot\" cx=\"{bus}\" cy=\"{at}\" r=\"2.5\"/>\n\
                 <text x=\"{}\" y=\"{}\">{}</text>\n",
                block_left + 6.0,
                at + 4.0,
                escaped(&block_text(block))
            ),
        );
        row += 1;
    }
    let low = y(row.max(first + 1) - 1);
    put(svg, format_args!("<path class=\"wire\" d=\"M{bus} {at}V{low}\"/>\n"));
    row.max(first + 1)
}

/// A box; a cross in it opens, a line through it melts, a slope limits by heat, a circle with a cross is a lamp.
fn draw_breaker(svg: &mut String, district: &District, x: f64, y: f64) {
    let top = y - 7.0;
    let inside = match district.breaker.kind {
        BreakerKind::Electronic => format!("M{} {}l8 8m0 -8l-8 8", x + 6.0, y - 4.0),
        BreakerKind::Fuse => format!("M{x} {y}h20"),
        BreakerKind::Ptc => format!("M{} {}h4l8 -10h4", x + 2.0, y + 5.0),
        BreakerKind::Lamp => {
            format!("M{0} {1}m-6 0a6 6 0 1 0 12 0a6 6 0 1 0 -12 0m2 -4l8 8m0 -8l-8 8", x + 10.0, y)
        }
        BreakerKind::None => format!("M{x} {y}h20"),
    };
    let frame = match district.breaker.kind {
        BreakerKind::Electronic | BreakerKind::Fuse | BreakerKind::Ptc => {
            format!("M{x} {top}h20v14h-20z")
        }
        BreakerKind::Lamp | BreakerKind::None => String::new(),
    };
    put(svg, format_args!("<path class=\"wire\" d=\"{frame}{inside}\"/>\n"));
    let text = breaker_text(district);
    put(
        svg,
        format_args!(
            "<text x=\"{}\" y=\"{}\" class=\"small\">{}</text>\n",
            x + 28.0,
            y + 13.0,
            escaped(&text)
        ),
    );
}

fn breaker_text(district: &District) -> String {
    let kind = match district.breaker.kind {
        BreakerKind::Electronic => "breaker",
        BreakerKind::Fuse => "fuse",
        BreakerKind::Ptc => "resettable fuse",
        BreakerKind::Lamp => "lamp",
        BreakerKind::None => "no breaker",
    };
    let trip = district.breaker.trip.map_or_else(String::new, |trip| format!(" {trip}"));
    let cut = if district.cut { ", Checkrail may cut" } else { "" };
    format!("{kind}{trip}{cut}")
}

fn wire(wire: &wiring::layout::Wire) -> String {
    let pairs = if wire.pairs > 1 { format!(" x {}", wire.pairs) } else { String::new() };
    format!("{}, {}{pairs}", wire.gauge, wire.length)
}

fn block_text(block: &Block) -> String {
    let reverser = if block.reverser.is_some() { ", reverser" } else { "" };
    format!("{}: {}{reverser}", block.id, wire(&block.feeder))
}
