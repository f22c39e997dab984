//! Numbers that look random and are the same for everybody.

/// SplitMix64 (Steele, Lea and Flood, 2014): small, and equal seeds give equal numbers on every machine.
pub(super) struct Random(u64);

impl Random {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// From 0 up to but not including 1.
    pub(super) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^= mixed >> 31;
        (mixed >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Within `reach` of 0, mostly near it.
    pub(super) fn spread(&mut self, reach: f64) -> f64 {
        (self.unit() + self.unit() - 1.0) * reach
    }
}
