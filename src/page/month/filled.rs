//! What a month or a term is made from: the own store, and where that has only daily figures,
//! the longer record.

use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use super::source::LOOK_BACK;
use super::sources::{MonthSource, READING_BYTES};
use crate::garden::plan::Garden;
use crate::model::CalendarMonth;
use crate::page::PageSource;
use crate::page::context::SitePage;
use crate::page::filled::FillWanted;
use crate::page::older::FILE_WAIT;
use crate::page::problem::Problem;
use crate::page::wait::ask;

/// What the month of an address is made from.
pub(super) async fn month_source<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
) -> Result<MonthSource, Problem> {
    let which = site.names.first().and_then(|name| CalendarMonth::parse(name));
    let span = which.and_then(|which| which.span(&garden.site.time_zone));
    of_span(site, garden, span).await
}

/// What the days of a term are made from, both ends included.
pub(super) async fn term_source<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    (first, last): (Date, Date),
) -> Result<MonthSource, Problem> {
    // It is made month by month.
    let midnight = |date: Date| garden.site.time_zone.to_timestamp(date.at(0, 0, 0, 0)).ok();
    let span = midnight(first.first_of_month()).zip(last.last_of_month().tomorrow().ok().and_then(midnight));
    of_span(site, garden, span).await
}

async fn of_span<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    span: Option<(Timestamp, Timestamp)>,
) -> Result<MonthSource, Problem> {
    let context = &site.context;
    let own = || MonthSource { record: context.record.clone(), words: None };
    let (Some((from, to)), Some(_)) = (span, context.record.older()) else { return Ok(own()) };
    let (key, now) = ((garden.site.id.clone(), from, to), context.moment());
    if let Some(kept) = context.month_sources.0.get(&key, now) {
        return Ok((*kept).clone());
    }
    let look_from = from.checked_sub(LOOK_BACK).unwrap_or(from);
    let to = to.min(site.view.now);
    // What a drying began with counts as well: without it the figures would be others.
    let wanted = FillWanted::new(garden.site.id.as_str(), garden.sensors.iter(), (look_from, look_from, to));
    let Some(filled) = ask(context.record.filled(wanted, FILE_WAIT)).await? else { return Ok(own()) };
    // Of what only lies before the month nothing is said.
    let words = filled.words(&garden.site.time_zone).filter(|_| from < filled.single);
    let source = MonthSource { record: filled.record.clone(), words };
    if !filled.is_whole() {
        return Ok(source);
    }
    let bytes = usize::try_from(filled.counted).unwrap_or(usize::MAX).saturating_mul(READING_BYTES);
    Ok((*context.month_sources.0.keep(key, now, bytes, source)).clone())
}
