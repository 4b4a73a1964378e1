//! Channels as they are heard: the last good value of each, its age, whether it may be acted upon, and its samples.
//!
//! Missing is never zero. Nothing here decides; it judges single readings and silence.

use wiring::{
    channel::Quantity,
    index::ChannelIx,
    units::{Microamps, Micros, Mono},
};

use crate::{
    input::{Invalid, NodeIx, Quality, Reading, Value},
    ring::Ring,
};

/// A current of any rate is not called silent before this.
const SHORTEST_SILENCE: Micros = Micros::from_millis(250);
/// Currents that announced no rate.
const SILENCE_WITHOUT_RATE: Micros = Micros::from_millis(1000);
/// A channel that was announced speaks within this: nodes send every discrete one after each connection and every 10 s.
const FIRST_WORD: Micros = Micros::from_millis(12_000);
/// Samples kept of a fast channel: 2 s and more at 100 Hz, with room for evidence before the onset.
const FAST_SAMPLES: usize = 320;
/// Samples kept of a channel that changes now and then.
const SLOW_SAMPLES: usize = 32;

/// An instant of one node's own clock.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct NodeTime {
    pub(crate) node: NodeIx,
    /// Wraps.
    pub(crate) ms: u32,
}

/// A channel as heard.
#[derive(Debug)]
pub(crate) struct Slot {
    quantity: Quantity,
    /// The last good value.
    pub(crate) last: Option<(Mono, Value)>,
    /// Milliseconds of its node's clock at the last good value, where it sends them.
    node_ms: Option<u32>,
    /// Quality of the last good value.
    pub(crate) quality: Quality,
    /// Announced time between readings.
    pub(crate) period: Option<Micros>,
    /// `stale-after` of the layout file.
    pub(crate) stale_after: Option<Micros>,
    /// Longest silence that the channel's own source states: it goes before the layout's.
    pub(crate) source_stale_after: Option<Micros>,
    /// The source averages over this time.
    pub(crate) averaging: Micros,
    /// The layout file names it as what proves a cut.
    pub(crate) is_proof: bool,
    /// Its last reading that came checked and in order.
    ordered: Option<Mono>,
    /// The node that announced it.
    pub(crate) node: Option<NodeIx>,
    /// A node announced it then, and it has not spoken yet.
    pub(crate) expected: Option<Mono>,
    /// Silent for too long, or its node is.
    pub(crate) stale: bool,
    /// First of an unbroken run of readings over the top of the range, and how many.
    overs: Option<(Mono, u32)>,
    ring: Ring,
}

/// What a reading is worth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Taken {
    /// A good value. It was stale before where `back` says so.
    Good {
        /// The value.
        value: Value,
        /// It may prove something: fresh and ordered, or the only word there is.
        proves: bool,
        /// It ends a silence.
        back: bool,
    },
    /// The second or later reading in a row over the top of the range, after a good one: at least full scale, since
    /// the first of them. `repeated` is false for the second only.
    OverRange {
        /// When the first came.
        first: Mono,
        /// The run was counted before.
        repeated: bool,
    },
    /// The first over the top of the range: not known yet whether it is one bad sample.
    Pending,
    /// Not usable, and why.
    Bad(&'static str),
}

impl Slot {
    /// A channel of this quantity, never heard.
    pub(crate) fn new(quantity: Quantity, stale_after: Option<Micros>) -> Self {
        let samples = match quantity {
            Quantity::Current | Quantity::Voltage => FAST_SAMPLES,
            Quantity::Feedback
            | Quantity::Occupied
            | Quantity::Peak
            | Quantity::Position
            | Quantity::Asked
            | Quantity::Polarity
            | Quantity::State
            | Quantity::Expected
            | Quantity::Load
            | Quantity::Power
            | Quantity::Throw => SLOW_SAMPLES,
        };
        Self {
            quantity,
            last: None,
            node_ms: None,
            quality: Quality::Good,
            period: None,
            stale_after,
            source_stale_after: None,
            averaging: Micros::ZERO,
            is_proof: false,
            ordered: None,
            node: None,
            expected: None,
            stale: false,
            overs: None,
            ring: Ring::new(samples),
        }
    }

