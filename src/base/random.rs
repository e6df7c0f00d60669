//! One seeded stream of random numbers per named source, so that adding a source shifts no other.
//!
//! What it does not: seed itself from the system. Start reading at [`Stream::new`].

use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use sha2::{Digest, Sha256};

/// A stream of random numbers. A clone goes on with the same numbers.
#[derive(Clone, Debug)]
pub struct Stream(ChaCha12Rng);

impl Stream {
    /// The stream of a named source under a seed. Its ChaCha key is SHA-256 of the seed (8 bytes, little-endian) and
    /// the name, so two names under one seed share nothing.
    #[must_use]
    pub fn new(seed: u64, source: &str) -> Self {
        let mut hash = Sha256::new();
        hash.update(seed.to_le_bytes());
        hash.update(source.as_bytes());
        Self(ChaCha12Rng::from_seed(hash.finalize().into()))
    }

    /// The next number of a normal distribution with mean 0 and standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// The next number of a uniform distribution in [0, 1), on a grid of 2⁻⁵³.
    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::Stream;

    /// Streams of two names differ, and a new source leaves the others' numbers as they were.
    #[test]
    fn streams_are_independent_by_name() {
        let mut sensor = Stream::new(20, "sensor");
        let mut other = Stream::new(20, "other");
        assert_ne!(sensor.uniform().to_bits(), other.uniform().to_bits());
        assert_eq!(Stream::new(20, "sensor").normal().to_bits(), Stream::new(20, "sensor").normal().to_bits());
    }
}
