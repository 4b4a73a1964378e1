//! What a node announces of its current sensors, against what `study` reckons with.

use supervision::input::Announced;
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    layout::Layout,
    units::Micros,
};

/// What the study assumes where the layout file says nothing.
const ASSUMED: Micros = Micros::from_millis(10);

/// A sentence for each district whose sensor averages over longer than the layout file lets the study know: its contacts
/// are cut later than the study says.
pub fn longer_than_studied(
    layout: &Layout,
    channels: &ChannelTable,
    announced: &[Announced],
) -> Vec<String> {
    let one = |it: &Announced| {
        let channel = channels.channel(it.channel);
        let (Object::District(district), Quantity::Current) = (channel.object, channel.quantity)
        else {
            return None;
        };
        let (name, district) = (channels.name(it.channel), &layout.districts[district.at()]);
        let known = district.averaging.or_else(|| layout.links.averaging(name)).unwrap_or(ASSUMED);
        let more = it.averaging.filter(|averaging| known < *averaging)?;
        Some(format!(
            "{name} averages over {more}, and `study` reckons with {known}: write averaging = \"{more}\" in \
             [district.{}]",
            district.id
        ))
    };
    announced.iter().filter_map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAYOUT: &str = include_str!("../../../tests/layouts/two-districts.toml");

    #[test]
    fn a_sensor_that_averages_over_longer_than_the_study_knows_is_told() {
        let stated = LAYOUT.replacen("cut = true", "cut = true # booster", 1);
        let stated = stated.replacen("cut = true\n", "cut = true\naveraging = \"50 ms\"\n", 1);
        for (text, millis, want) in [
            (LAYOUT, Some(50), "write averaging = \"50 ms\" in [district.east]"),
            (LAYOUT, Some(10), ""),
            (LAYOUT, None, ""),
            (&stated, Some(50), ""),
            (&stated, Some(80), "averages over 80 ms, and `study` reckons with 50 ms"),
        ] {
            let layout = wiring::read(text).layout.expect("a good layout file");
            let channels = ChannelTable::new(&layout);
            let channel = channels.find("district/east/current").expect("it is there");
            let averaging = millis.map(Micros::from_millis);
            let announced = [Announced { averaging, ..Announced::input(channel, None) }];
            let told = longer_than_studied(&layout, &channels, &announced).join("");
            assert_eq!((told.contains(want), told.is_empty()), (true, want.is_empty()), "{told}");
        }
    }
}
