//! `/site/ID/handover`: a page to print for whoever looks after the garden in the holidays.
//!
//! What it says of fish and water beyond the garden's own state is common practice in
//! school gardens and fish keeping; the school's rules come first, and the page says so.

use std::collections::BTreeMap;

use jiff::Span;
use jiff::civil::Date;
use maud::{Markup, html};

use crate::garden::days_words;
use crate::garden::jobs::view::JobView;
use crate::garden::plan::{Bed, Garden, Tank};
use crate::garden::view::SiteView;
use crate::page::PageSource;
use crate::page::alarm_card::urgency;
use crate::page::context::SitePage;
use crate::page::forms::FormFields;
use crate::page::problem::Problem;
use crate::page::today::care;
use crate::text::labels;
use crate::text::spoken;

/// Days of the page where the garden's file names no holidays.
const USUAL_DAYS: i64 = 14;
/// Days of one page at most.
const DAYS_MAX: i64 = 92;

/// The days that a page is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct HandoverSpan {
    from: Date,
    to: Date,
}

pub(in crate::page) async fn handover<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, view, garden) = (site.frame("/handover"), &site.view, site.garden()?);
    let today = view.time_zone.to_datetime(view.now).date();
    let usual = HandoverSpan::usual(garden, today);
    let (span, fault) = match HandoverSpan::asked(&site.fields()) {
        Ok(asked) => (asked.unwrap_or(usual), None),
        Err(fault) => (usual, Some(fault)),
    };
    let title = format!("Looking after {}", view.name);
    let body = html! {
        h1 { (title) }
        p { "From " strong { (dated(span.from)) } " to " strong { (dated(span.to)) } ". The garden as of "
            (labels::full_moment(view.now, &view.time_zone)) "." }
        @if let Some(fault) = fault { p class="fault" role="alert" { (fault) } }
        (choice(&frame.path, span))
        (call(garden))
        (fish_in_trouble(garden))
        (day_by_day(view, span, today))
        (places(garden, view, span.from))
        (alarms(view))
        (do_not(garden))
        @if !garden.handover.notes.is_empty() {
            section { h2 { "Good to know" } ul { @for note in &garden.handover.notes { li { (note) } } } }
        }
        (care(view))
    };
    Ok(frame.still(&title, &body))
}

impl HandoverSpan {
    /// The holidays that are on or come next, else a fortnight from today on.
    fn usual(garden: &Garden, today: Date) -> Self {
        let next = garden.site.holidays.iter().filter(|holiday| holiday.to >= today).min_by_key(|it| it.from);
        match next {
            Some(holiday) => Self { from: holiday.from, to: holiday.to },
            None => Self { from: today, to: plus(today, USUAL_DAYS - 1) },
        }
    }

    /// The days that a query names; `None` where it names none.
    fn asked(query: &FormFields) -> Result<Option<Self>, String> {
        let date = |name: &str| match query.given(name) {
            None => Ok(None),
            Some(text) if text.len() <= 10 => text
                .parse::<Date>()
                .map(Some)
                .map_err(|_| format!("{text:?} is not a date: write it like 2026-07-04.")),
            Some(_) => Err("That is not a date: write it like 2026-07-04.".to_owned()),
        };
        let (Some(from), Some(to)) = (date("from")?, date("to")?) else { return Ok(None) };
        if to < from {
            return Err("The last day lies before the first one.".to_owned());
        }
        if to > plus(from, DAYS_MAX - 1) {
            return Err(format!("That is longer than {DAYS_MAX} days: make a page for each part."));
        }
        Ok(Some(Self { from, to }))
    }
}

fn plus(date: Date, days: i64) -> Date {
    date.checked_add(Span::new().days(days)).unwrap_or(date)
}

/// "Saturday 4 July 2026".
fn dated(date: Date) -> String {
    format!("{} {}", spoken::day(date), date.year())
}

fn choice(path: &str, span: HandoverSpan) -> Markup {
    html! {
        form class="choice" method="get" action=(path) {
            p { label for="from" { "From" } input id="from" name="from" type="date" value=(span.from) required; }
            p { label for="to" { "To" } input id="to" name="to" type="date" value=(span.to) required; }
            button type="submit" { "Show these days" }
            p { "Then print the page, or save it, with the browser." }
        }
    }
}

