//! Forms: reading what was sent, within limits, and taking each once.

mod fields;
pub(super) mod write;

use std::collections::VecDeque;
use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, header};
use tokio::sync::Mutex;
use tokio::time::timeout;

use super::errors::Problem;

/// Bytes of a form: a note of 2000 characters, each written as up to twelve, and some
/// fields.
const FORM_MAX: usize = 32 * 1024;

/// Fields of a form; more are not looked at.
const FIELDS_MAX: usize = 64;

/// How long a form may take to come.
const FORM_WAIT: Duration = Duration::from_secs(15);

/// A form's fields, in their order.
#[derive(Clone, Debug, Default)]
pub(super) struct Form(Vec<(String, String)>);

impl Form {
    /// Reads a form.
    ///
    /// # Errors
    /// When it is no form, is too long or takes too long to come.
    pub(super) async fn read(headers: &HeaderMap, body: Body) -> Result<Self, Problem> {
        if !is_form(headers) {
            return Err(Problem::NoForm);
        }
        let bytes = timeout(FORM_WAIT, to_bytes(body, FORM_MAX)).await.map_err(|_| Problem::FormLate)?;
        Ok(Self::of(&bytes.map_err(|_| Problem::FormLong)?))
    }

    pub(super) fn of(bytes: &[u8]) -> Self {
        let fields = url::form_urlencoded::parse(bytes).take(FIELDS_MAX);
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
}

pub(super) fn is_form(headers: &HeaderMap) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let kind = kind.split(';').next().unwrap_or_default().trim();
    kind.eq_ignore_ascii_case("application/x-www-form-urlencoded")
}

/// Forms that were taken, by the text that each carried, so that one that is sent twice
/// (a second press, a page loaded again) is written once.
#[derive(Debug, Default)]
pub(super) struct Written(pub(super) Mutex<Taken>);

/// Taken forms that are remembered; the oldest go first.
const TAKEN_MAX: usize = 1000;

/// The texts of taken forms, with where each led.
#[derive(Debug, Default)]
pub(super) struct Taken(VecDeque<(String, String)>);

impl Taken {
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
