//! Disjoint sets in which every element has a sense against its set: same or turned.

/// What came of joining two elements.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Joined {
    /// They were in different sets.
    Merged,
    /// They were in one set already, in the same sense as demanded.
    Even,
    /// They were in one set already, in the other sense: an odd cycle.
    Odd,
}

/// Signed union-find with path halving and union by size: near-linear.
#[derive(Clone, Debug)]
pub(crate) struct SignedSets {
    parent: Vec<usize>,
    /// Turned against the parent.
    is_turned: Vec<bool>,
    size: Vec<usize>,
}

impl SignedSets {
    pub(crate) fn new(count: usize) -> Self {
        Self { parent: (0..count).collect(), is_turned: vec![false; count], size: vec![1; count] }
    }

    /// The set of an element, and whether the element is turned against it.
    pub(crate) fn find(&mut self, mut element: usize) -> (usize, bool) {
        let mut is_turned = false;
        while self.parent[element] != element {
            let parent = self.parent[element];
            let grandparent = self.parent[parent];
            if grandparent != parent {
                self.is_turned[element] ^= self.is_turned[parent];
                self.parent[element] = grandparent;
            }
            is_turned ^= self.is_turned[element];
            element = self.parent[element];
        }
        (element, is_turned)
    }

    /// Demands that two elements have the same sense, or the opposite one when `is_turned`.
    pub(crate) fn join(&mut self, one: usize, two: usize, is_turned: bool) -> Joined {
        let (root_one, turned_one) = self.find(one);
        let (root_two, turned_two) = self.find(two);
        let against = turned_one ^ turned_two ^ is_turned;
        if root_one == root_two {
            return if against { Joined::Odd } else { Joined::Even };
        }
        let is_larger = self.size[root_two] <= self.size[root_one];
        let (keeps, goes) = if is_larger { (root_one, root_two) } else { (root_two, root_one) };
        self.parent[goes] = keeps;
        self.is_turned[goes] = against;
        self.size[keeps] += self.size[goes];
        Joined::Merged
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ring_with_one_turn_is_odd_and_with_two_is_even() {
        let ring = |turns: [bool; 3]| {
            let mut sets = SignedSets::new(3);
            let results = [sets.join(0, 1, turns[0]), sets.join(1, 2, turns[1])];
            assert_eq!(results, [Joined::Merged; 2]);
            sets.join(2, 0, turns[2])
        };
        assert_eq!(ring([true, false, false]), Joined::Odd);
        assert_eq!(ring([true, false, true]), Joined::Even);
    }
}
