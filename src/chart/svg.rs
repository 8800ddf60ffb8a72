//! Numbers as drawings have them.

/// A number with one digit behind the point, none where it is 0, and no minus before 0.
pub(crate) fn short(number: f64) -> String {
    let text = format!("{number:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// The same without a zero before the point, as a path takes it.
pub(super) fn terse(number: f64) -> String {
    let text = short(number);
    match text.strip_prefix("0.").map(|rest| format!(".{rest}")) {
        Some(terse) => terse,
        None => text.strip_prefix("-0.").map_or_else(|| text.clone(), |rest| format!("-.{rest}")),
    }
}

/// A part of one in percent.
pub(super) fn percent(part: f64) -> String {
    format!("{}%", short((part * 1000.0).round() / 10.0))
}