    /// The last good value, unless it is too old to act upon.
    pub(crate) fn fresh(&self) -> Option<Value> {
        self.last.filter(|_| !self.stale).map(|(_, value)| value)
    }

    /// When its node measured the last good value, on the node's own clock.
    pub(crate) fn told(&self) -> Option<NodeTime> {
        Some(NodeTime { node: self.node?, ms: self.node_ms? })
    }

    fn current(&self) -> Option<Microamps> {
        match self.fresh() {
            Some(Value::Current(amps)) => Some(amps),
            _ => None,
        }
    }

    /// Kept samples.
    pub(crate) const fn samples(&self) -> &Ring {
        &self.ring
    }

    /// The longest silence; none: it never goes stale by age.
    pub(crate) fn silence(&self) -> Option<Micros> {
        let stated = self.source_stale_after.or(self.stale_after);
        match self.quantity {
            Quantity::Current | Quantity::Voltage => {
                Some(stated.unwrap_or_else(|| match self.period {
                    Some(period) => Micros(period.0.saturating_mul(3)).max(SHORTEST_SILENCE),
                    None => SILENCE_WITHOUT_RATE,
                }))
            }
            Quantity::Position
            | Quantity::Polarity
            | Quantity::Feedback
            | Quantity::Occupied
            | Quantity::State => stated,
            Quantity::Peak
            | Quantity::Asked
            | Quantity::Expected
            | Quantity::Load
            | Quantity::Power
            | Quantity::Throw => None,
        }
    }

    /// Announced, and it has never spoken.
    pub(crate) const fn is_missing(&self) -> bool {
        self.expected.is_some() && self.last.is_none()
    }

    /// When it goes stale by age: just after the longest silence, so that a reading due exactly then is in time.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        if self.stale {
            return None;
        }
        let Some((heard, _)) = self.last else {
            return self.expected.map(|since| since + FIRST_WORD);
        };
        Some(heard + self.silence()? + Micros(1))
    }

    fn take(&mut self, reading: &Reading, now: Mono) -> Taken {
        let Reading { value, quality, .. } = *reading;
        if quality == Quality::Resent {
            return Taken::Bad("sent twice");
        }
        if let Value::Invalid(why) = value {
            self.ring.push(now, value);
            return self.take_invalid(why, now);
        }
        if !self.is_of_type(value) {
            return Taken::Bad("is not of its channel's type");
        }
        if is_negative(value) {
            return Taken::Bad("is negative");
        }
        self.ring.push(now, value);
        if quality == Quality::Late {
            self.take_late(value, now);
            return Taken::Good { value, proves: false, back: false };
        }
        let proves = self.may_prove(quality, now);
        if quality == Quality::Good {
            self.ordered = Some(now);
        }
        let back = self.stale;
        self.last = Some((now, value));
        self.node_ms = reading.node_ms;
        self.quality = quality;
        self.stale = false;
        self.overs = None;
        Taken::Good { value, proves, back }
    }

    /// A bare reading proves only where it is the only one there is, or where the layout file says that it does: somebody
    /// who says `0` beside a node that counts its readings proves nothing.
    fn may_prove(&self, quality: Quality, now: Mono) -> bool {
        match quality {
            Quality::Good => true,
            Quality::Bare => {
                let silence = self.silence().unwrap_or(SILENCE_WITHOUT_RATE);
                self.is_proof || self.ordered.is_none_or(|at| silence < now.since(at))
            }
            Quality::Late | Quality::Resent => false,
        }
    }

    /// One that waited somewhere may bring bad news to the elements, and no good: it ends no silence and puts none off. A
    /// quantity that is measured all the time is not known by it; of a state it is the newest word.
    fn take_late(&mut self, value: Value, now: Mono) {
        let measured = matches!(self.quantity, Quantity::Current | Quantity::Voltage);
        if !measured {
            let heard = self.last.map_or(now, |(heard, _)| heard);
            self.last = Some((heard, value));
            self.quality = Quality::Late;
        }
    }

    fn take_invalid(&mut self, why: Invalid, now: Mono) -> Taken {
        match why {
            Invalid::OverRange if self.last.is_none() => Taken::Bad("is over the top of its range"),
            Invalid::OverRange => {
                let (first, count) = self.overs.unwrap_or((now, 0));
                self.overs = Some((first, count.saturating_add(1)));
                match count {
                    0 => Taken::Pending,
                    count => Taken::OverRange { first, repeated: count > 1 },
                }
            }
            Invalid::UnderRange => self.bad("is below the bottom of its range"),
            Invalid::Open => self.bad("has an open sensor"),
            Invalid::Sensor => self.bad("has a faulty sensor"),
            Invalid::Malformed => self.bad("is not a usable value"),
        }
    }

    fn bad(&mut self, what: &'static str) -> Taken {
        self.overs = None;
        Taken::Bad(what)
    }

    const fn is_of_type(&self, value: Value) -> bool {
        match value {
            Value::Current(_) => matches!(self.quantity, Quantity::Current | Quantity::Peak),
            Value::Voltage(_) => matches!(self.quantity, Quantity::Voltage),
            Value::Position(_) => matches!(self.quantity, Quantity::Position),
            Value::Asked(_) => matches!(self.quantity, Quantity::Asked),
            Value::Polarity(_) => matches!(self.quantity, Quantity::Polarity),
            Value::Occupied(_) => matches!(self.quantity, Quantity::Occupied),
            Value::Feedback(_) => matches!(self.quantity, Quantity::Feedback),
            Value::Reverser(_) => matches!(self.quantity, Quantity::State),
            Value::Invalid(_) => false,
        }
    }
}

