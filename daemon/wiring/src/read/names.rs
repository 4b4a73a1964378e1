//! Ids that have been declared, and what became of them.

use std::{cell::Cell, collections::BTreeMap};

use super::error::FileErrorKind;
use crate::{grammar::Referent, suggest};

/// Of what exists, no more than this many are named in a complaint.
const NAMED_MAX: usize = 12;
/// No more than this many are searched for the one that was meant, and no more often than this, so that a large file
/// full of errors stays quick.
const SEARCHED_MAX: usize = 1000;
const SEARCHES_MAX: usize = 200;

/// The ids of one kind.
#[derive(Debug)]
pub(super) struct Names<I> {
    what: Referent,
    /// None: declared, but left out of the model because of an error that has been reported.
    ids: BTreeMap<String, Option<I>>,
    /// Searches so far.
    searches: Cell<usize>,
}

/// What an id stands for.
#[derive(Debug)]
pub(super) enum Found<I> {
    /// This.
    Yes(I),
    /// Something that was left out; whoever refers to it is left out without a word.
    LeftOut,
    /// Nothing.
    No(FileErrorKind),
}

impl<I: Copy> Names<I> {
    pub(super) const fn new(what: Referent) -> Self {
        Self { what, ids: BTreeMap::new(), searches: Cell::new(0) }
    }

    pub(super) fn declare(&mut self, id: &str, index: Option<I>) {
        self.ids.insert(id.to_owned(), index);
    }

    pub(super) fn find(&self, id: &str) -> Found<I> {
        match self.ids.get(id) {
            Some(Some(index)) => Found::Yes(*index),
            Some(None) => Found::LeftOut,
            None => Found::No(self.unknown(id)),
        }
    }

    /// The index of an id that is in the model.
    pub(super) fn index(&self, id: &str) -> Option<I> {
        self.ids.get(id).copied().flatten()
    }

    /// The only one there is.
    pub(super) fn only(&self) -> Option<I> {
        match self.ids.len() {
            1 => self.ids.values().next().copied().flatten(),
            _ => None,
        }
    }

    /// The id of this kind that was likely meant.
    pub(super) fn nearest(&self, id: &str) -> Option<&str> {
        self.searches.set(self.searches.get() + 1);
        if SEARCHES_MAX < self.searches.get() {
            return None;
        }
        suggest::nearest(id, self.ids.keys().take(SEARCHED_MAX).map(String::as_str))
    }

    fn unknown(&self, id: &str) -> FileErrorKind {
        FileErrorKind::Unknown {
            what: self.what,
            id: id.to_owned(),
            nearest: self.nearest(id).map(str::to_owned),
            known: self.ids.keys().take(NAMED_MAX).cloned().collect(),
        }
    }
}
