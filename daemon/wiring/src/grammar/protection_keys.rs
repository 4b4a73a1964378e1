//! Keys of `[protection]`, at the four places where they may stand.

use super::{
    DELAY, Fill, Key, Need, SMALL_CURRENT, SPAN, SUPPLY_CURRENT, Table, Value, depends, or,
};
use crate::quantity::Dimension;

const SHARE: Value = Value::Amount { dimension: Dimension::Share, least: 0, most: 1000 };
const VOLTAGE: Value = Value::Amount { dimension: Dimension::Voltage, least: 0, most: 60_000 };

static WAIT: Value = SPAN;

/// Every key, with what it does. Names and defaults are those of the elements they belong to.
pub static PROTECTION_KEYS: &[Key] = &[
    or("short-step", SUPPLY_CURRENT, "1.5 A", "A step of at least this arms `short`."),
    or("short-window", SPAN, "60 ms", "How far back the lowest good sample counts."),
    or("short-after", DELAY, "20 ms", "How long above pick-up before `short` trips."),
    or("withstand-time", SPAN, "500 ms", "Time in which the weakest pole may reach 100 %."),
    or("half-short-after", DELAY, "1 s", "How long a step must stay to be a half-short."),
    or("at-limit-after", DELAY, "500 ms", "How long at the booster's limit before a cut."),
    depends(
        "overload-pickup",
        SUPPLY_CURRENT,
        "100 % of breaker trip, at most 90 % of booster limit",
        "Pick-up of the overload curve.",
    ),
    or(
        "overload-curve",
        Value::Word(&[
            "standard-inverse",
            "very-inverse",
            "extremely-inverse",
            "long-time-inverse",
            "moderately-inverse",
            "ieee-very-inverse",
            "ieee-extremely-inverse",
        ]),
        "very-inverse",
        "Inverse-time curve, of IEC 60255-151 or IEEE C37.112.",
    ),
    or("overload-multiplier", Value::Factor { least: 10, most: 10_000 }, "0.1", "Its multiplier."),
    or(
        "contact-warning",
        Value::OneOf(&[SHARE, Value::Factor { least: 0, most: 1000 }]),
        "80 %",
        "Warning level of a contact's thermal image.",
    ),
    or("mismatch-after", DELAY, "200 ms", "How long a frog must be wrong before the alarm."),
    or("mismatch-window", SPAN, "500 ms", "Time in which a step beside a wrong frog cuts."),
    or(
        "low-voltage",
        Value::OneOf(&[SHARE, VOLTAGE]),
        "80 %",
        "Voltage that counts as low, of booster volts or absolute.",
    ),
    or("low-voltage-after", DELAY, "500 ms", "How long low before the alarm."),
    or("still-shorted-after", DELAY, "60 ms", "When fault current after an order is a failed cut."),
    depends(
        "cut-within",
        SPAN,
        "300 ms, 600 ms over MQTT, two polls of Modbus",
        "When a cut must be proved.",
    ),
    depends(
        "cut-residual",
        SMALL_CURRENT,
        "the larger of 50 mA and 5 x noise",
        "Current below which a district counts as off.",
    ),
    depends(
        "cut-proof",
        Value::Word(&["current", "voltage", "feedback", "none"]),
        "the best there is",
        "What proves a cut. All but current are weak.",
    ),
    or("restore-tries", Value::Count { least: 0, most: 3 }, "0", "Automatic tries after a short."),
    or(
        "restore-after",
        Value::OneOf(&[Value::List { of: &WAIT, least: 1, most: 3 }, SPAN]),
        "[\"2 s\", \"5 s\", \"10 s\"]",
        "Waits before each try; the last one repeats.",
    ),
    or("inrush-window", DELAY, "300 ms", "How long after power returns inrush is expected."),
    depends(
        "inrush-pickup",
        SUPPLY_CURRENT,
        "the smaller of breaker trip and 90 % of booster limit",
        "Pick-up of `short` in that time.",
    ),
    or("inrush-after", DELAY, "50 ms", "How long above it before `short` trips."),
    or("frog-load", SMALL_CURRENT, "0.6 A", "Most current of one locomotive over one frog."),
    or(
        "pair-factor",
        Value::Factor { least: 1000, most: 2000 },
        "1.8",
        "How much two poles side by side carry, proved, against one.",
    ),
    or("occupied-above", SMALL_CURRENT, "5 mA", "Current above which a block is occupied."),
    or("occupied-after", DELAY, "50 ms", "How long above before it is."),
    or("clear-below", SMALL_CURRENT, "2 mA", "Current below which a block is clear."),
    or("clear-after", DELAY, "1 s", "How long below before it is."),
    depends(
        "unaccounted-tolerance",
        SMALL_CURRENT,
        "5 % of full scale plus 20 mA",
        "Difference of sums that is no alarm.",
    ),
    or("unaccounted-after", DELAY, "3 s", "How long a larger one lasts before the alarm."),
    depends(
        "stale-after",
        SPAN,
        "by the channel's announced rate",
        "Longest silence of a channel.",
    ),
    or(
        "on-stale",
        Value::Word(&["alarm", "cut"]),
        "alarm",
        "What happens when a district's current goes stale.",
    ),
    or(
        "power-on",
        Value::Word(&["ask", "auto"]),
        "ask",
        "What happens at start to outputs that are off.",
    ),
];

const fn table(header: &'static str, fill: Fill) -> Table {
    Table {
        header,
        doc: "Settings of protection; the nearest wins: machine, block, district, layout.",
        keys: PROTECTION_KEYS,
        subject: "",
        fill,
        open: false,
    }
}

/// `[protection]`.
pub(super) static PROTECTION: Table = table("protection", Fill::Nothing);
/// `[district.ID.protection]`.
pub(super) static DISTRICT: Table = table("district.ID.protection", Fill::Nothing);
/// `[block.ID.protection]`.
pub(super) static BLOCK: Table = table("block.ID.protection", Fill::Nothing);
/// `[machine.ID.protection]`.
pub(super) static MACHINE: Table = table("machine.ID.protection", Fill::Nothing);

impl Need {
    /// The default in words; empty where there is none.
    #[must_use]
    pub const fn default_words(self) -> &'static str {
        match self {
            Self::Default(words) | Self::Depends(words) => words,
            Self::Required | Self::Optional => "",
        }
    }
}
