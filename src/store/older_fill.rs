//! Readings of days of which this store has only figures.

use std::sync::Arc;

use jiff::Timestamp;

use crate::history::OlderReadings;

/// Readings of a site from elsewhere, of a span of time.
#[derive(Clone, Debug)]
pub struct OlderFill {
    pub site: String,
    pub from: Timestamp,
    /// The first time of which the own store has every reading.
    pub until: Timestamp,
    /// Whether none is missing of the sensors that will be read in that time.
    pub whole: bool,
    pub readings: Arc<OlderReadings>,
}
