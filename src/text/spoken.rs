//! Numbers, times and lists as people say them.

use std::fmt::Display;

use jiff::Timestamp;
use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;

use crate::alarms::Priority;
use crate::model::LocalHours;
use crate::watering::{AllowedHours, WateringMethod, WateringMethods, WateringRules, minute_of_day};

/// "2:35 pm", "9 am", "midnight", "midday".
pub(crate) fn clock(minute: u16) -> String {
    match minute {
        0 | 1440 => return "midnight".to_owned(),
        720 => return "midday".to_owned(),
        _ => {}
    }
    let (hour, rest) = (minute / 60, minute % 60);
    let half = if hour < 12 { "am" } else { "pm" };
    let hour = if hour % 12 == 0 { 12 } else { hour % 12 };
    if rest == 0 { format!("{hour} {half}") } else { format!("{hour}:{rest:02} {half}") }
}

/// A text's sentences. A new one begins with a capital letter or a figure after a stop and a
/// space, so that "1.5 h" and "No. 3 bed" do not end one: a figure counts only after a word
/// of three letters.
pub(crate) fn sentences(text: &str) -> Vec<&str> {
    let mut found = Vec::new();
    let mut from = 0;
    for (at, stop) in text.char_indices().filter(|(_, letter)| matches!(letter, '.' | '!' | '?')) {
        let (before, after) = (&text[from..at], &text[at + stop.len_utf8()..]);
        let Some(next) = after.strip_prefix(' ').and_then(|rest| rest.chars().next()) else { continue };
        let word = before.rsplit(' ').next().unwrap_or_default();
        let ends = next.is_uppercase() || (next.is_ascii_digit() && word.chars().count() > 2);
        if ends {
            found.push(text[from..=at].trim());
            from = at + 1;
        }
    }
    let rest = text[from..].trim();
    found.extend((!rest.is_empty()).then_some(rest));
    found
}

/// From here on an alarm's text tells how to keep people from harm.
const TAKE_CARE: &str = "Take care:";

/// An alarm's text as it is shown: what is wrong, what to do first, what else, and the
/// cautions.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct TextParts<'a> {
    pub(crate) wrong: &'a str,
    pub(crate) first: Option<&'a str>,
    pub(crate) rest: Vec<&'a str>,
    pub(crate) care: Option<&'a str>,
}

impl<'a> TextParts<'a> {
    pub(crate) fn of(text: &'a str) -> Self {
        let (said, care) = text.find(TAKE_CARE).map_or((text, None), |at| (&text[..at], Some(&text[at..])));
        let mut sentences = sentences(said).into_iter();
        let (wrong, first) = (sentences.next().unwrap_or_default(), sentences.next());
        Self { wrong, first, rest: sentences.collect(), care }
    }
}

/// "Tuesday 7 April".
pub(crate) fn day(date: Date) -> String {
    let weekday = match date.weekday() {
        Weekday::Monday => "Monday",
        Weekday::Tuesday => "Tuesday",
        Weekday::Wednesday => "Wednesday",
        Weekday::Thursday => "Thursday",
        Weekday::Friday => "Friday",
        Weekday::Saturday => "Saturday",
        Weekday::Sunday => "Sunday",
    };
    format!("{weekday} {} {}", date.day(), month(date.month()))
}

/// "April"; empty where there is no such month.
pub(crate) fn month(month: i8) -> &'static str {
    const MONTHS: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    usize::try_from(month.wrapping_sub(1)).ok().and_then(|m| MONTHS.get(m)).unwrap_or(&"")
}

/// "2:35 pm on Tuesday 7 April", on the local clock.
pub(crate) fn moment(at: Timestamp, zone: &TimeZone) -> String {
    let local = zone.to_datetime(at);
    format!("{} on {}", clock(minute_of_day(local)), day(local.date()))
}

/// "2:35 pm" if `at` is on the local day of `now`, else with the day.
pub(crate) fn moment_seen_from(at: Timestamp, now: Timestamp, zone: &TimeZone) -> String {
    let local = zone.to_datetime(at);
    if local.date() == zone.to_datetime(now).date() { clock(minute_of_day(local)) } else { moment(at, zone) }
}

/// The same with the year where it is another than that of `now`: a clock that was never
/// set says 1970.
pub(crate) fn dated_moment(at: Timestamp, now: Timestamp, zone: &TimeZone) -> String {
    let year = |at| zone.to_datetime(at).year();
    let text = moment_seen_from(at, now, zone);
    if year(at) == year(now) { text } else { format!("{text} {}", year(at)) }
}

/// "in 3 days", "tomorrow", "today".
pub(crate) fn days_ahead(days: i32) -> String {
    match days {
        0 => "today".to_owned(),
        1 => "tomorrow".to_owned(),
        n => format!("in {n} days"),
    }
}

