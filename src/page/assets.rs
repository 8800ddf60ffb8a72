//! Style and scripts: served under addresses that change with what is in them.

use std::sync::LazyLock;

use axum::extract::RawQuery;
use axum::http::header;
use axum::response::IntoResponse;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest::{SHA256, digest};

use crate::chart;
use crate::report;
use crate::report::html::packed;

/// Style of the pages and of their charts.
pub(super) static STYLE: LazyLock<Asset> =
    LazyLock::new(|| Asset::of("/style.css", &packed(&[include_str!("style.css"), chart::STYLE].concat())));

/// Style of the lesson, which the pages of months need beside the other.
pub(super) static LESSON: LazyLock<Asset> =
    LazyLock::new(|| Asset::of("/lesson.css", &packed(report::html::STYLE)));

/// Style of the pages for setting up, which need it beside the first.
pub(super) static SETUP: LazyLock<Asset> =
    LazyLock::new(|| Asset::of("/setup.css", &packed(include_str!("setup.css"))));

/// What moves the places of the garden's drawing.
pub(super) static MOVER: LazyLock<Asset> = LazyLock::new(|| Asset::of("/mover.js", include_str!("mover.js")));

/// What makes the pages a little better where scripts run.
pub(super) static SCRIPT: LazyLock<Asset> =
    LazyLock::new(|| Asset::of("/script.js", &[include_str!("live.js"), chart::SCRIPT].concat()));

/// The service worker: shows the last copies where the garden's computer is out of
/// reach. A new version has new bytes, so that browsers take it.
static OFFLINE: LazyLock<String> = LazyLock::new(|| {
    include_str!("offline.js")
        .replace("VERSION_OF_TRUG", &STYLE.version)
        .replace("STYLE_OF_TRUG", &STYLE.address())
        .replace("LESSON_OF_TRUG", &LESSON.address())
        .replace("SCRIPT_OF_TRUG", &SCRIPT.address())
});

pub(super) struct Asset {
    path: &'static str,
    text: String,
    version: String,
}

impl Asset {
    /// What browsers get: without the indentation and the comments of whole lines.
    fn of(path: &'static str, text: &str) -> Self {
        let lines = text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with("//"));
        let text = lines.collect::<Vec<_>>().join("\n");
        let version = URL_SAFE_NO_PAD.encode(&digest(&SHA256, text.as_bytes()).as_ref()[..9]);
        Self { path, text, version }
    }

    pub(super) fn address(&self) -> String {
        format!("{}?v={}", self.path, self.version)
    }

    /// What is asked for under its version may be kept for ever; else for minutes.
    fn answer(&'static self, query: Option<&str>, media: &'static str) -> impl IntoResponse + use<> {
        let current = query.and_then(|query| query.strip_prefix("v=")) == Some(self.version.as_str());
        let kept = if current { "public, max-age=31536000, immutable" } else { "max-age=300" };
        ([(header::CONTENT_TYPE, media), (header::CACHE_CONTROL, kept)], self.text.as_str())
    }
}

pub(super) async fn style(RawQuery(query): RawQuery) -> impl IntoResponse {
    STYLE.answer(query.as_deref(), "text/css; charset=utf-8")
}

pub(super) async fn lesson(RawQuery(query): RawQuery) -> impl IntoResponse {
    LESSON.answer(query.as_deref(), "text/css; charset=utf-8")
}

pub(super) async fn setup(RawQuery(query): RawQuery) -> impl IntoResponse {
    SETUP.answer(query.as_deref(), "text/css; charset=utf-8")
}

pub(super) async fn mover(RawQuery(query): RawQuery) -> impl IntoResponse {
    MOVER.answer(query.as_deref(), "text/javascript; charset=utf-8")
}

pub(super) async fn script(RawQuery(query): RawQuery) -> impl IntoResponse {
    SCRIPT.answer(query.as_deref(), "text/javascript; charset=utf-8")
}

pub(super) async fn offline() -> impl IntoResponse {
    let headers =
        [(header::CONTENT_TYPE, "text/javascript; charset=utf-8"), (header::CACHE_CONTROL, "no-cache")];
    (headers, OFFLINE.as_str())
}
