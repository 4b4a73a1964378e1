//! Helpers of this crate's own tests.

#[path = "../tests/support/layout.rs"]
mod layout;

use supervision::{
    cause::Cause,
    input::{Input, OrderId},
    output::{Action, Order},
};
use wiring::channel::ChannelTable;

pub(crate) use self::layout::channels;

/// An order by an operator.
pub(crate) fn order(id: u32, channels: &ChannelTable, channel: &str, action: Action) -> Order {
    let channel = channels.find(channel).expect("a channel of the layout");
    let (id, cause) = (OrderId(id), Cause::Operator);
    Order { id, channel, action, cause, fault: None, attempt: 1 }
}

/// Inputs in short: `quarry/current 0.812 Good`, `Born yard-east`, `NotSent 4` …
pub(crate) fn short(inputs: &[Input], channels: &ChannelTable) -> Vec<String> {
    use supervision::{input::LinkReport as L, value::Written};
    let one = |input: &Input| match input {
        Input::Reading(it) => {
            let value = match it.value.written() {
                Written::Number(number) => number.to_string(),
                Written::Word(word) => word.to_owned(),
                Written::Nothing(why) => format!("({why})"),
            };
            format!("{} {value} {:?}", channels.name(it.channel), it.quality)
        }
        Input::Link(L::Born { name, channels, permit, restarted, .. }) => {
            format!("Born {name} {} {permit} {restarted}", channels.len())
        }
        Input::Link(L::Unusable { source, what }) => format!("Unusable {source}: {what}"),
        Input::Link(L::NotSent { order }) => format!("NotSent {}", order.0),
        Input::Link(L::Acknowledged { order }) => format!("Acknowledged {}", order.0),
        Input::Link(L::Refused { order, reason }) => format!("Refused {}: {reason}", order.0),
        Input::Link(L::Alive { node }) => format!("Alive {}", node.0),
        Input::Link(L::Lost { node }) => format!("Lost {}", node.0),
        Input::Link(L::ClockSkew { node, off }) => format!("ClockSkew {} {off:?}", node.0),
        Input::Link(L::HistoryFailing { .. }) | Input::Tick => format!("{input:?}"),
        Input::Operator(request) => format!("{} asks {:?}", request.who, request.act),
    };
    inputs.iter().map(one).collect()
}
