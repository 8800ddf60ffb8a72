//! Hours of the local clock: `"06:00-09:00"`.

use super::value::Item;
use crate::garden::plan::LocalHours;

/// Minutes of a day of 24 hours by the clock.
const DAY_MIN: u16 = 24 * 60;

const ACCEPTED: &str = "\"HH:MM-HH:MM\" with the end after the beginning, 24:00 for midnight at the end; \
                        two intervals where one would pass midnight";

/// When water may run where a garden does not say: before 9 am and after 6 pm
/// (common practice of water-wise gardens; no published source).
pub(super) fn cool_hours() -> LocalHours {
    LocalHours::new(vec![(0, 9 * 60), (18 * 60, DAY_MIN)])
}

/// A working day: eight in the morning to four in the afternoon.
pub(super) fn working_day() -> LocalHours {
    LocalHours::new(vec![(8 * 60, 16 * 60)])
}

/// A list of intervals that do not overlap; touching ones may stand. An empty
/// list is no hour at all.
pub(super) fn hours(item: &Item<'_>) -> Option<LocalHours> {
    let parts = item.list_of("a list of intervals: [\"00:00-09:00\", \"18:00-24:00\"]")?;
    let mut whole = true;
    let mut taken: Vec<((u16, u16), &Item<'_>)> = Vec::new();
    for part in &parts {
        let Some(interval) = part.value().as_str().and_then(interval) else {
            part.refuse(ACCEPTED);
            whole = false;
            continue;
        };
        let overlapping = taken.iter().find(|((from, to), _)| interval.0 < *to && *from < interval.1);
        if let Some((_, other)) = overlapping {
            let given = format!("{}, which overlaps {}", part.given(), other.given());
            part.fault(given, "intervals that do not overlap", None);
            whole = false;
        }
        taken.push((interval, part));
    }
    let mut intervals: Vec<(u16, u16)> = taken.into_iter().map(|(interval, _)| interval).collect();
    intervals.sort_unstable();
    whole.then(|| LocalHours::new(intervals))
}

/// `HH:MM-HH:MM` as minutes after midnight, `[from, to)`.
fn interval(text: &str) -> Option<(u16, u16)> {
    let (from, to) = text.split_once('-')?;
    let (from, to) = (minute(from.trim())?, minute(to.trim())?);
    (from < to).then_some((from, to))
}

/// `HH:MM` as minutes after midnight, 24:00 included.
fn minute(text: &str) -> Option<u16> {
    let (hour, minute) = text.split_once(':')?;
    let two_digits = |part: &str| {
        (part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit())).then(|| part.parse::<u16>().ok())?
    };
    let (hour, minute) = (two_digits(hour)?, two_digits(minute)?);
    (minute < 60 && hour * 60 + minute <= DAY_MIN).then_some(hour * 60 + minute)
}

#[cfg(test)]
mod tests {
    use super::interval;

    #[test]
    fn intervals_are_two_clock_times_in_order() {
        assert_eq!(interval("00:00-09:00"), Some((0, 540)));
        assert_eq!(interval("18:00 - 24:00"), Some((1080, 1440)));
        for wrong in [
            "",
            "9:00-10:00",
            "09:00",
            "10:00-09:00",
            "09:00-09:00",
            "22:00-06:00",
            "24:00-24:01",
            "09:60-10:00",
            "-",
            "+9:00-10:00",
            "09:00-10:00-11:00",
            "०९:00-10:00",
        ] {
            assert_eq!(interval(wrong), None, "{wrong}");
        }
    }
}
