//! A piece of what was given, fit to show.

use std::fmt::{self, Write as _};

/// A piece of what was given, fit to show: at most [`Excerpt::CHARS_MAX`]
/// characters, control characters escaped, in quotation marks.
#[derive(Clone, PartialEq, Eq)]
pub struct Excerpt(String);

impl Excerpt {
    /// Characters of the input that are shown.
    pub const CHARS_MAX: usize = 80;

    /// The start of a payload; bytes that are not UTF-8 show as the replacement character.
    pub(super) fn of_bytes(bytes: &[u8]) -> Self {
        // Four bytes for each character at most, and one more to see that it goes on.
        let some = &bytes[..bytes.len().min(4 * (Self::CHARS_MAX + 1))];
        Self::of(&String::from_utf8_lossy(some))
    }

    /// The start of a text.
    pub(super) fn of(text: &str) -> Self {
        let mut shown = String::from('"');
        for (n, letter) in text.chars().enumerate() {
            if n == Self::CHARS_MAX {
                shown.push_str("...");
                break;
            }
            match letter {
                '\n' | '\r' | '\t' => shown.extend(letter.escape_default()),
                // Directional marks and line separators would rearrange a log line.
                c if c.is_control() || is_hidden(c) => shown.extend(c.escape_unicode()),
                c => shown.push(c),
            }
        }
        shown.push('"');
        Self(shown)
    }

    /// Several names with commas between.
    pub(super) fn list<'a>(names: impl IntoIterator<Item = &'a str>) -> Self {
        let mut all = String::new();
        for name in names {
            if all.chars().count() > Self::CHARS_MAX {
                break;
            }
            let comma = if all.is_empty() { "" } else { ", " };
            let _ = write!(all, "{comma}{name}");
        }
        Self::of(&all)
    }
}

fn is_hidden(c: char) -> bool {
    matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}')
}

impl fmt::Display for Excerpt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Debug for Excerpt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::Excerpt;

    #[test]
    fn an_excerpt_is_short_and_shows_no_control_characters() {
        assert_eq!(Excerpt::of_bytes(b"1\n\x1b[2J\x00").to_string(), r#""1\n\u{1b}[2J\u{0}""#);
        let long = Excerpt::of(&"é".repeat(500)).to_string();
        assert_eq!(long.chars().count(), Excerpt::CHARS_MAX + "\"...\"".len());
        assert_eq!(Excerpt::of_bytes(b"\xff").to_string(), "\"\u{FFFD}\"");
    }
}
