//! Numbers of nodes, in order of appearance over all links.

use std::sync::{Mutex, PoisonError};

use supervision::input::{NodeIx, Transport};

/// Nodes known at most. Further ones are refused: a flood of made-up names must not fill the memory.
const MOST_NODES: usize = 512;

/// Gives every node of every link its number. A name on two transports is two nodes.
#[derive(Debug, Default)]
pub(crate) struct NodeNumbers(Mutex<Vec<(Transport, String)>>);

impl NodeNumbers {
    /// The number of a node; none when there are too many.
    pub(crate) fn number(&self, transport: Transport, name: &str) -> Option<NodeIx> {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let at = known.iter().position(|(t, n)| *t == transport && n == name);
        let at = at.unwrap_or_else(|| {
            known.push((transport, name.to_owned()));
            known.len() - 1
        });
        if at >= MOST_NODES {
            known.truncate(MOST_NODES);
            return None;
        }
        u16::try_from(at).ok().map(NodeIx)
    }
}

/// A node's name: `[a-z0-9-]{1,32}`, and not the shared branch `-`.
pub(crate) fn is_node_name(name: &str) -> bool {
    name != "-"
        && (1..=32).contains(&name.len())
        && name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_node_keeps_its_number_and_a_flood_of_names_ends() {
        let numbers = NodeNumbers::default();
        assert_eq!(numbers.number(Transport::Mqtt, "yard"), Some(NodeIx(0)));
        assert_eq!(numbers.number(Transport::Serial, "yard"), Some(NodeIx(1)));
        assert_eq!(numbers.number(Transport::Mqtt, "yard"), Some(NodeIx(0)));
        let given = (0..2000).filter(|n| numbers.number(Transport::Mqtt, &n.to_string()).is_some());
        assert_eq!(given.count(), MOST_NODES - 2);
    }

    #[test]
    fn names_of_nodes_are_plain() {
        for (name, want) in [("yard-east", true), ("-", false), ("", false), ("Yard", false)] {
            assert_eq!(is_node_name(name), want, "{name}");
        }
        assert!(!is_node_name(&"a".repeat(33)));
    }
}