fn call(garden: &Garden) -> Markup {
    let call = &garden.handover.call;
    html! {
        section class="call" {
            h2 { "Whom to call" }
            @if call.is_empty() {
                p { "Fill in by hand, with numbers:" }
                @for who in ["Grounds", "Fish", "School", "Vet or fish supplier"] { p class="line" { (who) ":" } }
            } @else {
                ol { @for line in call { li { (line) } } }
            }
            p { "When something is wrong that this page does not name, call before you do anything." }
        }
    }
}

fn fish_in_trouble(garden: &Garden) -> Markup {
    html! {
        @if !garden.tanks.is_empty() {
            section class="caution" {
                h2 { "If the fish are in trouble" }
                p { "Fish that gasp at the surface, lie on their side or will not eat; water that is cloudy or smells:" }
                ol {
                    li { "See whether pump and air run. Is a switch off, has the safety switch tripped, is a plug out?" }
                    li { "Stop feeding. Give shade if the water is warm. Do not change water before you have spoken to somebody." }
                    li { "Call the first number above. Do not wait for the next day." }
                }
                p class="standing" { "Common practice in fish keeping. A vet, or whoever supplied the fish, knows better." }
            }
        }
    }
}

/// The jobs of the span, day by day, with a box for each.
fn day_by_day(view: &SiteView, span: HandoverSpan, today: Date) -> Markup {
    let mut days: BTreeMap<Date, Vec<(&JobView, bool)>> = BTreeMap::new();
    for job in &view.jobs {
        for day in job.job.days_between(job.last_done, today, span.from, span.to) {
            days.entry(day.date).or_default().push((job, day.late));
        }
    }
    let undated: Vec<&JobView> =
        view.jobs.iter().filter(|job| job.days_late().is_none() && job.is_due()).collect();
    html! {
        section {
            h2 { "What to do, day by day" }
            @if days.is_empty() && undated.is_empty() {
                p { "No job of the garden's file is due in these days." }
            }
            @if !days.is_empty() {
                p { "Tick what is done and enter it in the Garden log, or leave this sheet for the school." }
                table class="stacks by-day" {
                    thead { tr { th scope="col" { "Day" } th scope="col" { "What, where, who" } } }
                    tbody {
                        @for (date, jobs) in &days {
                            tr {
                                th scope="row" { (spoken::day(*date)) }
                                td data-label="To do" {
                                    ul class="boxes" {
                                        @for (job, late) in jobs { li { (job_line(view, job, *date)) @if *late { " (overdue)" } } }
                                    }
                                }
                            }
                        }
                    }
                }
            }
            @if !undated.is_empty() {
                p { "Once, since the Garden log does not say when it was last done:" }
                ul class="boxes" { @for job in &undated { li { (job_line(view, job, today)) } } }
            }
            @let asked = |job: &&JobView| {
                let id = &job.job.id;
                days.values().flatten().any(|(it, _)| it.job.id == *id) || undated.iter().any(|it| it.job.id == *id)
            };
            @let how: Vec<&JobView> = view.jobs.iter().filter(|job| job.job.how.is_some()).filter(asked).collect();
            @if !how.is_empty() {
                h3 { "How" }
                dl { @for job in how { div { dt { (job.job.name) } dd { (job.job.how.as_deref().unwrap_or_default()) } } } }
            }
        }
    }
}

fn job_line(view: &SiteView, job: &JobView, date: Date) -> Markup {
    html! {
        (job.job.name)
        @if job.place != view.name { ", " (job.place) }
        @if let Some(who) = job.job.turn(date) { " – " (who) }
    }
}

fn places(garden: &Garden, view: &SiteView, date: Date) -> Markup {
    html! {
        section {
            h2 { "Each place" }
            @for (number, bed) in (0u16..).zip(&garden.beds) { (self::bed(garden, view, (number, bed), date)) }
            @for tank in &garden.tanks { (self::tank(view, tank)) }
        }
    }
}

