//! Keys of `[links.modbus.NAME]`.

use super::{
    DELAY, Fill, Key, LIST_LENGTH_MAX, SPAN, TEXT, Table, Value,
    link_keys::{AVERAGING, OFFSET, RANGE, SCALE, STALE_AFTER, baud, table},
    may, must, or,
};

/// A protocol address; numbers above it are read too, so that a register number can be told what it is.
const ADDRESS: Value = Value::Count { least: 0, most: 499_999 };
const WORD: Value = Value::Count { least: 0, most: 0xFFFF };
const READ_FUNCTION: Value = Value::Count { least: 1, most: 4 };

static WORDS: Value = WORD;

/// Rows whose defaults are too many to list as assumed.
const fn quiet(header: &'static str, doc: &'static str, keys: &'static [Key]) -> Table {
    Table { header, doc, keys, subject: "", fill: Fill::Quiet, open: false }
}

/// `[links.modbus.NAME]`.
pub(super) static MODBUS: Table = table(
    "links.modbus.NAME",
    "A Modbus line or gateway. Give `device` or `tcp`.",
    "links/modbus",
    &[
        may("device", TEXT, "The serial device, for RTU; prefer a path under /dev/serial/by-id."),
        may("tcp", TEXT, "HOST:502, for TCP."),
        baud("19200"),
        or("parity", Value::Word(&["even", "odd", "none"]), "even", "Parity of each byte."),
        or("stop", Value::Count { least: 1, most: 2 }, "1", "Stop bits."),
        or("quiet", DELAY, "0 ms", "Gap between frames over 3.5 characters, for cheap devices."),
        or(
            "timeout",
            SPAN,
            "50 ms",
            "Longest time from a question to the beginning of its answer.",
        ),
        or(
            "reply-max",
            SPAN,
            "120 ms",
            "Longest time after a question that an answer was ever seen: after a failed question the line rests so long.",
        ),
        may(
            "broadcast-off",
            Value::Count { least: 1, most: 256 },
            "Coils from 0 that a broadcast switches off when everything is cut; an extra, RTU only.",
        ),
        may("unit", Value::Rows(&UNIT), "The devices on the line."),
    ],
    false,
);

static UNIT: Table = quiet(
    "links.modbus.NAME.unit",
    "A device on the line.",
    &[
        must("address", Value::Count { least: 1, most: 247 }, "Its unit number."),
        may("label", TEXT, "Its name in texts; default NAME-ADDRESS."),
        or("poll", SPAN, "200 ms", "Every point is read this often."),
        may("points", Value::Rows(&POINT), "What it measures."),
        may("outputs", Value::Rows(&OUTPUT), "What it switches."),
        or(
            "pulse-every",
            SPAN,
            "250 ms",
            "The coil of `pulse` changes this often while power may be on.",
        ),
        may("identity", Value::Table(&IDENTITY), "Registers that never change, read now and then."),
    ],
);

static POINT: Table = quiet(
    "links.modbus.NAME.unit.points",
    "A register or coil, and the channel that its value is of.",
    &[
        must("channel", TEXT, "Channel name: district/ID/current."),
        must(
            "fn",
            READ_FUNCTION,
            "Function that reads it: 1 coil, 2 input, 3 holding, 4 input register.",
        ),
        must(
            "addr",
            ADDRESS,
            "Protocol address, counted from 0: register 40001 is fn = 3, addr = 0.",
        ),
        or(
            "type",
            Value::Word(&["u16", "i16", "u32", "i32", "f32", "bit"]),
            "u16",
            "How it holds a number; coils and inputs are bits.",
        ),
        or(
            "order",
            Value::Word(&["hi-lo", "lo-hi"]),
            "hi-lo",
            "Order of the two registers of a 32-bit value.",
        ),
        or("swap", Value::Flag, "false", "The two bytes of every register are exchanged."),
        may(
            "mask",
            Value::Count { least: 1, most: 0xFFFF_FFFF },
            "Bits that count, after `shift`.",
        ),
        or(
            "shift",
            Value::Count { least: 0, most: 31 },
            "0",
            "Bits to the right of those that count; for a bit its number.",
        ),
        SCALE,
        OFFSET,
        RANGE,
        may(
            "values",
            Value::Map(&TEXT),
            "Words: number to value, as { \"0\" = \"normal\", \"1\" = \"reverse\" }.",
        ),
        may("other", TEXT, "Value of numbers that `values` does not list."),
        or(
            "alt",
            Value::Flag,
            "false",
            "Used only while the channel's first row has no usable value.",
        ),
        AVERAGING,
        STALE_AFTER,
    ],
);

static OUTPUT: Table = quiet(
    "links.modbus.NAME.unit.outputs",
    "A coil that switches power.",
    &[
        must("channel", TEXT, "The channel: district/ID/power or booster/ID/power."),
        must("coil", ADDRESS, "Protocol address of the coil, counted from 0."),
        or(
            "on",
            Value::Flag,
            "true",
            "What the coil is while power is on; wire normally open, energise to run.",
        ),
        may(
            "readback",
            Value::Table(&READBACK),
            "Where its state is read back; default the coil itself.",
        ),
        or(
            "deadman",
            Value::Word(&["board", "external", "none"]),
            "none",
            "What switches it off when Checkrail falls silent.",
        ),
        may(
            "pulse",
            ADDRESS,
            "Coil that keeps the time relay of `deadman = \"external\"` picked up.",
        ),
    ],
);

static READBACK: Table = quiet(
    "links.modbus.NAME.unit.outputs.readback",
    "Where the state of an output is read back.",
    &[
        must("fn", Value::Count { least: 1, most: 2 }, "1 coil, 2 input."),
        must("addr", ADDRESS, "Protocol address, counted from 0."),
    ],
);

static IDENTITY: Table = quiet(
    "links.modbus.NAME.unit.identity",
    "Registers that never change: a wrong one means that another unit answers.",
    &[
        must("fn", Value::Count { least: 3, most: 4 }, "3 holding, 4 input register."),
        must("addr", ADDRESS, "Protocol address, counted from 0."),
        must(
            "equals",
            Value::List { of: &WORDS, least: 1, most: LIST_LENGTH_MAX },
            "What they hold.",
        ),
    ],
);
