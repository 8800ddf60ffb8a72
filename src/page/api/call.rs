//! What a request asks for, checked.

use std::collections::BTreeMap;

use axum::extract::Request;
use axum::http::header::{ACCEPT, IF_NONE_MATCH};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::cursor::Cursor;
use super::fault::Fault;
use super::{Form, Resource};
use crate::export::Span;
use crate::history::Step;
use crate::text::times;
use crate::text::times::End;

/// Rows of one page of a list: if nothing is said, and at most.
pub(super) const LIMIT: usize = 1000;
pub(super) const LIMIT_MAX: usize = 5000;

/// A request that may be answered.
pub(super) struct Call {
    path: String,
    given: BTreeMap<String, String>,
    pub(super) form: Form,
    pub(super) if_none_match: Option<String>,
}

impl Call {
    /// # Errors
    /// The fault to answer with: a parameter is not known or
    /// comes twice, or no form of the answer is accepted.
    pub(super) fn new(resource: Resource, request: &Request) -> Result<Self, Fault> {
        let known = resource.parameters();
        let mut given = BTreeMap::new();
        for (name, value) in url::form_urlencoded::parse(request.uri().query().unwrap_or_default().as_bytes())
        {
            let accepted = || {
                if known.is_empty() { "no parameter".to_owned() } else { known.join(", ") }
            };
            if !known.contains(&&*name) {
                let detail = "This address does not know that parameter.";
                return Err(Fault::parameter("query", &name, detail, accepted()));
            }
            if given.insert(name.clone().into_owned(), value.clone().into_owned()).is_some() {
                let detail = "This parameter stands twice.";
                return Err(Fault::parameter(&name, &value, detail, "each parameter once"));
            }
        }
        let header = |name| {
            let values: Vec<&str> =
                request.headers().get_all(name).iter().filter_map(|value| value.to_str().ok()).collect();
            (!values.is_empty()).then(|| values.join(", "))
        };
        let accept = header(ACCEPT).unwrap_or_else(|| "*/*".to_owned());
        let form = best(&accept, resource.forms()).ok_or_else(|| {
            let forms: Vec<&str> = resource.forms().iter().map(|form| form.name()).collect();
            Fault::not_acceptable(&accept, &forms.join(", "))
        })?;
        Ok(Self { path: request.uri().path().to_owned(), given, form, if_none_match: header(IF_NONE_MATCH) })
    }

    fn text(&self, name: &str) -> Option<&str> {
        self.given.get(name).map(String::as_str)
    }

    /// The span that is asked for; without an end it is open there.
    pub(super) fn span(&self, zone: &TimeZone) -> Result<Span, Fault> {
        let from = self.moment("from", zone, End::From)?.unwrap_or(Timestamp::MIN);
        let to = self.moment("to", zone, End::To)?.unwrap_or(Timestamp::MAX);
        if from >= to {
            let given = format!("from {from} to {to}");
            let detail = "The span ends before it begins.";
            return Err(Fault::parameter("to", &given, detail, "a time after that of from"));
        }
        Ok(Span { from, to })
    }

    fn moment(&self, name: &str, zone: &TimeZone, end: End) -> Result<Option<Timestamp>, Fault> {
        let Some(given) = self.text(name) else { return Ok(None) };
        // In a query a plus sign stands for a space, and offsets begin with one.
        let text = match given.rsplit_once(' ') {
            Some((before, offset)) if before.contains(['T', 't']) => format!("{before}+{offset}"),
            _ => given.to_owned(),
        };
        times::moment(&text, Some(zone), end).map(Some).map_err(|_| {
            Fault::parameter(name, given, "This is not a time that the interface knows.", times::ACCEPTED)
        })
    }

    pub(super) fn step(&self) -> Result<Step, Fault> {
        let Some(given) = self.text("step") else { return Ok(Step::Raw) };
        Step::from_name(given).ok_or_else(|| {
            let names = Step::ALL.map(Step::name).join(", ");
            Fault::parameter("step", given, "There is no such step.", names)
        })
    }

    pub(super) fn limit(&self) -> Result<usize, Fault> {
        let Some(given) = self.text("limit") else { return Ok(LIMIT) };
        let plain = given.bytes().all(|b| b.is_ascii_digit());
        given.parse().ok().filter(|limit| plain && (1..=LIMIT_MAX).contains(limit)).ok_or_else(|| {
            let accepted = format!("a whole number from 1 to {LIMIT_MAX}");
            Fault::parameter("limit", given, "This is not a number of rows for one page.", accepted)
        })
    }

    /// Where the list goes on, of the kind of cursor that `pick` takes.
    pub(super) fn after<T>(&self, pick: impl Fn(Cursor) -> Option<T>) -> Result<Option<T>, Fault> {
        let Some(given) = self.text("after") else { return Ok(None) };
        Cursor::of(given).and_then(pick).map(Some).ok_or_else(|| {
            let accepted = "the text that an earlier answer of this list gave in next";
            Fault::parameter("after", given, "This is not a place in this list.", accepted)
        })
    }

    /// The address at which the list goes on: this one with another `after`.
    pub(super) fn next(&self, cursor: Cursor) -> String {
        let mut query = url::form_urlencoded::Serializer::new(String::new());
        for (name, value) in self.given.iter().filter(|(name, _)| *name != "after") {
            query.append_pair(name, value);
        }
        query.append_pair("after", &cursor.text());
        format!("{}?{}", self.path, query.finish())
    }
}

/// The form that an `Accept` header wants most (RFC 9110, section 12.5.1); of equals,
/// the first.
fn best(accept: &str, forms: &[Form]) -> Option<Form> {
    let quality = |form: &Form| {
        let (kind, _) = form.name().split_once('/').unwrap_or_default();
        accept
            .split(',')
            .filter_map(|range| {
                let mut parts = range.split(';').map(str::trim);
                let media = parts.next()?.to_ascii_lowercase();
                let closeness = match media.as_str() {
                    media if media == form.name() => 2,
                    media if media.strip_suffix("/*") == Some(kind) => 1,
                    "*/*" => 0,
                    _ => return None,
                };
                let q = parts
                    .find_map(|part| part.strip_prefix("q=").or_else(|| part.strip_prefix("Q=")))
                    .map_or(Some(1.0), |q| q.trim().parse::<f32>().ok())?;
                Some((closeness, q))
            })
            .max_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)))
            .map_or(0.0, |(_, q)| if (0.0..=1.0).contains(&q) { q } else { 0.0 })
    };
    let mut best: Option<(Form, f32)> = None;
    for form in forms {
        let q = quality(form);
        if q > 0.0 && best.is_none_or(|(_, most)| q > most) {
            best = Some((*form, q));
        }
    }
    best.map(|(form, _)| form)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_form_that_is_wanted_most_is_given() {
        let both = [Form::Json, Form::Csv];
        for (accept, expected) in [
            ("*/*", Some(Form::Json)),
            ("text/csv", Some(Form::Csv)),
            ("TEXT/*;q=0.5", Some(Form::Csv)),
            ("application/json;q=0.2, text/csv;q=0.9", Some(Form::Csv)),
            ("text/csv;q=0, */*", Some(Form::Json)),
            ("text/html", None),
            ("text/html, */*;q=0.1", Some(Form::Json)),
            ("", None),
            ("text/csv;q=nonsense", None),
        ] {
            assert_eq!(best(accept, &both), expected, "{accept:?}");
        }
    }
}
