//! What a request asks for, checked.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::extract::{FromRequestParts, MatchedPath, RawPathParams};
use axum::http::HeaderMap;
use axum::http::header::ACCEPT;
use axum::http::request::Parts;
use axum::response::Response;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::answer;
use super::cursor::Cursor;
use super::fault::ApiFault;
use super::resource::{AnswerFormat, Resource};
use crate::export::TimeSpan;
use crate::garden::plan::Garden;
use crate::garden::view::SiteView;
use crate::history::BinWidth;
use crate::page::PageSource;
use crate::page::access::{GardensSeen, Visitor};
use crate::page::context::PageContext;
use crate::page::wait::ask;
use crate::text::times::{self, End};

/// Rows of one page of a list: if nothing is said, and at most.
pub(super) const LIMIT: usize = 1000;
pub(super) const LIMIT_MAX: usize = 5000;

/// A request that may be answered.
pub(super) struct ApiCall<V> {
    pub(super) context: Arc<PageContext<V>>,
    pub(super) format: AnswerFormat,
    /// The gardens that the caller sees.
    pub(super) gardens: GardensSeen,
    headers: HeaderMap,
    path: String,
    /// What the address names, in its order.
    names: Vec<String>,
    given: BTreeMap<String, String>,
}

impl<V: PageSource> FromRequestParts<Arc<PageContext<V>>> for ApiCall<V> {
    type Rejection = ApiFault;

    /// # Errors
    /// The fault to answer with: a parameter is not known or comes twice, no format of
    /// the answer is accepted, or the address is no text.
    async fn from_request_parts(parts: &mut Parts, context: &Arc<PageContext<V>>) -> Result<Self, ApiFault> {
        let matched = parts.extensions.get::<MatchedPath>().map_or("", MatchedPath::as_str);
        let resource = Resource::of(matched).ok_or_else(ApiFault::no_such_address)?;
        let given = parameters(resource, parts.uri.query().unwrap_or_default())?;
        let accept = parts.headers.get_all(ACCEPT).iter().filter_map(|value| value.to_str().ok());
        let accept: Vec<&str> = accept.collect();
        let accept = if accept.is_empty() { "*/*".to_owned() } else { accept.join(", ") };
        let format = best(&accept, resource.formats).ok_or_else(|| {
            let formats: Vec<&str> = resource.formats.iter().map(|format| format.name()).collect();
            ApiFault::not_acceptable(&accept, &formats.join(", "))
        })?;
        let names = RawPathParams::from_request_parts(parts, context).await;
        let names = names.map_err(|_| ApiFault::no_such_address())?;
        Ok(Self {
            context: Arc::clone(context),
            format,
            gardens: parts.extensions.get::<Visitor>().cloned().unwrap_or_default().gardens,
            headers: parts.headers.clone(),
            path: parts.uri.path().to_owned(),
            names: names.iter().map(|(_, name)| name.to_owned()).collect(),
            given,
        })
    }
}

/// The parameters of a query, each known and given once.
fn parameters(resource: &Resource, query: &str) -> Result<BTreeMap<String, String>, ApiFault> {
    let known = resource.parameters;
    let mut given = BTreeMap::new();
    for (name, value) in url::form_urlencoded::parse(query.as_bytes()) {
        if !known.contains(&&*name) {
            let accepted = if known.is_empty() { "no parameter".to_owned() } else { known.join(", ") };
            let detail = "This address does not know that parameter.";
            return Err(ApiFault::parameter("query", &name, detail, accepted));
        }
        if given.insert(name.clone().into_owned(), value.clone().into_owned()).is_some() {
            let detail = "This parameter stands twice.";
            return Err(ApiFault::parameter(&name, &value, detail, "each parameter once"));
        }
    }
    Ok(given)
}

impl<V: PageSource> ApiCall<V> {
    /// The site's id in the address.
    pub(super) fn site(&self) -> &str {
        self.names.first().map_or("", String::as_str)
    }

    /// The sensor's id in the address.
    pub(super) fn sensor(&self) -> &str {
        self.names.get(1).map_or("", String::as_str)
    }

    /// The site's plan.
    pub(super) fn garden(&self) -> Result<&Arc<Garden>, ApiFault> {
        let record = &self.context.record;
        record.garden(self.site()).ok_or_else(|| {
            let known = record.gardens().iter().map(|garden| garden.site.id.as_str());
            ApiFault::unknown("site", self.site(), known)
        })
    }

    /// The site's present state.
    pub(super) async fn view(&self) -> Result<SiteView, ApiFault> {
        let view = ask(self.context.views.site(self.site())).await.map_err(|_| ApiFault::unavailable())?;
        view.ok_or_else(|| ApiFault::unknown("site", self.site(), std::iter::empty()))
    }

    /// Answers with a value as JSON; `next` is the address of the list's next part.
    pub(super) fn json(&self, value: &impl Serialize, next: Option<&str>) -> Result<Response, ApiFault> {
        answer::json(&self.headers, value, next)
    }

    /// Answers with bytes that are JSON already.
    pub(super) fn json_bytes(&self, bytes: &[u8]) -> Response {
        answer::json_bytes(&self.headers, bytes.to_vec(), None)
    }

    fn text(&self, name: &str) -> Option<&str> {
        self.given.get(name).map(String::as_str)
    }

