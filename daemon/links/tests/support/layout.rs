//! A layout small enough to survey: one booster, two districts, a block, a turnout with its machine and frog.

use std::sync::Arc;

use wiring::channel::ChannelTable;

const TEXT: &str = include_str!("layout.toml");

/// Its channels.
pub(crate) fn channels() -> Arc<ChannelTable> {
    let read = wiring::read(TEXT);
    Arc::new(ChannelTable::new(&read.layout.expect("a good layout file")))
}
