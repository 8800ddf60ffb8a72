//! Words, numbers and times as people read them.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use crate::alarms::{Kind, Priority, State};
use crate::model::{Condition, Quantity};
use crate::quality::Flag;
use crate::text::spoken;
use crate::watering::minute_of_day;

pub(crate) const NOT_KNOWN: &str = "not known";

pub(crate) fn condition(condition: Condition) -> &'static str {
    match condition {
        Condition::Well => "All well",
        Condition::Watch => "Keep an eye on it",
        Condition::Act => "Needs doing",
        Condition::Unknown => "Not known",
    }
}

/// By when what is of this priority is to be dealt with, where no day can be named.
pub(crate) fn priority(priority: Priority) -> &'static str {
    match priority {
        Priority::High => "Act now",
        Priority::Medium => "Today",
        Priority::Low => "Within a week",
    }
}

/// By when an alarm is to be dealt with that began at `since`, seen from `now`, in the words
/// of its own text: "Act now", "Today", "By Tuesday 17 March".
pub(crate) fn by_when(priority: Priority, since: Timestamp, now: Timestamp, zone: &TimeZone) -> String {
    if priority == Priority::High {
        return self::priority(priority).to_owned();
    }
    let date = |at: Timestamp| zone.to_datetime(at).date();
    spoken::capital(&spoken::by(priority, date(since), date(now)))
}

pub(crate) fn state(state: State) -> &'static str {
    match state {
        State::Normal => "It is over.",
        State::Unacknowledged => "Still happening, not answered.",
        State::Acknowledged => "Still happening; somebody is dealing with it.",
        State::ReturnedUnacknowledged => "Over, not answered.",
        State::LatchedUnacknowledged => "Over, not answered. Harm can show late: look, then answer.",
        State::LatchedAcknowledged => "Over and answered. It stays here until somebody checks and closes it.",
        State::Shelved => "Paused.",
        State::Suppressed => "The garden's plan keeps it quiet for now.",
        State::OutOfService => "Switched off.",
    }
}

/// By which way a person's answer came and, where a name was given, by whom.
pub(crate) fn how(how: &str) -> String {
    let (way, who) = answered_by(how);
    let way = match way {
        "command" => "on the command line",
        "mqtt" => "by MQTT",
        "link" => "by the link in a message",
        "page" => "on the page",
        other => other,
    };
    who.map_or_else(|| way.to_owned(), |who| format!("by {who}, {way}"))
}

/// The way by which an answer came, and the name that was given with it.
pub(crate) fn answered_by(how: &str) -> (&str, Option<&str>) {
    how.split_once(": ").map_or((how, None), |(way, who)| (way, Some(who)))
}

pub(crate) fn kind(kind: Kind) -> &'static str {
    kind.row().title
}

pub(crate) fn quantity(quantity: Quantity) -> &'static str {
    quantity.title()
}

/// The meanings of the QARTOD flags 1, 2, 3, 4 and 9 in plain words.
pub(crate) fn flag(flag: Flag) -> &'static str {
    match flag {
        Flag::Pass => "Good",
        Flag::NotEvaluated => "Not checked",
        Flag::Suspect => "Doubtful",
        Flag::Fail => "Bad",
        Flag::Missing => "No value",
    }
}

/// A calibrated value with its unit. Soil moisture is shown in percent of the
/// soil's volume, since m³/m³ means little to most readers.
pub(crate) fn value(measures: Quantity, value: f64) -> String {
    if measures == Quantity::SoilMoisture {
        return percent(value) + " by volume";
    }
    let (decimals, unit) = measures.shown();
    with_unit(value, decimals, unit)
}