const fn is_negative(value: Value) -> bool {
    match value {
        Value::Current(amps) => amps.0 < 0,
        Value::Voltage(volts) => volts.0 < 0,
        Value::Position(_)
        | Value::Asked(_)
        | Value::Polarity(_)
        | Value::Occupied(_)
        | Value::Feedback(_)
        | Value::Reverser(_)
        | Value::Invalid(_) => false,
    }
}

/// What the currents that a feed feeds add up to.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    /// Currents that belong to it, and those of them that may be acted upon.
    parts: u32,
    fresh: u32,
    amps: Microamps,
}

impl Sum {
    fn exchange(&mut self, before: Option<Microamps>, after: Option<Microamps>) {
        if let Some(amps) = before {
            self.fresh -= 1;
            self.amps = self.amps - amps;
        }
        if let Some(amps) = after {
            self.fresh += 1;
            self.amps = self.amps + amps;
        }
    }
}

/// A channel that is part of no sum.
const NO_SUM: u32 = u32::MAX;

/// All channels of a layout.
#[derive(Debug)]
pub(crate) struct Store {
    slots: Vec<Slot>,
    /// By channel: the sum that it is part of.
    sum_of: Vec<u32>,
    /// By feed: kept as readings come, so that no reading scans what a feed feeds.
    sums: Vec<Sum>,
}

impl Store {
    /// From one slot a channel. `parts` lists, by feed, the currents that it feeds.
    pub(crate) fn new(slots: Vec<Slot>, parts: &[Vec<ChannelIx>]) -> Self {
        let mut sum_of = vec![NO_SUM; slots.len()];
        let mut sums = vec![Sum::default(); parts.len()];
        for (nth, channels) in parts.iter().enumerate() {
            for channel in channels {
                sum_of[channel.at()] = nth as u32;
                sums[nth].parts += 1;
            }
        }
        Self { slots, sum_of, sums }
    }

