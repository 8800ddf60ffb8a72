//! Times as loggers write them.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::fmt::strtime;
use jiff::fmt::temporal::DateTimeParser;
use jiff::tz::{AmbiguousOffset, TimeZone};

/// What is accepted where nothing else is said.
const ACCEPTED: &str = "2026-04-17T06:00:00+09:30 with any offset, 2026-04-17 06:00 on the garden's own clock, and Unix \
                        seconds or milliseconds; other forms with --time-format, such as \"%d/%m/%Y %H:%M\"";

/// 1950: no logger is older.
const EARLIEST_S: i64 = -631_152_000;
/// A time may be this far ahead of this computer's clock.
const AHEAD_S: i64 = 300;

/// A number of Unix time has at least so many digits; a date without hyphens has
/// fewer.
const UNIX_DIGITS: usize = 9;

/// How times are to be read.
#[derive(Clone, Debug, Default)]
pub(super) struct LoggerClock {
    /// The logger's own clock, where it keeps one offset all year.
    pub(super) offset: Option<TimeZone>,
    pub(super) format: Option<String>,
}

/// How a time is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum TimeForm {
    /// By `--time-format`.
    Given,
    UnixSeconds,
    UnixMilliseconds,
    WithOffset,
    /// On the clock of the logger or the garden.
    Local,
}

impl TimeForm {
    /// Completes "times are".
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Given => "of the form of --time-format",
            Self::UnixSeconds => "Unix seconds",
            Self::UnixMilliseconds => "Unix milliseconds",
            Self::WithOffset => "written with their offset",
            Self::Local => "written without an offset",
        }
    }
}

/// What a time comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ReadTime {
    Sure(Timestamp),
    /// The clock goes back, and this local time comes twice.
    Twice {
        early: Timestamp,
        late: Timestamp,
    },
}

impl LoggerClock {
    /// # Errors
    /// When the offset is none or the format cannot be one.
    pub(super) fn new(offset: Option<&str>, format: Option<&str>) -> Result<Self, String> {
        let offset = match offset {
            None => None,
            Some("Z" | "z") => Some(TimeZone::UTC),
            // A name would be a zone with a summer time; the garden has one. An offset of
            // nothing comes out as UTC, which has a name.
            Some(text) => match DateTimeParser::new().parse_time_zone(text) {
                Ok(zone) if text.starts_with(['+', '-']) => Some(zone),
                _ => {
                    return Err(format!(
                        "--utc-offset {text:?} is no offset; accepted are +09:30, -05:00 and Z"
                    ));
                }
            },
        };
        Ok(Self { offset, format: format.map(str::to_owned) })
    }

    /// The moment of a cell, on the clock `zone` where it has no offset, and how it is
    /// written.
    ///
    /// # Errors
    /// Plain words that say what was given and what is accepted.
    pub(super) fn moment(
        &self,
        text: &str,
        zone: &TimeZone,
        now: Timestamp,
    ) -> Result<(ReadTime, TimeForm), String> {
        let (moment, form) = self.read(text, self.offset.as_ref().unwrap_or(zone))?;
        let (ReadTime::Sure(at) | ReadTime::Twice { early: at, .. }) = moment;
        if at.as_second() < EARLIEST_S || at.as_second() - now.as_second() > AHEAD_S {
            return Err(format!("the time {text:?} cannot be true: it is before 1950 or in the future"));
        }
        Ok((moment, form))
    }

    fn read(&self, text: &str, zone: &TimeZone) -> Result<(ReadTime, TimeForm), String> {
        let sure = |at, form| Ok((ReadTime::Sure(at), form));
        let by_clock = |datetime, form| Ok((local(text, datetime, zone)?, form));
        if let Some(format) = &self.format {
            let wrong = |e| format!("the time {text:?} is not of the form {format:?}: {e}");
            let parsed = strtime::parse(format, text).map_err(wrong)?;
            if parsed.offset().is_some() {
                return sure(parsed.to_timestamp().map_err(wrong)?, TimeForm::Given);
            }
            return by_clock(parsed.to_datetime().map_err(wrong)?, TimeForm::Given);
        }
        if let Some((at, form)) = unix(text) {
            return sure(at, form);
        }
        if let Some(at) = text.parse::<Timestamp>().ok().or_else(|| loose_offset(text)) {
            return sure(at, TimeForm::WithOffset);
        }
        match text.parse::<DateTime>() {
            Ok(datetime) => by_clock(datetime, TimeForm::Local),
            Err(_) => Err(format!("the time {text:?} is not a time; accepted are {ACCEPTED}")),
        }
    }
}

