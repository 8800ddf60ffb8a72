//! What the longer record adds to the time that a page shows.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use super::reader::PlaceReader;
use super::span::{ShownSpan, SpanLength};
use crate::garden::plan::Sensor;
use crate::page::RecordReader;
use crate::page::filled::{FillWanted, FilledRecord};
use crate::page::problem::Problem;
use crate::page::wait::ask;
use crate::text::spoken;

/// How long before the time shown readings are looked at: for how fast a tank's water
/// changed a day, for its first rain day two, for what a probe's noise is four.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(4 * 24);

/// The record of a page, with readings of before those that the own store keeps.
#[derive(Debug)]
pub(super) struct OlderShown(FilledRecord);

impl OlderShown {
    /// Whether every reading is here that the days' figures count.
    pub(super) fn is_whole(&self) -> bool {
        self.0.is_whole()
    }

    pub(super) fn record(&self) -> &RecordReader {
        &self.0.record
    }

    /// Whose readings the page shows, or why it does not; the way to the year stands in `path`.
    pub(super) fn words(&self, shown: &ShownSpan, path: &str) -> Markup {
        let FilledRecord { single, fault, counted, lacking, .. } = self.0;
        if self.is_whole() {
            return html! {
                @if counted > 0 { p class="from-longer-record" { (spoken::from_longer_record(single, &shown.zone)) } }
            };
        }
        let has = counted.saturating_sub(lacking);
        html! {
            p class="nothing" {
                (spoken::only_daily(single, &shown.zone)) " "
                @match fault {
                    Some(fault) => { (fault.words()) " The chart shows nothing of those days. " },
                    None if has == 0 => "The longer record has no reading of those days. The chart shows nothing of them. ",
                    None => {
                        "The longer record has " (has) " of the " (counted) " readings of those days. The chart shows these. "
                    },
                }
                @if shown.length != SpanLength::Year { a href={ (path) "?span=year&to=" (shown.last) } { "A year" } " shows them day by day." }
            }
        }
    }
}

impl PlaceReader<'_> {
    /// What the longer record has of some sensors; `None` where it is not needed or
    /// there is none. A year is shown by its days, which the own store has.
    pub(super) async fn older(
        &self,
        sensors: &[&Sensor],
        wait: Duration,
    ) -> Result<Option<OlderShown>, Problem> {
        if self.shown.length == SpanLength::Year {
            return Ok(None);
        }
        self.older_from(sensors, self.shown.from, wait).await
    }

    /// The same of the time from `from` on, and a few days before.
    pub(super) async fn older_from(
        &self,
        sensors: &[&Sensor],
        from: Timestamp,
        wait: Duration,
    ) -> Result<Option<OlderShown>, Problem> {
        let look_from = from.checked_sub(LOOK_BACK).unwrap_or(from);
        let wanted = FillWanted::new(self.site, sensors.iter().copied(), (look_from, from, self.shown.to));
        Ok(ask(self.record.filled(wanted, wait)).await?.map(OlderShown))
    }

    /// The same reader with what the longer record has.
    pub(super) fn with<'b>(&'b self, older: Option<&'b OlderShown>) -> PlaceReader<'b> {
        PlaceReader { record: older.map_or(self.record, OlderShown::record), ..*self }
    }
}
