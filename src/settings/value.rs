//! One value: read as what its key wants, or refused.

use std::borrow::Cow;
use std::ops::{Range as Span, RangeBounds, RangeInclusive};

use toml::Spanned;
use toml::de::DeValue;
use toml::value::{Date, Datetime};

use super::document::{Document, Origin, Want};
use super::fault::{any_of, nearest, quoted, shortened};
use super::range::Range;

/// One value of the document.
#[derive(Clone)]
pub(super) struct SettingsItem<'t> {
    pub(super) document: &'t Document<'t>,
    /// For people: `bed[kitchen-bed].area_m2`.
    pub(super) path: String,
    /// For the environment: `bed.kitchen-bed.area_m2`.
    pub(super) env_path: String,
    pub(super) value: Cow<'t, DeValue<'t>>,
    pub(super) origin: Origin<'t>,
}

impl<'t> SettingsItem<'t> {
    /// The value itself.
    pub(super) fn value(&self) -> &DeValue<'t> {
        &self.value
    }

    /// File and line in words, for a fault elsewhere that points here.
    pub(super) fn place(&self) -> String {
        match self.document.file_and_line(self.origin) {
            (file, Some(line)) => format!("{file}, line {line}"),
            (file, None) => file,
        }
    }

    /// Whether the value stands in the file, not in the environment.
    pub(super) fn is_from_file(&self) -> bool {
        matches!(self.origin, Origin::File(_))
    }

    /// Notes that this value is not accepted.
    pub(super) fn refuse(&self, accepted: impl AsRef<str>) {
        self.fault(self.given(), accepted, None);
    }

    /// Notes that this value is not one of `names`.
    pub(super) fn refuse_name<'n>(&self, names: impl IntoIterator<Item = &'n str> + Clone) {
        let near = self.value.as_str().and_then(|given| nearest(given, names.clone()));
        self.fault(self.given(), any_of(names), near);
    }

    /// Notes a fault at this value.
    pub(super) fn fault(&self, given: impl Into<String>, accepted: impl AsRef<str>, near: Option<String>) {
        self.document.fault(self.origin, &self.path, given.into(), accepted.as_ref(), near);
    }

    /// Notes a fault at this value with which the daemon runs all the same.
    pub(super) fn borne_fault(&self, given: impl Into<String>, accepted: impl AsRef<str>) {
        self.document.borne_fault(self.origin, &self.path, given.into(), accepted.as_ref());
    }

    /// Notes that this value is not accepted; there is nothing to return then.
    pub(super) fn refused<T>(&self, accepted: impl AsRef<str>) -> Option<T> {
        self.refuse(accepted);
        None
    }

    /// Notes that the value cannot be used, and why; there is nothing to return then.
    pub(super) fn unusable<T>(&self, why: &str, accepted: impl AsRef<str>) -> Option<T> {
        self.faulty(format!("{} ({why})", self.given()), accepted, None)
    }

    /// Notes that everybody on this computer may read or change the file that this names; the
    /// daemon runs with it all the same.
    pub(super) fn open_to_everybody(&self) {
        let given = self.given();
        self.borne_fault(
            format!("{given} (everybody on this computer may read or change it)"),
            format!("a file that only Trug's own user and group may read: chmod o-rwx {given}"),
        );
    }

    /// Notes a fault at this value; there is nothing to return then.
    pub(super) fn faulty<T>(
        &self,
        given: impl Into<String>,
        accepted: impl AsRef<str>,
        near: Option<String>,
    ) -> Option<T> {
        self.fault(given, accepted, near);
        None
    }

    /// The value as it is shown to people.
    pub(super) fn given(&self) -> String {
        match (self.value.as_ref(), self.origin) {
            (DeValue::Array(_) | DeValue::Table(_), Origin::Variable(variable)) => variable.shown(),
            (DeValue::String(text), _) => quoted(text),
            (DeValue::Integer(number), _) => shortened(&number.to_string()),
            (DeValue::Float(number), _) => shortened(&number.to_string()),
            (DeValue::Boolean(b), _) => b.to_string(),
            (DeValue::Datetime(d), _) => d.to_string(),
            (DeValue::Array(list), _) => format!("a list of {}", list.len()),
            (DeValue::Table(table), _) => match table.len() {
                0 => "an empty table".to_owned(),
                _ => shortened(&format!(
                    "a table with {}",
                    table.keys().map(|k| k.get_ref().as_ref()).collect::<Vec<_>>().join(", ")
                )),
            },
        }
    }

    /// Text.
    pub(super) fn text(&self, accepted: impl AsRef<str>) -> Option<&str> {
        let text = self.value.as_str();
        if text.is_none() {
            self.refuse(accepted);
        }
        text
    }

    /// Text that `fits`.
    pub(super) fn text_that(&self, accepted: &str, fits: impl Fn(&str) -> bool) -> Option<String> {
        let text = self.text(accepted)?;
        if fits(text) { Some(text.to_owned()) } else { self.refused(accepted) }
    }

    /// The path of a file.
    pub(super) fn path_of_file(&self, accepted: &str) -> Option<&str> {
        let path = self.text(accepted)?;
        let fits = !(path.is_empty() || path.contains('\0') || path.ends_with('/'));
        if fits { Some(path) } else { self.refused(accepted) }
    }

    /// One of several words.
    pub(super) fn word<T: Copy, const N: usize>(&self, words: &[(&str, T); N]) -> Option<T> {
        let of = |given: &str| words.iter().find(|(name, _)| *name == given).map(|(_, value)| *value);
        self.name(of, words.iter().map(|(name, _)| *name))
    }

    /// One of `names`, by the function that knows them.
    pub(super) fn name<'n, T>(
        &self,
        of: impl Fn(&str) -> Option<T>,
        names: impl IntoIterator<Item = &'n str> + Clone,
    ) -> Option<T> {
        self.value.as_str().and_then(of).or_else(|| {
            self.refuse_name(names);
            None
        })
    }

    /// A number in `range`; a whole number will do.
    pub(super) fn number(&self, range: Range) -> Option<f64> {
        number_of(&self.value).filter(|x| range.contains(*x)).or_else(|| self.refused(range.to_string()))
    }

    /// A whole number in `range`, of `unit`.
    pub(super) fn whole(&self, range: RangeInclusive<u32>, unit: &str) -> Option<u32> {
        let number = match self.value.as_ref() {
            DeValue::Integer(n) => {
                u32::from_str_radix(n.as_str(), n.radix()).ok().filter(|n| range.contains(n))
            }
            _ => None,
        };
        if number.is_none() {
            let unit = if unit.is_empty() { String::new() } else { format!(" ({unit})") };
            self.refuse(format!("a whole number from {} to {}{unit}", range.start(), range.end()));
        }
        number
    }

    /// `true` or `false`.
    pub(super) fn boolean(&self) -> Option<bool> {
        self.value.as_bool().or_else(|| self.refused("true or false"))
    }

    /// A local date without a time.
    pub(super) fn date(&self) -> Option<jiff::civil::Date> {
        let date = match self.value.as_ref() {
            DeValue::Datetime(Datetime { date: Some(date), time: None, offset: None }) => civil(*date),
            _ => None,
        };
        date.or_else(|| self.refused("a date without quotes: 2026-04-18"))
    }

    /// What `read` makes of the parts of a list of as many as `count`, up to the first at
    /// fault.
    pub(super) fn list<T>(
        &self,
        accepted: &str,
        count: impl RangeBounds<usize>,
        read: impl FnMut(&Self) -> Option<T>,
    ) -> Option<Vec<T>> {
        self.counted_parts(accepted, count)?.iter().map(read).collect()
    }

    /// The same, where each part is read, so that each fault is told.
    pub(super) fn list_all<T>(
        &self,
        accepted: &str,
        count: impl RangeBounds<usize>,
        read: impl FnMut(&Self) -> Option<T>,
    ) -> Option<Vec<T>> {
        let read: Vec<Option<T>> = self.counted_parts(accepted, count)?.iter().map(read).collect();
        read.into_iter().collect()
    }

    /// The parts of a list of as many as `count`.
    fn counted_parts(&self, accepted: &str, count: impl RangeBounds<usize>) -> Option<Vec<SettingsItem<'t>>> {
        let parts = self.list_of(accepted)?;
        if count.contains(&parts.len()) { Some(parts) } else { self.refused(accepted) }
    }

    /// Which of `names` a list of at least one has.
    pub(super) fn marked<const N: usize>(&self, accepted: &str, names: [&str; N]) -> Option<[bool; N]> {
        let mut marked = [false; N];
        let place = |given: &str| names.iter().position(|name| *name == given);
        for at in self.list_all(accepted, 1.., |part| part.name(place, names))? {
            marked[at] = true;
        }
        Some(marked)
    }

    /// `N` finite numbers.
    pub(super) fn numbers<const N: usize>(&self, accepted: &str) -> Option<[f64; N]> {
        self.list_all(accepted, N..=N, |part| part.number(Range::finite("")))?.try_into().ok()
    }

    /// Two finite numbers; `what` they are.
    pub(super) fn pair(&self, what: &str) -> Option<(f64, f64)> {
        let [first, second] = self.numbers(&format!("two numbers in brackets: {what}"))?;
        Some((first, second))
    }

    /// The parts of a list.
    pub(super) fn list_of(&self, accepted: &str) -> Option<Vec<SettingsItem<'t>>> {
        let part = |at: usize, value: Cow<'t, DeValue<'t>>, span: Span<usize>| SettingsItem {
            document: self.document,
            path: format!("{}[#{}]", self.path, at + 1),
            env_path: self.env_path.clone(),
            value,
            origin: self.origin.inner(span.start),
        };
        match &self.value {
            Cow::Borrowed(DeValue::Array(list)) => {
                let parts = list.iter().enumerate();
                Some(parts.map(|(at, v)| part(at, Cow::Borrowed(v.get_ref()), v.span())).collect())
            }
            Cow::Owned(DeValue::Array(list)) => {
                let parts = list.iter().enumerate();
                Some(parts.map(|(at, v)| part(at, Cow::Owned(v.get_ref().clone()), v.span())).collect())
            }
            _ => self.refused(accepted),
        }
    }
}