    /// The span that is asked for; without an end it is open there.
    pub(super) fn span(&self, zone: &TimeZone) -> Result<TimeSpan, ApiFault> {
        let from = self.moment("from", zone, End::From)?.unwrap_or(Timestamp::MIN);
        let to = self.moment("to", zone, End::To)?.unwrap_or(Timestamp::MAX);
        if from >= to {
            let given = format!("from {from} to {to}");
            let detail = "The span ends before it begins.";
            return Err(ApiFault::parameter("to", &given, detail, "a time after that of from"));
        }
        Ok(TimeSpan { from, to })
    }

    fn moment(&self, name: &str, zone: &TimeZone, end: End) -> Result<Option<Timestamp>, ApiFault> {
        let Some(given) = self.text(name) else { return Ok(None) };
        // In a query a plus sign stands for a space, and offsets begin with one.
        let text = match given.rsplit_once(' ') {
            Some((before, offset)) if before.contains(['T', 't']) => format!("{before}+{offset}"),
            _ => given.to_owned(),
        };
        times::moment(&text, Some(zone), end).map(Some).map_err(|_| {
            ApiFault::parameter(name, given, "This is not a time that the interface knows.", times::ACCEPTED)
        })
    }

    pub(super) fn step(&self) -> Result<BinWidth, ApiFault> {
        let Some(given) = self.text("step") else { return Ok(BinWidth::Raw) };
        BinWidth::from_name(given).ok_or_else(|| {
            let names = BinWidth::ALL.map(BinWidth::name).join(", ");
            ApiFault::parameter("step", given, "There is no such step.", names)
        })
    }

    /// Whether a parameter that is yes or no is yes; without it, no.
    pub(super) fn flag(&self, name: &str) -> Result<bool, ApiFault> {
        match self.text(name) {
            None | Some("no") => Ok(false),
            Some("yes") => Ok(true),
            Some(given) => Err(ApiFault::parameter(name, given, "This is neither yes nor no.", "yes, no")),
        }
    }

    pub(super) fn limit(&self) -> Result<usize, ApiFault> {
        let Some(given) = self.text("limit") else { return Ok(LIMIT) };
        let plain = given.bytes().all(|b| b.is_ascii_digit());
        given.parse().ok().filter(|limit| plain && (1..=LIMIT_MAX).contains(limit)).ok_or_else(|| {
            let accepted = format!("a whole number from 1 to {LIMIT_MAX}");
            ApiFault::parameter("limit", given, "This is not a number of rows for one page.", accepted)
        })
    }

    /// Where a list of rows goes on.
    pub(super) fn after_row(&self) -> Result<Option<(i64, u32)>, ApiFault> {
        self.after(|cursor| match cursor {
            Cursor::Row { at_ms, given } => Some((at_ms, given)),
            Cursor::Reading(_) | Cursor::Bin(_) => None,
        })
    }

    /// Where the list goes on, of the kind of cursor that `pick` takes.
    pub(super) fn after<T>(&self, pick: impl Fn(Cursor) -> Option<T>) -> Result<Option<T>, ApiFault> {
        let Some(given) = self.text("after") else { return Ok(None) };
        Cursor::of(given).and_then(pick).map(Some).ok_or_else(|| {
            let accepted = "the text that an earlier answer of this list gave in next";
            ApiFault::parameter("after", given, "This is not a place in this list.", accepted)
        })
    }

    /// The address at which the list goes on, if it does: this one with another `after`.
    pub(super) fn next(&self, cursor: Option<Cursor>) -> Option<String> {
        let cursor = cursor?;
        let mut query = url::form_urlencoded::Serializer::new(String::new());
        for (name, value) in self.given.iter().filter(|(name, _)| *name != "after") {
            query.append_pair(name, value);
        }
        query.append_pair("after", &cursor.text());
        Some(format!("{}?{}", self.path, query.finish()))
    }
}

/// The format that an `Accept` header wants most (RFC 9110, section 12.5.1); of equals,
/// the first.
fn best(accept: &str, formats: &[AnswerFormat]) -> Option<AnswerFormat> {
    let quality = |format: &AnswerFormat| {
        let (kind, _) = format.name().split_once('/').unwrap_or_default();
        accept
            .split(',')
            .filter_map(|range| {
                let mut parts = range.split(';').map(str::trim);
                let media = parts.next()?.to_ascii_lowercase();
                let closeness = match media.as_str() {
                    media if media == format.name() => 2,
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
    // Of equals the first.
    let wanted = formats.iter().rev().map(|format| (quality(format), *format)).filter(|(q, _)| *q > 0.0);
    wanted.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, format)| format)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_form_that_is_wanted_most_is_given() {
        let both = [AnswerFormat::Json, AnswerFormat::Csv];
        for (accept, expected) in [
            ("*/*", Some(AnswerFormat::Json)),
            ("text/csv", Some(AnswerFormat::Csv)),
            ("TEXT/*;q=0.5", Some(AnswerFormat::Csv)),
            ("application/json;q=0.2, text/csv;q=0.9", Some(AnswerFormat::Csv)),
            ("text/csv;q=0, */*", Some(AnswerFormat::Json)),
            ("text/html", None),
            ("text/html, */*;q=0.1", Some(AnswerFormat::Json)),
            ("", None),
            ("text/csv;q=nonsense", None),
        ] {
            assert_eq!(best(accept, &both), expected, "{accept:?}");
        }
    }
}
