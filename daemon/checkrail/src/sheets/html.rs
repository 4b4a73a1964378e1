//! HTML as text: escaping, and tables.

use std::fmt::Write as _;

/// Text as it may stand in HTML.
#[must_use]
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            other => out.push(other),
        }
    }
    out
}

/// An empty box to tick.
pub const BOX: &str = "<span class=\"box\"></span>";
/// A line to write on.
pub const LINE: &str = "<span class=\"line\"></span>";

/// A table whose cells are HTML already.
#[derive(Debug)]
pub struct Table {
    text: String,
}

impl Table {
    /// Starts a table with these headings.
    #[must_use]
    pub fn new(class: &str, head: &[&str]) -> Self {
        let mut text = format!("<table class=\"{class}\">\n<thead><tr>");
        for name in head {
            let _ = write!(text, "<th>{}</th>", escaped(name));
        }
        text.push_str("</tr></thead>\n<tbody>\n");
        Self { text }
    }

    /// One more row.
    pub fn row<T: AsRef<str>>(&mut self, cells: &[T]) {
        self.text.push_str("<tr>");
        for cell in cells {
            let _ = write!(self.text, "<td>{}</td>", cell.as_ref());
        }
        self.text.push_str("</tr>\n");
    }

    /// A last row that stands out.
    pub fn sum<T: AsRef<str>>(&mut self, cells: &[T]) {
        self.text.push_str("<tr class=\"sum\">");
        for cell in cells {
            let _ = write!(self.text, "<td>{}</td>", cell.as_ref());
        }
        self.text.push_str("</tr>\n");
    }

    /// The table as HTML.
    #[must_use]
    pub fn done(mut self) -> String {
        self.text.push_str("</tbody></table>\n");
        self.text
    }
}
