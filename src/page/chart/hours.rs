//! The time axis: marks on the hours, days and months of the site's clock.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

/// Labels that fit beside each other on the narrowest phone.
const LABELS_MAX: usize = 7;

/// A mark on the time axis.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Tick {
    pub(super) at: Timestamp,
    /// Empty: a line without words.
    pub(super) label: String,
    /// Whether the word stands in the middle of what it names and not at its line:
    /// a month's name.
    pub(super) names_what_follows: bool,
}

/// The marks of a stretch of time.
pub(super) fn ticks(from: Timestamp, to: Timestamp, zone: &TimeZone) -> Vec<Tick> {
    let hours = to.duration_since(from).as_secs_f64() / 3600.0;
    match hours {
        h if h <= 0.0 => Vec::new(),
        h if h <= 50.0 => by_hours(
            from,
            to,
            zone,
            if h <= 14.0 {
                2
            } else if h <= 26.0 {
                4
            } else {
                12
            },
        ),
        h if h <= 24.0 * 70.0 => by_days(from, to, zone),
        _ => by_months(from, to, zone),
    }
}

fn by_hours(from: Timestamp, to: Timestamp, zone: &TimeZone, every: i8) -> Vec<Tick> {
    let mut ticks = Vec::new();
    for date in days(from, to, zone) {
        for hour in (0..24).step_by(usize::try_from(every).unwrap_or(1)) {
            let hour = i8::try_from(hour).unwrap_or(0);
            // An hour that the clock leaves out has no mark; of one that comes twice
            // the first is marked.
            let ambiguous = zone.to_ambiguous_timestamp(date.at(hour, 0, 0, 0));
            let Ok(at) = ambiguous.compatible() else { continue };
            if zone.to_datetime(at).hour() != hour || at < from || at >= to {
                continue;
            }
            let label = match (hour, every) {
                (0, 12) => date.strftime("%a %-d").to_string(),
                (0, _) => "12 am".to_owned(),
                (12, _) => "noon".to_owned(),
                (h, _) if h < 12 => format!("{h} am"),
                (h, _) => format!("{} pm", h - 12),
            };
            ticks.push(Tick { at, label, names_what_follows: false });
        }
    }
    ticks
}

fn by_days(from: Timestamp, to: Timestamp, zone: &TimeZone) -> Vec<Tick> {
    let days = days(from, to, zone);
    let every = days.len().div_ceil(LABELS_MAX);
    let mut ticks = Vec::new();
    for (number, date) in days.iter().enumerate() {
        let Ok(at) = zone.to_timestamp(date.at(0, 0, 0, 0)) else { continue };
        if at < from || at >= to {
            continue;
        }
        let labelled = match every {
            0 | 1 => true,
            // The first of a month and every so many days after it.
            every => number % every == 0,
        };
        let label = match (labelled, every) {
            (false, _) => String::new(),
            (true, 0 | 1) => date.strftime("%a %-d").to_string(),
            (true, _) => date.strftime("%-d %b").to_string(),
        };
        ticks.push(Tick { at, label, names_what_follows: labelled && every <= 1 });
    }
    ticks
}

fn by_months(from: Timestamp, to: Timestamp, zone: &TimeZone) -> Vec<Tick> {
    let first = zone.to_datetime(from).date().first_of_month();
    let mut months = Vec::new();
    let mut date = first;
    // A hundred years of marks are enough for any axis.
    while months.len() < 1200 {
        let Ok(at) = zone.to_timestamp(date.at(0, 0, 0, 0)) else { break };
        if at >= to {
            break;
        }
        if at >= from {
            months.push((at, date));
        }
        let Ok(next) = date.checked_add(Span::new().months(1)) else { break };
        date = next;
    }
    let every = months.len().div_ceil(LABELS_MAX).max(1);
    // Quarters and years are better than five months.
    let every = [1, 2, 3, 6, 12, 24, 60, 120, 240].into_iter().find(|&n| n >= every).unwrap_or(every);
    let mut ticks = Vec::new();
    for (at, date) in months {
        let number = usize::try_from(i32::from(date.year()) * 12 + i32::from(date.month()) - 1).unwrap_or(0);
        let label = match number.is_multiple_of(every) {
            false => String::new(),
            true if every >= 12 => date.strftime("%Y").to_string(),
            true if date.month() == 1 => date.strftime("%b %Y").to_string(),
            true => date.strftime("%b").to_string(),
        };
        ticks.push(Tick { at, label, names_what_follows: false });
    }
    ticks
}

