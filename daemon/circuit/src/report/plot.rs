//! Time-current plot of a district as SVG: log-log, lines told apart by dashes, marks and names, not by colour alone.

use std::fmt::Write;

use wiring::layout::Layout;

use super::escaped;
use crate::study::{
    Coordination, CurveKind, CurveLine,
    coordination::{AMPS, SECONDS},
};

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 460.0;
const LEFT: f64 = 64.0;
const TOP: f64 = 16.0;
const PLOT_WIDTH: f64 = 420.0;
const PLOT_HEIGHT: f64 = 380.0;

/// How a kind of line is drawn.
struct Style {
    colour: &'static str,
    dashes: &'static str,
    mark: Mark,
}

/// The mark on a line.
#[derive(Clone, Copy)]
enum Mark {
    Circle,
    Square,
    Diamond,
    Up,
    Down,
    Cross,
    Plus,
}

/// Colours of the palette of Okabe and Ito, which stay apart for most colour-blind people; all dark on white.
const fn style(kind: CurveKind) -> Style {
    let (colour, dashes, mark) = match kind {
        CurveKind::Contact => ("#b33c00", "", Mark::Circle),
        CurveKind::Pair => ("#b33c00", "9 4", Mark::Diamond),
        CurveKind::Breaker => ("#0060a0", "", Mark::Square),
        CurveKind::Booster => ("#000000", "2 4", Mark::Plus),
        CurveKind::Short => ("#00734f", "", Mark::Up),
        CurveKind::Overload => ("#00734f", "12 3 2 3", Mark::Down),
        CurveKind::AtLimit => ("#00734f", "4 4", Mark::Cross),
    };
    Style { colour, dashes, mark }
}

fn x(amps: f64) -> f64 {
    let part = (amps / AMPS.0).log10() / (AMPS.1 / AMPS.0).log10();
    LEFT + part.clamp(0.0, 1.0) * PLOT_WIDTH
}

fn y(seconds: f64) -> f64 {
    let part = (seconds / SECONDS.0).log10() / (SECONDS.1 / SECONDS.0).log10();
    TOP + (1.0 - part.clamp(0.0, 1.0)) * PLOT_HEIGHT
}

/// The plot.
#[must_use]
pub fn time_current(layout: &Layout, one: &Coordination) -> String {
    let name = escaped(&layout.districts[one.district.at()].id);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"Time over current, district {name}\">\n"
    );
    grid(&mut svg);
    if let Some((low, high)) = one.shorts {
        band(&mut svg, low.0, high.0);
    }
    for (place, line) in one.curves.iter().enumerate() {
        draw(&mut svg, line);
        legend(&mut svg, line, place);
    }
    if let Some((low, _)) = one.shorts {
        band_name(&mut svg, low.0);
    }
    if let Some((low, _)) = one.shorts {
        band_name(&mut svg, low.0);
    }
    svg.push_str("</svg>\n");
    svg
}

/// Writing to a string cannot fail.
fn put(svg: &mut String, text: std::fmt::Arguments<'_>) {
    svg.write_fmt(text).expect("a string takes any text");
}

fn grid(svg: &mut String) {
    let (right, bottom) = (LEFT + PLOT_WIDTH, TOP + PLOT_HEIGHT);
    for (value, label) in ticks(AMPS) {
        let (at, class) = (x(value), if label.is_some() { "major" } else { "minor" });
        put(svg, format_args!("<path class=\"{class}\" d=\"M{at:.1} {TOP}V{bottom}\"/>\n"));
        if let Some(label) = label {
            let below = bottom + 16.0;
            put(
                svg,
                format_args!("<text x=\"{at:.1}\" y=\"{below}\" class=\"middle\">{label}</text>\n"),
            );
        }
    }
    for (value, label) in ticks(SECONDS) {
        let (at, class) = (y(value), if label.is_some() { "major" } else { "minor" });
        put(svg, format_args!("<path class=\"{class}\" d=\"M{LEFT} {at:.1}H{right}\"/>\n"));
        if let Some(label) = label {
            let (before, base) = (LEFT - 6.0, at + 4.0);
            put(
                svg,
                format_args!("<text x=\"{before}\" y=\"{base:.1}\" class=\"end\">{label}</text>\n"),
            );
        }
    }
    let (middle, low) = (LEFT + PLOT_WIDTH / 2.0, bottom + 36.0);
    put(
        svg,
        format_args!(
            "<text x=\"{middle}\" y=\"{low}\" class=\"middle\">current in the fault, A</text>\n"
        ),
    );
    let centre = TOP + PLOT_HEIGHT / 2.0;
    put(
        svg,
        format_args!(
            "<text x=\"14\" y=\"{centre}\" class=\"middle\" transform=\"rotate(-90 14 {centre})\">time, s</text>\n"
        ),
    );
}

