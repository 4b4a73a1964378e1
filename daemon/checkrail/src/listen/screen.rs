//! What was heard, as a table that is drawn again and again on a terminal.

use std::fmt::Write as _;

use links::LinkStatus;
use wiring::{index::ChannelIx, units::Mono};

use super::{
    heard::{Condition, Heard, Summary, transport},
    tell::{quality_word, shown, summary_text},
};
use crate::{exit::Failure, print, table::table};

/// Rows of a terminal that tells no size.
const ROWS: usize = 40;
/// Rows that everything but the channels needs at least.
const OTHERS: usize = 6;
/// Reasons shown at once.
const MOST_REASONS: usize = 6;

/// The table.
pub struct Screen {
    /// Channels of the layout that nobody announced are shown, too.
    all: bool,
    drawn: bool,
}

impl Screen {
    pub const fn new(all: bool) -> Self {
        Self { all, drawn: false }
    }

    /// Draws everything, over what was there.
    pub fn draw(&mut self, heard: &Heard, links: &[LinkStatus], now: Mono) -> Result<(), Failure> {
        let mut text = String::new();
        for link in links {
            let state = if link.up { "up" } else { &*link.trouble };
            let LinkStatus { name, address, received, unusable, lost, .. } = link;
            let _ = writeln!(
                text,
                "{name} {address}: {state}; {received} received, {unusable} not usable, {lost} missing"
            );
        }
        for node in heard.nodes.values() {
            let state = if node.alive { "lives" } else { "LOST" };
            let (name, count) = (&node.name, node.channels);
            let carrier = transport(node.transport);
            let _ = writeln!(text, "node {name} ({carrier}): {state}, {count} channels announced");
        }
        for (source, bad) in heard.unusable.iter().rev().take(MOST_REASONS) {
            let _ = writeln!(text, "not usable: {source}: {}", bad.what);
        }
        let used = text.lines().count() + OTHERS;
        let rows = terminal_size::terminal_size().map_or(ROWS, |(_, height)| height.0.into());
        text.push_str(&self.channels(heard, now, rows.saturating_sub(used).max(5)));
        // Home, the text with each line cleared behind it, and the rest of the screen cleared.
        let text = text.replace('\n', "\u{1b}[K\n");
        let start = if std::mem::replace(&mut self.drawn, true) { "" } else { "\u{1b}[2J" };
        print::line(&format!("{start}\u{1b}[H{text}\u{1b}[J"))
    }

    /// Those that want attention first.
    fn channels(&self, heard: &Heard, now: Mono, most: usize) -> String {
        let mut rows: Vec<(u8, ChannelIx)> =
            heard.channels.keys().map(|it| (rank(heard.condition(*it, now)), *it)).collect();
        if self.all {
            let unheard = heard.table.iter().filter(|(index, channel)| {
                channel.quantity.is_input() && !heard.channels.contains_key(index)
            });
            rows.extend(unheard.map(|(index, _)| (rank(Condition::Never), index)));
        }
        rows.sort_unstable();
        let mut shown = table(&["channel", "value", "age", "a second", "quality", "", "node"]);
        for (_, index) in rows.iter().take(most) {
            shown.add_row(row(heard, *index, now));
        }
        let more = rows.len().saturating_sub(most);
        let tail = if more > 0 { format!("\n… {more} more") } else { String::new() };
        format!("{shown}{tail}\nCtrl-C ends.")
    }

    /// Leaves the sum on the terminal.
    pub fn close(self, summary: &Summary) -> Result<(), Failure> {
        print::line(&format!("\n{}", summary_text(summary)))
    }
}

const fn rank(condition: Condition) -> u8 {
    match condition {
        Condition::Silent => 0,
        Condition::Never => 1,
        Condition::Live => 2,
        Condition::Output => 3,
    }
}

fn row(heard: &Heard, index: ChannelIx, now: Mono) -> Vec<String> {
    let name = heard.table.name(index).to_owned();
    let condition = heard.condition(index, now).word().to_owned();
    let Some(channel) = heard.channels.get(&index) else {
        return vec![name, String::new(), String::new(), String::new(), String::new(), condition];
    };
    let node = heard.node_of(channel).to_owned();
    let Some((value, quality, at)) = channel.latest else {
        return vec![
            name,
            String::new(),
            String::new(),
            String::new(),
            String::new(),
            condition,
            node,
        ];
    };
    let age = now.0.saturating_sub(at.0) as f64 / 1e6;
    vec![
        name,
        shown(value.written(), heard.table.channel(index).quantity),
        format!("{age:.1} s"),
        format!("{:.1}", channel.rate(now)),
        quality_word(quality).to_owned(),
        condition,
        node,
    ]
}