    /// Judges a reading and keeps it if it is good.
    pub(crate) fn take(&mut self, reading: &Reading, now: Mono) -> Taken {
        let nth = reading.channel.at();
        let slot = &mut self.slots[nth];
        let Some(sum) = self.sums.get_mut(self.sum_of[nth] as usize) else {
            return slot.take(reading, now);
        };
        let before = slot.current();
        let taken = slot.take(reading, now);
        sum.exchange(before, slot.current());
        taken
    }

    /// A channel has been silent for too long.
    pub(crate) fn silence(&mut self, channel: ChannelIx) {
        let slot = &mut self.slots[channel.at()];
        let before = slot.current();
        slot.stale = true;
        if let Some(sum) = self.sums.get_mut(self.sum_of[channel.at()] as usize) {
            sum.exchange(before, None);
        }
    }

    /// What a feed's parts add up to; none where it has none, or one of them may not be acted upon.
    pub(crate) fn sum(&self, feed: usize) -> Option<Microamps> {
        let sum = self.sums[feed];
        (0 < sum.parts && sum.fresh == sum.parts).then_some(sum.amps)
    }

    /// A channel.
    pub(crate) fn slot(&self, channel: ChannelIx) -> &Slot {
        &self.slots[channel.at()]
    }

    /// A channel, for what links learn of it.
    pub(crate) fn slot_mut(&mut self, channel: ChannelIx) -> &mut Slot {
        &mut self.slots[channel.at()]
    }

    /// The last good value that may be acted upon.
    pub(crate) fn fresh(&self, channel: ChannelIx) -> Option<Value> {
        self.slots[channel.at()].fresh()
    }

    /// Samples that are kept of all channels.
    pub(crate) fn samples_held(&self) -> usize {
        self.slots.iter().map(|slot| slot.samples().len()).sum()
    }

