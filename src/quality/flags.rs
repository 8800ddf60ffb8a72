//! The flags and how the flags of several tests become one.

/// A flag of the QARTOD scheme, by its published number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[repr(u8)]
pub enum Flag {
    Pass = 1,
    NotEvaluated = 2,
    Suspect = 3,
    Fail = 4,
    Missing = 9,
}

impl Flag {
    /// Every flag, by rising number.
    pub const ALL: [Self; 5] = [Self::Pass, Self::NotEvaluated, Self::Suspect, Self::Fail, Self::Missing];

    /// The published number.
    pub fn number(self) -> u8 {
        self as u8
    }

    /// The flag of a published number, if there is one.
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|f| f.number() == number)
    }

    /// The flag's meaning in one or two words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::NotEvaluated => "not evaluated",
            Self::Suspect => "suspect",
            Self::Fail => "fail",
            Self::Missing => "missing",
        }
    }

    /// Rank in an aggregate: the highest one stands for all.
    fn rank(self) -> u8 {
        match self {
            Self::Missing => 0,
            Self::NotEvaluated => 1,
            Self::Pass => 2,
            Self::Suspect => 3,
            Self::Fail => 4,
        }
    }
}

/// One flag for several: 9 < 2 < 1 < 3 < 4, the order in which ioos_qc 3.0.0
/// combines the tests. [`Flag::NotEvaluated`] for none.
pub fn aggregate(flags: impl IntoIterator<Item = Flag>) -> Flag {
    flags.into_iter().max_by_key(|f| f.rank()).unwrap_or(Flag::NotEvaluated)
}

/// The tests that are made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Test {
    GrossRange,
    Spike,
    RateOfChange,
    FlatLine,
    Gap,
}

impl Test {
    /// Every test, in the order in which [`Tests`] packs them.
    pub const ALL: [Self; 5] = [Self::GrossRange, Self::Spike, Self::RateOfChange, Self::FlatLine, Self::Gap];

    fn shift(self) -> u32 {
        match self {
            Self::GrossRange => 0,
            Self::Spike => 4,
            Self::RateOfChange => 8,
            Self::FlatLine => 12,
            Self::Gap => 16,
        }
    }
}

/// The five tests' flags packed into one integer for storage: four bits each,
/// gross range lowest, then spike, rate of change, flat line, gap.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
pub struct Tests(pub u32);

impl Tests {
    /// No test made.
    pub const NOT_EVALUATED: Self = Self(0x2_2222);

    /// One test's flag; bits that are no flag read as [`Flag::NotEvaluated`].
    pub fn get(self, test: Test) -> Flag {
        let nibble = (self.0 >> test.shift()) & 0xF;
        u8::try_from(nibble).ok().and_then(Flag::from_number).unwrap_or(Flag::NotEvaluated)
    }

    /// The same with one test's flag replaced.
    #[must_use]
    pub fn with(self, test: Test, flag: Flag) -> Self {
        let mask = 0xF << test.shift();
        Self((self.0 & !mask) | (u32::from(flag.number()) << test.shift()))
    }

    /// Replaces one test's flag.
    pub fn set(&mut self, test: Test, flag: Flag) {
        *self = self.with(test, flag);
    }

    /// The value's flag: the tests' flags without the gap test, which judges
    /// the record before the value and not the value itself: the first reading
    /// after a night without the network is as good as any other.
    pub fn flag(self) -> Flag {
        aggregate(Test::ALL.into_iter().filter(|&t| t != Test::Gap).map(|t| self.get(t)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_flag_of_every_test_is_kept() {
        for test in Test::ALL {
            for flag in Flag::ALL {
                let tests = Tests::NOT_EVALUATED.with(test, flag);
                for other in Test::ALL {
                    let expected = if other == test { flag } else { Flag::NotEvaluated };
                    assert_eq!(tests.get(other), expected, "{test:?} {flag:?} {other:?}");
                }
            }
        }
        assert_eq!(Tests::default().flag(), Flag::NotEvaluated);
        assert_eq!(Tests(u32::MAX).get(Test::Gap), Flag::NotEvaluated);
    }

    #[test]
    fn a_gap_says_nothing_of_the_value_after_it() {
        let tests = Tests::NOT_EVALUATED.with(Test::GrossRange, Flag::Pass).with(Test::Gap, Flag::Fail);
        assert_eq!(tests.flag(), Flag::Pass);
    }
}
