//! The twelve bits that stand for a node on its bus: which to try, and which after that.

use super::message::{NodeId, number};

/// Constant of the generator. NMRA S-9.7.2.1 (links.md 4.3).
const STEP: u64 = 0x1B0C_A37A_4BA9;
const MASK: u64 = 0xFFFF_FFFF_FFFF;

/// Aliases of a node, one after another.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Aliases {
    state: u64,
}

impl Aliases {
    pub(crate) fn new(node: NodeId) -> Self {
        Self { state: number(node) }
    }

    /// The alias to use now; never 0.
    pub(crate) fn now(&mut self) -> u16 {
        loop {
            let groups = [36, 24, 12, 0].map(|shift| self.state >> shift & 0xFFF);
            let alias = groups.into_iter().fold(0, |alias, group| alias ^ group);
            if alias != 0 {
                return u16::try_from(alias).unwrap_or(1);
            }
            self.step();
        }
    }

    /// The one in use is taken: `now` gives another.
    pub(crate) fn step(&mut self) {
        self.state = self.state.wrapping_mul(513).wrapping_add(STEP) & MASK;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked frames of links.md 4.4: CID with alias 566, and 6FD after a conflict.
    #[test]
    fn the_worked_node_tries_566_and_then_6fd() {
        let mut sut = Aliases::new(NodeId([0x03, 0x00, 0x12, 0x34, 0x56, 0x01]));
        assert_eq!(sut.now(), 0x566);
        sut.step();
        assert_eq!(sut.now(), 0x6FD);
    }

    #[test]
    fn zero_is_skipped() {
        let mut sut = Aliases::new(NodeId([0; 6]));
        assert_ne!(sut.now(), 0);
    }
}