    /// The channels that a node announced.
    pub(crate) fn of_node(&self, node: NodeIx) -> impl Iterator<Item = ChannelIx> + '_ {
        let mine = move |(_, slot): &(usize, &Slot)| slot.node == Some(node);
        self.slots.iter().enumerate().filter(mine).map(|(at, _)| ChannelIx::new(at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::MachinePosition;

    #[test]
    fn a_sum_is_told_while_all_its_parts_may_be_acted_upon() {
        let slot = || Slot::new(Quantity::Current, None);
        let parts = vec![vec![], vec![ChannelIx(0), ChannelIx(1)]];
        let mut sut = Store::new(vec![slot(), slot(), slot()], &parts);
        let mut say = |channel: u32, word: &str| {
            let channel = ChannelIx(channel);
            if word == "silent" {
                sut.silence(channel);
            } else {
                sut.take(&Reading { channel, ..reading(word) }, Mono(0));
            }
            assert_eq!(sut.sum(0), None);
            sut.sum(1).map(|amps| amps.0 / 1000)
        };
        let told = [
            (0, "0.5", None),
            (2, "9.0", None),
            (1, "0.25", Some(750)),
            (0, "0.75", Some(1000)),
            (0, "open", Some(1000)),
            (1, "silent", None),
            (1, "silent", None),
            (1, "0.5", Some(1250)),
        ];
        for (channel, word, want) in told {
            assert_eq!(say(channel, word), want, "{channel} {word}");
        }
    }

    #[test]
    fn bad_readings_are_named_and_change_nothing() {
        check("2.0", "good");
        check("2.0 resent -1 under open sensor nan word", "good bad bad bad bad bad bad bad");
    }

    #[test]
    fn over_range_counts_from_the_second_in_a_row_after_a_good_one() {
        check("over over", "bad bad");
        check("1.0 over 1.0 over", "good pending good pending");
        check("1.0 over over over", "good pending over@1 over@1+");
        check("1.0 over under over", "good pending bad pending");
    }

    #[test]
    fn a_current_is_stale_after_three_periods_but_not_before_a_quarter_second() {
        let cases = [(None, 1_000_001), (Some(20), 250_001), (Some(200), 600_001)];
        for (period, want) in cases {
            let mut sut = Slot::new(Quantity::Current, None);
            sut.period = period.map(Micros::from_millis);
            sut.take(&reading("1.0"), Mono(0));
            assert_eq!(sut.poll_deadline(), Some(Mono(want)), "{period:?}");
        }
    }

    #[test]
    fn a_late_current_ends_no_silence_and_puts_none_off() {
        let mut sut = Slot::new(Quantity::Current, None);
        let taken = sut.take(&reading("late"), Mono(0));
        assert_eq!((sut.fresh(), sut.poll_deadline()), (None, None), "not known by it");
        assert!(matches!(taken, Taken::Good { proves: false, back: false, .. }), "{taken:?}");
        sut.take(&reading("1.0"), Mono(0));
        let (known, due) = (sut.fresh(), sut.poll_deadline());
        sut.take(&reading("late"), Mono(900_000));
        assert_eq!((sut.fresh(), sut.poll_deadline()), (known, due));
        sut.stale = true;
        let taken = sut.take(&reading("late"), Mono(2_000_000));
        assert!(matches!(taken, Taken::Good { back: false, .. }), "{taken:?}");
        assert_eq!(sut.fresh(), None);
        let taken = sut.take(&reading("1.0"), Mono(2_100_000));
        assert!(matches!(taken, Taken::Good { proves: true, back: true, .. }), "{taken:?}");
        assert_eq!(sut.samples().len(), 5, "all are kept as evidence");
    }

    #[test]
    fn a_late_position_is_the_newest_word_and_as_old_as_the_one_before() {
        let mut sut = Slot::new(Quantity::Position, Some(Micros::from_millis(500)));
        let say = |sut: &mut Slot, position, quality, at| {
            let value = Value::Position(position);
            sut.take(&Reading { channel: ChannelIx(0), value, quality, node_ms: None }, Mono(at))
        };
        say(&mut sut, MachinePosition::Normal, Quality::Late, 0);
        assert_eq!(sut.last, Some((Mono(0), Value::Position(MachinePosition::Normal))));
        say(&mut sut, MachinePosition::Normal, Quality::Good, 100);
        say(&mut sut, MachinePosition::Reverse, Quality::Late, 200);
        assert_eq!(sut.last, Some((Mono(100), Value::Position(MachinePosition::Reverse))));
        sut.stale = true;
        say(&mut sut, MachinePosition::Reverse, Quality::Late, 900_000);
        assert_eq!(sut.fresh(), None);
    }

    #[test]
    fn positions_never_go_stale_by_age() {
        assert_eq!(Slot::new(Quantity::Position, None).silence(), None);
    }

    #[track_caller]
    fn check(readings: &str, want: &str) {
        let mut sut = Slot::new(Quantity::Current, None);
        let got: Vec<String> = readings
            .split_whitespace()
            .enumerate()
            .map(|(at, word)| show(sut.take(&reading(word), Mono(at as u64))))
            .collect();
        assert_eq!(got.join(" "), want);
    }

    fn reading(word: &str) -> Reading {
        let value = match word {
            "over" => Value::Invalid(Invalid::OverRange),
            "under" => Value::Invalid(Invalid::UnderRange),
            "open" => Value::Invalid(Invalid::Open),
            "sensor" => Value::Invalid(Invalid::Sensor),
            "nan" => Value::Invalid(Invalid::Malformed),
            "word" => Value::Feedback(true),
            "resent" | "late" => Value::Current(Microamps(2_000_000)),
            number => Value::Current(Microamps::from_amps(number.parse().unwrap())),
        };
        let quality = match word {
            "resent" => Quality::Resent,
            "late" => Quality::Late,
            _ => Quality::Good,
        };
        Reading { channel: ChannelIx(0), value, quality, node_ms: None }
    }

    fn show(taken: Taken) -> String {
        match taken {
            Taken::Good { .. } => "good".to_owned(),
            Taken::OverRange { first, repeated } => {
                format!("over@{}{}", first.0, if repeated { "+" } else { "" })
            }
            Taken::Pending => "pending".to_owned(),
            Taken::Bad(_) => "bad".to_owned(),
        }
    }
}
