//! Numbers as drawings have them.

/// A number with one digit behind the point, none where it is 0, and no minus before 0.
pub(crate) fn short(number: f64) -> String {
    let text = format!("{number:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// A part of one in percent.
pub(super) fn percent(part: f64) -> String {
    format!("{}%", short((part * 1000.0).round() / 10.0))
}
