//! A waveform as a compact text plot.

use super::number;
use crate::json::{Fault, Waveform};

/// Columns at most.
const WIDTH: usize = 64;

/// Rows of a plot; each holds eight eighths.
const HEIGHT: usize = 6;

/// Shown before onset and after the current was gone. Unit: ms.
const MARGIN_MS: f64 = 100.0;

/// The part of the record that is shown, in ms from the trigger.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Window {
    from: f64,
    to: f64,
}

impl Window {
    /// From a little before the onset to a little after current was gone, or the proof of the last cut.
    pub(super) fn of(fault: &Fault) -> Self {
        let gone = fault.summary.cleared_ms.map_or(0.0, |ms| fault.onset_ms + ms);
        let proved = fault.cuts.iter().filter_map(|cut| cut.proved_ms).fold(0.0, f64::max);
        Self {
            from: fault.onset_ms.min(0.0) - MARGIN_MS,
            to: gone.max(proved).max(0.0) + MARGIN_MS,
        }
    }
}

/// The plot with its axis; none when the channel has no number in the window.
pub(super) fn plot(waveform: &Waveform, window: Window) -> Option<String> {
    let points: Vec<(f64, f64)> = waveform
        .ms
        .iter()
        .zip(&waveform.values)
        .filter(|(ms, _)| window.from <= **ms && **ms <= window.to)
        .filter_map(|(ms, value)| value.as_f64().map(|value| (*ms, value)))
        .collect();
    let unit = waveform.unit.as_deref()?;
    let top = points.iter().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
    if points.is_empty() {
        return None;
    }
    // Not more columns than samples, else gaps would show that are none; each as wide as fits.
    let count = WIDTH.min(points.len().max(2));
    let wide = WIDTH / count;
    let width = count * wide;
    let columns: Vec<Option<f64>> = columns(&points, window, count)
        .into_iter()
        .flat_map(|column| std::iter::repeat_n(column, wide))
        .collect();
    let mut out = format!("{} ({unit}, highest {})\n", waveform.channel, number(top, 3));
    let scale = if top > 0.0 { top } else { 1.0 };
    for row in (0..HEIGHT).rev() {
        let label = if row == HEIGHT - 1 { number(top.max(0.0), 2) } else { String::new() };
        let cells: String = columns.iter().map(|column| cell(*column, scale, row)).collect();
        out.push_str(format!("{label:>7} |{cells}").trim_end());
        out.push('\n');
    }
    out.push_str(&axis(window, width));
    Some(out)
}

/// The highest value of each column; none where it has no sample: a gap stays a gap.
fn columns(points: &[(f64, f64)], window: Window, width: usize) -> Vec<Option<f64>> {
    let mut columns = vec![None; width];
    let span = window.to - window.from;
    for (ms, value) in points {
        let at = ((ms - window.from) / span * width as f64) as usize;
        let column: &mut Option<f64> = &mut columns[at.min(width - 1)];
        *column = Some(column.map_or(*value, |highest: f64| highest.max(*value)));
    }
    columns
}

fn cell(column: Option<f64>, scale: f64, row: usize) -> char {
    const EIGHTHS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let Some(value) = column else { return ' ' };
    let filled = (value.max(0.0) / scale * (HEIGHT * 8) as f64).round() as usize;
    // A sample of nothing still shows that it was there.
    if row == 0 && filled == 0 {
        return '_';
    }
    EIGHTHS[filled.saturating_sub(row * 8).min(8)]
}

fn axis(window: Window, width: usize) -> String {
    let at = ((0.0 - window.from) / (window.to - window.from) * width as f64) as usize;
    let line: String =
        (0..width).map(|column| if column == at.min(width - 1) { '^' } else { '-' }).collect();
    let from = number(window.from, 0);
    let to = format!("{} ms", number(window.to, 0));
    let gap = width.saturating_sub(from.len() + to.len());
    format!("{:>7} +{line}\n{:>9}{from}{}{to}   (^ trigger)\n", "", "", " ".repeat(gap))
}