/// Seconds or milliseconds since 1970, told apart by their size: milliseconds are
/// from 1e11 on (seconds come to that in the year 5138).
fn unix(text: &str) -> Option<(Timestamp, TimeForm)> {
    let whole = text.split('.').next().unwrap_or_default();
    if whole.len() < UNIX_DIGITS || !text.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
        return None;
    }
    let number: f64 = text.parse().ok()?;
    let (ms, form) = if number < 1e11 {
        (number * 1000.0, TimeForm::UnixSeconds)
    } else {
        (number, TimeForm::UnixMilliseconds)
    };
    // Below 2^53 a float holds every whole number.
    let at = (ms < 9e15).then(|| Timestamp::from_millisecond(ms.round() as i64).ok()).flatten()?;
    Some((at, form))
}

/// "2026-04-01 05:00 +1030", "2026-04-01 05:00:00 UTC".
fn loose_offset(text: &str) -> Option<Timestamp> {
    for zulu in [" UTC", " GMT", " Z", "UTC", "GMT"] {
        if let Some(local) = text.strip_suffix(zulu) {
            return format!("{local}Z").parse().ok();
        }
    }
    let (local, offset) = text.rsplit_once(' ')?;
    (offset.starts_with(['+', '-'])).then(|| format!("{local}{offset}").parse().ok()).flatten()
}

fn local(text: &str, datetime: DateTime, zone: &TimeZone) -> Result<ReadTime, String> {
    let ambiguous = zone.to_ambiguous_timestamp(datetime);
    let beyond = |e| format!("the time {text:?}: {e}");
    match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { .. } => ambiguous.compatible().map(ReadTime::Sure).map_err(beyond),
        AmbiguousOffset::Fold { before, after } => Ok(ReadTime::Twice {
            early: before.to_timestamp(datetime).map_err(beyond)?,
            late: after.to_timestamp(datetime).map_err(beyond)?,
        }),
        AmbiguousOffset::Gap { .. } => Err(format!(
            "the time {text:?} does not come on the garden's clock: it goes forward there. A logger that keeps one \
             time all year needs --utc-offset, such as --utc-offset +09:30"
        )),
    }
}

/// Tells which of two moments each time of a sensor means, from the order of the
/// file. Returns the places of those that cannot be told.
///
/// Where a clock goes back, a logger writes the hour twice; one step back between
/// times of that hour is where the second one begins. A file that runs backwards
/// is read from its end.
pub(super) fn settle(moments: &mut [ReadTime]) -> Vec<usize> {
    let sure = |m: &ReadTime| match *m {
        ReadTime::Sure(at) => Some(at),
        ReadTime::Twice { .. } => None,
    };
    let first = moments.iter().find_map(sure);
    let last = moments.iter().rev().find_map(sure);
    let backwards = matches!((first, last), (Some(first), Some(last)) if first > last);
    let mut twice: Vec<(usize, Timestamp, Timestamp)> = (0..)
        .zip(&*moments)
        .filter_map(|(place, m)| match *m {
            ReadTime::Twice { early, late } => Some((place, early, late)),
            ReadTime::Sure(_) => None,
        })
        .collect();
    if backwards {
        twice.reverse();
    }
    // Times of one change of the clock are hours apart, those of two half a year.
    const SAME_CHANGE_S: i64 = 86_400;
    let mut untold = Vec::new();
    for hour in twice.chunk_by(|a, b| (a.1.as_second() - b.1.as_second()).abs() < SAME_CHANGE_S) {
        let backs: Vec<usize> = (1..hour.len()).filter(|&i| hour[i].1 <= hour[i - 1].1).collect();
        let &[second] = backs.as_slice() else {
            untold.extend(hour.iter().map(|(place, ..)| *place));
            continue;
        };
        for (i, &(place, early, late)) in hour.iter().enumerate() {
            moments[place] = ReadTime::Sure(if i < second { early } else { late });
        }
    }
    untold.sort_unstable();
    untold
}

