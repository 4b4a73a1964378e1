use std::collections::BTreeMap;

use wiring::{links::Picked, units::Microamps};

use super::*;

fn point(raw: Raw) -> ModbusPoint {
    ModbusPoint {
        channel: "district/quarry/current".to_owned(),
        table: ModbusTable::InputRegisters,
        address: 0,
        raw,
        swap: false,
        picked: Picked::default(),
        scale: 1.0,
        offset: 0.0,
        range: None,
        values: BTreeMap::new(),
        other: None,
        alternative: false,
        averaging: None,
        stale_after: None,
    }
}

/// The same four bytes, read in every way. 0x417DEB85 is 15.87 as IEEE 754 single: the exchange of the contract.
#[test]
fn registers_are_numbers_of_every_type_and_order() {
    use WordOrder::{HighFirst, LowFirst};
    let float = Number::Float(15.87);
    let whole = Number::Whole;
    let cases = [
        (Raw::U16, false, [0x417D, 0xEB85], whole(0x417D)),
        (Raw::U16, true, [0x7D41, 0xEB85], whole(0x417D)),
        (Raw::I16, false, [0xFFFE, 0], whole(-2)),
        (Raw::U32(HighFirst), false, [0x0001, 0x0002], whole(0x0001_0002)),
        (Raw::U32(LowFirst), false, [0x0001, 0x0002], whole(0x0002_0001)),
        (Raw::I32(HighFirst), false, [0xFFFF, 0xFFFF], whole(-1)),
        (Raw::I32(LowFirst), false, [0xFFFE, 0xFFFF], whole(-2)),
        (Raw::F32(HighFirst), false, [0x417D, 0xEB85], float),
        (Raw::F32(LowFirst), false, [0xEB85, 0x417D], float),
        (Raw::F32(HighFirst), true, [0x7D41, 0x85EB], float),
    ];
    for (raw, swap, words, want) in cases {
        assert_eq!(number(raw, swap, &words), Some(want), "{raw:?} {swap}");
    }
    assert_eq!(number(Raw::U32(HighFirst), false, &[1]), None);
}

#[test]
fn bits_are_told_one_from_another() {
    let data = [0b1100_1101, 0b0110_1011, 0b0000_0101];
    let bits = words(ModbusTable::Coils, &data, 19);
    assert_eq!(bits, [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1]);
    assert_eq!(words(ModbusTable::Holding, &[1, 2, 3, 4], 2), [0x0102, 0x0304]);
}

fn amps(amps: i64) -> Result<Value, BadRegister> {
    Ok(Value::Current(Microamps(amps)))
}

#[test]
fn a_value_outside_its_range_is_bad_and_not_clamped() {
    let milli = ModbusPoint { scale: 0.001, range: Some((0.0, 10.0)), ..point(Raw::I16) };
    let cases = [
        (812, amps(812_000)),
        (10_000, amps(10_000_000)),
        (10_001, Ok(Value::Invalid(Invalid::OverRange))),
        (0xFFFF, Ok(Value::Invalid(Invalid::UnderRange))),
    ];
    for (word, want) in cases {
        assert_eq!(value(&milli, Quantity::Current, &[word]), want, "{word}");
    }
}

#[test]
fn offsets_masks_and_shifts_come_in_that_order() {
    let masked = Picked { mask: Some(0xFFF), shift: 4 };
    let shifted = Picked { mask: None, shift: 4 };
    let cases = [
        (ModbusPoint { scale: 0.5, offset: -1.0, ..point(Raw::U16) }, 4, amps(1_000_000)),
        (
            ModbusPoint { picked: masked, ..point(Raw::U16) },
            0xF01F,
            Err(BadValue::NotFinite.into()),
        ),
        (ModbusPoint { picked: masked, ..point(Raw::U16) }, 0x001F, amps(1_000_000)),
        (ModbusPoint { picked: shifted, ..point(Raw::I16) }, 0x0035, amps(3_000_000)),
        (
            ModbusPoint { picked: Picked { mask: None, shift: 3 }, ..point(Raw::Bit) },
            0b1000,
            amps(1_000_000),
        ),
    ];
    for (point, word, want) in cases {
        assert_eq!(value(&point, Quantity::Current, &[word]), want, "{point:?}");
    }
}

#[test]
fn a_float_that_is_none_is_a_sensor_at_fault() {
    let float = point(Raw::F32(WordOrder::HighFirst));
    for bits in [f32::NAN.to_bits(), f32::INFINITY.to_bits()] {
        let words = [(bits >> 16) as u16, (bits & 0xFFFF) as u16];
        let got = value(&float, Quantity::Current, &words);
        assert_eq!(got, Ok(Value::Invalid(Invalid::Sensor)));
    }
}

#[test]
fn words_of_a_channel_come_from_the_table() {
    use supervision::input::MachinePosition::{Normal, Reverse, Unknown};
    let values = [("1", "normal"), ("2", "reverse")];
    let values = values.map(|(number, word)| (number.to_owned(), word.to_owned()));
    let listed = ModbusPoint { values: values.into(), ..point(Raw::U16) };
    let open = ModbusPoint { other: Some("unknown".to_owned()), ..listed.clone() };
    let position = |it| Ok(Value::Position(it));
    let cases = [
        (&listed, 1, position(Normal)),
        (&listed, 2, position(Reverse)),
        (&listed, 3, Err(BadRegister::Unlisted(3))),
        (&open, 3, position(Unknown)),
    ];
    for (point, word, want) in cases {
        assert_eq!(value(point, Quantity::Position, &[word]), want, "{word}");
    }
}
