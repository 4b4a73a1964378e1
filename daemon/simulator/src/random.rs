//! The generator of all chance in the simulated layout: small, written out, the same on every machine.

/// xoshiro256** (Blackman and Vigna, public domain; from memory), seeded through splitmix64 as its authors advise.
#[derive(Clone, Debug)]
pub struct Random {
    state: [u64; 4],
}

/// One step of splitmix64: spreads any seed, zero included, over 64 bits.
#[must_use]
pub fn splitmix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut mixed = *state;
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    mixed ^ (mixed >> 31)
}

impl Random {
    /// A stream of its own for each `stream` of one seed, so that one concern drawing more does not shift another.
    #[must_use]
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut mix = seed ^ stream.wrapping_mul(0xd1b5_4a32_d192_ed03);
        Self { state: std::array::from_fn(|_| splitmix(&mut mix)) }
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        let [a, b, c, d] = &mut self.state;
        let result = b.wrapping_mul(5).rotate_left(7).wrapping_mul(9);
        let shifted = *b << 17;
        *c ^= *a;
        *d ^= *b;
        *b ^= *c;
        *a ^= *d;
        *c ^= shifted;
        *d = d.rotate_left(45);
        result
    }

    /// A whole number below `bound`; zero when `bound` is zero.
    pub fn below(&mut self, bound: usize) -> usize {
        ((u128::from(self.bits()) * bound as u128) >> 64) as usize
    }

    /// A number in 0..1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A number from `low` to `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// True with probability `share`.
    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// About a standard normal: the sum of twelve uniforms less six, which has no tail beyond six.
    pub fn normal(&mut self) -> f64 {
        const LANES: u64 = 0x0000_ffff_0000_ffff;
        let mut sums = 0;
        for _ in 0..3 {
            let bits = self.bits();
            sums += (bits & LANES) + ((bits >> 16) & LANES);
        }
        let sum = (sums & 0xffff_ffff) + (sums >> 32);
        sum as f64 / 65_536.0 - 6.0
    }

    /// A factor about 1 with relative spread `spread`, between 1/3 and 3.
    pub fn factor(&mut self, spread: f64) -> f64 {
        (self.normal() * spread).exp().clamp(1.0 / 3.0, 3.0)
    }

    /// One of `items`.
    pub fn pick<'a, T>(&mut self, items: &'a [T]) -> Option<&'a T> {
        items.get(self.below(items.len()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splitmix_gives_its_published_first_values() {
        // From memory: the first outputs for seed 1234567 in the reference implementation's test.
        let mut state = 1_234_567;
        let got: Vec<u64> = (0..3).map(|_| splitmix(&mut state)).collect();
        assert_eq!(
            got,
            [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]
        );
    }

    #[test]
    fn draws_keep_to_their_ranges_and_centre() {
        let mut random = Random::new(7, 1);
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..20_000 {
            let normal = random.normal();
            sum += normal;
            squares += normal * normal;
            assert!((0.0..1.0).contains(&random.unit()));
            assert!(random.below(5) < 5);
        }
        assert!((sum / 20_000.0).abs() < 0.03, "mean {}", sum / 20_000.0);
        assert!((squares / 20_000.0 - 1.0).abs() < 0.05, "variance {}", squares / 20_000.0);
        assert_eq!(random.below(0), 0);
    }

    #[test]
    fn streams_of_one_seed_differ_and_repeat() {
        let first = |stream| Random::new(42, stream).bits();
        assert_eq!(first(1), first(1));
        assert_ne!(first(1), first(2));
    }
}
