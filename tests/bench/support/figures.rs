//! Figures of many times, and one Markdown table.

use std::time::Duration;

/// Times of one kind, in order.
#[derive(Clone, Debug, Default)]
pub(crate) struct Times {
    sorted: Vec<f64>,
    /// How many should have come.
    pub(crate) expected: usize,
}

impl Times {
    /// From what came of `expected`.
    pub(crate) fn add(&mut self, times: &[Duration], expected: usize) {
        self.sorted.extend(times.iter().map(|it| it.as_secs_f64() * 1e6));
        self.sorted.sort_by(f64::total_cmp);
        self.expected += expected;
    }

    /// The time below which this share lies; none where nothing came. Unit: µs.
    pub(crate) fn at(&self, share: f64) -> Option<f64> {
        let last = self.sorted.len().checked_sub(1)?;
        self.sorted.get((last as f64 * share).round() as usize).copied()
    }

    /// `p50 / p99 / max`, and what did not come.
    pub(crate) fn text(&self) -> String {
        let Some((p50, p99, max)) =
            self.at(0.5).zip(self.at(0.99)).zip(self.at(1.0)).map(|((a, b), c)| (a, b, c))
        else {
            return "nothing came".to_owned();
        };
        let lost = self.expected - self.sorted.len();
        let lost = if lost == 0 { String::new() } else { format!(", {lost} lost") };
        format!("{p50:.0} / {p99:.0} / {max:.0} µs{lost}")
    }
}

/// A row: what, on which conditions, its figure, what it is beside, their ratio, the goal.
pub(crate) struct Row(pub(crate) [String; 5]);

/// Titles of the columns.
pub(crate) const TITLES: [&str; 5] = ["what", "figure", "beside it", "ratio", "goal"];

/// Prints rows as Markdown, columns aligned.
pub(crate) fn print(rows: &[Row]) {
    let titles = TITLES.map(str::to_owned);
    let width = |column: usize| {
        let cells = rows.iter().map(|row| row.0[column].chars().count());
        cells.chain([titles[column].chars().count()]).max().unwrap_or(0)
    };
    let widths: [usize; 5] = std::array::from_fn(width);
    let line = |cells: &[String; 5]| {
        let cells = cells.iter().zip(widths).map(|(cell, width)| format!("{cell:width$}"));
        println!("| {} |", cells.collect::<Vec<_>>().join(" | "));
    };
    line(&titles);
    line(&widths.map(|it| "-".repeat(it)));
    rows.iter().for_each(|row| line(&row.0));
}

/// A row.
pub(crate) fn row(what: &str, figure: &str, beside: &str, ratio: &str, goal: &str) -> Row {
    Row([what, figure, beside, ratio, goal].map(str::to_owned))
}

/// A ratio of two figures against its goal, and whether that is met.
pub(crate) fn ratio(of: Option<f64>, to: Option<f64>) -> Option<f64> {
    of.zip(to).map(|(of, to)| of / to)
}

/// `1.24`, or that it was not measured.
pub(crate) fn number(it: Option<f64>) -> String {
    it.map_or_else(|| "not measured".to_owned(), |it| format!("{it:.2}"))
}

/// The goal, and whether the ratio meets it.
pub(crate) fn judged(goal: &str, met: Option<bool>) -> String {
    match met {
        Some(true) => format!("{goal}: met"),
        Some(false) => format!("{goal}: MISSED"),
        None => goal.to_owned(),
    }
}
