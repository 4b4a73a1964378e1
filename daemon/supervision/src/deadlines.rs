//! The earliest of many deadlines. Each child's deadline is derived from its state; this only finds the minimum, so
//! that a layout with thousands of children settles in the time of a small one.

use wiring::units::Mono;

const NEVER: u64 = u64::MAX;

/// A tournament tree over the children's deadlines. The lowest slot wins a tie.
#[derive(Debug)]
pub(crate) struct Deadlines {
    leaves: usize,
    tree: Vec<u64>,
}

impl Deadlines {
    /// For `count` children, none of which has a deadline.
    pub(crate) fn new(count: usize) -> Self {
        let leaves = count.next_power_of_two().max(1);
        Self { leaves, tree: vec![NEVER; 2 * leaves] }
    }

    /// A child's deadline as derived from its state just now.
    pub(crate) fn set(&mut self, slot: usize, deadline: Option<Mono>) {
        let mut at = self.leaves + slot;
        let value = deadline.map_or(NEVER, |deadline| deadline.0);
        if self.tree[at] == value {
            return;
        }
        self.tree[at] = value;
        while at > 1 {
            at /= 2;
            let least = self.tree[2 * at].min(self.tree[2 * at + 1]);
            if self.tree[at] == least {
                return;
            }
            self.tree[at] = least;
        }
    }

    /// A child has no deadline, or one after `due`.
    pub(crate) fn is_after(&self, slot: usize, due: Mono) -> bool {
        due.0 < self.tree[self.leaves + slot]
    }

    /// The earliest deadline and its child.
    pub(crate) fn earliest(&self) -> Option<(Mono, usize)> {
        let least = self.tree[1];
        if least == NEVER {
            return None;
        }
        let mut at = 1;
        while at < self.leaves {
            at *= 2;
            if self.tree[at] != least {
                at += 1;
            }
        }
        Some((Mono(least), at - self.leaves))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_earliest_wins_and_the_lowest_slot_breaks_a_tie() {
        let mut sut = Deadlines::new(5);
        assert_eq!(sut.earliest(), None);
        for (slot, at) in [(4, 30), (2, 20), (3, 20), (0, 40)] {
            sut.set(slot, Some(Mono(at)));
        }
        assert_eq!(sut.earliest(), Some((Mono(20), 2)));
        sut.set(2, None);
        assert_eq!(sut.earliest(), Some((Mono(20), 3)));
        sut.set(3, Some(Mono(50)));
        assert_eq!(sut.earliest(), Some((Mono(30), 4)));
        for slot in 0..5 {
            sut.set(slot, None);
        }
        assert_eq!(sut.earliest(), None);
    }
}
