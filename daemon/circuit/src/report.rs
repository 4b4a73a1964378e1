//! Results of the studies as tables, and as one page that stands by itself.
//!
//! Text, but no terminal and no file: whoever calls decides where it goes.

mod names;
mod page;
mod plot;
mod summary;
mod tables;
mod tree;

pub use page::html;
pub use plot::time_current;
pub use summary::summary;
pub use tables::{Table, tables};
pub use tree::one_line;

/// What must be said wherever somebody might act on a result.
pub const CAUTION: &str = "Checkrail supervises. It does not replace the breaker, fuse or current-limited supply that \
                           the wiring needs, and a computed result does not replace a test with power on.";

/// Text as it may stand in HTML and SVG.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::escaped;

    #[test]
    fn names_cannot_break_out_of_the_page() {
        assert_eq!(escaped("<a href='x'>&\""), "&lt;a href=&#39;x&#39;&gt;&amp;&quot;");
    }
}
