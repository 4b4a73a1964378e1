//! `[links]`, `[history]` and `[dashboard]`.

use super::{
    build::Build,
    error::FileErrorKind,
    fields::{Data, Entry, Fields, Node},
};
use crate::{
    channel::ChannelTable,
    grammar::Referent,
    links::{DashboardSettings, HistorySettings, SerialSettings},
    suggest,
};

/// Beyond so many errors no channel is suggested any more: each suggestion compares with every channel.
const SUGGESTED_MAX: usize = 100;

impl Build<'_> {
    pub(super) fn links(&mut self) {
        let root = self.root;
        if let Some(links) = root.table("links") {
            if let Some(mqtt) = links.table("mqtt") {
                self.mqtt(mqtt);
            }
            for entry in links.by_id("serial") {
                let made = entry.item.as_ref().and_then(|it| serial(&entry.id, it));
                self.layout.links.serial.extend(made);
            }
            self.modbus(links.by_id("modbus"));
            for entry in links.by_id("lcc") {
                let made = self.lcc(entry);
                self.layout.links.lcc.extend(made);
            }
        }
        if let Some(it) = root.table("history") {
            let (path, journal) = (it.owned("path"), it.owned("journal"));
            self.layout.links.history = HistorySettings { path, journal };
        }
        if let Some(it) = root.table("dashboard") {
            self.layout.links.dashboard = self.dashboard(it);
        }
    }

    fn dashboard(&mut self, it: &Fields) -> DashboardSettings {
        let listen = it.owned("listen").unwrap_or_else(|| DashboardSettings::default().listen);
        if listen.parse::<std::net::SocketAddr>().is_err() {
            self.address_wrong(it, "listen", "an address and port to listen on", "127.0.0.1:8080");
        }
        DashboardSettings {
            listen,
            hosts: self.hosts(it),
            read_token_file: it.owned("read-token-file"),
            operator_token_file: it.owned("operator-token-file"),
        }
    }

    /// Names as a browser sends them. A port or a scheme would make a name that never matches.
    fn hosts(&mut self, it: &Fields) -> Vec<String> {
        let mut hosts = Vec::new();
        for node in it.list("hosts").unwrap_or_default() {
            let Some(name) = node.text() else { continue };
            if is_host(name) {
                hosts.push(name.to_ascii_lowercase());
                continue;
            }
            let kind = FileErrorKind::ValueWrong {
                key: "hosts".to_owned(),
                found: format!("\"{name}\""),
                wanted: "a host name without scheme and port such as \"layout.lan\"".to_owned(),
                write: None,
            };
            self.error(node.span, &it.subject, kind);
        }
        hosts
    }

    pub(super) fn range(&mut self, it: &Fields) -> Option<(f64, f64)> {
        let numbers: Vec<f64> = it.list("range")?.iter().filter_map(number).collect();
        let [least, most] = numbers.as_slice() else {
            return None;
        };
        if most <= least {
            let kind = FileErrorKind::ValueWrong {
                key: "range".to_owned(),
                found: format!("[{least}, {most}]"),
                wanted: "the least value and then the most".to_owned(),
                write: (most < least).then(|| format!("[{most}, {least}]")),
            };
            self.error(it.span_of("range"), &it.subject, kind);
            return None;
        }
        Some((*least, *most))
    }

    pub(super) fn channel_exists(
        &mut self,
        it: &Fields,
        channel: &str,
        channels: &ChannelTable,
    ) -> Option<crate::index::ChannelIx> {
        let index = channels.find(channel);
        let is_left_out = self.left_out.iter().any(|subject| {
            channel.strip_prefix(subject.as_str()).is_some_and(|rest| rest.starts_with('/'))
        });
        if index.is_none() && !is_left_out {
            let all = channels.names().iter().map(String::as_str);
            let is_early = self.errors.len() < SUGGESTED_MAX;
            let nearest = is_early.then(|| suggest::nearest(channel, all)).flatten();
            let kind = FileErrorKind::Unknown {
                what: Referent::Channel,
                id: channel.to_owned(),
                nearest: nearest.map(str::to_owned),
                known: Vec::new(),
            };
            self.error(it.span_of("channel"), &it.subject, kind);
        }
        index
    }

    pub(super) fn device(&mut self, it: &Fields) -> Option<(String, bool)> {
        if !self.one_of_two(
            it,
            ["device", "tcp"],
            "\"/dev/serial/by-id/NAME\", or tcp = \"HOST:PORT\"",
        ) {
            return None;
        }
        match it.owned("device") {
            Some(device) => Some((device, false)),
            None => it.owned("tcp").map(|tcp| (tcp, true)),
        }
    }

    /// Exactly one of two keys must be given.
    pub(super) fn one_of_two(
        &mut self,
        it: &Fields,
        keys: [&'static str; 2],
        example: &str,
    ) -> bool {
        let [first, second] = keys;
        let kind = match (it.is_stated(first), it.is_stated(second)) {
            (true, true) => FileErrorKind::KeysClash { first, second },
            (false, false) => missing(first, it, example),
            (true, false) | (false, true) => return true,
        };
        let span = if it.is_stated(second) { it.span_of(second) } else { it.span };
        self.error(span, &it.subject, kind);
        false
    }

    /// Two keys that only make sense together.
    pub(super) fn both(
        &mut self,
        it: &Fields,
        first: &'static str,
        second: &'static str,
    ) -> Option<(String, String)> {
        let absent = match (it.is_stated(first), it.is_stated(second)) {
            (true, false) => second,
            (false, true) => first,
            (true, true) => return Some((it.owned(first)?, it.owned(second)?)),
            (false, false) => return None,
        };
        self.error(it.span, &it.subject, missing(absent, it, "\"…\""));
        None
    }

    /// What a key holds is well formed and makes no sense here.
    pub(super) fn refuse(
        &mut self,
        it: &Fields,
        key: &'static str,
        wanted: &str,
        write: Option<String>,
    ) {
        let span = it.span_of(key);
        let found = match self.text.get(span.start..span.end).filter(|_| it.is_stated(key)) {
            Some(text) => text.to_owned(),
            None => "the default".to_owned(),
        };
        let kind = FileErrorKind::ValueWrong {
            key: key.to_owned(),
            found,
            wanted: wanted.to_owned(),
            write,
        };
        self.error(span, &it.subject, kind);
    }

    pub(super) fn address_wrong(
        &mut self,
        it: &Fields,
        key: &'static str,
        wanted: &str,
        example: &str,
    ) {
        let kind = FileErrorKind::ValueWrong {
            key: key.to_owned(),
            found: format!("\"{}\"", it.text(key).unwrap_or_default()),
            wanted: format!("{wanted} such as \"{example}\""),
            write: None,
        };
        self.error(it.span_of(key), &it.subject, kind);
    }
}

