//! First pass: the form. Walks the parsed file along the grammar, checks every key and value, fills in defaults, and
//! goes on after each error. The depth of the walk is the depth of the grammar, whatever the file holds.

use toml::{
    Spanned,
    de::{DeString, DeTable, DeValue},
};

use super::{
    error::{FileError, FileErrorKind},
    fields::{Data, Entry, Fields, Node},
    passed_on,
    scalar::{check_id, scalar, wrong},
};
use crate::{
    grammar::{CHANGES, Fill, Key, Need, ROOT, Table, Value},
    layout::{Assumed, Span},
    suggest,
};

/// What the first pass finds.
#[derive(Debug, Default)]
pub(super) struct Shape {
    /// What is wrong.
    pub(super) errors: Vec<FileError>,
    /// What is left to defaults.
    pub(super) assumed: Vec<Assumed>,
}

/// Other words of the trade, and the key that they mean here.
const ALIASES: [(&str, &str); 9] = [
    ("turnout", "trackwork"),
    ("crossing", "trackwork"),
    ("slip", "trackwork"),
    ("section", "block"),
    ("motor", "machine"),
    ("power-pack", "booster"),
    ("wire", "gauge"),
    ("voltage", "volts"),
    ("contacts", "poles"),
];

/// Where the walk is.
#[derive(Clone, Debug)]
struct Place {
    /// `district/quarry`.
    subject: String,
    /// The nearest id, of which frogs are named.
    id: String,
    /// The header as it stands in the file: `[district.quarry]`.
    header: String,
    /// Where the table stands.
    span: Span,
}

impl Shape {
    /// The whole file.
    pub(super) fn file(&mut self, source: &DeTable<'_>) -> Fields {
        self.whole(&ROOT, source)
    }

    /// A text of settings alone.
    pub(super) fn changes(&mut self, source: &DeTable<'_>) -> Fields {
        self.whole(&CHANGES, source)
    }

    fn whole(&mut self, grammar: &'static Table, source: &DeTable<'_>) -> Fields {
        let place = Place {
            subject: "layout".to_owned(),
            id: String::new(),
            header: String::new(),
            span: Span::default(),
        };
        self.table(grammar, Some(source), &place)
    }

    /// A table; without a source, all its defaults.
    fn table(
        &mut self,
        grammar: &'static Table,
        source: Option<&DeTable<'_>>,
        at: &Place,
    ) -> Fields {
        let mut fields = Fields::new(at.span, at.subject.clone());
        for (name, value) in source.map(in_file_order).unwrap_or_default() {
            match grammar.key(name.get_ref()) {
                Some(key) => match self.node(key, value, at) {
                    Some(node) => fields.insert(key.name, node),
                    None => fields.mark_broken(key.name),
                },
                None if grammar.open => {
                    fields.rest.insert(name.get_ref().to_string(), passed_on::value(value));
                }
                None => self.unknown_key(grammar, name, at),
            }
        }
        for key in grammar.keys {
            if fields.node(key.name).is_none() {
                self.fill(grammar, key, &mut fields, at);
            }
        }
        fields
    }

    fn unknown_key(&mut self, grammar: &'static Table, name: &Spanned<DeString<'_>>, at: &Place) {
        let known: Vec<&'static str> = grammar.keys.iter().map(|key| key.name).collect();
        let alias = ALIASES.iter().find(|(word, _)| *word == name.get_ref().as_ref());
        let meant = alias.map(|(_, own)| *own).filter(|own| known.contains(own));
        let nearest = meant.or_else(|| suggest::nearest(name.get_ref(), known.iter().copied()));
        let kind = FileErrorKind::KeyUnknown {
            key: name.get_ref().chars().take(crate::grammar::ID_LENGTH_MAX).collect(),
            table: at.header_inner().to_owned(),
            nearest: nearest.map(str::to_owned),
            known,
        };
        self.error(span(name), at, kind);
    }

