//! Chance from a seed.

/// A small generator: splitmix64, by Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014.
pub struct Dice(u64);

impl Dice {
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// From 0 to `sides` - 1; 0 where there are none.
    pub fn below(&mut self, sides: usize) -> usize {
        if sides == 0 { 0 } else { (self.roll() % sides as u64) as usize }
    }

    pub fn byte(&mut self) -> u8 {
        self.roll() as u8
    }

    pub fn pick<'a, T: ?Sized>(&mut self, of: &[&'a T]) -> Option<&'a T> {
        of.get(self.below(of.len())).copied()
    }
}
