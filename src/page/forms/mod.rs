//! Forms: reading what was sent, within limits.

use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, header};
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
