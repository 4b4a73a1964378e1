//! What was heard, as lines: for a pipe, a file or another program.

use std::collections::BTreeMap;

use links::{LinkKind, LinkStatus};
use serde_json::{Value as Json, json};
use supervision::{
    input::{NodeIx, Quality},
    value::Written,
};
use wiring::{channel::Quantity, index::ChannelIx, units::Mono};

use super::heard::{Happened, Heard, Node, Summary, kind, transport};
use crate::{exit::Failure, print};

/// Prints lines of text, or JSON objects.
pub struct Teller {
    json: bool,
    /// What was last said of each link.
    links: BTreeMap<String, (bool, String)>,
    /// Readings counted when each channel was last told.
    told: BTreeMap<ChannelIx, u64>,
}

impl Teller {
    pub const fn text() -> Self {
        Self { json: false, links: BTreeMap::new(), told: BTreeMap::new() }
    }

    pub fn json() -> Self {
        Self { json: true, ..Self::text() }
    }

    /// What cannot wait for the next look.
    pub fn happened(
        &mut self,
        heard: &Heard,
        happened: &Happened,
        now: Mono,
    ) -> Result<(), Failure> {
        match happened {
            Happened::Born(node) => self.node(heard, *node, "born", now),
            Happened::Lost(node) => self.node(heard, *node, "lost", now),
            Happened::Back(node) => self.node(heard, *node, "back", now),
            Happened::Reading(channel) => self.channel(heard, *channel, now),
            Happened::Unusable(source, what) => {
                let text = format!("unusable  {source}: {what}");
                self.say(now, &text, json!({ "unusable": source, "what": what }))
            }
        }
    }

    /// Links that changed, and channels that have news.
    pub fn periodic(
        &mut self,
        heard: &Heard,
        links: &[LinkStatus],
        now: Mono,
    ) -> Result<(), Failure> {
        // One that has neither come up nor failed yet is no news.
        for link in links.iter().filter(|it| it.up || !it.trouble.is_empty()) {
            let state = (link.up, link.trouble.clone());
            if self.links.get(&link.name) == Some(&state) {
                continue;
            }
            self.links.insert(link.name.clone(), state);
            self.link(link, now)?;
        }
        for (index, channel) in &heard.channels {
            if self.told.get(index).copied().unwrap_or(0) != channel.count {
                self.channel(heard, *index, now)?;
            }
        }
        Ok(())
    }

    /// The last lines.
    pub fn close(&mut self, summary: &Summary, now: Mono) -> Result<(), Failure> {
        if !self.json {
            return print::line(&summary_text(summary));
        }
        let Summary { seconds, live, silent, never, lost, down, .. } = summary;
        let it = json!({ "summary": {
            "seconds": (seconds * 10.0).round() / 10.0, "live": live, "silent": silent,
            "never-seen": never, "nodes-lost": lost, "links-down": down,
            "unusable": summary.unusable, "missing": summary.gaps,
            "out-of-order": summary.out_of_order, "well": summary.is_well(),
        } });
        self.say(now, "", it)
    }

    fn link(&self, link: &LinkStatus, now: Mono) -> Result<(), Failure> {
        let LinkStatus { name, address, up, trouble, .. } = link;
        let state = if *up { "up".to_owned() } else { format!("down: {trouble}") };
        let text = format!("link      {name} {address} {state}");
        let it = json!({
            "link": name, "kind": kind(link.kind), "address": address, "up": up, "trouble": trouble,
        });
        self.say(now, &text, it)
    }

    fn node(&self, heard: &Heard, node: NodeIx, what: &str, now: Mono) -> Result<(), Failure> {
        let Some(it) = heard.nodes.get(&node.0) else { return Ok(()) };
        let Node { name, channels, permit, births, .. } = it;
        let permits = if *permit { ", wants permits" } else { "" };
        let carrier = transport(it.transport);
        let text = format!("node      {name} {what}: {carrier}, {channels} channels{permits}");
        let it = json!({
            "node": name, "event": what, "transport": carrier, "channels": channels,
            "permit": permit, "births": births,
        });
        self.say(now, &text, it)
    }