/// "Water may run midnight to 9 am and 6 pm to midnight only.", or that it never may;
/// where the garden has rules by method, those of a day.
pub(crate) fn may_run(hours: AllowedHours<'_>, date: Date) -> String {
    match hours.same_every_day() {
        Some(hours) if hours.intervals().is_empty() => {
            "The garden file allows no hours for watering.".to_owned()
        }
        Some(hours) => format!("Water may run {} only.", day_hours(hours)),
        None => {
            let (day, of_day) = (day(date), hours.on(date));
            let who = methods(hours.methods());
            let when = match of_day.intervals() {
                [] => format!("On {day} the garden file allows no watering by {who}"),
                _ => format!("On {day} the garden file allows watering by {who} {} only", day_hours(&of_day)),
            };
            format!("{when}; the water supplier's rules come first.")
        }
    }
}

/// "midnight to 9 am and 6 pm to midnight".
pub(crate) fn day_hours(hours: &LocalHours) -> String {
    let each = hours.intervals().iter().map(|&(from, to)| format!("{} to {}", clock(from), clock(to)));
    list(&each.collect::<Vec<_>>())
}

/// The same, "at any hour" or "at no hour".
pub(crate) fn day_hours_or_never(hours: &LocalHours) -> String {
    match hours.intervals() {
        [] => "at no hour".to_owned(),
        [(0, 1440)] => "at any hour".to_owned(),
        _ => day_hours(hours),
    }
}

/// When a bed may be watered on a day: "Drip at any hour; a sprinkler 6 pm to 9 pm.";
/// methods with the same hours together.
pub(crate) fn hours_by_method(rules: &WateringRules, date: Date) -> String {
    if let Some(hours) = AllowedHours::from(rules).same_every_day() {
        return day_hours_or_never(hours);
    }
    let mut groups: Vec<(WateringMethods, LocalHours)> = Vec::new();
    for method in WateringMethod::ALL {
        let hours = rules.hours_on(method, date);
        match groups.iter_mut().find(|(_, known)| *known == *hours) {
            Some((methods, _)) => *methods = methods.and(method),
            None => groups.push((WateringMethods::one(method), hours.into_owned())),
        }
    }
    let said = groups.iter().map(|(of, hours)| format!("{} {}", methods(*of), day_hours_or_never(hours)));
    said.collect::<Vec<_>>().join("; ")
}

/// "a sprinkler or drip", "any method".
pub(crate) fn methods(methods: WateringMethods) -> String {
    if methods == WateringMethods::ANY {
        return "any method".to_owned();
    }
    let names: Vec<&str> = methods.iter().map(WateringMethod::words).collect();
    match names.as_slice() {
        [first @ .., last] if !first.is_empty() => format!("{} or {last}", first.join(", ")),
        names => names.concat(),
    }
}

/// "1 day", "3 days".
pub(crate) fn counted<N: Display + PartialEq + From<u8>>(count: N, one: &str, many: &str) -> String {
    let what = if count == N::from(1) { one } else { many };
    format!("{count} {what}")
}

/// "a", "a and b", "a, b and c".
pub(crate) fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [only] => only.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// Litres to the precision that a person can pour: 0.5 below 10, whole below
/// 100, tens above.
pub(crate) fn litres(litres: f64) -> String {
    if litres < 10.0 {
        format!("{:.1} L", (litres * 2.0).round() / 2.0)
    } else if litres < 100.0 {
        format!("{litres:.0} L")
    } else {
        format!("{:.0} L", (litres / 10.0).round() * 10.0)
    }
}

/// "38 %", from a part of one.
pub(crate) fn percent(part: f64) -> String {
    format!("{:.0} %", part * 100.0)
}

