//! A month of which only daily figures are kept: shown by its days.

use std::sync::Arc;

use axum::response::Response;
use maud::html;

use super::form::MonthChoice;
use super::source::{DaysRecord, days_of, until};
use super::sources::MonthSource;
use super::{download, with_own_style};
use crate::garden::plan::Garden;
use crate::model::CalendarMonth;
use crate::page::context::SitePage;
use crate::page::problem::Problem;
use crate::page::tags::{self, tag};
use crate::page::wait::ask;
use crate::page::{PageSource, RecordReader, assets};
use crate::report::ReportPage;
use crate::report::days::{days_files, days_title, has_days_file};
use crate::report::html::{DaysWithin, days_body};

/// The days of the month that is asked for; `None` where its single readings are kept, or
/// nobody asks for a month.
async fn find<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    record: &RecordReader,
) -> Result<Option<(MonthChoice, DaysRecord)>, Problem> {
    let Some(which) = site.names.first().and_then(|name| CalendarMonth::parse(name)) else { return Ok(None) };
    let Ok(until) = until(which, site.view.now, &garden.site.time_zone) else { return Ok(None) };
    let choice = MonthChoice::read(&site.fields(), garden)?;
    let (of, notes) = (Arc::clone(garden), choice.notes);
    let found =
        ask(record.read("the days of a month", move |reader| days_of(reader, &of, which, until, notes)))
            .await?;
    Ok(found.map(|found| (choice, found)))
}

/// The page of such a month; `None` where it is a month like others.
pub(super) async fn page<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    source: &MonthSource,
) -> Result<Option<Response>, Problem> {
    let Some((choice, record)) = find(site, garden, &source.record).await? else { return Ok(None) };
    let month = &record.month;
    let place =
        site.fields().given("place").map_or(Ok(0), |text| text.parse().map_err(|_| Problem::NotFound))?;
    if place > 0 && place >= month.places().len() {
        return Err(Problem::NotFound);
    }
    let base = format!("/site/{}/month/{}", garden.site.id, month.which);
    let more = if choice.notes { "" } else { "&notes=no" };
    let title = days_title(month);
    let body = html! {
        link rel="stylesheet" href=(assets::LESSON.address());
        h1 { (title) }
        p class="way-back" { a href={ "/site/" (garden.site.id) "/month" } { "Other months" } }
        @if let Some(words) = &source.words { p class="nothing" { (words) } }
        (days_body(&record.contents(), DaysWithin::Page { base: &base, more, place }))
    };
    let page = site.frame("/month").still(&format!("{title}, {}", garden.site.name), &body);
    let page = page.into_string().into_bytes();
    let secret = site.visitor.form_token.is_some();
    Ok(Some(tags::file(&site.headers, &tag(&page), "text/html; charset=utf-8", page, secret)))
}

/// A file of such a month; `None` where it is a month like others, or has no such file.
pub(super) async fn file<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    source: &MonthSource,
    name: &str,
) -> Result<Option<Response>, Problem> {
    if !has_days_file(name) {
        return Ok(None);
    }
    let Some((_, record)) = find(site, garden, &source.record).await? else { return Ok(None) };
    let files = days_files(&record.contents()).map_err(|fault| {
        tracing::error!("the days of a month as files: {fault}");
        Problem::Fault
    })?;
    let file = files.into_iter().find(|file| file.name == name).ok_or(Problem::NotFound)?;
    let own = tag(&file.bytes);
    if ReportPage::is_file(name) {
        return Ok(Some(with_own_style(tags::file(&site.headers, &own, file.media, file.bytes, false))));
    }
    let saved = format!("{}-{}-{name}", garden.site.id, record.month.which);
    Ok(Some(download(&site.headers, &own, file.media, file.bytes, &saved)))
}
