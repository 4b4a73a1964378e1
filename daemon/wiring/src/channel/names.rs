//! Names by number and numbers by name. A name is looked up for every reading that comes, each time from a cold cache:
//! a table by hash touches it once, where a tree touches a dozen others on the way; and the name to compare with stands
//! in one text of all, at the place that the table says, not behind a further pointer.

/// Names in the order in which they were given.
#[derive(Clone, Debug, Default)]
pub(super) struct Names {
    names: Vec<String>,
    /// All of them, one behind the other.
    text: String,
    /// By hash, at most half full; a name whose place is taken stands in the next free one. A power of two.
    places: Vec<Option<Place>>,
}

/// A name that was given.
#[derive(Clone, Copy, Debug)]
struct Place {
    number: u32,
    /// Where it stands in the text of all. Unit: octets.
    begins: u32,
    length: u32,
}

impl Names {
    /// Gives the next number to a name. Of two that are the same the later is found.
    pub(super) fn push(&mut self, name: String) {
        let of = |count| u32::try_from(count).expect("the reader limits the size of a file");
        let (number, begins, length) = (self.names.len(), self.text.len(), name.len());
        let new = Place { number: of(number), begins: of(begins), length: of(length) };
        self.text.push_str(&name);
        self.names.push(name);
        if self.places.len() < 2 * self.names.len() {
            let more = (4 * self.names.len()).next_power_of_two();
            let known = std::mem::replace(&mut self.places, vec![None; more]);
            known.into_iter().flatten().for_each(|it| self.settle(it));
        }
        self.settle(new);
    }

    /// The name of a number that was given.
    pub(super) fn get(&self, number: usize) -> &str {
        &self.names[number]
    }

    /// All, by number.
    pub(super) fn all(&self) -> &[String] {
        &self.names
    }

    /// The number of a name.
    pub(super) fn find(&self, name: &str) -> Option<usize> {
        let place = self.place(name)?;
        self.places[place].map(|it| it.number as usize)
    }

    fn settle(&mut self, it: Place) {
        if let Some(place) = self.place(self.at(it)) {
            self.places[place] = Some(it);
        }
    }

    /// Where a name stands, or would stand; none while there are no places.
    fn place(&self, name: &str) -> Option<usize> {
        let last = self.places.len().checked_sub(1)?;
        let first = hash(name) & last;
        let is_its = |place: &usize| self.places[*place].is_none_or(|it| self.at(it) == name);
        (first..=last).chain(0..first).find(is_its)
    }

    fn at(&self, it: Place) -> &str {
        &self.text[it.begins as usize..][..it.length as usize]
    }
}

/// FNV-1a, 64 bits: the same on every machine and in every run. Names come from the layout file, not from strangers:
/// nobody gains by making them collide. Source: Fowler, Noll and Vo, RFC 9923.
fn hash(name: &str) -> usize {
    const OFFSET: u64 = 0xcbf2_9ce4_8422_2325;
    const PRIME: u64 = 0x0000_0100_0000_01b3;
    let sum = name.bytes().fold(OFFSET, |sum, octet| (sum ^ u64::from(octet)).wrapping_mul(PRIME));
    // The upper half has the better mixed bits.
    (sum ^ (sum >> 32)) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_is_found_and_no_other() {
        let mut sut = Names::default();
        assert_eq!(sut.find("block/b0/current"), None);
        for number in 0..3000 {
            sut.push(format!("block/b{number}/current"));
            assert_eq!(sut.find(&format!("block/b{}/current", number / 2)), Some(number / 2));
        }
        for number in 0..3000 {
            let name = format!("block/b{number}/current");
            assert_eq!((sut.get(number), sut.find(&name)), (&*name, Some(number)));
        }
        for none in ["", "block/b3000/current", "block/b1/curren", "block/b1/current "] {
            assert_eq!(sut.find(none), None, "{none:?}");
        }
    }

    /// Values of the authors' own test suite, from memory.
    #[test]
    fn the_hash_is_the_published_one() {
        for (text, sum) in [("", 0xcbf2_9ce4_8422_2325_u64), ("a", 0xaf63_dc4c_8601_ec8c)] {
            assert_eq!(hash(text), (sum ^ (sum >> 32)) as usize, "{text:?}");
        }
        assert_eq!(hash("foobar"), (0x8594_4171_f739_67e8_u64 ^ 0x8594_4171) as usize);
    }
}
