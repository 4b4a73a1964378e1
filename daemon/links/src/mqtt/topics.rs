//! Topics, built and read.

use crate::nodes::is_node_name;

/// Longest topic that is looked at. Unit: octet.
const LONGEST_TOPIC: usize = 512;

/// The root topic and what is built upon it.
#[derive(Clone, Debug)]
pub(crate) struct Topics {
    root: String,
}

/// What an incoming topic means.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Heard<'a> {
    /// `ROOT/NODE/reading/CHANNEL`.
    Reading { node: &'a str, channel: &'a str },
    /// `ROOT/NODE/set`.
    Set { node: &'a str },
    /// `ROOT/NODE/birth`.
    Birth { node: &'a str },
    /// `ROOT/NODE/health`.
    Health { node: &'a str },
    /// `ROOT/NODE/ack/CHANNEL`.
    Ack { node: &'a str, channel: &'a str },
    /// `ROOT/-/ask/cut/WHO`.
    AskCut { who: &'a str },
    /// `ROOT/-/state/CHANNEL` and `ROOT/-/alarm/KIND/SUBJECT`: our own, perhaps of an earlier run.
    Ours,
    /// Nothing of ours: the mapping table decides.
    Foreign,
}

impl Topics {
    pub(crate) fn new(root: &str) -> Self {
        Self { root: root.to_owned() }
    }

    /// What to subscribe to, and whether with QoS 1.
    pub(crate) fn filters(&self) -> Vec<(String, bool)> {
        let root = &self.root;
        [
            ("+/reading/#", false),
            ("+/set", false),
            ("+/birth", true),
            ("+/health", true),
            ("+/ack/#", true),
            ("-/ask/cut/+", true),
            ("-/state/#", true),
            ("-/alarm/#", true),
        ]
        .map(|(rest, sure)| (format!("{root}/{rest}"), sure))
        .to_vec()
    }

    /// What a listener subscribes to: the same and whatever else a node may say by mistake one level deep, but nothing
    /// by which the broker could think that somebody listens for an order. No two filters match one topic.
    pub(crate) fn listener_filters(&self) -> Vec<(String, bool)> {
        let root = &self.root;
        [("+/+", true), ("+/reading/#", false), ("+/ack/#", true)]
            .map(|(rest, sure)| (format!("{root}/{rest}"), sure))
            .to_vec()
    }

    /// Whether only Checkrail says something there: permits, `-/cut`, `-/daemon`.
    pub(crate) fn is_said_by_us(&self, topic: &str) -> bool {
        let rest = topic.strip_prefix(&self.root).and_then(|rest| rest.strip_prefix('/'));
        let parts = rest.and_then(|rest| rest.split_once('/'));
        matches!(parts, Some(("-", _) | (_, "permit")))
    }

    /// Our own retained topics, heard only to find what an earlier run left.
    pub(crate) fn own_filters(&self) -> [String; 2] {
        [format!("{}/-/state/#", self.root), format!("{}/-/alarm/#", self.root)]
    }

    pub(crate) fn hear<'a>(&self, topic: &'a str) -> Heard<'a> {
        let rest = topic.strip_prefix(&self.root).and_then(|rest| rest.strip_prefix('/'));
        let Some((node, rest)) = rest.and_then(|rest| rest.split_once('/')) else {
            return Heard::Foreign;
        };
        if topic.len() > LONGEST_TOPIC {
            return Heard::Foreign;
        }
        let (verb, rest) = rest.split_once('/').unwrap_or((rest, ""));
        match (node, verb, rest) {
            ("-", "ask", rest) => match rest.strip_prefix("cut/") {
                Some(who) if !who.is_empty() && !who.contains('/') => Heard::AskCut { who },
                Some(_) | None => Heard::Foreign,
            },
            ("-", "state" | "alarm", _) => Heard::Ours,
            (node, _, _) if !is_node_name(node) => Heard::Foreign,
            (node, "reading", channel) if !channel.is_empty() => Heard::Reading { node, channel },
            (node, "ack", channel) if !channel.is_empty() => Heard::Ack { node, channel },
            (node, "set", "") => Heard::Set { node },
            (node, "birth", "") => Heard::Birth { node },
            (node, "health", "") => Heard::Health { node },
            (_, _, _) => Heard::Foreign,
        }
    }

    /// Orders to one node; `-` for outputs that no birth announced.
    pub(crate) fn order(&self, node: &str, channel: &str) -> String {
        format!("{}/{node}/order/{channel}", self.root)
    }

    pub(crate) fn permit(&self, node: &str) -> String {
        format!("{}/{node}/permit", self.root)
    }

    pub(crate) fn cut_everything(&self) -> String {
        format!("{}/-/cut", self.root)
    }

    pub(crate) fn state(&self, channel: &str) -> String {
        format!("{}/-/state/{channel}", self.root)
    }

    pub(crate) fn alarm(&self, kind: &str, subject: &str) -> String {
        format!("{}/-/alarm/{kind}/{subject}", self.root)
    }

    pub(crate) fn daemon(&self) -> String {
        format!("{}/-/daemon", self.root)
    }
}

/// Whether a topic matches a filter, and what each `+` stands for. `#` at the end matches the rest.
pub(crate) fn captures<'a>(filter: &str, topic: &'a str) -> Option<Vec<&'a str>> {
    let mut found = Vec::new();
    let mut levels = topic.split('/');
    for part in filter.split('/') {
        match (part, levels.next()) {
            ("#", _) => return Some(found),
            ("+", Some(level)) => found.push(level),
            (_, Some(level)) if part == level => {}
            (_, Some(_) | None) => return None,
        }
    }
    levels.next().is_none().then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics_are_told_apart() {
        let topics = Topics::new("club/rail");
        let cases = [
            (
                "club/rail/yard/reading/district/quarry/current",
                Heard::Reading { node: "yard", channel: "district/quarry/current" },
            ),
            ("club/rail/yard/set", Heard::Set { node: "yard" }),
            ("club/rail/yard/birth", Heard::Birth { node: "yard" }),
            ("club/rail/yard/health", Heard::Health { node: "yard" }),
            (
                "club/rail/yard/ack/machine/T1/throw",
                Heard::Ack { node: "yard", channel: "machine/T1/throw" },
            ),
            ("club/rail/-/ask/cut/ann", Heard::AskCut { who: "ann" }),
            ("club/rail/-/state/district/quarry/power", Heard::Ours),
            ("club/rail/-/reading/district/quarry/current", Heard::Foreign),
            ("club/rail/YARD/set", Heard::Foreign),
            ("club/railway/yard/set", Heard::Foreign),
            ("club/rail/yard/set/x", Heard::Foreign),
            ("club/rail/-/ask/restore/ann", Heard::Foreign),
            ("sensors/3", Heard::Foreign),
            ("", Heard::Foreign),
        ];
        for (topic, want) in cases {
            assert_eq!(topics.hear(topic), want, "{topic}");
        }
    }

    #[test]
    fn each_plus_is_captured() {
        let cases: [(&str, &str, Option<&[&str]>); 6] = [
            ("sensors/+/telemetry", "sensors/d3/telemetry", Some(&["d3"])),
            ("a/+/b/+", "a/1/b/2", Some(&["1", "2"])),
            ("a/#", "a/1/b", Some(&[])),
            ("a/+", "a/1/b", None),
            ("a/+", "a", None),
            ("a/b", "a/c", None),
        ];
        for (filter, topic, want) in cases {
            assert_eq!(captures(filter, topic).as_deref(), want, "{filter} {topic}");
        }
    }
}
