//! Chance that a seed alone determines, on every machine and with every version of every library:
//! the generator is `SplitMix64` (Steele, Lea and Flood, 2014), written out.

/// A stream of numbers.
#[derive(Debug, Clone)]
pub struct Chance(u64);

impl Chance {
    /// The stream of a seed.
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number.
    pub const fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A stream of its own: what is drawn from it moves nothing here.
    pub const fn fork(&mut self) -> Self {
        Self(self.next())
    }

    /// A number below `n`, which is over 0.
    pub const fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    /// A number from `low` to `high`, both included.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        let width = u64::try_from(high - low).expect("high is not below low") + 1;
        low + i64::try_from(self.below(width)).expect("a width of an i64")
    }

    /// True once in `n` times.
    pub const fn one_in(&mut self, n: u64) -> bool {
        self.below(n) == 0
    }

    /// One of a list that is not empty.
    pub fn pick<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[usize::try_from(self.below(list.len() as u64)).expect("an index")]
    }
}
