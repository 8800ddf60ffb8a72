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

/// An alarm's text with one more sentence, which stands before its cautions.
pub(crate) fn before_care(text: &str, sentence: &str) -> String {
    match text.find(TAKE_CARE) {
        Some(at) => format!("{}{sentence} {}", &text[..at], &text[at..]),
        None => format!("{} {sentence}", text.trim_end()),
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

/// "Tuesday 7 April", with the year where it is not that of `today`.
pub(crate) fn dated_day(date: Date, today: Date) -> String {
    if date.year() == today.year() { day(date) } else { format!("{} {}", day(date), date.year()) }
}

/// "today", "tomorrow", "in 3 days"; empty where the date alone says more: from five
/// weeks on.
pub(crate) fn days_ahead(days: i32) -> String {
    match days {
        0 => "today".to_owned(),
        1 => "tomorrow".to_owned(),
        2..=35 => format!("in {days} days"),
        _ => String::new(),
    }
}

/// "Watering allowed 6 pm to 9 am.", or that it never is; where the garden has rules by
/// method, those of a day.
pub(crate) fn may_run(hours: AllowedHours<'_>, date: Date) -> String {
    match hours.same_every_day() {
        Some(hours) if hours.intervals().is_empty() => {
            "The garden file allows no hours for watering.".to_owned()
        }
        Some(hours) => format!("Watering allowed {}.", day_hours(hours)),
        None => {
            let (day, of_day) = (day(date), hours.on(date));
            let who = match hours.methods() {
                WateringMethods::ANY => String::new(),
                some => format!(" with {}", methods(some)),
            };
            match of_day.intervals() {
                [] => format!("No watering{who} is allowed on {day}. The water supplier's rules come first."),
                _ => format!(
                    "Watering{who} allowed on {day} {}. The water supplier's rules come first.",
                    hours_of_date(&of_day)
                ),
            }
        }
    }
}

/// Hours of every day: "6 pm to 9 am", "5 am to 9 am and 6 pm to 8 pm".
pub(crate) fn day_hours(hours: &LocalHours) -> String {
    let mut spans = hours.intervals().to_vec();
    // What runs on over midnight is one span.
    if let [(0, morning), .., (evening, 1440)] = spans[..] {
        spans.remove(0);
        spans.pop();
        spans.push((evening, morning));
    }
    let each = spans.iter().map(|&(from, to)| format!("{} to {}", clock(from), clock(to)));
    list(&each.collect::<Vec<_>>())
}

/// Hours of one date, whose neighbours may have others: "only before 9 am or after 6 pm".
fn hours_of_date(hours: &LocalHours) -> String {
    let each: Vec<String> = hours
        .intervals()
        .iter()
        .map(|&(from, to)| match (from, to) {
            (0, to) => format!("before {}", clock(to)),
            (from, 1440) => format!("after {}", clock(from)),
            (from, to) => format!("from {} to {}", clock(from), clock(to)),
        })
        .collect();
    match each.as_slice() {
        [first @ .., last] if !first.is_empty() => format!("only {} or {last}", first.join(", ")),
        each => format!("only {}", each.concat()),
    }
}

/// Hours of every day, "at any hour" or "at no hour".
pub(crate) fn day_hours_or_never(hours: &LocalHours) -> String {
    match hours.intervals() {
        [] => "at no hour".to_owned(),
        [(0, 1440)] => "at any hour".to_owned(),
        _ => day_hours(hours),
    }
}

/// When a bed may be watered on a day: "6 pm to 9 am", "drip at any hour; a sprinkler only
/// from 6 pm to 9 pm"; methods with the same hours together.
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
    let said = groups.iter().map(|(of, hours)| {
        let when = match hours.intervals() {
            [] | [(0, 1440)] => day_hours_or_never(hours),
            _ => hours_of_date(hours),
        };
        format!("{} {when}", methods(*of))
    });
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

/// Said wherever single readings are asked for that have gone into their days' figures; `from`
/// is the first day of which they are kept.
pub(crate) fn only_daily(from: Timestamp, zone: &TimeZone) -> String {
    let date = zone.to_datetime(from).date().strftime("%-d %B %Y");
    format!("Only daily figures are kept from before {date}.")
}

/// Said where readings that the own store has only figures of come from elsewhere; `from` as in
/// [`only_daily`].
pub(crate) fn from_longer_record(from: Timestamp, zone: &TimeZone) -> String {
    let date = zone.to_datetime(from).date().strftime("%-d %B %Y");
    format!("Readings of before {date} come from the longer record.")
}

/// "320 MB", "1.5 GB": decimal, as disks are sold.
pub(crate) fn bytes(bytes: u64) -> String {
    let value = bytes as f64;
    if value >= 9.95e9 {
        format!("{:.0} GB", value / 1e9)
    } else if value >= 0.9995e9 {
        format!("{:.1} GB", value / 1e9)
    } else if value >= 1e6 {
        format!("{:.0} MB", value / 1e6)
    } else {
        format!("{:.0} kB", value / 1e3)
    }
}

/// Litres to the precision that a person can pour: 0.5 below 10, whole below
/// 100, tens above.
pub(crate) fn litres(litres: f64) -> String {
    if litres < 10.0 {
        let half = (litres * 2.0).round() / 2.0;
        if half.fract() == 0.0 { format!("{half:.0} L") } else { format!("{half:.1} L") }
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

/// Words with their first letter small.
pub(crate) fn uncapital(words: &str) -> String {
    let mut chars = words.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().chain(chars).collect())
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

/// "90 % of its available water is left", or that it is full.
pub(crate) fn holds_water(part: f64) -> String {
    if part >= 0.995 { "it is full".to_owned() } else { format!("{} is left", water_left(part)) }
}

/// A length of time, as exactly as people want it: "45 seconds", "50 minutes", "1 h 17 min",
/// "2 h 25 min" (to five minutes from an hour and a half on), "14 hours", "3 days".
pub(crate) fn duration(seconds: i64) -> String {
    const MINUTE_S: i64 = 60;
    const HOUR_S: i64 = 3600;
    const DAY_S: i64 = 86_400;
    let nearest = |unit_s: i64| (seconds + unit_s / 2) / unit_s;
    // Half a unit less than where the next begins, since it is rounded.
    if seconds < MINUTE_S {
        counted(seconds.max(0), "second", "seconds")
    } else if seconds < 5370 {
        in_minutes(nearest(MINUTE_S))
    } else if seconds < 43_050 {
        in_minutes(5 * nearest(5 * MINUTE_S))
    } else if seconds < 171_000 {
        counted(nearest(HOUR_S), "hour", "hours")
    } else {
        counted(nearest(DAY_S), "day", "days")
    }
}

fn in_minutes(minutes: i64) -> String {
    match (minutes / 60, minutes % 60) {
        (0, minutes) => counted(minutes, "minute", "minutes"),
        (hours, 0) => counted(hours, "hour", "hours"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

/// Days within which an alarm of low priority is dealt with. Ours.
const LOW_WITHIN_DAYS: i64 = 7;

/// In an alarm's words: by when it is to be done. [`by_when`] puts the words of the alarm's
/// own priority in its place, so that they agree with it whatever a garden sets.
pub(crate) const WHEN: &str = "\u{e000}";

/// The same at the beginning of a sentence, with the comma that follows a date.
pub(crate) const WHEN_FIRST: &str = "\u{e001}";

/// By when an alarm of this priority is to be dealt with, which began on the local date
/// `began`, seen from `today`: "now", "today", "by Tuesday 17 March".
pub(crate) fn by(priority: Priority, began: Date, today: Date) -> String {
    let within = began.checked_add(jiff::ToSpan::days(LOW_WITHIN_DAYS)).unwrap_or(Date::MAX);
    match priority {
        Priority::High => "now".to_owned(),
        Priority::Low if today < within => format!("by {}", day(within)),
        Priority::Medium | Priority::Low => "today".to_owned(),
    }
}

/// Words with the time by which an alarm of this priority is to be dealt with: one that
/// began on the local date `began`, seen from `today`.
pub(crate) fn by_when(text: &str, priority: Priority, began: Date, today: Date) -> String {
    let by = by(priority, began, today);
    let comma = if by.starts_with("by ") { "," } else { "" };
    text.replace(WHEN, &by).replace(WHEN_FIRST, &(capital(&by) + comma))
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
        assert_eq!(on(&rules, any), "Watering allowed 6 pm to 9 am.");
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
            "No watering with a sprinkler is allowed on Thursday 9 April. The water supplier's rules come first."
        );
        assert_eq!(
            on(&rules, WateringMethods::BY_HAND),
            "Watering with a hand-held hose, a can or a trigger hose allowed on Thursday 9 April only before 9 am or after \
             6 pm. The water supplier's rules come first."
        );
        let thursday = "2026-04-09".parse().expect("a date");
        let by_method = hours_by_method(&rules, thursday);
        assert!(by_method.starts_with("a sprinkler at no hour; "), "{by_method}");
        assert!(by_method.ends_with(" only before 9 am or after 6 pm"), "{by_method}");
        let three = LocalHours::new(vec![(0, 360), (720, 780), (1260, 1440)]);
        assert_eq!(day_hours(&three), "midday to 1 pm and 9 pm to 6 am");
        assert_eq!(hours_of_date(&three), "only before 6 am, from midday to 1 pm or after 9 pm");
    }

    #[test]
    fn lengths_and_amounts_read_as_spoken() {
        for (seconds, words) in [
            (-5, "0 seconds"),
            (1, "1 second"),
            (59, "59 seconds"),
            (60, "1 minute"),
            (3120, "52 minutes"),
            (3600, "1 hour"),
            (77 * 60, "1 h 17 min"),
            (5369, "1 h 29 min"),
            (94 * 60, "1 h 35 min"),
            (119 * 60, "2 hours"),
            (145 * 60, "2 h 25 min"),
            (43_049, "11 h 55 min"),
            (43_050, "12 hours"),
            (86_400, "24 hours"),
            (172_800, "2 days"),
            (200_000, "2 days"),
        ] {
            assert_eq!(duration(seconds), words, "{seconds} s");
        }
        assert_eq!(litres(64.2), "64 L");
        assert_eq!(litres(3.3), "3.5 L");
        assert_eq!(litres(7.9), "8 L");
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
        let text = format!("Shut the tap {WHEN}. {WHEN_FIRST} do it.");
        let (began, later) = (jiff::civil::date(2026, 3, 10), jiff::civil::date(2026, 3, 17));
        for (priority, today, words) in [
            (Priority::High, began, "Shut the tap now. Now do it."),
            (Priority::Medium, began, "Shut the tap today. Today do it."),
            (Priority::Low, began, "Shut the tap by Tuesday 17 March. By Tuesday 17 March, do it."),
            (Priority::Low, later, "Shut the tap today. Today do it."),
        ] {
            assert_eq!(by_when(&text, priority, began, today), words);
        }
    }
}
