//! The stretch of time that a page shows.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use crate::garden::view::SiteView;
use crate::history::BinWidth;
use crate::page::forms::FormFields;
use crate::text::locale::Locale;

/// How much time a page shows, up to a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum SpanLength {
    Day,
    Week,
    Month,
    Year,
}

impl SpanLength {
    pub(super) const ALL: [Self; 4] = [Self::Day, Self::Week, Self::Month, Self::Year];

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::Week => "week",
            Self::Month => "month",
            Self::Year => "year",
        }
    }

    /// How finely its record is read.
    pub(super) fn step(self) -> BinWidth {
        match self {
            Self::Day => BinWidth::Raw,
            Self::Week | Self::Month => BinWidth::Hour,
            Self::Year => BinWidth::Day,
        }
    }

    fn time(self) -> jiff::Span {
        match self {
            Self::Day => 1.day(),
            Self::Week => 7.days(),
            Self::Month => 1.month(),
            Self::Year => 1.year(),
        }
    }
}

/// A span that ends with a day of the site's calendar.
#[derive(Clone, Debug)]
pub(super) struct ShownSpan {
    pub(super) length: SpanLength,
    /// The first and the last day shown.
    pub(super) first: Date,
    pub(super) last: Date,
    pub(super) today: Date,
    /// The first moment shown, and the first that is not.
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
    pub(super) now: Timestamp,
    pub(super) zone: TimeZone,
    /// How figures are read.
    pub(super) locale: Locale,
}

/// A parameter of an address that is not accepted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct RejectedParameter {
    /// Its name, as in the address.
    pub(super) name: &'static str,
    pub(super) given: String,
    pub(super) accepted: String,
}

impl RejectedParameter {
    pub(super) fn new(name: &'static str, given: &str, accepted: impl Into<String>) -> Self {
        Self { name, given: given.to_owned(), accepted: accepted.into() }
    }
}

/// Reads which panels of a chart are chosen: `show=water,rain`, by some known names.
pub(super) fn chosen_panels(
    query: &FormFields,
    known: &[&'static str],
) -> Result<Vec<&'static str>, RejectedParameter> {
    let Some(given) = query.given("show") else { return Ok(Vec::new()) };
    let one = |name: &str| {
        let found = known.iter().copied().find(|it| *it == name);
        found.ok_or_else(|| RejectedParameter::new("show", given, known.join(", ")))
    };
    given.split(',').map(one).collect()
}

/// No garden has readings from before.
const EARLIEST: Date = Date::constant(1990, 1, 1);

impl ShownSpan {
    /// Reads `span=week&to=2026-04-17`; what is missing or empty is a week, and today.
    /// Other names are left to others.
    pub(super) fn read(query: &FormFields, view: &SiteView) -> Result<Self, RejectedParameter> {
        Ok(Self { locale: view.local.locale(), ..Self::of(query, view.now, &view.time_zone)? })
    }

    fn of(query: &FormFields, now: Timestamp, zone: &TimeZone) -> Result<Self, RejectedParameter> {
        let today = zone.to_datetime(now).date();
        let length = query.given("span").map_or(Ok(SpanLength::Week), |given| {
            let known = SpanLength::ALL.into_iter().find(|length| length.name() == given);
            known.ok_or_else(|| RejectedParameter::new("span", given, "day, week, month or year"))
        })?;
        let last = query.given("to").map_or(Ok(today), |given| {
            date(given).filter(|date| (EARLIEST..=today).contains(date)).ok_or_else(|| {
                let accepted = format!("a day from {EARLIEST} to today, {today}, written like {today}");
                RejectedParameter::new("to", given, accepted)
            })
        })?;
        Ok(Self::new(length, last, now, zone))
    }

    /// Its part of an address, after the page's path.
    pub(super) fn query(&self) -> String {
        if self.last == self.today {
            format!("?span={}", self.length.name())
        } else {
            format!("?span={}&to={}", self.length.name(), self.last)
        }
    }

    /// The span that ends with a day.
    pub(super) fn new(length: SpanLength, last: Date, now: Timestamp, zone: &TimeZone) -> Self {
        let before = last.saturating_sub(length.time());
        let first = before.tomorrow().unwrap_or(before);
        let midnight = |date: Date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok();
        let from = midnight(first).unwrap_or(Timestamp::MIN);
        let to = last.tomorrow().ok().and_then(midnight).unwrap_or(Timestamp::MAX);
        let today = zone.to_datetime(now).date();
        Self { length, first, last, today, from, to, now, zone: zone.clone(), locale: Locale::default() }
    }

    /// The last day of the same span before this one; `None` where that is too early.
    pub(super) fn earlier(&self) -> Option<Date> {
        self.first.yesterday().ok().filter(|date| *date >= EARLIEST)
    }

