//! Reads a layout file: text in, model and errors out. All errors of a file are reported in one run.
//!
//! Two passes. The first walks the parsed file along the grammar and checks the form of every key and value. The second
//! resolves references and builds the model; what has a broken reference is left out, and what refers to it is quiet.

mod build;
mod error;
mod fields;
mod frogs;
mod lcc;
mod links;
mod machines;
mod message;
mod modbus;
mod names;
mod passed_on;
mod scalar;
mod settings;
mod shape;
mod syntax;
mod tracks;
mod trackwork;

use toml::de::DeTable;

pub use error::{FileError, FileErrorKind, IdProblem};

use crate::layout::{Layout, Span};

/// The largest file that is read. Unit: byte. A layout of a thousand turnouts takes a tenth of it.
pub const FILE_SIZE_MAX: usize = 4 * 1024 * 1024;

/// What a layout file turned out to be.
#[derive(Clone, Debug)]
pub struct ReadResult {
    /// Everything that could be resolved; none when the text could not be parsed at all.
    pub layout: Option<Layout>,
    /// Everything that is wrong, in the order of the file.
    pub errors: Vec<FileError>,
    /// The text is TOML: whatever is wrong is wrong about the layout.
    pub is_toml: bool,
    /// Subjects such as `block/q1` that are in the file and, because of an error, not in `layout`.
    pub left_out: Vec<String>,
}

/// Reads the text of a layout file. Never panics, whatever the text.
///
/// `run`, `replay` and `study` need `errors` to be empty; `check` goes on with what is there.
#[must_use]
pub fn read(text: &str) -> ReadResult {
    if FILE_SIZE_MAX < text.len() {
        return too_large(text.len());
    }
    let syntax = syntax::Syntax::new(text);
    let (document, _) = DeTable::parse_recoverable(&syntax.readable);
    let mut shape = shape::Shape::default();
    let root = shape.file(document.get_ref());
    let mut build = build::Build::new(text, &root, shape.assumed);
    build.all();
    let is_toml = syntax.errors.is_empty();
    let meant = shape.errors.into_iter().chain(build.errors);
    let mut errors: Vec<FileError> = meant.filter(|error| !syntax.is_echo(error)).collect();
    errors.extend(syntax.errors);
    errors.sort_by_key(|error| error.span.start);
    ReadResult { layout: Some(build.layout), errors, is_toml, left_out: build.left_out }
}

fn too_large(bytes: usize) -> ReadResult {
    let kind = FileErrorKind::TooLarge { bytes };
    let subject = "layout".to_owned();
    let error = FileError { span: Span::default(), also: Vec::new(), subject, kind };
    ReadResult { layout: None, errors: vec![error], is_toml: false, left_out: Vec::new() }
}
