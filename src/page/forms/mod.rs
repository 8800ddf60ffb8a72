//! Forms: reading what was sent, within limits, and taking each once.

mod fields;
pub(super) use fields::local;
mod units;
pub(super) mod write;

use std::collections::VecDeque;
use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use tokio::time::timeout;

use super::problem::Problem;

/// Fields of a form; more are not looked at.
const FIELDS_MAX: usize = 64;

/// How long a form may take to come.
const FORM_WAIT: Duration = Duration::from_secs(15);

/// The fields of a form or a query, in their order.
#[derive(Clone, Debug, Default)]
pub(super) struct FormFields(Vec<(String, String)>);

impl FormFields {
    /// Bytes of a form: a note of 2000 characters, each written as up to twelve, and some
    /// fields.
    pub(super) const BYTES_MAX: usize = 32 * 1024;

    /// Reads a form of at most `bytes_max` bytes.
    ///
    /// # Errors
    /// When it is no form, is too long or takes too long to come.
    pub(super) async fn read(headers: &HeaderMap, body: Body, bytes_max: usize) -> Result<Self, Problem> {
        if !is_form(headers) {
            return Err(Problem::NoForm);
        }
        let bytes = timeout(FORM_WAIT, to_bytes(body, bytes_max)).await.map_err(|_| Problem::FormLate)?;
        let mut fields = Self::of(bytes.map_err(|_| Problem::FormLong)?);
        fields.0.truncate(FIELDS_MAX);
        Ok(fields)
    }

    /// Reads a query.
    pub(super) fn of(query: impl AsRef<[u8]>) -> Self {
        let fields = url::form_urlencoded::parse(query.as_ref());
        Self(fields.map(|(name, value)| (name.into_owned(), value.into_owned())).collect())
    }

    /// The first field of a name, without white space around it; empty where there is none.
    pub(super) fn text(&self, name: &str) -> &str {
        self.whole(name).trim()
    }

    /// The same with its white space.
    pub(super) fn whole(&self, name: &str) -> &str {
        self.0.iter().find(|(key, _)| key == name).map_or("", |(_, value)| value)
    }

    /// Every field with its value.
    pub(super) fn all(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(name, value)| (name.as_str(), value.as_str()))
    }

    /// Takes fields away.
    pub(super) fn leave_out(&mut self, names: &[&str]) {
        self.0.retain(|(name, _)| !names.contains(&name.as_str()));
    }

    pub(super) fn add(&mut self, name: &str, value: &str) {
        self.0.push((name.to_owned(), value.to_owned()));
    }

    /// As a browser would send it.
    pub(super) fn written(&self) -> String {
        url::form_urlencoded::Serializer::new(String::new()).extend_pairs(&self.0).finish()
    }

    /// The same; `None` where it is empty.
    pub(super) fn given(&self, name: &str) -> Option<&str> {
        Some(self.whole(name)).filter(|value| !value.is_empty())
    }
}

fn is_form(headers: &HeaderMap) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let kind = kind.split(';').next().unwrap_or_default().trim();
    kind.eq_ignore_ascii_case("application/x-www-form-urlencoded")
}

/// Taken forms that are remembered; the oldest go first.
const TAKEN_MAX: usize = 1000;

/// The texts of forms that were taken, with where each led, so that one that is sent twice
/// (a second press, a page loaded again) is written once.
#[derive(Debug, Default)]
pub(super) struct TakenForms(VecDeque<(String, String)>);

impl TakenForms {
    /// Where a form led that was taken before.
    pub(super) fn led_to(&self, once: &str) -> Option<&str> {
        self.0.iter().find(|(known, _)| known == once).map(|(_, to)| to.as_str())
    }

    pub(super) fn add(&mut self, once: String, to: String) {
        if self.0.len() == TAKEN_MAX {
            self.0.pop_front();
        }
        self.0.push_back((once, to));
    }
}

/// Sends the browser on to another page.
pub(super) fn see_other(to: &str) -> Response {
    let to = HeaderValue::from_str(to).unwrap_or(HeaderValue::from_static("/"));
    (StatusCode::SEE_OTHER, [(header::LOCATION, to)]).into_response()
}

/// The list of what is wrong, each a link to its field.
pub(super) fn wrong_list<'a>(faults: impl Iterator<Item = (&'a str, &'a str)>) -> Markup {
    html! {
        section class="wrong" role="alert" aria-labelledby="wrong" {
            h2 id="wrong" { "Nothing is saved yet" }
            ul { @for (field, words) in faults { li { a href={ "#" (field) } { (words) } } } }
        }
    }
}