    /// The last day of the span after this one, today at most; `None` at today.
    pub(super) fn later(&self) -> Option<Date> {
        (self.last < self.today).then(|| self.last.saturating_add(self.length.time()).min(self.today))
    }

    /// Whether a moment is within it.
    pub(super) fn holds(&self, at: Timestamp) -> bool {
        self.from <= at && at < self.to
    }

    /// Whether the present is within it.
    pub(super) fn holds_now(&self) -> bool {
        self.holds(self.now)
    }

    /// Where what is known of it ends.
    pub(super) fn end(&self) -> Timestamp {
        self.to.min(self.now)
    }

    /// "Friday 17 April 2026", "11 to 17 April 2026".
    pub(super) fn words(&self) -> String {
        let (first, last) = (self.first, self.last);
        if first == last {
            return last.strftime("%A %-d %B %Y").to_string();
        }
        let begin = if first.year() != last.year() {
            "%-d %B %Y"
        } else if first.month() == last.month() {
            "%-d"
        } else {
            "%-d %B"
        };
        format!("{} to {}", first.strftime(begin), last.strftime("%-d %B %Y"))
    }
}

/// A date as `2026-04-17` and in no other form.
fn date(text: &str) -> Option<Date> {
    let shaped = text.len() == 10
        && text
            .bytes()
            .enumerate()
            .all(|(i, b)| if i == 4 || i == 7 { b == b'-' } else { b.is_ascii_digit() });
    if shaped { text.parse().ok() } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adelaide() -> TimeZone {
        TimeZone::get("Australia/Adelaide").expect("bundled")
    }

    fn read(query: &str) -> Result<ShownSpan, RejectedParameter> {
        ShownSpan::of(&FormFields::of(query), "2026-04-17T05:30:00Z".parse().expect("a time"), &adelaide())
    }

    fn days(query: &str) -> (String, String) {
        let asked = read(query).expect("a good query");
        (asked.first.to_string(), asked.last.to_string())
    }

    #[test]
    fn spans_end_with_the_day_that_is_asked_for() {
        for (query, first, last) in [
            ("", "2026-04-11", "2026-04-17"),
            ("span=&to=", "2026-04-11", "2026-04-17"),
            ("span=day", "2026-04-17", "2026-04-17"),
            ("span=month&to=2026-03-31", "2026-03-01", "2026-03-31"),
            ("to=2024-02-29&span=year", "2023-03-01", "2024-02-29"),
            ("hold=yes&span=week&to=2026-04-08", "2026-04-02", "2026-04-08"),
        ] {
            assert_eq!(days(query), (first.to_owned(), last.to_owned()), "{query}");
        }
    }

    /// Clocks in Adelaide went back on 5 April 2026 (IANA time zone database).
    #[test]
    fn a_day_has_the_hours_of_the_site_s_own_clock() {
        let hours = |query: &str| {
            let asked = read(query).expect("a good query");
            (asked.to.as_second() - asked.from.as_second()) / 3600
        };
        assert_eq!(hours("span=day&to=2026-04-05"), 25);
        assert_eq!(hours("span=day&to=2025-10-05"), 23);
        assert_eq!(hours("span=week&to=2026-04-08"), 169);
    }

    #[test]
    fn earlier_and_later_leave_no_day_out_and_end_at_today() {
        let asked = read("span=week&to=2026-04-08").expect("a good query");
        assert_eq!(asked.earlier().map(|date| date.to_string()).as_deref(), Some("2026-04-01"));
        assert_eq!(asked.later().map(|date| date.to_string()).as_deref(), Some("2026-04-15"));
        let asked = read("span=week&to=2026-04-15").expect("a good query");
        assert_eq!(asked.later(), Some(asked.today));
        assert_eq!(read("").expect("a good query").later(), None);
        assert_eq!(read("span=year&to=1990-06-01").expect("a good query").earlier(), None);
    }

    #[test]
    fn what_is_wrong_is_named_with_what_is_accepted() {
        for (query, name, given) in [
            ("span=decade", "span", "decade"),
            ("to=tomorrow", "to", "tomorrow"),
            ("to=2026-04-18", "to", "2026-04-18"),
            ("to=2026-02-30", "to", "2026-02-30"),
            ("to=-009999-01-01", "to", "-009999-01-01"),
            ("to=1989-12-31", "to", "1989-12-31"),
            ("to=20260417", "to", "20260417"),
        ] {
            let wrong = read(query).expect_err(query);
            assert_eq!((wrong.name, wrong.given.as_str()), (name, given));
            assert!(!wrong.accepted.is_empty());
        }
    }

    #[test]
    fn spans_read_as_people_say_them() {
        for (query, words) in [
            ("span=day", "Friday 17 April 2026"),
            ("span=week", "11 to 17 April 2026"),
            ("span=month", "18 March to 17 April 2026"),
            ("span=year", "18 April 2025 to 17 April 2026"),
        ] {
            assert_eq!(read(query).expect("a good query").words(), words);
        }
    }
}
