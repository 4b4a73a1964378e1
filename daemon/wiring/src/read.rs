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
mod mqtt;
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

/// The largest file that is read. Unit: byte. A layout of ten thousand turnouts takes less than half of it.
pub const FILE_SIZE_MAX: usize = 16 * 1024 * 1024;

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

/// A layout file read with settings of protection from a second text.
#[derive(Clone, Debug)]
pub struct Changed {
    /// The layout file, its settings changed.
    pub read: ReadResult,
    /// What is wrong with the second text; spans are places in it.
    pub errors: Vec<FileError>,
}

/// Reads a layout file as if the settings of `changes` were written into it, in place of its own at the same places.
///
/// `changes` takes `[protection]`, `[district.ID.protection]`, `[block.ID.protection]` and `[machine.ID.protection]`, in
/// the grammar of the layout file. Never panics, whatever the texts.
#[must_use]
pub fn read_changed(text: &str, changes: &str) -> Changed {
    if FILE_SIZE_MAX < changes.len() {
        let Some(error) = too_large(changes.len()).errors.pop() else {
            return Changed { read: read(text), errors: Vec::new() };
        };
        return Changed { read: read(text), errors: vec![error] };
    }
    let syntax = syntax::Syntax::new(changes);
    let (document, _) = DeTable::parse_recoverable(&syntax.readable);
    let mut shape = shape::Shape::default();
    let fields = shape.changes(document.get_ref());
    let (read, meant) = read_with(text, Some(Changes { fields: &fields, text: changes }));
    let errors = in_order(shape.errors.into_iter().chain(meant), syntax);
    Changed { read, errors }
}

/// Reads the text of a layout file. Never panics, whatever the text.
///
/// `run`, `replay` and `study` need `errors` to be empty; `check` goes on with what is there.
#[must_use]
pub fn read(text: &str) -> ReadResult {
    read_with(text, None).0
}

/// Settings from a second text, after the first pass.
#[derive(Clone, Copy, Debug)]
struct Changes<'f> {
    fields: &'f fields::Fields,
    text: &'f str,
}

/// The result, and what is wrong with the changes.
fn read_with(text: &str, changes: Option<Changes<'_>>) -> (ReadResult, Vec<FileError>) {
    if FILE_SIZE_MAX < text.len() {
        return (too_large(text.len()), Vec::new());
    }
    let syntax = syntax::Syntax::new(text);
    let (document, _) = DeTable::parse_recoverable(&syntax.readable);
    let mut shape = shape::Shape::default();
    let root = shape.file(document.get_ref());
    let mut build = build::Build::new(text, &root, shape.assumed);
    build.changes = changes;
    build.all();
    let is_toml = syntax.errors.is_empty();
    let errors = in_order(shape.errors.into_iter().chain(build.errors), syntax);
    let read = ReadResult { layout: Some(build.layout), errors, is_toml, left_out: build.left_out };
    (read, build.change_errors)
}

/// All errors of a text in the order of the text.
fn in_order(meant: impl Iterator<Item = FileError>, syntax: syntax::Syntax<'_>) -> Vec<FileError> {
    let mut errors: Vec<FileError> = meant.filter(|error| !syntax.is_echo(error)).collect();
    errors.extend(syntax.errors);
    errors.sort_by_key(|error| error.span.start);
    errors
}

fn too_large(bytes: usize) -> ReadResult {
    let kind = FileErrorKind::TooLarge { bytes };
    let subject = "layout".to_owned();
    let error = FileError { span: Span::default(), also: Vec::new(), subject, kind };
    ReadResult { layout: None, errors: vec![error], is_toml: false, left_out: Vec::new() }
}
