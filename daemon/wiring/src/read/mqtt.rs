//! `[links.mqtt]` and `[links.mqtt.also.NAME]`: the brokers and their foreign topics.

use std::collections::BTreeMap;

use super::{
    build::{Build, texts},
    error::FileErrorKind,
    fields::{Data, Fields, Node},
    links::{missing, rows, words},
};
use crate::{
    channel::{ChannelTable, Quantity},
    layout::Span,
    links::{
        BrokerAddress, Deadman, Encoding, Extract, MapIn, MapOut, MqttSettings, MqttVersion,
        OutProof, TimeUnit, is_pointer, is_topic_filter, regex_mistake,
    },
    units::Micros,
};

/// Ports of MQTT without and with encryption, as registered with IANA.
const MQTT_PORTS: [u16; 2] = [1883, 8883];

/// What all brokers are read with.
struct Reading<'t> {
    channels: &'t ChannelTable,
    /// Where each channel is mapped that a rule names in full, over all brokers.
    mapped: BTreeMap<String, Span>,
    /// Host, port and client name of each connection.
    clients: BTreeMap<(String, u16, String), Span>,
}

impl Build<'_> {
    pub(super) fn mqtt(&mut self, it: &Fields) {
        let channels = ChannelTable::new(&self.layout);
        let mut reading =
            Reading { channels: &channels, mapped: BTreeMap::new(), clients: BTreeMap::new() };
        self.layout.links.mqtt = self.one_broker("mqtt", it, &mut reading);
        for entry in it.by_id("also") {
            let made =
                entry.item.as_ref().and_then(|it| self.one_broker(&entry.id, it, &mut reading));
            self.layout.links.mqtt_also.extend(made);
        }
    }

    fn one_broker(
        &mut self,
        name: &str,
        it: &Fields,
        reading: &mut Reading<'_>,
    ) -> Option<MqttSettings> {
        let broker = self.broker(it);
        let version = match it.word("version") {
            Some("5") => MqttVersion::V5,
            _ => MqttVersion::V3,
        };
        if version == MqttVersion::V5 && it.is_stated("embedded") {
            let wanted = "the version that the embedded broker speaks";
            self.refuse(it, "version", wanted, Some("\"3.1.1\"".to_owned()));
        }
        let client_certificate = self.both(it, "certificate-file", "key-file");
        self.broker_keys(it, broker.as_ref());
        let map = rows(it, "map").filter_map(|row| self.map_in(row, reading)).collect();
        let out = rows(it, "out").filter_map(|row| self.map_out(row, reading.channels)).collect();
        let (broker, client_id) = (broker?, it.owned("client-id")?);
        self.client_is_alone(it, &broker, &client_id, reading);
        Some(MqttSettings {
            name: name.to_owned(),
            version,
            broker,
            root: it.owned("root")?,
            client_id,
            user: it.owned("user"),
            password_file: it.owned("password-file"),
            ca_file: it.owned("ca-file"),
            client_certificate,
            map,
            out,
        })
    }

    /// Keys that ask for each other.
    fn broker_keys(&mut self, it: &Fields, broker: Option<&BrokerAddress>) {
        let root = it.text("root").unwrap_or_default();
        let is_root = is_topic_filter(root) && !root.contains(['+', '#', '$']);
        if !is_root || root.starts_with('/') || root.ends_with('/') {
            let wanted = "names with slashes between, without + # $, such as \"club/rail\"";
            self.refuse(it, "root", wanted, None);
        }
        if matches!(broker, Some(BrokerAddress::External { tls: true, .. }))
            && !it.is_stated("ca-file")
        {
            let example = "\"/etc/checkrail/ca.pem\"";
            self.error(it.span_of("broker"), &it.subject, missing("ca-file", it, example));
        }
        if it.is_stated("password-file") && !it.is_stated("user") {
            let span = it.span_of("password-file");
            self.error(span, &it.subject, missing("user", it, "\"checkrail\""));
        }
    }

    /// Two clients of one name would throw each other out for ever (MQTT 3.1.1, section 3.1.4).
    fn client_is_alone(
        &mut self,
        it: &Fields,
        broker: &BrokerAddress,
        client_id: &str,
        reading: &mut Reading<'_>,
    ) {
        let BrokerAddress::External { host, port, .. } = broker else { return };
        let span = it.span_of("broker");
        let client = (host.clone(), *port, client_id.to_owned());
        let Some(first) = reading.clients.insert(client, span) else { return };
        let kind = FileErrorKind::ValueWrong {
            key: "client-id".to_owned(),
            found: format!("\"{client_id}\""),
            wanted: "another name than the other table has for the same broker".to_owned(),
            write: Some(format!("\"{client_id}-2\"")),
        };
        self.error_with(span, (first, "the same broker"), &it.subject, kind);
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

    fn map_in(&mut self, it: &Fields, reading: &mut Reading<'_>) -> Option<MapIn> {
        let (topic, channel) = (it.owned("topic")?, it.owned("channel")?);
        self.topic_fits(it, &topic, &channel);
        let encoding = match it.word("encoding") {
            Some("cbor") => Encoding::Cbor,
            _ => Encoding::Json,
        };
        let extract = self.extract(it, encoding);
        let rule = MapIn {
            encoding,
            extract,
            scale: it.number("scale").unwrap_or(1.0),
            offset: it.number("offset").unwrap_or(0.0),
            range: self.range(it),
            values: words(it.map("values")),
            other: it.owned("other"),
            time: self.time_of(it),
            seq: self.pointer(it, "seq"),
            averaging: it.magnitude("averaging").map(Micros),
            stale_after: it.magnitude("stale-after").map(Micros),
            ..MapIn::plain(&topic, &channel)
        };
        self.supplies(it, &rule, reading)?;
        Some(rule)
    }

    /// The rule is of an input, and no other rule is.
    fn supplies(&mut self, it: &Fields, rule: &MapIn, reading: &mut Reading<'_>) -> Option<()> {
        let channels = reading.channels;
        let is_input = |quantity: Quantity| quantity.is_input();
        if rule.channel.contains('{') {
            let mut all = channels.iter().filter(|(_, channel)| is_input(channel.quantity));
            if !all.any(|(index, _)| rule.may_supply(channels.name(index)))
                && self.left_out.is_empty()
            {
                let wanted = "the name of inputs, with captures, such as \"block/{1}/current\"";
                self.refuse(it, "channel", wanted, None);
            }
            return Some(());
        }
        let index = self.channel_exists(it, &rule.channel, channels)?;
        let quantity = channels.channel(index).quantity;
        if !is_input(quantity) {
            let wanted = "a channel that is measured, such as \"district/ID/current\"";
            self.refuse(it, "channel", wanted, None);
            return None;
        }
        self.words_fit(it, quantity);
        let span = it.span_of("channel");
        if let Some(first) = reading.mapped.insert(rule.channel.clone(), span) {
            let kind = FileErrorKind::ValueWrong {
                key: "channel".to_owned(),
                found: format!("\"{}\"", rule.channel),
                wanted: "a channel that no other rule supplies".to_owned(),
                write: None,
            };
            self.error_with(span, (first, "supplied here"), &it.subject, kind);
        }
        Some(())
    }

    /// Every capture that the channel uses is one of the topic.
    fn topic_fits(&mut self, it: &Fields, topic: &str, channel: &str) {
        if !is_topic_filter(topic) {
            let wanted = "a topic filter: + stands for one whole level, # for the rest at the end";
            return self.refuse(it, "topic", wanted, None);
        }
        let captures = topic.split('/').filter(|level| *level == "+").count();
        let filled = (1..=captures)
            .fold(channel.to_owned(), |name, nth| name.replace(&format!("{{{nth}}}"), "x"));
        if filled.contains(['{', '}']) {
            let wanted = match captures {
                0 => "a channel without captures: the topic has no +".to_owned(),
                1 => "a channel with no other capture than {1}: the topic has one +".to_owned(),
                many => format!("a channel with captures from {{1}} to {{{many}}}"),
            };
            self.refuse(it, "channel", &wanted, None);
        }
    }

    fn extract(&mut self, it: &Fields, encoding: Encoding) -> Extract {
        const HOW: [&str; 3] = ["pointer", "between", "regex"];
        let stated: Vec<&'static str> = HOW.into_iter().filter(|key| it.is_stated(key)).collect();
        if let [first, second, ..] = stated[..] {
            let kind = FileErrorKind::KeysClash { first, second };
            self.error(it.span_of(second), &it.subject, kind);
        }
        let of_text = stated.iter().find(|key| **key != "pointer");
        if let (Encoding::Cbor, Some(key)) = (encoding, of_text) {
            let wanted = format!("\"json\": `{key}` looks into a text");
            self.refuse(it, "encoding", &wanted, None);
        }
        if let Some(regex) = it.owned("regex") {
            if let Some(why) = regex_mistake(&regex) {
                let wanted = format!("a regular expression with one group ({why})");
                self.refuse(it, "regex", &wanted, None);
            }
            return Extract::Regex(regex);
        }
        match it.node("between").map(texts).as_deref() {
            Some([before, after]) => Extract::Between(before.clone(), after.clone()),
            _ => Extract::Pointer(self.pointer(it, "pointer").unwrap_or_default()),
        }
    }

    fn time_of(&mut self, it: &Fields) -> Option<(String, TimeUnit)> {
        if it.is_stated("time-unit") && !it.is_stated("time") {
            self.error(it.span_of("time-unit"), &it.subject, missing("time", it, "\"/ts\""));
        }
        let unit = match it.word("time-unit") {
            Some("s") => TimeUnit::Seconds,
            Some("us") => TimeUnit::Micros,
            _ => TimeUnit::Millis,
        };
        self.pointer(it, "time").map(|pointer| (pointer, unit))
    }

    fn pointer(&mut self, it: &Fields, key: &'static str) -> Option<String> {
        let pointer = it.owned(key)?;
        if !is_pointer(&pointer) {
            let write = (!pointer.starts_with('/')).then(|| format!("\"/{pointer}\""));
            let write = write.filter(|it| is_pointer(it.trim_matches('"')));
            let wanted = "a JSON pointer: \"\" or names after slashes, ~0 for ~ and ~1 for /";
            self.refuse(it, key, wanted, write);
        }
        Some(pointer)
    }

    /// `values` and `other` are values that the channel can have.
    fn words_fit(&mut self, it: &Fields, quantity: Quantity) {
        let words = quantity.words();
        let fits = |word: &str| {
            if words.is_empty() {
                word.trim().parse::<f64>().is_ok_and(f64::is_finite)
            } else {
                words.contains(&word)
            }
        };
        let wanted = if words.is_empty() {
            "a number in quotes: this channel is measured".to_owned()
        } else {
            crate::grammar::one_of(words)
        };
        let listed = it.map("values").iter().filter_map(|entry| entry.item.as_ref());
        for node in listed.chain(it.node("other")) {
            if let Some(word) = node.text().filter(|word| !fits(word)) {
                let key = if it.node("other").is_some_and(|it| std::ptr::eq(it, node)) {
                    "other"
                } else {
                    "values"
                };
                let kind = FileErrorKind::ValueWrong {
                    key: key.to_owned(),
                    found: format!("\"{word}\""),
                    wanted: wanted.clone(),
                    write: None,
                };
                self.error(node.span, &it.subject, kind);
            }
        }
    }

    fn map_out(&mut self, it: &Fields, channels: &ChannelTable) -> Option<MapOut> {
        let channel = it.owned("channel")?;
        let index = self.channel_exists(it, &channel, channels)?;
        if channels.channel(index).quantity != Quantity::Power {
            let wanted = "a channel that switches power, such as \"district/ID/power\"";
            self.refuse(it, "channel", wanted, None);
        }
        let topic = it.owned("topic")?;
        if !is_topic_filter(&topic) || topic.contains(['+', '#']) {
            self.refuse(it, "topic", "a topic to publish to, without + and #", None);
        }
        if it.flag("retain") == Some(true) {
            let wanted = "false: a relay that starts again would get an old order";
            self.refuse(it, "retain", wanted, Some("false".to_owned()));
        }
        let proof = it.table("proof").and_then(|row| self.out_proof(row, &channel));
        Some(MapOut {
            channel,
            topic,
            off: it.owned("off")?,
            on: it.owned("on")?,
            deadman: match it.word("deadman") {
                Some("node") => Deadman::Node,
                Some("external") => Deadman::External,
                _ => Deadman::None,
            },
            proof,
        })
    }

    /// What may prove is the current behind the output itself.
    fn out_proof(&mut self, it: &Fields, output: &str) -> Option<OutProof> {
        let channel = it.owned("channel")?;
        let own = output.rsplit_once('/').map(|(object, _)| format!("{object}/current"))?;
        if channel != own {
            let wanted = "the current of the same district or booster";
            self.refuse(it, "channel", wanted, Some(format!("\"{own}\"")));
        }
        let below = it.node("below").and_then(amps);
        if below.is_some_and(|below| below <= 0.0) {
            self.refuse(it, "below", "a current above zero such as \"50 mA\"", None);
        }
        Some(OutProof { channel, below, within: it.magnitude("within").map(Micros) })
    }
}

/// A current with its unit, or a bare number of amperes.
fn amps(node: &Node) -> Option<f64> {
    match node.data {
        Data::Amount(_, micros) => Some(micros as f64 / 1e6),
        Data::Number(amps) => Some(amps),
        _ => None,
    }
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
