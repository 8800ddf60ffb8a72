//! What is wrong with the configuration, told so that it can be put right.

use std::fmt;

/// Characters of a wrong value that are shown.
const GIVEN_MAX: usize = 80;

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The file as it was named, or `environment variable NAME`.
    pub file: String,
    /// Counted from 1; `None` where a whole file or a variable is meant.
    pub line: Option<usize>,
    /// Dotted path, an element of a list by its id: `bed[kitchen-bed].area_m2`.
    /// Empty where the whole file is meant.
    pub key: String,
    /// What was found there; never a password.
    pub given: String,
    /// What may stand there instead.
    pub accepted: String,
    /// The known name that is most like a misspelt one.
    pub nearest: Option<String>,
}

impl Fault {
    /// A fault of a whole file, folder or variable: it has no line, no key and no nearest name.
    pub(super) fn of_whole(
        file: impl Into<String>,
        given: impl Into<String>,
        accepted: impl Into<String>,
    ) -> Self {
        let (file, given, accepted) = (file.into(), given.into(), accepted.into());
        Self { file, line: None, key: String::new(), given, accepted, nearest: None }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if !self.key.is_empty() {
            write!(f, ": {}", self.key)?;
        }
        write!(f, "\n  given:    {}\n  accepted: {}", self.given, self.accepted)?;
        if let Some(nearest) = &self.nearest {
            write!(f, "\n  nearest:  {nearest}")?;
        }
        Ok(())
    }
}

/// Everything that is wrong in all files, by file and line. Never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults(Vec<Fault>);

impl Faults {
    /// Puts the faults in the order in which people will go through them.
    ///
    /// Files keep the order in which they were read.
    pub(super) fn new(files: &[String], mut faults: Vec<Fault>) -> Self {
        let place: std::collections::HashMap<&str, usize> =
            files.iter().enumerate().map(|(at, file)| (file.as_str(), at)).collect();
        faults.sort_by(|a, b| {
            let rank = |fault: &Fault| (place.get(fault.file.as_str()).copied(), fault.line);
            // Anything but a file (the environment) comes last.
            let last = |fault: &Fault| !place.contains_key(fault.file.as_str());
            (last(a), rank(a), &a.file, &a.key).cmp(&(last(b), rank(b), &b.file, &b.key))
        });
        faults.dedup();
        Self(faults)
    }

    /// The faults, by file and line.
    pub fn as_slice(&self) -> &[Fault] {
        &self.0
    }

    /// The faults for programs: a list of objects with `file`, `line`, `key`,
    /// `given`, `accepted` and `nearest`.
    pub fn to_json(&self) -> serde_json::Value {
        let one = |fault: &Fault| {
            serde_json::json!({
                "file": fault.file,
                "line": fault.line,
                "key": fault.key,
                "given": fault.given,
                "accepted": fault.accepted,
                "nearest": fault.nearest,
            })
        };
        serde_json::Value::Array(self.0.iter().map(one).collect())
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, fault) in self.0.iter().enumerate() {
            if at > 0 {
                f.write_str("\n\n")?;
            }
            fault.fmt(f)?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

/// `text` in quotes, control characters escaped, cut to a line's length.
pub(super) fn quoted(text: &str) -> String {
    format!("\"{}\"", shortened(text))
}

/// `text` with control characters escaped, cut to a line's length.
pub(super) fn shortened(text: &str) -> String {
    let mut out = String::new();
    for (at, c) in text.chars().enumerate() {
        if at == GIVEN_MAX {
            out.push('…');
            break;
        }
        if is_unsafe(c) || c == '"' || c == '\\' {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}

/// Whether a character could break a line, a header or the reading order of
/// text that a name is put into.
pub(super) fn is_unsafe(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}' | '\u{2029}' | '\u{200e}' | '\u{200f}')
        // Bidirectional embeddings, overrides and isolates (Unicode Annex 9).
        || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// The known name that is most like `given`, if any is like enough.
pub(super) fn nearest<'k>(given: &str, known: impl IntoIterator<Item = &'k str>) -> Option<String> {
    // Below this the suggestion is more often wrong than right: "colour" for
    // "cold_c" scores 0.5.
    const ALIKE: f64 = 0.6;
    // Comparing costs the product of the lengths; no known name is longer.
    const LENGTH_MAX: usize = 200;
    if given.len() > LENGTH_MAX {
        return None;
    }
    let plain = |name: &str| name.to_lowercase().replace(['-', ' '], "_");
    let wanted = plain(given);
    known
        .into_iter()
        .map(|name| {
            let name_plain = plain(name);
            let (short, long) = (wanted.len().min(name_plain.len()), wanted.len().max(name_plain.len()));
            if short * 2 < long {
                return (0.0, name);
            }
            // The second measure is for names that were cut short ("area").
            let score = strsim::normalized_damerau_levenshtein(&wanted, &name_plain)
                .max(strsim::jaro_winkler(&wanted, &name_plain) - 0.2);
            (score, name)
        })
        .filter(|(score, _)| *score >= ALIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(a.1)))
        .map(|(_, name)| name.to_owned())
}

/// Names for a sentence: `a, b or c`.
pub(super) fn any_of<'n>(names: impl IntoIterator<Item = &'n str>) -> String {
    let names: Vec<&str> = names.into_iter().collect();
    match names.as_slice() {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} or {last}", first.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::{nearest, quoted};

    #[test]
    fn near_names_are_found_and_far_ones_are_not() {
        let keys = ["area_m2", "crop", "depletion_fraction", "name", "on_delay_s"];
        for (given, expected) in [
            ("area", Some("area_m2")),
            ("aera_m2", Some("area_m2")),
            ("AREA-M2", Some("area_m2")),
            ("on_delay", Some("on_delay_s")),
            ("depletion", Some("depletion_fraction")),
            ("colour", None),
            ("", None),
        ] {
            assert_eq!(nearest(given, keys).as_deref(), expected, "{given}");
        }
        assert_eq!(nearest(&"x".repeat(1_000_000), keys), None);
    }

    #[test]
    fn shown_text_stays_on_one_line() {
        assert_eq!(quoted("a\r\nb\"\u{202e}"), "\"a\\r\\nb\\\"\\u{202e}\"");
        assert_eq!(quoted(&"é".repeat(100)).chars().count(), 83);
    }
}
