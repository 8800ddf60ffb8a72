//! The language and the units of a site's people.
//!
//! Every text is written once, in the house style: SI units, Australian spelling, dates as
//! "Wednesday 18 March". A [`Locale`] says how people at a site read it, and a
//! [`LocalText`] turns the text into that where it leaves for a person: when an alarm's
//! words are kept, when a message is put together, when a page or a report is served, when a
//! command prints. In en-AU it changes nothing.
//!
//! What it turns: figures get their customary unit beside them ([`figures`]), dates their
//! order ([`dates`]), words their spelling, and an authority of one country its plain name
//! ([`words`]). What it leaves: names that people gave, what stands in backticks, and all
//! that programs read (CSV, JSON's numbers, line protocol, settings), which is SI and ISO
//! 8601 everywhere. Turning a text twice is the same as turning it once.

mod dates;
pub mod figures;
mod markup;
mod words;

use std::borrow::Cow;

use figures::Unit;

/// How people at a site read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Locale {
    /// Australia: what every text is written in.
    #[default]
    EnAu,
    /// Britain: no authority of Australia.
    EnGb,
    /// The United States: customary units beside SI, their spelling and order of dates.
    EnUs,
}

impl Locale {
    pub const ALL: [Self; 3] = [Self::EnAu, Self::EnGb, Self::EnUs];

    /// Its language tag (BCP 47), as a garden's file and a page's `lang` have it.
    pub fn tag(self) -> &'static str {
        match self {
            Self::EnAu => "en-AU",
            Self::EnGb => "en-GB",
            Self::EnUs => "en-US",
        }
    }

    pub fn from_tag(tag: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|locale| locale.tag() == tag)
    }

    /// Whether degrees Fahrenheit, gallons and inches stand beside SI units.
    pub fn has_customary_units(self) -> bool {
        self == Self::EnUs
    }

    /// The unit that stands beside one of SI, where there is one.
    pub(crate) fn customary(self, unit: &str) -> Option<&'static Unit> {
        self.has_customary_units().then(|| figures::unit(unit)).flatten()
    }
}

/// A site's locale with the names that stay as people wrote them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LocalText {
    locale: Locale,
    /// The longest first, so that of two names at one place the whole one is kept.
    names: Vec<String>,
}

impl LocalText {
    /// For a locale; `names` stay as they are wherever they stand in a text.
    pub fn new<'a>(locale: Locale, names: impl IntoIterator<Item = &'a str>) -> Self {
        let mut kept = Vec::new();
        if locale != Locale::EnAu {
            // A name of lower-case letters alone is a word as any other: "pond".
            let is_name = |name: &&str| name.chars().any(|c| !c.is_lowercase());
            kept = names.into_iter().filter(is_name).map(str::to_owned).collect();
            kept.sort_by(|a: &String, b| b.len().cmp(&a.len()).then(a.cmp(b)));
            kept.dedup();
        }
        Self { locale, names: kept }
    }

    pub fn locale(&self) -> Locale {
        self.locale
    }

    /// With the names of another site's too.
    #[must_use]
    pub(crate) fn and_names_of(self, other: Self) -> Self {
        Self::new(self.locale, self.names.iter().chain(&other.names).map(String::as_str))
    }

    /// Whether texts stay as they are.
    pub fn changes_nothing(&self) -> bool {
        self.locale == Locale::EnAu
    }

    /// A text as people at the site read it.
    pub fn text<'t>(&self, text: &'t str) -> Cow<'t, str> {
        if self.changes_nothing() { Cow::Borrowed(text) } else { Cow::Owned(self.turn(text, &[], false)) }
    }

    /// The same in place.
    pub(crate) fn turn_text(&self, text: &mut String) {
        if !self.changes_nothing() {
            *text = self.turn(text, &[], false);
        }
    }

    /// A page: its texts, and those attributes that are read to people.
    pub fn html(&self, page: String) -> String {
        if self.changes_nothing() { page } else { markup::turn(self, &page) }
    }

    /// Where a name or something in backticks begins at this byte, its end.
    fn kept_from(&self, text: &str, at: usize, more: &[String]) -> Option<usize> {
        let rest = &text[at..];
        if let Some(code) = rest.strip_prefix('`') {
            return code.find('`').map(|end| at + end + 2);
        }
        if rest.starts_with("http://") || rest.starts_with("https://") {
            return Some(at + rest.find(char::is_whitespace).unwrap_or(rest.len()));
        }
        let whole = |name: &&String| {
            rest.strip_prefix(name.as_str())
                .is_some_and(|after| !after.starts_with(|c: char| c.is_alphanumeric()))
        };
        more.iter().chain(&self.names).find(whole).map(|name| at + name.len())
    }

    /// One pass from left to right. `more` are names beside its own, in the text's own form;
    /// `apart`: its temperatures are differences of two.
    fn turn(&self, text: &str, more: &[String], apart: bool) -> String {
        let mut out = String::with_capacity(text.len() + text.len() / 8);
        let (mut at, mut depth) = (0, 0_u32);
        // Whether a word or a number may begin here.
        let mut fresh = true;
        while let Some(c) = text[at..].chars().next() {
            if fresh {
                if let Some(end) = self.kept_from(text, at, more) {
                    out.push_str(&text[at..end]);
                    (at, fresh) = (end, false);
                    continue;
                }
                if self.locale == Locale::EnUs
                    && let Some(end) = dates::turn(text, at, &mut out)
                {
                    (at, fresh) = (end, false);
                    continue;
                }
                if self.locale.has_customary_units()
                    && let Some(end) = figures::turn(text, at, (depth > 0, apart), &mut out)
                {
                    (at, fresh) = (end, false);
                    continue;
                }
                if c.is_alphabetic()
                    && let Some(end) = words::turn(self.locale, text, at, &mut out)
                {
                    (at, fresh) = (end, false);
                    continue;
                }
            }
            match c {
                '(' => depth += 1,
                ')' => depth = depth.saturating_sub(1),
                _ => {}
            }
            out.push(c);
            at += c.len_utf8();
            fresh = !(c.is_alphanumeric() || matches!(c, '.' | '\'' | '’') && next_is_digit(text, at));
            // An id is one word: "kitchen-15cm", "moisture_10".
            if matches!(c, '-' | '_' | '/') {
                fresh = !text[..at - c.len_utf8()].ends_with(|c: char| c.is_alphanumeric());
            }
        }
        out
    }
}

fn next_is_digit(text: &str, at: usize) -> bool {
    text[at..].starts_with(|c: char| c.is_ascii_digit())
}

/// Whether a word ends at this byte.
fn ends_here(text: &str, at: usize) -> bool {
    !text[at..].starts_with(|c: char| c.is_alphanumeric() || c == '_')
}

#[cfg(test)]
mod tests;
