//! Dates in the order of the United States: "Wednesday, March 18", "March 18, 2026".

use super::ends_here;
use crate::text::spoken;

const WEEKDAYS: [&str; 7] = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"];

/// The name of a month, or its first three letters, that begins here; returns its end.
fn month_end(text: &str, at: usize) -> Option<usize> {
    let word = text[at..].bytes().take_while(u8::is_ascii_alphabetic).count();
    let word = &text[at..at + word];
    let is = |name: &str| name == word || (word.len() == 3 && name.get(..3) == Some(word));
    (1..=12).map(spoken::month).any(is).then_some(at + word.len()).filter(|end| ends_here(text, *end))
}

/// The end of the day of a month that begins here.
fn day_end(text: &str, at: usize) -> Option<usize> {
    let digits = text[at..].bytes().take_while(u8::is_ascii_digit).count();
    let day = &text[at..at + digits];
    (matches!(digits, 1 | 2) && day.parse().is_ok_and(|day: u8| (1..=31).contains(&day)))
        .then_some(at + digits)
}

/// Writes a date that begins here in the other order; returns where it ends. A weekday
/// before it is written already and gets its comma.
pub(super) fn turn(text: &str, at: usize, out: &mut String) -> Option<usize> {
    let mut days_end = day_end(text, at)?;
    // "March 18 April 2": the 18 is March's.
    let before = out.strip_suffix(' ').unwrap_or_default();
    let word = before.trim_end_matches(|c: char| c.is_ascii_alphabetic()).len();
    if month_end(before, word).is_some_and(|end| end == before.len()) {
        return None;
    }
    // "1 to 7 March".
    for joint in [" to ", " and ", "–"] {
        if let Some(rest) = text[days_end..].strip_prefix(joint)
            && let Some(end) = day_end(text, text.len() - rest.len())
            && text[end..].starts_with(' ')
            && month_end(text, end + 1).is_some()
        {
            days_end = end;
            break;
        }
    }
    let month_from = days_end + 1;
    if !text[days_end..].starts_with(' ') {
        return None;
    }
    let month_end = month_end(text, month_from)?;
    let after_weekday = out.strip_suffix(' ').is_some_and(|before| {
        let word = before.rsplit(|c: char| !c.is_alphabetic()).next().unwrap_or_default();
        WEEKDAYS.iter().any(|day| *day == word || (word.len() == 3 && day.starts_with(word)))
    });
    if after_weekday {
        out.pop();
        out.push_str(", ");
    }
    out.push_str(&text[month_from..month_end]);
    out.push(' ');
    out.push_str(&text[at..days_end]);
    let year = text[month_end..].strip_prefix(' ').filter(|rest| {
        rest.bytes().take_while(u8::is_ascii_digit).count() == 4
            && (rest.starts_with("19") || rest.starts_with("20"))
    });
    match year {
        Some(rest) => {
            out.push_str(", ");
            out.push_str(&rest[..4]);
            Some(month_end + 5)
        }
        None => Some(month_end),
    }
}
