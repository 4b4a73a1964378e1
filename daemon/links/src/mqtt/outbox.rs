//! Retained messages for everybody: the latest of each topic wins, all of them are sent again on every connection, and a
//! full client delays them without blocking anybody.

use std::collections::{BTreeMap, BTreeSet};

/// Retained topics at most. States and alarms of a layout are far fewer.
const MOST_TOPICS: usize = 20_000;

/// What stands, and what of it is not sent yet.
#[derive(Debug, Default)]
pub(crate) struct Outbox {
    standing: BTreeMap<String, String>,
    unsent: BTreeSet<String>,
}

impl Outbox {
    /// A topic has a new payload; an empty one ends it.
    pub(crate) fn set(&mut self, topic: String, payload: String) {
        if self.standing.len() < MOST_TOPICS || self.standing.contains_key(&topic) {
            self.unsent.insert(topic.clone());
            self.standing.insert(topic, payload);
        }
    }

    /// A retained message of an earlier run: ended, unless the topic is in use.
    pub(crate) fn leftover(&mut self, topic: &str) {
        if !self.standing.contains_key(topic) {
            self.set(topic.to_owned(), String::new());
        }
    }

    /// A new connection knows nothing.
    pub(crate) fn connected(&mut self) {
        self.unsent = self.standing.keys().cloned().collect();
    }

    /// Hands over what is not sent, until `hand_over` refuses one.
    pub(crate) fn flush(&mut self, mut hand_over: impl FnMut(&str, &str) -> bool) {
        while let Some(topic) = self.unsent.first().cloned() {
            let payload = self.standing.get(&topic).map_or("", String::as_str);
            if !hand_over(&topic, payload) {
                return;
            }
            if payload.is_empty() {
                self.standing.remove(&topic);
            }
            self.unsent.remove(&topic);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sent(outbox: &mut Outbox, most: usize) -> Vec<String> {
        let mut sent = Vec::new();
        outbox.flush(|topic, payload| {
            let room = sent.len() < most;
            if room {
                sent.push(format!("{topic}={payload}"));
            }
            room
        });
        sent
    }

    #[test]
    fn the_latest_wins_and_a_new_connection_gets_all_that_stands() {
        let mut outbox = Outbox::default();
        outbox.set("a".into(), "1".into());
        outbox.set("a".into(), "2".into());
        outbox.set("b".into(), "3".into());
        assert_eq!(sent(&mut outbox, 1), ["a=2"]);
        assert_eq!(sent(&mut outbox, 9), ["b=3"]);
        outbox.set("b".into(), String::new());
        assert_eq!(sent(&mut outbox, 9), ["b="]);
        outbox.connected();
        assert_eq!(sent(&mut outbox, 9), ["a=2"]);
    }

    #[test]
    fn what_an_earlier_run_left_is_ended_unless_it_is_in_use() {
        let mut outbox = Outbox::default();
        outbox.set("a".into(), "1".into());
        outbox.leftover("a");
        outbox.leftover("old");
        assert_eq!(sent(&mut outbox, 9), ["a=1", "old="]);
    }
}
