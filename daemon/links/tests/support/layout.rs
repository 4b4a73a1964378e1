//! A layout small enough to survey: one booster, two districts, a block, a turnout with its machine and frog.

use std::sync::Arc;

use wiring::channel::ChannelTable;

const TEXT: &str = r#"
schema = 1

[layout]
name = "Tamarrow Valley"
control = "dcc"

[booster.main]
volts = "15 V"
limit = "5 A"
cut = true

[district.quarry]
booster = "main"
cut = true

[district.yard]
booster = "main"
cut = true

[block.q1]
district = "quarry"

[trackwork.T14]
kind = "turnout"
hand = "right"
block = "q1"

[trackwork.T14.frog]
poles = ["T14.1"]
normal = "right"
reverse = "left"
"#;

/// Its channels.
pub(crate) fn channels() -> Arc<ChannelTable> {
    let read = wiring::read(TEXT);
    Arc::new(ChannelTable::new(&read.layout.expect("a good layout file")))
}