/// A battery's state, in whatever unit its device reports.
pub(crate) fn battery(state: f64) -> String {
    let text = with_unit(state, 2, "");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A part of one, in percent.
pub(crate) fn percent(part: f64) -> String {
    with_unit(part * 100.0, 1, " %")
}

pub(crate) fn whole_percent(part: f64) -> String {
    with_unit(part * 100.0, 0, " %")
}

pub(crate) fn degrees(celsius: f64) -> String {
    with_unit(celsius, 1, " °C")
}

pub(crate) fn millimetres(mm: f64) -> String {
    with_unit(mm, 1, " mm")
}

/// A number with so many digits behind the point and its unit; never minus zero, and "not
/// known" where it is none.
pub(crate) fn with_unit(number: f64, decimals: usize, unit: &str) -> String {
    if !number.is_finite() {
        return NOT_KNOWN.to_owned();
    }
    let text = format!("{number:.decimals$}");
    // "-0.0" puzzles people.
    let zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    let text = if zero { text.trim_start_matches('-') } else { &text };
    format!("{text}{unit}")
}

/// A calibrated value in a table: seven significant digits and a tenth at least, far more
/// than any sensor resolves, without the last digits of a division. Never "-0".
pub(crate) fn written(value: f64) -> String {
    let text = if value.abs() < 1e6 { format!("{value:.6e}") } else { format!("{value:.1}") };
    let rounded: f64 = text.parse().unwrap_or(value);
    (rounded + 0.0).to_string()
}

/// Endings of an alarm value's name that say its unit.
const UNITS: [(&str, &str); 12] = [
    ("_m3_m3", " m³/m³"),
    ("_mg_l", " mg/L"),
    ("_mm", " mm"),
    ("_min", " min"),
    ("_m2", " m²"),
    ("_c", " °C"),
    ("_l", " L"),
    ("_h", " h"),
    ("_s", " s"),
    ("_m", " m"),
    ("_percent", " %"),
    ("_days", " days"),
];

/// A named number behind an alarm, such as `depletion_mm`, in words.
pub(crate) fn named_value(name: &str, number: f64) -> (String, String) {
    let (stem, unit) = UNITS
        .iter()
        .find_map(|(ending, unit)| name.strip_suffix(ending).map(|stem| (stem, *unit)))
        .unwrap_or((name, ""));
    let decimals = match number.abs() {
        big if big >= 100.0 => 0,
        middling if middling >= 1.0 => 1,
        _ => 3,
    };
    (stem.replace('_', " "), with_unit(number, decimals, unit))
}

/// A moment in the site's own time, as short as `now` allows, with the exact
/// instant for programs.
pub(crate) fn moment(at: Timestamp, now: Timestamp, zone: &TimeZone) -> Markup {
    html! { time datetime=(at) { (local(at, now, zone)) } }
}

fn local(at: Timestamp, now: Timestamp, zone: &TimeZone) -> String {
    let (at, now) = (at.to_zoned_datetime(zone.clone()), now.to_zoned_datetime(zone.clone()));
    let clock = spoken::clock(minute_of_day(at.datetime()));
    if at.date() == now.date() {
        return format!("today {clock}");
    }
    if now.date().yesterday().is_ok_and(|yesterday| yesterday == at.date()) {
        return format!("yesterday {clock}");
    }
    if at.year() == now.year() {
        return format!("{}, {clock}", at.strftime("%A %-d %B"));
    }
    format!("{}, {clock}", at.strftime("%A %-d %B %Y"))
}

/// The moment up to which people can have seen or done something in a garden: the present, or
/// the garden's own where it lives in another time, as a demonstration's does.
pub(crate) fn garden_now(judged: Timestamp, now: Timestamp) -> Timestamp {
    let apart = now.duration_since(judged).abs() > SignedDuration::from_hours(24);
    if apart && judged != Timestamp::UNIX_EPOCH { judged } else { now }
}

/// A moment in full; in an hour that comes twice with the name of the zone's time.
pub(crate) fn full_moment(at: Timestamp, zone: &TimeZone) -> String {
    let local = at.to_zoned_datetime(zone.clone());
    let clock = spoken::clock(minute_of_day(local.datetime()));
    let twice = zone.to_ambiguous_zoned_datetime(local.datetime()).is_ambiguous();
    let name = if twice { local.strftime(" %Z").to_string() } else { String::new() };
    format!("{}, {clock}{name}", local.strftime("%A %-d %B %Y"))
}

/// Text from outside, fit to be shown: at most `length` characters, without
/// control characters and without those that turn the direction of the text
/// (Unicode Standard Annex 9, explicit formatting).
pub(crate) fn shown(text: &str, length: usize) -> String {
    let safe = |c: char| match c {
        '\n' | '\r' | '\t' => ' ',
        '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}' | '\u{061C}' => {
            char::REPLACEMENT_CHARACTER
        }
        c if c.is_control() => char::REPLACEMENT_CHARACTER,
        c => c,
    };
    let mut chars = text.chars();
    let mut out: String = chars.by_ref().take(length).map(safe).collect();
    if chars.next().is_some() {
        out.push('…');
    }
    out
}

/// Letters of a name that is shown whole.
const NAME_LETTERS: usize = 80;
/// A stretch of text by itself, whatever its direction (Unicode Standard Annex 9, FSI and PDI).
const ISOLATE: char = '\u{2068}';
const ISOLATE_END: char = '\u{2069}';

/// A name as it may stand within a sentence: [`shown`], and kept by itself where it is written
/// from right to left, so that the figures beside it stay where they are.
pub(crate) fn name(text: &str) -> String {
    cut_name(text, NAME_LETTERS)
}

/// The same, of at most `length` letters.
pub(crate) fn cut_name(text: &str, length: usize) -> String {
    let bare: String = text.chars().filter(|c| !matches!(*c, ISOLATE | ISOLATE_END)).collect();
    let cut = shown(&bare, length);
    // Blocks of scripts that are written from right to left (Unicode Standard Annex 9).
    let turns = |c: char| matches!(u32::from(c), 0x590..=0x8FF | 0xFB1D..=0xFDFF | 0xFE70..=0xFEFF | 0x1_0800..=0x1_0FFF | 0x1_E800..=0x1_EFFF);
    if cut.chars().any(turns) { format!("{ISOLATE}{cut}{ISOLATE_END}") } else { cut }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_from_right_to_left_stays_by_itself() {
        assert_eq!(name("Pea bed"), "Pea bed");
        assert_eq!(name("\u{5D2}\u{5DF}"), "\u{2068}\u{5D2}\u{5DF}\u{2069}");
        let long = "\u{5D2}".repeat(90);
        assert_eq!(cut_name(&name(&long), 3), "\u{2068}\u{5D2}\u{5D2}\u{5D2}…\u{2069}");
        assert_eq!(name("a\u{202E}b"), "a\u{FFFD}b", "what turns the rest of the text is taken out");
    }

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    /// Offsets: the IANA time zone database, Australia/Adelaide, where clocks
    /// went back from 3 am UTC+10:30 to 2 am UTC+9:30 on 5 April 2026.
    #[test]
    fn times_are_local_across_the_end_of_daylight_saving() {
        let zone = TimeZone::get("Australia/Adelaide").unwrap();
        let now = at("2026-04-05T05:30:00Z");
        for (instant, expected) in [
            ("2026-04-05T05:00:00Z", "today 2:30 pm"),
            ("2026-04-04T16:00:00Z", "today 2:30 am"),
            ("2026-04-04T17:00:00Z", "today 2:30 am"),
            ("2026-04-04T13:29:00Z", "yesterday 11:59 pm"),
            ("2026-03-31T13:30:00Z", "Wednesday 1 April, midnight"),
            ("2025-12-31T13:29:00Z", "Wednesday 31 December 2025, 11:59 pm"),
        ] {
            assert_eq!(local(at(instant), now, &zone), expected, "{instant}");
        }
        assert_eq!(full_moment(now, &zone), "Sunday 5 April 2026, 3 pm");
        assert_eq!(full_moment(at("2026-04-04T16:00:00Z"), &zone), "Sunday 5 April 2026, 2:30 am ACDT");
    }

    #[test]
    fn the_ends_of_time_are_shown_without_a_fault() {
        let zone = TimeZone::get("Pacific/Kiritimati").unwrap();
        for edge in [Timestamp::MIN, Timestamp::MAX] {
            assert!(!local(edge, Timestamp::UNIX_EPOCH, &zone).is_empty());
            assert!(!local(Timestamp::UNIX_EPOCH, edge, &zone).is_empty());
            assert!(!full_moment(edge, &zone).is_empty());
        }
    }

    #[test]
    fn numbers_that_are_none_are_called_not_known() {
        for number in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(degrees(number), NOT_KNOWN);
        }
        assert_eq!(degrees(-0.04), "0.0 °C");
        assert_eq!(degrees(-0.06), "-0.1 °C");
        assert_eq!(percent(0.093), "9.3 %");
        assert_eq!([3.4, 3.0, 87.0, 3300.0, -0.001].map(battery), ["3.4", "3", "87", "3300", "0"]);
        assert_eq!(battery(f64::NAN), NOT_KNOWN);
    }

    #[test]
    fn values_in_tables_have_no_tail_of_a_division() {
        for (value, text) in [
            (0.1 + 0.2, "0.3"),
            (1.0 / 3.0, "0.3333333"),
            (217.241_379_310_344_8, "217.2414"),
            (-0.0, "0"),
            (-1e-12, "-0.000000000001"),
            (1_234_567_890.123, "1234567890.1"),
            (18.25, "18.25"),
        ] {
            assert_eq!(written(value), text);
        }
    }

    #[test]
    fn value_names_give_up_their_unit() {
        assert_eq!(named_value("depletion_mm", 8.04), ("depletion".into(), "8.0 mm".into()));
        assert_eq!(named_value("water_l", 640.2), ("water".into(), "640 L".into()));
        assert_eq!(named_value("theta_m3_m3", 0.0931), ("theta".into(), "0.093 m³/m³".into()));
        assert_eq!(named_value("tips", 3.0), ("tips".into(), "3.0".into()));
    }

    #[test]
    fn text_from_outside_cannot_turn_or_break_the_page() {
        assert_eq!(shown("a\u{202E}b\u{0}c\n", 9), "a\u{FFFD}b\u{FFFD}c ");
        assert_eq!(shown("abcdef", 3), "abc…");
    }
}
