//! How the beds of a garden moved about when one of them grew wetter.

use jiff::Timestamp;

/// The beginning of a bed's rise.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct RiseBegan {
    /// The probe's last reading before it rose.
    pub(crate) onset: Timestamp,
    /// The longest time that water took to the probe, seconds.
    pub(crate) lag_s: i64,
    /// The probe's interval, seconds: so much later its water can have come.
    pub(crate) every_s: u32,
}

/// How one bed moved about when another rose.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct BedMotion {
    /// Whether it has a fresh probe.
    pub(crate) fresh: bool,
    /// When it began to rise, and between which moments its water can have come.
    pub(crate) began: Option<RiseBegan>,
    /// Whether it stirred by too little to be called a wetting.
    pub(crate) stirred: bool,
    /// Whether a program of the timer can have begun it.
    pub(crate) by_program: bool,
}

/// How the garden's beds moved together.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct BedsTogether {
    /// Beds that rose or stirred within the event, this one included.
    pub(crate) beds: usize,
    /// Those of them that one shower can have wetted: their water can have come at
    /// one moment, or its moment is not known.
    pub(crate) at_once: usize,
    /// Beds with a fresh probe.
    pub(crate) watched: usize,
    /// Those that rose or stirred when a program of the timer can have begun it: they
    /// say nothing about rain, and are not among `at_once`.
    pub(crate) by_program: usize,
}

impl BedsTogether {
    /// Of every bed of the garden.
    pub(crate) fn of(motions: impl Iterator<Item = BedMotion>) -> Self {
        let mut found = Self { beds: 0, at_once: 0, watched: 0, by_program: 0 };
        // When each bed's water can have come, seconds.
        let mut arrivals: Vec<(i64, i64)> = Vec::new();
        for motion in motions {
            found.watched += usize::from(motion.began.is_some() || motion.fresh);
            match motion.began {
                _ if motion.by_program && (motion.began.is_some() || motion.stirred) => {
                    found.beds += 1;
                    found.by_program += 1;
                }
                Some(RiseBegan { onset, lag_s, every_s }) => {
                    let onset_s = onset.as_second();
                    arrivals.push((onset_s - lag_s, onset_s + i64::from(every_s)));
                    found.beds += 1;
                }
                None if motion.stirred => {
                    found.beds += 1;
                    found.at_once += 1;
                }
                None => {}
            }
        }
        let at = |moment: i64| arrivals.iter().filter(|(from, to)| (*from..=*to).contains(&moment)).count();
        found.at_once += arrivals.iter().map(|(from, _)| at(*from)).max().unwrap_or(0);
        found
    }

    /// More beds than one person's hose is likely to reach: three, or both of two.
    /// They need not have risen at one moment: a day of showers wets one bed after
    /// the other.
    pub(crate) fn several(&self) -> bool {
        let beds = self.beds.saturating_sub(self.by_program);
        beds >= 3 || (self.witnesses() == 2 && beds == 2)
    }

    /// Three beds or more at one moment, and at least three of four that are watched.
    pub(crate) fn most(&self) -> bool {
        self.at_once >= 3 && 4 * self.at_once >= 3 * self.witnesses()
    }

    /// Beds that are watched and that no program has wetted.
    fn witnesses(&self) -> usize {
        self.watched.saturating_sub(self.by_program)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + s).expect("in range")
    }

    /// Of five beds a program waters three; one more rises by a hose.
    #[test]
    fn beds_of_a_program_say_nothing_about_rain() {
        let moved = |began_s: i64, by_program| BedMotion {
            fresh: true,
            began: Some(RiseBegan { onset: at(began_s), lag_s: 3600, every_s: 900 }),
            stirred: false,
            by_program,
        };
        let still = BedMotion { fresh: true, began: None, stirred: false, by_program: false };
        let beds = [moved(0, false), moved(0, true), moved(60, true), moved(120, true), still];
        let hose = BedsTogether::of(beds.into_iter());
        assert_eq!(hose, BedsTogether { beds: 4, at_once: 1, watched: 5, by_program: 3 });
        assert!(!hose.several() && !hose.most());
        let rain = BedsTogether::of(beds.into_iter().map(|bed| BedMotion { by_program: false, ..bed }));
        assert!(rain.several() && rain.most());
        // Both of the two that no program waters.
        let both = [moved(0, false), moved(0, true), moved(60, false)];
        assert!(BedsTogether::of(both.into_iter()).several());
    }
}
