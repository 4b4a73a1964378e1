//! A table of the file after its form has been checked: every value of the kind that the grammar wants, with the
//! place where it stands. References are still texts.

use crate::{layout::Span, quantity::Dimension, units::Gauge};

/// A table.
#[derive(Debug, Default)]
pub(super) struct Fields {
    /// The header, or the inline table.
    pub(super) span: Span,
    /// `district/quarry`.
    pub(super) subject: String,
    /// What was read.
    entries: Vec<(&'static str, Node)>,
    /// Keys that are given with something that could not be read; it has been complained about.
    broken: Vec<&'static str>,
    /// Keys of an open table that the grammar does not know.
    pub(super) rest: toml::Table,
}

/// A value.
#[derive(Debug)]
pub(super) struct Node {
    /// Where it stands; where the table stands when it is a default.
    pub(super) span: Span,
    /// Its content.
    pub(super) data: Data,
    /// The file states it.
    pub(super) stated: bool,
}

/// The content of a value.
#[derive(Debug)]
pub(super) enum Data {
    Text(String),
    Word(&'static str),
    Flag(bool),
    Amount(Dimension, i64),
    Gauge(Gauge),
    Count(i64),
    Number(f64),
    List(Vec<Node>),
    Table(Fields),
    ById(Vec<Entry<Fields>>),
    Map(Vec<Entry<Node>>),
}

/// Something under a name of the owner's own.
#[derive(Debug)]
pub(super) struct Entry<T> {
    /// The name.
    pub(super) id: String,
    /// Where the name stands.
    pub(super) span: Span,
    /// What it names; none when that could not be read.
    pub(super) item: Option<T>,
}

impl Fields {
    pub(super) fn new(span: Span, subject: String) -> Self {
        Self { span, subject, ..Self::default() }
    }

    pub(super) fn insert(&mut self, key: &'static str, node: Node) {
        self.entries.push((key, node));
    }

    pub(super) fn mark_broken(&mut self, key: &'static str) {
        self.broken.push(key);
    }

    pub(super) fn is_broken(&self, key: &str) -> bool {
        self.broken.contains(&key)
    }

    pub(super) fn node(&self, key: &str) -> Option<&Node> {
        self.entries.iter().find(|(name, _)| *name == key).map(|(_, node)| node)
    }

    /// The file states this key, readable or not.
    pub(super) fn is_stated(&self, key: &str) -> bool {
        self.is_broken(key) || self.node(key).is_some_and(|node| node.stated)
    }

    /// Keys that the file states and that could be read.
    pub(super) fn stated(&self) -> impl Iterator<Item = (&'static str, &Node)> {
        self.entries.iter().filter(|(_, node)| node.stated).map(|(key, node)| (*key, node))
    }

    pub(super) fn text(&self, key: &str) -> Option<&str> {
        self.node(key)?.text()
    }

    pub(super) fn owned(&self, key: &str) -> Option<String> {
        self.text(key).map(str::to_owned)
    }

    pub(super) fn word(&self, key: &str) -> Option<&'static str> {
        let Data::Word(word) = self.node(key)?.data else { return None };
        Some(word)
    }

    pub(super) fn flag(&self, key: &str) -> Option<bool> {
        let Data::Flag(flag) = self.node(key)?.data else { return None };
        Some(flag)
    }

    pub(super) fn amount(&self, key: &str) -> Option<i64> {
        self.node(key)?.amount()
    }

    /// An amount that the grammar keeps from being negative.
    pub(super) fn magnitude(&self, key: &str) -> Option<u64> {
        self.amount(key).map(i64::unsigned_abs)
    }

    pub(super) fn gauge(&self, key: &str) -> Option<Gauge> {
        let Data::Gauge(gauge) = self.node(key)?.data else { return None };
        Some(gauge)
    }

    pub(super) fn count(&self, key: &str) -> Option<i64> {
        let Data::Count(count) = self.node(key)?.data else { return None };
        Some(count)
    }

    pub(super) fn number(&self, key: &str) -> Option<f64> {
        let Data::Number(number) = self.node(key)?.data else { return None };
        Some(number)
    }

    pub(super) fn list(&self, key: &str) -> Option<&[Node]> {
        let Data::List(list) = &self.node(key)?.data else { return None };
        Some(list)
    }

    pub(super) fn table(&self, key: &str) -> Option<&Self> {
        let Data::Table(table) = &self.node(key)?.data else { return None };
        Some(table)
    }

    pub(super) fn by_id(&self, key: &str) -> &[Entry<Self>] {
        let Some(Data::ById(entries)) = self.node(key).map(|node| &node.data) else { return &[] };
        entries
    }

    pub(super) fn map(&self, key: &str) -> &[Entry<Node>] {
        let Some(Data::Map(entries)) = self.node(key).map(|node| &node.data) else { return &[] };
        entries
    }

    /// Where a key's value stands, or else the table.
    pub(super) fn span_of(&self, key: &str) -> Span {
        self.node(key).map_or(self.span, |node| node.span)
    }
}

impl Node {
    pub(super) fn text(&self) -> Option<&str> {
        if let Data::Text(text) = &self.data {
            return Some(text);
        }
        let Data::Word(word) = self.data else { return None };
        Some(word)
    }

    pub(super) fn amount(&self) -> Option<i64> {
        let Data::Amount(_, amount) = self.data else { return None };
        Some(amount)
    }
}
