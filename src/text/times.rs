//! Times as people give them to commands.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

/// What is accepted where a time is asked for.
pub const ACCEPTED: &str = "a date (2026-04-17) or a date and time (2026-04-17T15:00) on the garden's own clock, or a \
                            time with its offset (2026-04-17T15:00:00+09:30)";

/// Which end of a span a time is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// The first moment that belongs to it. A date is its midnight.
    From,
    /// The first moment that no longer belongs to it. A date belongs to it whole.
    To,
}

/// The moment that `text` names. A local time that a change of the clock skips is
/// read as the same time after it; one that comes twice is the first of the two.
///
/// # Errors
///
/// Plain words that say what was given and what is accepted.
pub fn moment(text: &str, zone: Option<&TimeZone>, end: End) -> Result<Timestamp, String> {
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(at);
    }
    let Ok(local) = text.parse::<DateTime>() else {
        return Err(format!("{text:?} is not a time; accepted are {ACCEPTED}"));
    };
    let Some(zone) = zone else {
        return Err(format!(
            "{text:?} is a local time, and the gardens do not share one clock: say which garden with --site, or write \
             the time with its offset, such as 2026-04-17T15:00:00+09:30"
        ));
    };
    let beyond = |_| format!("{text:?} is beyond the calendar");
    // A date and time reads as a date too, so the length tells.
    let local = match text.parse::<Date>() {
        Ok(date) if text.len() <= "2026-04-17".len() && end == End::To => {
            date.tomorrow().map_err(beyond)?.to_datetime(jiff::civil::Time::midnight())
        }
        Ok(_) | Err(_) => local,
    };
    zone.to_timestamp(local).map_err(beyond)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adelaide(text: &str, end: End) -> String {
        let zone = TimeZone::get("Australia/Adelaide").unwrap();
        moment(text, Some(&zone), end).map_or_else(|error| error, |at| at.to_string())
    }

    /// Adelaide's clock: UTC+9:30, in summer UTC+10:30, back on 5 April 2026 at
    /// 3:00 and forward on 4 October 2026 at 2:00 (IANA time zone database).
    #[test]
    fn a_time_is_read_on_the_gardens_clock() {
        for (text, end, expected) in [
            ("2026-04-17T06:00:00Z", End::From, "2026-04-17T06:00:00Z"),
            ("2026-04-17T15:30:00.25+09:30", End::To, "2026-04-17T06:00:00.25Z"),
            ("2026-04-17T15:30", End::From, "2026-04-17T06:00:00Z"),
            ("2026-04-17 15:30:00", End::To, "2026-04-17T06:00:00Z"),
            ("2026-04-17", End::From, "2026-04-16T14:30:00Z"),
            ("2026-04-17", End::To, "2026-04-17T14:30:00Z"),
            // A day of 25 hours, a time that comes twice, a time that does not come.
            ("2026-04-05", End::From, "2026-04-04T13:30:00Z"),
            ("2026-04-05", End::To, "2026-04-05T14:30:00Z"),
            ("2026-04-05T02:30", End::From, "2026-04-04T16:00:00Z"),
            ("2026-10-04T02:30", End::From, "2026-10-03T17:00:00Z"),
        ] {
            assert_eq!(adelaide(text, end), expected, "{text} {end:?}");
        }
    }

    #[test]
    fn what_is_no_time_is_refused_in_plain_words() {
        for text in ["", "yesterday", "2026-04-31", "17/04/2026", "9999-12-31T24:00"] {
            let error = adelaide(text, End::From);
            assert!(error.starts_with(&format!("{text:?} is not a time; accepted are a date")), "{error}");
        }
        assert_eq!(adelaide("9999-12-31", End::To), "\"9999-12-31\" is beyond the calendar");
        let error = moment("2026-04-17", None, End::From).unwrap_err();
        assert!(error.contains("say which garden with --site"), "{error}");
    }
}
