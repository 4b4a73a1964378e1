//! `[links]`, `[history]` and `[dashboard]`.

use super::{
    build::{Build, texts},
    error::FileErrorKind,
    fields::{Data, Entry, Fields, Node},
};
use crate::{
    channel::ChannelTable,
    grammar::Referent,
    links::{
        BrokerAddress, DashboardSettings, Deadman, Extract, HistorySettings, MapIn, MapOut,
        MqttSettings, MqttVersion, SerialSettings,
    },
    suggest,
    units::Micros,
};

/// Ports of MQTT without and with encryption, as registered with IANA.
const MQTT_PORTS: [u16; 2] = [1883, 8883];

/// Beyond so many errors no channel is suggested any more: each suggestion compares with every channel.
const SUGGESTED_MAX: usize = 100;

impl Build<'_> {
    pub(super) fn links(&mut self) {
        let root = self.root;
        if let Some(links) = root.table("links") {
            if let Some(mqtt) = links.table("mqtt") {
                self.layout.links.mqtt = self.mqtt("mqtt", mqtt);
                for entry in mqtt.by_id("also") {
                    let made = entry.item.as_ref().and_then(|it| self.mqtt(&entry.id, it));
                    self.layout.links.mqtt_also.extend(made);
                }
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

    fn mqtt(&mut self, name: &str, it: &Fields) -> Option<MqttSettings> {
        let broker = self.broker(it);
        let version = match it.word("version") {
            Some("5") => MqttVersion::V5,
            _ => MqttVersion::V3,
        };
        if version == MqttVersion::V5 && it.is_stated("embedded") {
            let kind = FileErrorKind::ValueWrong {
                key: "version".to_owned(),
                found: "\"5\"".to_owned(),
                wanted: "the version that the embedded broker speaks".to_owned(),
                write: Some("\"3.1.1\"".to_owned()),
            };
            self.error(it.span_of("version"), &it.subject, kind);
        }
        let client_certificate = self.both(it, "certificate-file", "key-file");
        let channels = ChannelTable::new(&self.layout);
        let map = rows(it, "map").filter_map(|row| self.map_in(row, &channels)).collect();
        let out = rows(it, "out").filter_map(|row| self.map_out(row, &channels)).collect();
        Some(MqttSettings {
            name: name.to_owned(),
            version,
            broker: broker?,
            root: it.owned("root")?,
            client_id: it.owned("client-id")?,
            user: it.owned("user"),
            password_file: it.owned("password-file"),
            ca_file: it.owned("ca-file"),
            client_certificate,
            map,
            out,
        })
    }

    fn broker(&mut self, it: &Fields) -> Option<BrokerAddress> {
        if !self.one_of_two(
            it,
            ["broker", "embedded"],
            "\"mqtt://host:1883\", or embedded = \"127.0.0.1:1883\"",
        ) {
            return None;
        }
        if let Some(listen) = it.owned("embedded") {
            if listen.parse::<std::net::SocketAddr>().is_err() {
                self.address_wrong(it, "embedded", "an address and port", "127.0.0.1:1883");
            }
            return Some(BrokerAddress::Embedded { listen });
        }
        let address = external(it.text("broker")?);
        if address.is_none() {
            self.address_wrong(it, "broker", "the address of a broker", "mqtt://host:1883");
        }
        address
    }

    fn map_in(&mut self, it: &Fields, channels: &ChannelTable) -> Option<MapIn> {
        let (topic, channel) = (it.owned("topic")?, it.owned("channel")?);
        if !channel.contains('{') {
            self.channel_exists(it, &channel, channels)?;
        }
        if it.is_stated("pointer") && it.is_stated("between") {
            let kind = FileErrorKind::KeysClash { first: "pointer", second: "between" };
            self.error(it.span_of("between"), &it.subject, kind);
        }
        let between = it.node("between").map(texts);
        let extract = match between.as_deref() {
            Some([before, after]) => Extract::Between(before.clone(), after.clone()),
            _ => Extract::Pointer(it.owned("pointer").unwrap_or_default()),
        };
        Some(MapIn {
            topic,
            channel,
            extract,
            scale: it.number("scale").unwrap_or(1.0),
            offset: it.number("offset").unwrap_or(0.0),
            range: self.range(it),
            values: words(it.map("values")),
            other: it.owned("other"),
            stale_after: it.magnitude("stale-after").map(Micros),
        })
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

    fn map_out(&mut self, it: &Fields, channels: &ChannelTable) -> Option<MapOut> {
        let channel = it.owned("channel")?;
        let index = self.channel_exists(it, &channel, channels)?;
        if !channels.channel(index).quantity.is_order() {
            let kind = FileErrorKind::ValueWrong {
                key: "channel".to_owned(),
                found: format!("\"{channel}\""),
                wanted: "a channel that takes orders, such as \"district/ID/power\"".to_owned(),
                write: None,
            };
            self.error(it.span_of("channel"), &it.subject, kind);
        }
        Some(MapOut {
            channel,
            topic: it.owned("topic")?,
            off: it.owned("off")?,
            on: it.owned("on")?,
            deadman: match it.word("deadman") {
                Some("node") => Deadman::Node,
                Some("external") => Deadman::External,
                _ => Deadman::None,
            },
        })
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
    fn one_of_two(&mut self, it: &Fields, keys: [&'static str; 2], example: &str) -> bool {
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
    fn both(
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

/// `mqtt://host:1883`, `mqtts://host:8883`, `mqtt://[::1]:1883`; the port may be left out.
fn external(text: &str) -> Option<BrokerAddress> {
    let (scheme, rest) = text.split_once("://")?;
    let tls = match scheme {
        "mqtt" => false,
        "mqtts" => true,
        _ => return None,
    };
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    let default = MQTT_PORTS[usize::from(tls)];
    let (host, port) = match rest.rsplit_once(':') {
        Some((host, port)) if !port.contains(']') => (host, port.parse().ok()?),
        _ => (rest, default),
    };
    let host = host.trim_start_matches('[').trim_end_matches(']');
    let is_host =
        |part: char| part.is_ascii_alphanumeric() || matches!(part, '.' | '-' | '_' | ':');
    let is_good = !host.is_empty() && host.chars().all(is_host) && port != 0;
    is_good.then(|| BrokerAddress::External { host: host.to_owned(), port, tls })
}
