//! For whom a lesson is.

/// How old the readers of a lesson are. Each level has its own question, words and depth.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Level {
    /// Seven to nine years: pointing, counting, saying why.
    SevenToNine,
    /// Ten to twelve years: reading a line, litres, an average.
    #[default]
    TenToTwelve,
    /// Older: comparing, doubting, a fair test.
    Older,
}

impl Level {
    /// Every level, the youngest first.
    pub const ALL: [Self; 3] = [Self::SevenToNine, Self::TenToTwelve, Self::Older];

    /// The name in addresses, files and arguments.
    pub fn name(self) -> &'static str {
        match self {
            Self::SevenToNine => "7-9",
            Self::TenToTwelve => "10-12",
            Self::Older => "older",
        }
    }

    /// "Seven to nine".
    pub fn words(self) -> &'static str {
        match self {
            Self::SevenToNine => "Seven to nine",
            Self::TenToTwelve => "Ten to twelve",
            Self::Older => "Older",
        }
    }

    /// The level of a name.
    pub fn of(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|level| level.name() == name)
    }
}
