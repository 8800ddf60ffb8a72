//! Quality flags by the QARTOD real-time tests.

/// A flag of the QARTOD scheme, by its published number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Flag {
    Pass = 1,
    NotEvaluated = 2,
    Suspect = 3,
    Fail = 4,
    Missing = 9,
}

/// The five tests' flags packed into one integer for storage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Tests(pub u32);

/// What a sensor's values are tested against.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Limits {}