/// One, two and five of each decade carry a label, the others a thin line.
fn ticks((low, high): (f64, f64)) -> Vec<(f64, Option<String>)> {
    let mut ticks = Vec::new();
    for decade in low.log10().floor() as i32..=high.log10().ceil() as i32 {
        for digit in 1..10 {
            let value = f64::from(digit) * 10f64.powi(decade);
            let label = matches!(digit, 1 | 2 | 5).then(|| plain(value));
            if low * 0.999 <= value && value <= high * 1.001 {
                ticks.push((value, label));
            }
        }
    }
    ticks
}

fn plain(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The range of short-circuit currents of the district.
fn band(svg: &mut String, low: f64, high: f64) {
    let from = x(low) - 1.5;
    let width = x(high) - from + 1.5;
    put(
        svg,
        format_args!(
            "<rect class=\"band\" x=\"{from:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{PLOT_HEIGHT}\"/>\n"
        ),
    );
}

/// Over the lines, so that none runs through it.
fn band_name(svg: &mut String, low: f64) {
    let (before, base) = (x(low) - 5.0, TOP + 14.0);
    put(
        svg,
        format_args!("<text x=\"{before:.1}\" y=\"{base}\" class=\"end\">shorts here</text>\n"),
    );
}

/// Points between two marks on a line.
const MARKS_APART: usize = 32;

/// A line with a mark every few points. It begins where it comes into the plot and ends where it leaves it.
fn draw(svg: &mut String, line: &CurveLine) {
    let Style { colour, dashes, mark } = style(line.kind);
    let shown = |seconds: f64| SECONDS.0 <= seconds && seconds <= SECONDS.1;
    let points = line.points.iter().filter(|(_, seconds)| shown(*seconds));
    let inside: Vec<(f64, f64)> = points.copied().collect();
    let Some(&(first, _)) = inside.first() else { return };
    let mut path = String::new();
    // A device that acts from a current on has a vertical beginning.
    if line.points.first() == inside.first() && is_sharp(line.kind) {
        put(&mut path, format_args!("M{:.1} {TOP}L", x(first)));
    } else {
        path.push('M');
    }
    for (amps, seconds) in &inside {
        put(&mut path, format_args!("{:.1} {:.1} ", x(*amps), y(*seconds)));
    }
    put(
        svg,
        format_args!(
            "<path class=\"line\" stroke=\"{colour}\" stroke-dasharray=\"{dashes}\" d=\"{}\"/>\n",
            path.trim_end()
        ),
    );
    for (amps, seconds) in inside.iter().skip(8).step_by(MARKS_APART) {
        place_mark(svg, mark, colour, x(*amps), y(*seconds));
    }
}

const fn is_sharp(kind: CurveKind) -> bool {
    match kind {
        CurveKind::Breaker | CurveKind::Booster | CurveKind::Short | CurveKind::AtLimit => true,
        CurveKind::Contact | CurveKind::Pair | CurveKind::Overload => false,
    }
}

fn place_mark(svg: &mut String, mark: Mark, colour: &str, x: f64, y: f64) {
    let path = match mark {
        Mark::Circle => "m-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0",
        Mark::Square => "m-3.5 -3.5h7v7h-7z",
        Mark::Diamond => "m0 -5l5 5l-5 5l-5 -5z",
        Mark::Up => "m0 -5l4.5 8h-9z",
        Mark::Down => "m0 5l4.5 -8h-9z",
        Mark::Cross => "m-4 -4l8 8m0 -8l-8 8",
        Mark::Plus => "m-5 0h10m-5 -5v10",
    };
    put(
        svg,
        format_args!("<path class=\"mark\" stroke=\"{colour}\" d=\"M{x:.1} {y:.1}{path}\"/>\n"),
    );
}

fn legend(svg: &mut String, line: &CurveLine, place: usize) {
    let Style { colour, dashes, mark } = style(line.kind);
    let left = LEFT + PLOT_WIDTH + 16.0;
    let at = TOP + 14.0 + place as f64 * 26.0;
    put(
        svg,
        format_args!(
            "<path class=\"line\" stroke=\"{colour}\" stroke-dasharray=\"{dashes}\" d=\"M{left} {at}h36\"/>\n"
        ),
    );
    place_mark(svg, mark, colour, left + 18.0, at);
    let (text, base) = (left + 44.0, at + 4.0);
    put(svg, format_args!("<text x=\"{text}\" y=\"{base}\">{}</text>\n", escaped(&line.label)));
}