/// Why a time cannot be told.
pub(super) const UNTOLD: &str = "the time comes twice, since the garden's clock goes back there, and the file does not \
                                 show which is meant: write it with its offset, or give the logger's with \
                                 --utc-offset";

#[cfg(test)]
mod tests {
    use super::*;

    fn adelaide() -> TimeZone {
        TimeZone::get("Australia/Adelaide").unwrap()
    }

    fn now() -> Timestamp {
        "2026-12-01T00:00:00Z".parse().unwrap()
    }

    fn read(text: &str) -> Result<ReadTime, String> {
        LoggerClock::default().moment(text, &adelaide(), now()).map(|(moment, _)| moment)
    }

    fn sure(text: &str) -> ReadTime {
        ReadTime::Sure(text.parse().unwrap())
    }

    /// Offsets of Adelaide: IANA time zone database.
    #[test]
    fn every_common_form_is_read() {
        for (text, expected) in [
            ("2026-04-17T06:00:00+09:30", "2026-04-16T20:30:00Z"),
            ("2026-04-01 05:00+10:30", "2026-03-31T18:30:00Z"),
            ("2026-04-01 05:00:00 +10:30", "2026-03-31T18:30:00Z"),
            ("2026-04-01 05:00:00 +1030", "2026-03-31T18:30:00Z"),
            ("2026-04-01T05:00:00-05:00", "2026-04-01T10:00:00Z"),
            ("2026-04-01 05:00:00 UTC", "2026-04-01T05:00:00Z"),
            ("2026-04-01T05:00Z", "2026-04-01T05:00:00Z"),
            ("2026-04-01 05:00", "2026-03-31T18:30:00Z"),
            ("2026-04-17 06:00:00", "2026-04-16T20:30:00Z"),
            ("2026-04-17", "2026-04-16T14:30:00Z"),
            ("20260417T060000", "2026-04-16T20:30:00Z"),
            ("1776403800", "2026-04-17T05:30:00Z"),
            ("1776403800.5", "2026-04-17T05:30:00.5Z"),
            ("1776403800000", "2026-04-17T05:30:00Z"),
            ("2012-07-01T16:45:00Z", "2012-07-01T16:45:00Z"),
        ] {
            assert_eq!(read(text), Ok(sure(expected)), "{text}");
        }
    }

    #[test]
    fn what_is_no_time_or_cannot_be_is_refused() {
        for text in ["", "soon", "17/04/2026 06:00", "2026-13-01", "2026-04-17T25:00", "1.2.3", "12345"] {
            let error = read(text).unwrap_err();
            assert!(error.contains("is not a time; accepted are"), "{error}");
        }
        for text in ["2027-01-01T00:00:00Z", "1066-10-14", "99999999999999999999", "2026-12-01T00:05:01Z"] {
            let error = read(text).unwrap_err();
            assert!(error.contains("cannot be true") || error.contains("is not a time"), "{error}");
        }
        let error = read("2026-10-04 02:30").unwrap_err();
        assert!(error.contains("does not come on the garden's clock"), "{error}");
    }