/// The days of the site's calendar that a stretch touches, at most ten years of them.
fn days(from: Timestamp, to: Timestamp, zone: &TimeZone) -> Vec<Date> {
    let end = to.checked_sub(Span::new().nanoseconds(1)).unwrap_or(to);
    let (first, last) = (zone.to_datetime(from).date(), zone.to_datetime(end).date());
    std::iter::successors(Some(first), |date| date.tomorrow().ok())
        .take_while(|date| *date <= last)
        .take(3660)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adelaide() -> TimeZone {
        TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database")
    }

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    fn labels(from: &str, to: &str) -> Vec<(String, String)> {
        ticks(at(from), at(to), &adelaide())
            .into_iter()
            .filter(|tick| !tick.label.is_empty())
            .map(|tick| (tick.at.to_string(), tick.label))
            .collect()
    }

    /// Clocks went back from 3 am to 2 am on 5 April 2026 and forward from 2 am to 3 am
    /// on 4 October 2026 (IANA time zone database, Australia/Adelaide).
    #[test]
    fn hours_are_the_clock_s_also_on_days_of_23_and_25_hours() {
        let long = labels("2026-04-04T13:30:00Z", "2026-04-05T14:30:00Z");
        assert_eq!(long.len(), 6, "{long:?}");
        assert_eq!(long[0], ("2026-04-04T13:30:00Z".into(), "12 am".into()));
        assert_eq!(long[1], ("2026-04-04T18:30:00Z".into(), "4 am".into()));
        assert_eq!(long[3], ("2026-04-05T02:30:00Z".into(), "noon".into()));
        let short = labels("2026-10-03T14:30:00Z", "2026-10-04T13:30:00Z");
        assert_eq!(short[1], ("2026-10-03T17:30:00Z".into(), "4 am".into()));
        assert_eq!(short.len(), 6, "{short:?}");
    }

    #[test]
    fn days_and_months_have_their_names() {
        let week = labels("2026-04-12T14:30:00Z", "2026-04-19T14:30:00Z");
        let names: Vec<&str> = week.iter().map(|(_, label)| label.as_str()).collect();
        assert_eq!(names, ["Mon 13", "Tue 14", "Wed 15", "Thu 16", "Fri 17", "Sat 18", "Sun 19"]);
        let month = labels("2026-03-31T13:30:00Z", "2026-04-30T14:30:00Z");
        assert_eq!(month[0], ("2026-03-31T13:30:00Z".into(), "1 Apr".into()));
        assert!(month.len() <= LABELS_MAX, "{month:?}");
        let year = labels("2025-04-30T14:30:00Z", "2026-04-30T14:30:00Z");
        let names: Vec<&str> = year.iter().map(|(_, label)| label.as_str()).collect();
        assert_eq!(names, ["May", "Jul", "Sep", "Nov", "Jan 2026", "Mar"]);
    }

    #[test]
    fn no_stretch_has_too_many_labels_and_the_ends_of_time_are_no_fault() {
        let zone = adelaide();
        for hours in [1, 5, 14, 15, 25, 26, 27, 49, 50, 51, 24 * 8, 24 * 15, 24 * 60, 24 * 71, 24 * 4000] {
            for start in ["2026-01-01T00:00:00Z", "2026-04-05T00:00:00Z", "2026-10-03T09:17:00Z"] {
                let from = at(start);
                let ticks = ticks(from, from + jiff::SignedDuration::from_hours(hours), &zone);
                let labelled = ticks.iter().filter(|tick| !tick.label.is_empty()).count();
                assert!(labelled <= LABELS_MAX + 1, "{hours} h from {start}: {ticks:?}");
            }
        }
        let _ = ticks(Timestamp::MIN, Timestamp::MAX, &zone);
        let _ = ticks(Timestamp::MAX, Timestamp::MIN, &zone);
    }
}