    /// A key that the file does not give, or not readably.
    fn fill(
        &mut self,
        grammar: &'static Table,
        key: &'static Key,
        fields: &mut Fields,
        at: &Place,
    ) {
        let is_broken = fields.is_broken(key.name);
        match (key.need, &key.value, grammar.fill) {
            (_, _, Fill::Nothing) => {}
            (Need::Required, _, _) if !is_broken => self.missing(key, at),
            (Need::Depends(_), Value::Table(inner), _) => {
                let table = self.unstated_table(key.name, inner, is_broken, at);
                let data = Data::Table(table);
                fields.insert(key.name, Node { span: at.span, data, stated: false });
            }
            (Need::Default(text), kind, fill) => {
                if fill == Fill::Assume && !is_broken {
                    self.assumed.push(Assumed {
                        subject: at.subject.clone(),
                        key: key.path,
                        value: text.to_owned(),
                    });
                }
                if let Some(data) = default_value(kind, text) {
                    fields.insert(key.name, Node { span: at.span, data, stated: false });
                }
            }
            (Need::Required | Need::Depends(_) | Need::Optional, _, _) => {}
        }
    }

    /// All defaults of an inner table; nothing is called assumed where the file says something unreadable.
    fn unstated_table(
        &mut self,
        key: &str,
        grammar: &'static Table,
        is_broken: bool,
        at: &Place,
    ) -> Fields {
        let assumed_before = self.assumed.len();
        let fields = self.table(grammar, None, &inner_place(grammar, key, at));
        if is_broken {
            self.assumed.truncate(assumed_before);
        }
        fields
    }

    fn missing(&mut self, key: &'static Key, at: &Place) {
        let kind = FileErrorKind::KeyMissing {
            key: key.name,
            table: at.header.clone(),
            example: key.value.example(),
        };
        self.error(at.span, at, kind);
    }

    fn node(
        &mut self,
        key: &'static Key,
        source: &Spanned<DeValue<'_>>,
        at: &Place,
    ) -> Option<Node> {
        let default = match key.need {
            Need::Default(text) => Some(text),
            Need::Required | Need::Depends(_) | Need::Optional => None,
        };
        let data = self.value(&key.value, key.name, default, source, at)?;
        Some(Node { span: span(source), data, stated: true })
    }

    fn value(
        &mut self,
        kind: &'static Value,
        key: &str,
        default: Option<&str>,
        source: &Spanned<DeValue<'_>>,
        at: &Place,
    ) -> Option<Data> {
        let whole = source.get_ref();
        match (kind, whole) {
            (Value::OneOf(kinds), _) => self.one_of(kinds, key, default, source, at),
            (Value::List { of, least, most }, DeValue::Array(items))
                if (*least..=*most).contains(&items.len()) =>
            {
                let nodes: Vec<Option<Node>> = items
                    .iter()
                    .map(|item| {
                        let data = self.value(of, key, None, item, at)?;
                        Some(Node { span: span(item), data, stated: true })
                    })
                    .collect();
                nodes.into_iter().collect::<Option<Vec<Node>>>().map(Data::List)
            }
            (Value::Table(grammar), DeValue::Table(table)) => {
                let mut place = inner_place(grammar, key, at);
                place.span = span(source);
                Some(Data::Table(self.table(grammar, Some(table), &place)))
            }
            (Value::ById(grammar), DeValue::Table(table)) => {
                Some(Data::ById(self.by_id(grammar, table)))
            }
            (Value::Rows(grammar), DeValue::Array(rows)) => {
                self.rows(kind, grammar, rows, key, at).map(Data::List)
            }
            (Value::Map(of), DeValue::Table(table)) => Some(Data::Map(self.map(of, table, at))),
            (Value::Table(grammar), DeValue::String(text)) => {
                self.error(span(source), at, wrong(kind, key, whole, of_kind(grammar, text)));
                None
            }
            _ => match scalar(kind, key, whole, default) {
                Ok(data) => Some(data),
                Err(wrong) => {
                    self.error(span(source), at, wrong);
                    None
                }
            },
        }
    }