    #[test]
    fn a_logger_may_have_a_clock_and_a_form_of_its_own() {
        let standard = LoggerClock::new(Some("+09:30"), None).unwrap();
        for (text, expected) in [
            ("2026-01-17 06:00", "2026-01-16T20:30:00Z"),
            ("2026-04-05 02:30", "2026-04-04T17:00:00Z"),
            ("2026-10-04 02:30", "2026-10-03T17:00:00Z"),
        ] {
            let got = standard.moment(text, &adelaide(), now());
            assert_eq!(got, Ok((sure(expected), TimeForm::Local)), "{text}");
        }
        for good in ["Z", "-05:00", "+10", "+0930"] {
            assert!(LoggerClock::new(Some(good), None).is_ok(), "{good}");
        }
        for utc in ["Z", "+00:00", "-00:00", "+00", "+0000"] {
            let clock = LoggerClock::new(Some(utc), None).expect(utc);
            let got = clock.moment("2026-04-17 06:00", &adelaide(), now());
            assert_eq!(got, Ok((sure("2026-04-17T06:00:00Z"), TimeForm::Local)), "{utc}");
        }
        for bad in ["9.5", "Australia/Adelaide", "ACST", "", "+99:00"] {
            assert!(LoggerClock::new(Some(bad), None).is_err(), "{bad}");
        }
        let formed = LoggerClock::new(None, Some("%d/%m/%Y %H:%M")).unwrap();
        let got = formed.moment("17/04/2026 06:00", &adelaide(), now());
        assert_eq!(got, Ok((sure("2026-04-16T20:30:00Z"), TimeForm::Given)));
        assert!(
            formed.moment("2026-04-17 06:00", &adelaide(), now()).unwrap_err().contains("not of the form")
        );
        let with_offset = LoggerClock::new(None, Some("%d.%m.%Y %H:%M %z")).unwrap();
        let got = with_offset.moment("17.04.2026 06:00 +0000", &adelaide(), now());
        assert_eq!(got, Ok((sure("2026-04-17T06:00:00Z"), TimeForm::Given)));
    }

    fn settled(texts: &[&str]) -> (Vec<String>, Vec<usize>) {
        let mut moments: Vec<ReadTime> = texts.iter().map(|text| read(text).unwrap()).collect();
        let untold = settle(&mut moments);
        let told = moments.iter().map(|m| match m {
            ReadTime::Sure(at) => at.strftime("%H:%M").to_string(),
            ReadTime::Twice { .. } => "?".to_owned(),
        });
        (told.collect(), untold)
    }

    /// On 5 April 2026 at 3:00 Adelaide's clocks went back to 2:00, 16:30 UTC.
    #[test]
    fn an_hour_that_comes_twice_is_told_by_the_order_of_the_file() {
        let day =
            |times: &[&str]| -> Vec<String> { times.iter().map(|t| format!("2026-04-05 {t}")).collect() };
        let run = |times: &[&str]| {
            let texts = day(times);
            settled(&texts.iter().map(String::as_str).collect::<Vec<_>>())
        };
        let (told, untold) = run(&["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]);
        assert_eq!(told, ["15:00", "15:30", "16:00", "16:30", "17:00", "17:30"]);
        assert!(untold.is_empty());
        // By the hour, and from the newest to the oldest.
        let (told, _) = run(&["01:00", "02:00", "02:00", "03:00"]);
        assert_eq!(told, ["14:30", "15:30", "16:30", "17:30"]);
        let (told, _) = run(&["03:00", "02:30", "02:00", "02:30", "02:00", "01:30"]);
        assert_eq!(told, ["17:30", "17:00", "16:30", "16:00", "15:30", "15:00"]);
        // Once only, or more than twice: nobody can tell.
        let (told, untold) = run(&["01:00", "02:00", "03:00"]);
        assert_eq!((told[1].as_str(), untold), ("?", vec![1]));
        let (_, untold) = run(&["02:00", "02:00", "02:00"]);
        assert_eq!(untold, [0, 1, 2]);
    }

    #[test]
    fn each_change_of_the_clock_is_told_by_itself() {
        let (told, untold) =
            settled(&["2025-04-06 02:00", "2025-04-06 02:00", "2025-08-01 12:00", "2026-04-05 02:00"]);
        assert_eq!(told[..3], ["15:30", "16:30", "02:30"]);
        assert_eq!(untold, [3]);
    }
}
