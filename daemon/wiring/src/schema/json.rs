//! Just enough of JSON to write a schema: keys keep their order, so that the file reads like the grammar.

/// A JSON value.
#[derive(Debug)]
pub(super) enum Json {
    Text(String),
    /// A number as written.
    Number(String),
    Flag(bool),
    List(Vec<Json>),
    Object(Vec<(String, Json)>),
}

impl Json {
    pub(super) fn text(text: &str) -> Self {
        Self::Text(text.to_owned())
    }

    pub(super) fn number(number: i64) -> Self {
        Self::Number(number.to_string())
    }

    pub(super) fn object(parts: Vec<(&'static str, Self)>) -> Self {
        Self::Object(parts.into_iter().map(|(key, value)| (key.to_owned(), value)).collect())
    }

    /// Two spaces an indent; lists without inner structure on one line.
    pub(super) fn pretty(&self) -> String {
        let mut out = String::new();
        self.write(&mut out, 0);
        out
    }

    fn write(&self, out: &mut String, depth: usize) {
        match self {
            Self::Text(text) => write_text(out, text),
            Self::Number(number) => out.push_str(number),
            Self::Flag(flag) => out.push_str(if *flag { "true" } else { "false" }),
            Self::List(items) if items.iter().all(Self::is_plain) => {
                let all: Vec<String> = items.iter().map(Self::pretty).collect();
                out.push_str(&format!("[{}]", all.join(", ")));
            }
            Self::List(items) => {
                let items = items.iter().map(|item| (None, item));
                write_parts(out, ['[', ']'], items, depth);
            }
            Self::Object(parts) => {
                let parts = parts.iter().map(|(key, value)| (Some(key.as_str()), value));
                write_parts(out, ['{', '}'], parts, depth);
            }
        }
    }

    const fn is_plain(&self) -> bool {
        matches!(self, Self::Text(_) | Self::Number(_) | Self::Flag(_))
    }
}

fn write_parts<'j>(
    out: &mut String,
    [open, close]: [char; 2],
    parts: impl Iterator<Item = (Option<&'j str>, &'j Json)>,
    depth: usize,
) {
    out.push(open);
    let mut is_first = true;
    for (key, value) in parts {
        out.push_str(if is_first { "\n" } else { ",\n" });
        is_first = false;
        out.push_str(&"  ".repeat(depth + 1));
        if let Some(key) = key {
            write_text(out, key);
            out.push_str(": ");
        }
        value.write(out, depth + 1);
    }
    if !is_first {
        out.push('\n');
        out.push_str(&"  ".repeat(depth));
    }
    out.push(close);
}

fn write_text(out: &mut String, text: &str) {
    out.push('"');
    for character in text.chars() {
        match character {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            control if control.is_control() => {
                out.push_str(&format!("\\u{:04x}", u32::from(control)));
            }
            other => out.push(other),
        }
    }
    out.push('"');
}