/// The number that a value is, whole or not, finite or not.
pub(super) fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(x) => x.as_str().parse().ok(),
        DeValue::Integer(n) if n.radix() == 10 => n.as_str().parse().ok(),
        // Half of a 64-bit number is more than any register gives.
        #[expect(clippy::cast_precision_loss, reason = "a number this large is out of every range anyway")]
        DeValue::Integer(n) => i64::from_str_radix(n.as_str(), n.radix()).ok().map(|n| n as f64),
        _ => None,
    }
}

/// A TOML date in the calendar of the time library.
pub(super) fn civil(date: Date) -> Option<jiff::civil::Date> {
    let year = i16::try_from(date.year).ok()?;
    let month = i8::try_from(date.month).ok()?;
    jiff::civil::Date::new(year, month, i8::try_from(date.day).ok()?).ok()
}

/// A variable's text as the value that its key wants.
pub(super) fn value_of(text: &str, want: Want) -> DeValue<'_> {
    let trimmed = text.trim();
    let as_text = || DeValue::String(Cow::Borrowed(text));
    let parsed = || DeValue::parse(trimmed).ok().map(Spanned::into_inner);
    match want {
        Want::Text => as_text(),
        Want::Value => match parsed() {
            Some(value) if !matches!(value, DeValue::String(_)) => value,
            _ => as_text(),
        },
        Want::List if trimmed.starts_with('[') => parsed().unwrap_or_else(as_text),
        Want::List => DeValue::Array(
            trimmed
                .split(',')
                .map(|word| Spanned::new(0..0, DeValue::String(Cow::Borrowed(word.trim()))))
                .collect(),
        ),
        Want::TextOrTable if trimmed.starts_with(['[', '{']) => parsed().unwrap_or_else(as_text),
        Want::TextOrTable => as_text(),
    }
}
