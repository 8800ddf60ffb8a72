//! Where a sensor sits, and how a place is doing.

/// Where a sensor sits. The numbers index [`Garden::beds`] and [`Garden::tanks`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Place {
    Bed(u16),
    Tank(u16),
    /// The whole site.
    Site,
}

/// How well a place does, told by a word (never by colour alone).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Condition {
    Well,
    Watch,
    Act,
    Unknown,
}

impl Condition {
    /// Its name in the JSON interface and in the page's style; "unknown" says that nobody
    /// may take it for well.
    pub fn name(self) -> &'static str {
        match self {
            Self::Well => "well",
            Self::Watch => "watch",
            Self::Act => "act",
            Self::Unknown => "unknown",
        }
    }
}
