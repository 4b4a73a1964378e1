//! Where in the layout file something stands: byte offsets to lines and columns.

use crate::layout::Span;

/// A place in a text as a person counts. Both start at 1; the column counts characters, not bytes.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct Place {
    /// Line, from 1.
    pub line: usize,
    /// Column, from 1.
    pub column: usize,
}

/// The starts of a text's lines, so that a byte offset is found without reading the text again.
#[derive(Clone, Debug)]
pub struct LineIndex<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> LineIndex<'t> {
    /// Indexes `text`. Lines end with a line feed; a carriage return before it belongs to no column of interest.
    #[must_use]
    pub fn new(text: &'t str) -> Self {
        let after_breaks = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        let starts = std::iter::once(0).chain(after_breaks.map(|(at, _)| at + 1)).collect();
        Self { text, starts }
    }

    /// The text.
    #[must_use]
    pub const fn text(&self) -> &'t str {
        self.text
    }

    /// The place of a byte offset; an offset beyond the end is taken as the end.
    #[must_use]
    pub fn place(&self, offset: usize) -> Place {
        let offset = self.whole_character(offset);
        let line = self.starts.partition_point(|start| *start <= offset).max(1);
        let start = self.starts[line - 1];
        Place { line, column: self.text[start..offset].chars().count() + 1 }
    }

    /// The text of a line (from 1) without its line break; empty for a line that does not exist.
    #[must_use]
    pub fn line(&self, line: usize) -> &'t str {
        let Some(&start) = line.checked_sub(1).and_then(|at| self.starts.get(at)) else {
            return "";
        };
        let end = self.starts.get(line).map_or(self.text.len(), |next| next - 1);
        self.text[start..end].trim_end_matches('\r')
    }

    /// What a span covers; empty for a span that is none of this text.
    #[must_use]
    pub fn covered(&self, span: Span) -> &'t str {
        self.text.get(span.start..span.end).unwrap_or("")
    }

    fn whole_character(&self, offset: usize) -> usize {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        offset
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_count_characters_and_lines_start_at_one() {
        let lines = LineIndex::new("a\nµΩ = 5\r\n\nend");
        let cases =
            [(0, 1, 1), (2, 2, 1), (4, 2, 2), (6, 2, 3), (12, 3, 1), (13, 4, 1), (99, 4, 4)];
        for (offset, line, column) in cases {
            assert_eq!(lines.place(offset), Place { line, column }, "offset {offset}");
        }
        assert_eq!(lines.line(2), "µΩ = 5");
        assert_eq!(lines.line(9), "");
    }

    #[test]
    fn an_offset_inside_a_character_is_the_place_of_that_character() {
        assert_eq!(LineIndex::new("µ").place(1), Place { line: 1, column: 1 });
    }
}