    fn channel(&mut self, heard: &Heard, index: ChannelIx, now: Mono) -> Result<(), Failure> {
        let Some(channel) = heard.channels.get(&index) else { return Ok(()) };
        let Some((value, quality, at)) = channel.latest else { return Ok(()) };
        self.told.insert(index, channel.count);
        let (name, rate) = (heard.table.name(index), (channel.rate(now) * 10.0).round() / 10.0);
        let age = now.0.saturating_sub(at.0) / 1000;
        let shown = shown(value.written(), heard.table.channel(index).quantity);
        let word = quality_word(quality);
        let text = format!("reading   {name} {shown} {word}, {rate} a second, {age} ms old");
        let value = match value.written() {
            Written::Number(number) => json!(number),
            Written::Word(word) => json!(word),
            Written::Nothing(_) => Json::Null,
        };
        let mut it = json!({
            "channel": name, "value": value, "quality": word, "hz": rate, "age_ms": age,
            "count": channel.count, "node": heard.node_of(channel),
            "condition": heard.condition(index, now).word(),
        });
        if let Some((Written::Nothing(why), _)) =
            channel.latest.map(|(value, quality, _)| (value.written(), quality))
        {
            it["invalid"] = json!(why);
        }
        self.say(now, &text, it)
    }

    fn say(&self, now: Mono, text: &str, mut it: Json) -> Result<(), Failure> {
        let seconds = (now.0 / 1000) as f64 / 1e3;
        if self.json {
            it["t"] = json!(seconds);
            return print::line(&it.to_string());
        }
        print::line(&format!("{seconds:>9.3}  {text}"))
    }
}

/// A value with its unit.
pub fn shown(value: Written, quantity: Quantity) -> String {
    match (value, quantity) {
        (Written::Number(number), Quantity::Voltage) => format!("{number:.2} V"),
        (Written::Number(number), _) => format!("{number:.3} A"),
        (Written::Word(word), _) => word.to_owned(),
        (Written::Nothing(why), _) => format!("({why})"),
    }
}

/// One word for a quality.
pub const fn quality_word(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Bare => "bare",
        Quality::Late => "late",
        Quality::Resent => "resent",
    }
}

/// Why a link is not up and what to do about it.
pub fn advice(link: &LinkStatus) -> String {
    let LinkStatus { name, address, trouble, .. } = link;
    let hint = match link.kind {
        LinkKind::Mqtt if trouble.contains("refuse") && !trouble.contains("return code") => {
            "; is the broker running, and do address and port fit?"
        }
        LinkKind::Mqtt if trouble.contains("ertificate") => {
            "; `ca-file` must be the certificate of whoever signed the broker's"
        }
        LinkKind::Mqtt if trouble.contains("return code") => {
            "; check `user`, `password-file` and the broker's access rules"
        }
        LinkKind::Mqtt => "; is the host name right, and is the broker reachable?",
        LinkKind::Serial | LinkKind::Modbus if trouble.contains("busy") => {
            "; another program has it: a serial line cannot be shared, stop `checkrail run` first"
        }
        LinkKind::Serial | LinkKind::Modbus | LinkKind::Lcc if trouble.contains("ermission") => {
            "; the user needs access to it, on most systems by the group `dialout`"
        }
        LinkKind::Modbus | LinkKind::Lcc if trouble.contains("refused") => {
            "; does the gateway or adapter listen there, and do address and port fit?"
        }
        LinkKind::Serial | LinkKind::Modbus | LinkKind::Lcc => {
            "; is it plugged in, and does its name fit?"
        }
    };
    format!("link {name} ({address}) is not up: {trouble}{hint}")
}

/// The sum, for people.
pub fn summary_text(summary: &Summary) -> String {
    let list = |it: &[String]| {
        if it.is_empty() { "none".to_owned() } else { it.join(", ") }
    };
    let Summary { seconds, live, silent, never, lost, down, unusable, gaps, out_of_order } =
        summary;
    let s = if *live == 1 { "" } else { "s" };
    format!(
        "listened for {seconds:.1} s: {live} live channel{s}\n  silent: {}\n  announced and never seen: {}\n  \
         nodes lost: {}\n  links not up: {}\n  messages that could not be used: {unusable}, missing by their \
         numbers: {gaps}, repeated or late: {out_of_order}",
        list(silent),
        list(never),
        list(lost),
        list(down),
    )
}
