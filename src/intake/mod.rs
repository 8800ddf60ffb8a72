//! Messages in.

/// How a payload is written.
#[derive(Clone, Debug, PartialEq)]
pub enum PayloadFormat {
    /// Nothing but a number.
    Number,
}
