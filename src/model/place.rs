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
