//! `/site/ID/log`: the garden's log, also what was struck of it, to correct or strike.

use maud::{Markup, html};

use super::PageSource;
use super::context::SitePage;
use super::problem::Problem;
use super::wait::ask;
use crate::garden::plan::place_called;
use crate::store::{LogRow, Strike};
use crate::text::labels;
use jiff::Timestamp;

/// Entries that the page lists, the newest ones.
const SHOWN_MAX: usize = 200;

/// Characters of a note that are shown.
const NOTE_SHOWN: usize = 400;

pub(super) async fn log<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, view) = (site.frame("/log"), &site.view);
    let garden = site.garden()?;
    let rows =
        ask(site.context.record.log_with_struck(view.id.as_str(), Timestamp::MIN, Timestamp::MAX)).await?;
    let forms = frame.visitor.sees_forms();
    let place = |row: &LogRow| match &row.entry.place {
        Some(place) => place_called(garden, place),
        None => "The whole garden".to_owned(),
    };
    let write = format!("/site/{}/write", view.id);
    let body = html! {
        h1 { "Garden log" }
        p { a class="button" href=(write) { "Add to the Garden log" } }
        @if rows.is_empty() {
            p { "There is no entry yet." }
        } @else {
            @if rows.len() > SHOWN_MAX { p class="standing" { "These are the newest " (SHOWN_MAX) " of " (rows.len()) ". The command trug log list shows all." } }
            ul class="written" {
                @for row in rows.iter().rev().take(SHOWN_MAX) {
                    li id={ "entry-" (row.seq) } {
                        @let words = format!("{}: {}", place(row), row.entry.what.words());
                        p {
                            (labels::moment(row.entry.at, view.now, &view.time_zone)) ". "
                            @if row.struck.is_some() { del { (words) } } @else { (words) }
                        }
                        @if !row.entry.note.trim().is_empty() { p class="note" { (labels::shown(row.entry.note.trim(), NOTE_SHOWN)) } }
                        @match &row.struck {
                            Some(strike) => (struck(strike, view.now, &view.time_zone)),
                            None => {
                                @if let Some(wrong) = row.corrects {
                                    p class="standing" { "It corrects " a href={ "#entry-" (wrong) } { "another entry" } "." }
                                }
                                @if forms {
                                    p class="onward" {
                                        a href={ (write) "?corrects=" (row.seq) } { "Correct" span class="unseen" { ": " (words) } }
                                        a href={ (write) "?strike=" (row.seq) } { "Strike" span class="unseen" { ": " (words) } }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
        (frame.visitor.how_to_change())
    };
    Ok(frame.still(&format!("Garden log of {}", view.name), &body))
}

/// That an entry was struck, when and why.
fn struck(strike: &Strike, now: Timestamp, zone: &jiff::tz::TimeZone) -> Markup {
    html! {
        p class="standing" {
            "Struck at " (labels::moment(strike.written_at, now, zone))
            @match strike.corrected_by {
                Some(by) => { ": " a href={ "#entry-" (by) } { "another entry" } " corrects it." }
                None => { ": " (labels::shown(strike.why.trim(), NOTE_SHOWN)) }
            }
        }
    }
}
