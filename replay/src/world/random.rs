//! Numbers that look random and are the same for everybody: one stream for each thing that happens, so that switching one
//! thing off changes no other.

/// PCG-XSH-RR with 64 bits of state and 32 of output (O'Neill, 2014).
#[derive(Clone, Debug)]
pub struct Random {
    state: u64,
    increment: u64,
}

impl Random {
    /// Stream `name` of `seed`.
    pub fn new(seed: u64, name: &str) -> Self {
        // FNV-1a, 64 bits.
        let stream = name
            .bytes()
            .fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3));
        let mut random = Self { state: 0, increment: stream | 1 };
        random.bits();
        random.state = random.state.wrapping_add(seed ^ stream.rotate_left(32));
        random.bits();
        random
    }

    /// 32 random bits.
    pub fn bits(&mut self) -> u32 {
        let old = self.state;
        self.state = old.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(self.increment);
        let mixed = (((old >> 18) ^ old) >> 27) as u32;
        mixed.rotate_right((old >> 59) as u32)
    }

    /// From 0 up to but not including 1.
    pub fn unit(&mut self) -> f64 {
        f64::from(self.bits()) / 4_294_967_296.0
    }

    /// Evenly from `low` up to `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// True in a share `odds` of all cases.
    pub fn chance(&mut self, odds: f64) -> bool {
        self.unit() < odds
    }

    /// Around 0 with standard deviation 1, never beyond ±6: the sum of twelve even numbers.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }

    /// Above 0 with mean 1: many small, few large.
    pub fn exponential(&mut self) -> f64 {
        -(1.0 - self.unit()).ln()
    }

    /// A whole number from 0 up to but not including `count`; 0 where that is 0.
    pub fn index(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }
}
