//! Hours of the local clock: `"06:00-09:00"`.

use super::value::SettingsItem;
use crate::model::LocalHours;

/// Minutes of a day of 24 hours by the clock.
const DAY_MIN: u16 = 24 * 60;

const ACCEPTED: &str = "\"HH:MM-HH:MM\" with the end after the beginning, 24:00 for midnight at the end; \
                        two intervals where one would pass midnight";

const ACCEPTED_OVER_MIDNIGHT: &str = "\"HH:MM-HH:MM\", over midnight where the end is before the beginning";

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
pub(super) fn hours(item: &SettingsItem<'_>) -> Option<LocalHours> {
    let parts = item.list_of("a list of intervals: [\"00:00-09:00\", \"18:00-24:00\"]")?;
    disjoint(&parts, ACCEPTED, |text| interval(text).map(|interval| [Some(interval), None]))
}

/// The same, where an interval may pass midnight: `"21:00-06:30"`.
pub(super) fn hours_over_midnight(item: &SettingsItem<'_>) -> Option<LocalHours> {
    let parts = item.list_of("a list of intervals: [\"21:00-06:30\"]")?;
    disjoint(&parts, ACCEPTED_OVER_MIDNIGHT, |text| match ends(text)? {
        (from, to) if from < to => Some([Some((from, to)), None]),
        (from, to) if to < from => {
            Some([(from < DAY_MIN).then_some((from, DAY_MIN)), (to > 0).then_some((0, to))])
        }
        _ => None,
    })
}

/// A time of the clock, `HH:MM`, as minutes after midnight, 0 to 1439.
pub(super) fn clock_time(item: &SettingsItem<'_>) -> Option<u16> {
    const ACCEPTED: &str = "a time of the clock: \"07:00\"";
    let minute = minute(item.text(ACCEPTED)?.trim()).filter(|&minute| minute < DAY_MIN);
    if minute.is_none() {
        item.refuse(ACCEPTED);
    }
    minute
}

/// Intervals, each read as one part of the day or as two.
fn disjoint(
    parts: &[SettingsItem<'_>],
    accepted: &str,
    read: impl Fn(&str) -> Option<[Option<(u16, u16)>; 2]>,
) -> Option<LocalHours> {
    let mut whole = true;
    let mut taken: Vec<((u16, u16), &SettingsItem<'_>)> = Vec::new();
    for part in parts {
        let Some(intervals) = part.value().as_str().and_then(&read) else {
            part.refuse(accepted);
            whole = false;
            continue;
        };
        let intervals = intervals.iter().flatten();
        let overlapping = intervals
            .clone()
            .find_map(|interval| taken.iter().find(|((from, to), _)| interval.0 < *to && *from < interval.1));
        if let Some((_, other)) = overlapping {
            let given = format!("{}, which overlaps {}", part.given(), other.given());
            part.fault(given, "intervals that do not overlap", None);
            whole = false;
        }
        taken.extend(intervals.map(|&interval| (interval, part)));
    }
    let mut intervals: Vec<(u16, u16)> = taken.into_iter().map(|(interval, _)| interval).collect();
    intervals.sort_unstable();
    whole.then(|| LocalHours::new(intervals))
}

/// `HH:MM-HH:MM` as minutes after midnight, `[from, to)`.
fn interval(text: &str) -> Option<(u16, u16)> {
    ends(text).filter(|(from, to)| from < to)
}

/// `HH:MM-HH:MM` as minutes after midnight, in any order.
fn ends(text: &str) -> Option<(u16, u16)> {
    let (from, to) = text.split_once('-')?;
    Some((minute(from.trim())?, minute(to.trim())?))
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
