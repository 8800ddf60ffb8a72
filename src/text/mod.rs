//! Words for people: numbers, dates, units, labels and sentences.

pub(crate) mod cautions;
pub(crate) mod labels;
pub mod locale;
pub(crate) mod spoken;
pub(crate) mod subjects;
pub mod times;