/// A word with its first letter large.
pub(crate) fn capital(word: &str) -> String {
    let mut chars = word.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// "38 % of its available water", "all of its available water", "none of ...".
pub(crate) fn water_left(part: f64) -> String {
    let how_much = if part >= 0.995 {
        "all".to_owned()
    } else if part <= 0.005 {
        "none".to_owned()
    } else {
        percent(part)
    };
    format!("{how_much} of its available water")
}

/// A length of time: "52 minutes", "3 hours", "2 days".
pub(crate) fn duration(seconds: i64) -> String {
    let (count, unit) = match seconds {
        ..=90 => (seconds, "second"),
        91..=5400 => ((seconds + 30) / 60, "minute"),
        5401..=172_800 => ((seconds + 1800) / 3600, "hour"),
        _ => ((seconds + 43_200) / 86_400, "day"),
    };
    if count == 1 { format!("1 {unit}") } else { format!("{count} {unit}s") }
}

/// In an alarm's words: by when it is to be done. [`by_when`] puts the words of the alarm's
/// own priority in its place, so that they agree with it whatever a garden sets.
pub(crate) const WHEN: &str = "\u{e000}";

/// Words with the time at which an alarm of this priority is to be dealt with.
pub(crate) fn by_when(text: &str, priority: Priority) -> String {
    text.replace(
        WHEN,
        match priority {
            Priority::High => "now",
            Priority::Medium => "today",
            Priority::Low => "when you can",
        },
    )
}

/// "1st", "2nd", "11th", "23rd".
pub(crate) fn ordinal(number: u32) -> String {
    let end = match (number % 10, number % 100) {
        (_, 11..=13) => "th",
        (1, _) => "st",
        (2, _) => "nd",
        (3, _) => "rd",
        _ => "th",
    };
    format!("{number}{end}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watering::{MonthDays, WateringRule};

    #[test]
    fn an_alarm_s_text_is_parted_into_what_is_wrong_what_to_do_and_the_cautions() {
        let text =
            "The tank is too warm. Shade it. Open the lid. Take care: water and plugs. Dry your hands.";
        let parts = TextParts::of(text);
        assert_eq!((parts.wrong, parts.first), ("The tank is too warm.", Some("Shade it.")));
        assert_eq!(
            (parts.rest, parts.care),
            (vec!["Open the lid."], Some("Take care: water and plugs. Dry your hands."))
        );
        let short = TextParts::of("It is over.");
        assert_eq!((short.wrong, short.first, short.care), ("It is over.", None, None));
    }

    #[test]
    fn a_text_is_parted_at_the_ends_of_its_sentences() {
        let text =
            "Bed No. 3 is dry: 2.5 mm. Give it 64 L. 12 fish gasp! Is it 3 p.m. now? Run it for 1.5 h.";
        let expected = [
            "Bed No. 3 is dry: 2.5 mm.",
            "Give it 64 L. 12 fish gasp!",
            "Is it 3 p.m. now?",
            "Run it for 1.5 h.",
        ];
        assert_eq!(sentences(text), expected);
        assert_eq!(sentences("Feed the fish. 12 of them gasp."), ["Feed the fish.", "12 of them gasp."]);
        assert!(sentences(" ").is_empty());
        assert_eq!(sentences("no stop"), ["no stop"]);
    }

    #[test]
    fn clock_times_read_as_spoken() {
        for (minute, expected) in [
            (0, "midnight"),
            (540, "9 am"),
            (720, "midday"),
            (735, "12:15 pm"),
            (875, "2:35 pm"),
            (1440, "midnight"),
        ] {
            assert_eq!(clock(minute), expected);
        }
    }

    #[test]
    fn hours_read_as_spoken() {
        let usual = LocalHours::new(vec![(0, 540), (1080, 1440)]);
        let on = |rules: &WateringRules, methods| {
            may_run(rules.any(methods), "2026-04-09".parse().expect("a date"))
        };
        let (any, sprinkler) = (WateringMethods::ANY, WateringMethods::one(WateringMethod::Sprinkler));
        let mut rules = WateringRules::from(usual);
        assert_eq!(on(&rules, any), "Water may run midnight to 9 am and 6 pm to midnight only.");
        let none = WateringRules::from(LocalHours::new(vec![]));
        assert_eq!(on(&none, any), "The garden file allows no hours for watering.");
        rules.rules.push(WateringRule {
            name: String::new(),
            methods: sprinkler,
            days: [true; 7],
            month_days: MonthDays::Even,
            from: None,
            to: None,
            hours: LocalHours::new(vec![(360, 480)]),
        });
        assert_eq!(
            on(&rules, sprinkler),
            "On Thursday 9 April the garden file allows no watering by a sprinkler; the water supplier's rules come first."
        );
        assert_eq!(
            on(&rules, WateringMethods::BY_HAND),
            "On Thursday 9 April the garden file allows watering by a hand-held hose, a can or a trigger hose midnight to \
             9 am and 6 pm to midnight only; the water supplier's rules come first."
        );
    }

    #[test]
    fn lengths_and_amounts_read_as_spoken() {
        assert_eq!(duration(3120), "52 minutes");
        assert_eq!(duration(60), "60 seconds");
        assert_eq!(duration(7200), "2 hours");
        assert_eq!(duration(200_000), "2 days");
        assert_eq!(litres(64.2), "64 L");
        assert_eq!(litres(3.3), "3.5 L");
        assert_eq!(litres(347.0), "350 L");
        assert_eq!(list(&["a".into(), "b".into(), "c".into()]), "a, b and c");
        assert_eq!(day(jiff::civil::date(2026, 4, 7)), "Tuesday 7 April");
    }

    #[test]
    fn ordinals_have_their_endings() {
        let all: Vec<String> = [1, 2, 3, 4, 11, 12, 13, 21, 22, 103, 111].map(ordinal).into();
        assert_eq!(
            all,
            ["1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd", "103rd", "111th"]
        );
    }

    #[test]
    fn words_say_when_by_their_priority() {
        let text = format!("Look {WHEN} for an open tap. Do it {WHEN}.");
        for (priority, words) in [
            (Priority::High, "Look now for an open tap. Do it now."),
            (Priority::Medium, "Look today for an open tap. Do it today."),
            (Priority::Low, "Look when you can for an open tap. Do it when you can."),
        ] {
            assert_eq!(by_when(&text, priority), words);
        }
    }
}
