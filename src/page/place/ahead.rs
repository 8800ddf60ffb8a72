//! What a page that is read next takes long to find, found while another is read.

use std::sync::Arc;

use super::reader::PlaceReader;
use super::span::{ShownSpan, SpanLength};
use crate::garden::log::LogEntry;
use crate::garden::view::SiteView;
use crate::page::PageSource;
use crate::page::context::PageContext;

/// Looks for the wettings of the month up to today while somebody reads another page of the
/// garden: of all that is read for a first visit they take longest. Returns at once.
pub(in crate::page) fn look_ahead<V: PageSource>(context: &Arc<PageContext<V>>, view: &SiteView) {
    let Ok(one) = Arc::clone(&context.wettings.ahead).try_lock_owned() else { return };
    let context = Arc::clone(context);
    let (site, now, zone) = (view.id.clone(), view.now, view.time_zone.clone());
    tokio::spawn(async move {
        let _one = one;
        let Some(garden) = context.record.garden(site.as_str()) else { return };
        let shown = ShownSpan::new(SpanLength::Month, zone.to_datetime(now).date(), now, &zone);
        let reader = PlaceReader { record: &context.record, site: site.as_str(), shown: &shown };
        // What cannot be read now is read, or said, when the page itself is asked for.
        let Ok(events) = reader.events().await else { return };
        let log: Vec<LogEntry> = events.log.into_iter().map(|row| row.entry).collect();
        let changed = context.moment().changed;
        drop(context.wettings.of(reader, garden, &log, changed).await);
    });
}
