//! Which reads a unit needs: neighbouring points of one table are read together.

use std::time::{Duration, Instant};

use wiring::{
    channel::Quantity,
    index::ChannelIx,
    links::{ModbusPoint, ModbusTable},
};

use super::pdu::{MOST_REGISTERS, Question, Shape};

/// Unused addresses between two points that are read along rather than asked around.
const LARGEST_GAP: u16 = 8;

/// A point with its channel.
#[derive(Clone, Debug)]
pub struct Point {
    /// As configured.
    pub settings: ModbusPoint,
    /// Its channel.
    pub channel: ChannelIx,
    /// The channel's quantity.
    pub quantity: Quantity,
}

/// What a place of a block is of.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Meaning {
    /// The n-th point of the unit.
    Point(usize),
    /// What the n-th output of the unit reads back.
    Output(usize),
}

/// A place that is to be read.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Place {
    /// First address.
    pub address: u16,
    /// How many.
    pub width: u16,
    /// What it is of.
    pub meaning: Meaning,
}

/// One read.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Block {
    /// Which table.
    pub table: ModbusTable,
    /// First address.
    pub start: u16,
    /// How many.
    pub count: u16,
    /// How many of them at the end are read along only so that its answer has a shape of its own.
    pub padding: u16,
    /// What is in it, by address.
    pub places: Vec<Place>,
    /// When it is due.
    pub due: Instant,
}

impl Block {
    /// The question that reads it.
    #[must_use]
    pub const fn question(&self) -> Question {
        Question::Read { table: self.table, address: self.start, count: self.count }
    }

    /// It reads addresses between places that nobody wants.
    fn has_gaps(&self) -> bool {
        let mut next = self.start;
        self.places.iter().any(|place| {
            let gap = next < place.address;
            next = next.max(place.address + place.width);
            gap
        })
    }

    /// The next time that it is due: on its beat, or at once when it is behind.
    pub fn was_read(&mut self, period: Duration, now: Instant) {
        self.due = (self.due + period).max(now);
    }

    /// The same without addresses that nobody wants: a unit may not have them. None where there are none.
    #[must_use]
    pub fn without_spare(&self) -> Option<Vec<Self>> {
        if self.padding > 0 {
            let count = self.count - self.padding;
            return Some(vec![Self { count, padding: 0, ..self.clone() }]);
        }
        self.has_gaps().then(|| self.split())
    }

    fn split(&self) -> Vec<Self> {
        let places = self.places.iter().map(|place| (self.table, *place)).collect();
        joined(places, 0, self.due)
    }
}

/// The reads of some places. No two have answers of one shape, nor of a shape that is taken, where that is possible: then
/// no answer, however late or often it comes, can be taken for another's.
#[must_use]
pub fn blocks(places: Vec<(ModbusTable, Place)>, taken: Option<Shape>, now: Instant) -> Vec<Block> {
    let mut blocks = joined(places, LARGEST_GAP, now);
    let mut taken: Vec<Shape> = taken.into_iter().collect();
    for block in &mut blocks {
        let step = if block.table.is_bits() { 8 } else { 1 };
        let padded = |nth: u16| {
            let padding = nth * step;
            Block { count: block.count.saturating_add(padding), padding, ..block.clone() }
        };
        let fits = |it: &Block| {
            let question = it.question();
            question.is_askable() && !taken.contains(&question.shape())
        };
        if let Some(own) = (0..=120).map(padded).find(fits) {
            *block = own;
        }
        taken.push(block.question().shape());
    }
    blocks
}

fn joined(mut places: Vec<(ModbusTable, Place)>, gap: u16, due: Instant) -> Vec<Block> {
    places.sort_by_key(|(table, place)| (*table, place.address, place.width));
    let mut blocks: Vec<Block> = Vec::new();
    for (table, place) in places {
        let end = u32::from(place.address) + u32::from(place.width);
        if let Some(block) = blocks.last_mut().filter(|it| it.table == table) {
            let reach = u32::from(block.start) + u32::from(block.count) + u32::from(gap);
            let count = u16::try_from(end - u32::from(block.start)).unwrap_or(u16::MAX);
            if u32::from(place.address) <= reach && count <= MOST_REGISTERS {
                block.count = block.count.max(count);
                block.places.push(place);
                continue;
            }
        }
        let (start, count) = (place.address, place.width);
        blocks.push(Block { table, start, count, padding: 0, places: vec![place], due });
    }
    blocks
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Addresses and widths in, `start+count` out.
    fn check(places: &[(ModbusTable, u16, u16)], want: &str) {
        let place = |(at, (table, address, width)): (usize, &(ModbusTable, u16, u16))| {
            (*table, Place { address: *address, width: *width, meaning: Meaning::Point(at) })
        };
        let blocks = blocks(places.iter().enumerate().map(place).collect(), None, Instant::now());
        let shown: Vec<String> = blocks
            .iter()
            .map(|it| format!("{}:{}+{}", it.table.function(), it.start, it.count))
            .collect();
        assert_eq!(shown.join(" "), want, "{places:?}");
        let kept: usize = blocks.iter().map(|it| it.places.len()).sum();
        assert_eq!(kept, places.len());
    }

    #[test]
    fn neighbours_of_one_table_are_read_together() {
        use ModbusTable::{Coils, Holding, InputRegisters as Input};
        check(&[(Input, 0, 1), (Input, 1, 1), (Input, 2, 2)], "4:0+4");
        check(&[(Input, 2, 2), (Input, 0, 1)], "4:0+4");
        check(&[(Input, 0, 1), (Input, 9, 1)], "4:0+10");
        check(&[(Input, 0, 1), (Input, 10, 1)], "4:0+1 4:10+2");
        check(&[(Input, 0, 1), (Input, 20, 2), (Input, 40, 1)], "4:0+1 4:20+2 4:40+3");
        check(&[(Coils, 0, 1), (Coils, 20, 1)], "1:0+1 1:20+9");
        check(&[(Input, 0, 1), (Holding, 1, 1)], "3:1+1 4:0+1");
        check(&[(Coils, 3, 1), (Coils, 3, 1)], "1:3+1");
        check(&[(Input, 0, 2), (Input, 1, 2)], "4:0+3");
        check(&[(Input, 65_534, 2)], "4:65534+2");
        let long: Vec<_> = (0..130).map(|at| (Holding, at, 1)).collect();
        check(&long, "3:0+125 3:125+5");
    }

    #[test]
    fn a_block_with_gaps_splits_into_what_is_wanted() {
        let place = |address, at| {
            let place = Place { address, width: 1, meaning: Meaning::Point(at) };
            (ModbusTable::Holding, place)
        };
        let places = vec![place(0, 0), place(1, 1), place(5, 2)];
        let block = blocks(places, Some(Shape(3, 14)), Instant::now()).remove(0);
        assert_eq!((block.count, block.padding), (7, 1), "six registers are taken");
        let plain = block.without_spare().expect("padded").remove(0);
        assert_eq!((plain.count, plain.padding), (6, 0));
        let split = plain.without_spare().expect("gaps");
        let counts: Vec<_> = split.iter().map(|it| (it.start, it.count)).collect();
        assert_eq!(counts, [(0, 2), (5, 1)]);
        assert!(split.iter().all(|it| it.without_spare().is_none()));
    }
}