    /// The first kind that fits; else what the likeliest of them says.
    fn one_of(
        &mut self,
        kinds: &'static [Value],
        key: &str,
        default: Option<&str>,
        source: &Spanned<DeValue<'_>>,
        at: &Place,
    ) -> Option<Data> {
        let structured = kinds.iter().find(|kind| {
            matches!(
                (kind, source.get_ref()),
                (Value::Table(_), DeValue::Table(_)) | (Value::List { .. }, DeValue::Array(_))
            )
        });
        if let Some(kind) = structured {
            return self.value(kind, key, default, source, at);
        }
        let tried: Vec<_> =
            kinds.iter().map(|kind| scalar(kind, key, source.get_ref(), default)).collect();
        let mut errors = Vec::new();
        for result in tried {
            match result {
                Ok(data) => return Some(data),
                Err(error) => errors.push(error),
            }
        }
        self.error(span(source), at, likeliest(errors, kinds, key, source.get_ref()));
        None
    }

    fn by_id(&mut self, grammar: &'static Table, table: &DeTable<'_>) -> Vec<Entry<Fields>> {
        in_file_order(table)
            .into_iter()
            .map(|(name, value)| {
                let place = entry_place(grammar, name, value);
                let item = self.entry(grammar, name, value, &place);
                Entry { id: name.get_ref().to_string(), span: span(name), item }
            })
            .collect()
    }

    fn entry(
        &mut self,
        grammar: &'static Table,
        name: &Spanned<DeString<'_>>,
        value: &Spanned<DeValue<'_>>,
        place: &Place,
    ) -> Option<Fields> {
        if let Err(bad) = check_id(name.get_ref()) {
            self.error(span(name), place, bad);
            return None;
        }
        let DeValue::Table(inner) = value.get_ref() else {
            let kind = FileErrorKind::ValueWrong {
                key: name.get_ref().to_string(),
                found: super::scalar::found(value.get_ref()),
                wanted: format!("a table with the header [{}]", grammar.header),
                write: None,
            };
            self.error(span(value), place, kind);
            return None;
        };
        Some(self.table(grammar, Some(inner), place))
    }