/// Letters, digits, hyphens and dots, as RFC 1123 has them, and the underscore that home routers allow.
fn is_host(name: &str) -> bool {
    let is_part = |part: &str| {
        !part.is_empty()
            && part.chars().all(|it| it.is_ascii_alphanumeric() || it == '-' || it == '_')
    };
    name.len() <= 253 && name.split('.').all(is_part)
}

pub(super) fn missing(key: &'static str, it: &Fields, example: &str) -> FileErrorKind {
    let table = format!("[{}]", it.subject.replace('/', "."));
    FileErrorKind::KeyMissing { key, table, example: example.to_owned() }
}

fn serial(name: &str, it: &Fields) -> Option<SerialSettings> {
    Some(SerialSettings { name: name.to_owned(), device: it.owned("device")?, baud: baud(it)? })
}

pub(super) fn baud(it: &Fields) -> Option<u32> {
    u32::try_from(it.count("baud")?).ok()
}

pub(super) fn rows<'f>(it: &'f Fields, key: &str) -> impl Iterator<Item = &'f Fields> {
    it.list(key).unwrap_or_default().iter().filter_map(|node| {
        let Data::Table(fields) = &node.data else { return None };
        Some(fields)
    })
}

fn number(node: &Node) -> Option<f64> {
    let Data::Number(number) = node.data else { return None };
    Some(number)
}

pub(super) fn words(entries: &[Entry<Node>]) -> std::collections::BTreeMap<String, String> {
    entries
        .iter()
        .filter_map(|entry| Some((entry.id.clone(), entry.item.as_ref()?.text()?.to_owned())))
        .collect()
}
