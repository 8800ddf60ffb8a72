//! A term or a year on the page.

use std::sync::Arc;

use axum::response::Response;
use jiff::civil::Date;
use maud::html;

use super::filled::term_source;
use super::form::MonthChoice;
use super::source::term_days;
use super::term_files::{TermFiles, TermKey, make_term, until};
use crate::garden::plan::Garden;
use crate::page::context::SitePage;
use crate::page::problem::Problem;
use crate::page::tags::{self, tag};
use crate::page::{PageSource, assets};
use crate::report::html::{TermWithin, term_body};
use crate::report::term::{TermContents, title};
use crate::report::{Level, ReportPage};

/// Longest time that is shown, days: a school year and some.
const DAYS_MAX: i32 = 400;
/// Readings that one of its months may hold here.
const READINGS_MAX: usize = 6_000_000;

/// What is asked for in the place of a month.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum TermAsked {
    /// The days of the query.
    Days,
    Year(i16),
}

impl TermAsked {
    /// Of an address's last part: `term` or a year of four digits.
    pub(super) fn of(name: &str) -> Option<Self> {
        if name == "term" {
            return Some(Self::Days);
        }
        let digits = name.len() == 4 && name.bytes().all(|b| b.is_ascii_digit());
        name.parse().ok().filter(|year| digits && *year > 0).map(Self::Year)
    }

    fn path(self) -> String {
        match self {
            Self::Days => "/month/term".to_owned(),
            Self::Year(year) => format!("/month/{year}"),
        }
    }
}

/// The days that a request asks for.
fn days_of<V: PageSource>(
    site: &SitePage<V>,
    garden: &Garden,
    asked: TermAsked,
) -> Result<(Date, Date), Problem> {
    let fields = site.fields();
    let given = |name: &str| {
        fields.given(name).map(|text| text.parse::<Date>().map_err(|_| Problem::WrongDays)).transpose()
    };
    let now = site.view.now;
    let today = garden.site.time_zone.to_datetime(now).date();
    let (from, to) = match asked {
        TermAsked::Days => (given("from")?, given("to")?),
        TermAsked::Year(year) => {
            let day = |month, day| Date::new(year, month, day).map_err(|_| Problem::NoSuchMonth);
            (Some(day(1, 1)?), Some(day(12, 31)?))
        }
    };
    // Without holidays in the garden's file, this month and the two before it.
    let recent = || today.first_of_month().checked_sub(jiff::ToSpan::months(2)).ok();
    let days =
        term_days(garden, from, to, now).or_else(|| Some((recent()?, to.map_or(today, |to| to.min(today)))));
    let (first, last) = days.ok_or(Problem::WrongDays)?;
    let length = last.since(first).map_or(i32::MAX, |span| span.get_days());
    match (asked, length) {
        (_, 0..DAYS_MAX) => Ok((first, last)),
        (TermAsked::Year(_), _) => Err(Problem::NoSuchMonth),
        (TermAsked::Days, _) => Err(Problem::WrongDays),
    }
}

async fn find<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    asked: TermAsked,
    level: Level,
) -> Result<(Arc<TermFiles>, Option<String>), Problem> {
    let days = days_of(site, garden, asked)?;
    let now = site.view.now;
    let key = TermKey { site: garden.site.id.clone(), days, until: until(garden, days.1, now), level };
    let context = &site.context;
    let source = term_source(site, garden, days).await?;
    let (reader, of) = (source.record.reader().clone(), Arc::clone(garden));
    let work = move || {
        let made = make_term(&reader, &of, days, (now, level), READINGS_MAX)?;
        Ok((made.files.iter().map(|file| file.bytes.len()).sum(), made))
    };
    let made = context.terms.get_or_make(key, context.moment(), work).await?;
    Ok((made, source.words))
}

/// What is asked for besides the level.
fn more<V: PageSource>(site: &SitePage<V>, garden: &Garden, asked: TermAsked) -> Result<String, Problem> {
    Ok(match asked {
        TermAsked::Year(_) => String::new(),
        TermAsked::Days => {
            let (first, last) = days_of(site, garden, asked)?;
            format!("&from={first}&to={last}")
        }
    })
}

/// `/site/ID/month/term?from=2026-01-28&to=2026-04-10`, `/site/ID/month/2026`: the page.
pub(super) async fn page<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    asked: TermAsked,
) -> Result<Response, Problem> {
    let level = MonthChoice::read(&site.fields(), garden)?.level;
    let (ready, words) = find(site, garden, asked, Level::default()).await?;
    let (base, more) = (format!("/site/{}{}", garden.site.id, asked.path()), more(site, garden, asked)?);
    let version = env!("CARGO_PKG_VERSION");
    let contents = TermContents { term: &ready.term, level, command: &ready.command, version };
    let heading = title(&ready.term);
    let body = html! {
        link rel="stylesheet" href=(assets::LESSON.address());
        h1 { (heading) }
        p class="way-back" { a href={ "/site/" (garden.site.id) "/month" } { "Other months" } }
        @if let Some(words) = &words { p class="from-longer-record" { (words) } }
        (term_body(&contents, level, TermWithin::Page { base: &base, more: &more }))
    };
    let page = site.frame("/month").still(&format!("{heading}, {}", garden.site.name), &body);
    let page = page.into_string().into_bytes();
    let secret = site.visitor.form_token.is_some();
    Ok(tags::file(&site.headers, &tag(&page), "text/html; charset=utf-8", page, secret))
}

/// A file of a term.
pub(super) async fn file<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    asked: TermAsked,
    name: &str,
) -> Result<Response, Problem> {
    let level = MonthChoice::read(&site.fields(), garden)?.level;
    if !crate::report::term::names(level).iter().any(|it| it == name) {
        return Err(Problem::NotFound);
    }
    let (ready, _) = find(site, garden, asked, level).await?;
    let file = ready.files.iter().find(|file| file.name == name).ok_or(Problem::NotFound)?;
    let own = tag(&file.bytes);
    if ReportPage::is_file(name) {
        return Ok(super::with_own_style(tags::file(
            &site.headers,
            &own,
            file.media,
            file.bytes.clone(),
            false,
        )));
    }
    let (first, last) = (ready.term.first, ready.term.last);
    let saved = format!("{}-{first}-{last}-{name}", garden.site.id);
    Ok(super::download(&site.headers, &own, file.media, file.bytes.clone(), &saved))
}