    fn rows(
        &mut self,
        kind: &'static Value,
        grammar: &'static Table,
        rows: &[Spanned<DeValue<'_>>],
        key: &str,
        at: &Place,
    ) -> Option<Vec<Node>> {
        let mut nodes = Vec::new();
        let mut all = true;
        for row in rows {
            if let DeValue::Table(table) = row.get_ref() {
                let mut place = inner_place(grammar, key, at);
                place.span = span(row);
                place.header = format!("[{}]", place.header);
                let data = Data::Table(self.table(grammar, Some(table), &place));
                nodes.push(Node { span: span(row), data, stated: true });
            } else {
                self.error(span(row), at, wrong(kind, key, row.get_ref(), None));
                all = false;
            }
        }
        all.then_some(nodes)
    }

    fn map(&mut self, of: &'static Value, table: &DeTable<'_>, at: &Place) -> Vec<Entry<Node>> {
        in_file_order(table)
            .into_iter()
            .map(|(name, value)| {
                let data = self.value(of, name.get_ref(), None, value, at);
                let item = data.map(|data| Node { span: span(value), data, stated: true });
                Entry { id: name.get_ref().to_string(), span: span(name), item }
            })
            .collect()
    }

    fn error(&mut self, span: Span, at: &Place, kind: FileErrorKind) {
        let subject = at.subject.clone();
        self.errors.push(FileError { span, also: Vec::new(), subject, kind });
    }
}

/// A table of which only the `kind` is given: `"none"` means `{ kind = "none" }`.
fn of_kind(grammar: &Table, text: &str) -> Option<String> {
    let Value::Word(words) = &grammar.key("kind")?.value else {
        return None;
    };
    words.contains(&text).then(|| format!("{{ kind = \"{text}\" }}"))
}

/// The place of a table that stands in another.
fn inner_place(grammar: &Table, key: &str, at: &Place) -> Place {
    let subject = match (grammar.subject, key) {
        ("", _) => at.subject.clone(),
        ("frog", "frog") => format!("frog/{}", at.id),
        ("frog", name) => format!("frog/{}.{name}", at.id),
        (subject, _) => subject.to_owned(),
    };
    let header = match at.header_inner() {
        "" => format!("[{key}]"),
        outer => format!("[{outer}.{key}]"),
    };
    Place { subject, id: at.id.clone(), header, span: at.span }
}

/// The place of a table under an id.
fn entry_place(
    grammar: &Table,
    name: &Spanned<DeString<'_>>,
    value: &Spanned<DeValue<'_>>,
) -> Place {
    let id = name.get_ref().to_string();
    let (kind, _) = grammar.header.rsplit_once('.').unwrap_or((grammar.header, ""));
    Place {
        subject: format!("{}/{id}", grammar.subject),
        header: format!("[{kind}.{id}]"),
        id,
        span: span(value),
    }
}

impl Place {
    fn header_inner(&self) -> &str {
        self.header.trim_start_matches('[').trim_end_matches(']')
    }
}

/// Of several complaints about one value the most telling: units that are missing are told together.
fn likeliest(
    mut errors: Vec<FileErrorKind>,
    kinds: &'static [Value],
    key: &str,
    source: &DeValue<'_>,
) -> FileErrorKind {
    let mut all_units = Vec::new();
    for error in &errors {
        if let FileErrorKind::UnitMissing { units, .. } = error {
            all_units.extend(units.iter().copied());
        }
    }
    let bounds = errors.iter().position(|error| matches!(error, FileErrorKind::OutOfBounds { .. }));
    if let Some(at) = bounds {
        return errors.swap_remove(at);
    }
    match errors.into_iter().next() {
        Some(FileErrorKind::UnitMissing { key, number, .. }) => {
            FileErrorKind::UnitMissing { key, number, units: all_units }
        }
        Some(FileErrorKind::ValueWrong { key, found, write, .. }) => FileErrorKind::ValueWrong {
            key,
            found,
            wanted: kinds.iter().map(Value::wanted).collect::<Vec<_>>().join(", or "),
            write,
        },
        Some(other) => other,
        None => wrong(&ROOT_VALUE, key, source, None),
    }
}

/// Stands for no kind at all; a grammar without kinds does not exist.
static ROOT_VALUE: Value = Value::Table(&ROOT);

/// The default of a key, read by the same rules as a value of the file.
fn default_value(kind: &'static Value, text: &str) -> Option<Data> {
    let (plain, quoted) = (DeValue::parse(text).ok(), DeValue::String(text.into()));
    let plain = plain.map(Spanned::into_inner);
    let tried = plain.iter().chain(std::iter::once(&quoted));
    let kinds: &[Value] = match kind {
        Value::OneOf(kinds) => kinds,
        other => std::slice::from_ref(other),
    };
    let mut pairs = tried.flat_map(|source| kinds.iter().map(move |kind| (kind, source)));
    pairs.find_map(|(kind, source)| scalar(kind, "", source, None).ok())
}

/// The entries of a table in the order of the file.
fn in_file_order<'t, 'i>(
    table: &'t DeTable<'i>,
) -> Vec<(&'t Spanned<DeString<'i>>, &'t Spanned<DeValue<'i>>)> {
    let mut entries: Vec<_> = table.iter().collect();
    entries.sort_by_key(|(name, _)| name.span().start);
    entries
}

fn span<T>(of: &Spanned<T>) -> Span {
    let range = of.span();
    Span { start: range.start, end: range.end }
}
