//! Tables on the terminal: one line under the head, nothing else drawn, long cells wrapped.

use comfy_table::{ContentArrangement, LineStyle, Table, TableStyle};

/// Width where the output is no terminal and nothing else says how wide it may be.
const WIDTH: u16 = 120;
/// Narrower than this a table is not readable, whatever the terminal says.
const NARROWEST: u16 = 60;

const STYLE: TableStyle =
    TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));

/// A table without rows.
#[must_use]
pub fn table(head: &[&str]) -> Table {
    let mut table = Table::new();
    table
        .load_style(STYLE)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(width())
        .set_header(head);
    table
}

/// Columns that a line may have.
#[must_use]
pub fn width() -> u16 {
    terminal_size::terminal_size().map_or(WIDTH, |(width, _)| width.0.max(NARROWEST))
}