fn bed(garden: &Garden, view: &SiteView, (number, bed): (u16, &Bed), date: Date) -> Markup {
    let present = view.beds.iter().find(|it| it.id == bed.id);
    let timers = garden.programs.iter().filter(|program| program.beds.contains(&number));
    html! {
        div class="kept" {
            h3 { (bed.name) }
            @if let Some(present) = present {
                p { "Now: " (present.words) @if let Some(outlook) = &present.outlook { " " (outlook) } }
            }
            @for program in timers {
                @let starts: Vec<String> = program.timetable.starts.iter().map(|start| spoken::clock(*start)).collect();
                p {
                    "A timer (" (program.name) ") waters it " (days_words(&program.timetable.days)) " at " (spoken::list(&starts))
                    " for " (program.timetable.minutes) " minutes"
                    @if !program.timetable.off.is_empty() { ", but not in the holidays" }
                    ". If the soil stays dry after it should have run: is the tap open, the battery good, the hose whole?"
                }
            }
            p {
                "Feel the soil as deep as a finger. If it is dry there, water slowly by hand until it is moist; if it is wet, do not. "
                (spoken::may_run(garden.watering_hours(&bed.id), date))
            }
        }
    }
}

fn tank(view: &SiteView, tank: &Tank) -> Markup {
    let present = view.tanks.iter().find(|it| it.id == tank.id);
    let limits = &tank.limits;
    html! {
        div class="kept" {
            h3 { (tank.name) }
            @if let Some(present) = present { p { "Now: " (present.words) } }
            p {
                @match tank.fish { Some(fish) => { (fish) " " (tank.fish_name()) }, None => { (capital(tank.fish_name())) } }
                " in " (spoken::litres(tank.volume_l)) ". Water from " (limits.cold_c) " to " (limits.warm_c) " °C, pH "
                (limits.ph.0) " to " (limits.ph.1) "."
            }
            @match tank.feed_g_day {
                Some(grams) => p { "Food: " strong { (grams) " g a day at most" } ", only what is eaten within a few minutes." },
                None => p { "Food: how much is not in the garden's file. Fill it in by hand: ______ g a day at most." },
            }
            p { "Each visit: count the fish, see that water and air move, feel whether the water is warm or cold. Take out "
                "dead fish and food that is left." }
        }
    }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn alarms(view: &SiteView) -> Markup {
    let mut open: Vec<_> = view.alarms.iter().filter(|alarm| alarm.record.state.is_active()).collect();
    open.sort_by_key(|alarm| std::cmp::Reverse(alarm.priority));
    html! {
        section {
            h2 { "Alarms open now" }
            @if open.is_empty() { p { "None." } } @else {
                ul {
                    @for alarm in open {
                        li {
                            (urgency(alarm, view)) " " strong { (alarm.place_name) ": " (labels::kind(alarm.record.key.kind)) }
                            ". " (alarm.record.said.text)
                        }
                    }
                }
            }
        }
    }
}

fn do_not(garden: &Garden) -> Markup {
    html! {
        section {
            h2 { "Please do not" }
            ul {
                @for line in &garden.handover.do_not { li { strong { (line) } } }
                @if !garden.tanks.is_empty() {
                    li { "Do not feed more than this page says. If you do not know whether the fish were fed, do not feed: a day "
                         "without food harms grown fish less than uneaten food." }
                    li { "Put nothing else into the tank: no tap water without conditioner, no new fish or plants, no medicine." }
                    li { "Do not switch off pump, air or heater, except while a hand is in the water. Then switch all of them on again." }
                }
                @if !garden.beds.is_empty() {
                    li { "Do not set timers or taps otherwise than this page says, and leave no hose running." }
                    li { "Do not spray, and do not dig where leads and probes are." }
                }
                li { "Do not climb on tanks, roofs or ladders. Do not go into a flooded or storm-damaged garden: call first." }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_days_of_a_query_are_checked() {
        let asked = |query: &str| HandoverSpan::asked(&FormFields::of(query));
        let span = |from: &str, to: &str| HandoverSpan {
            from: from.parse().expect("a date"),
            to: to.parse().expect("a date"),
        };
        assert_eq!(asked(""), Ok(None));
        assert_eq!(asked("from=2026-07-04&to=2026-07-19"), Ok(Some(span("2026-07-04", "2026-07-19"))));
        assert_eq!(asked("from=2026-07-04&to=2026-07-04"), Ok(Some(span("2026-07-04", "2026-07-04"))));
        for wrong in [
            "from=2026-07-04&to=2026-07-03",
            "from=tomorrow&to=2026-07-03",
            "from=2026-01-01&to=2026-12-31",
            "from=2026-07-04&to=20260704000000",
        ] {
            assert!(asked(wrong).is_err(), "{wrong}");
        }
    }
}
