//! `[older_readings]`: the server from which readings come that the store has put into their
//! days' figures.

use std::path::Path;

use url::Url;

use super::address::{has_credentials, shown};
use super::document::Want;
use super::forward::{ForwardAuth, forward_auth};
use super::table::SettingsTable;
use super::value::SettingsItem;

/// A time-series server that is asked for what was forwarded to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OlderReadingsServer {
    /// http or https, ending in `/query` or `/api/v1/export`, with its query.
    pub url: Url,
    pub auth: ForwardAuth,
}

/// Reads the server; the outer `None` is a fault.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
pub(super) fn older_readings(
    table: Option<SettingsTable<'_>>,
    folder: &Path,
) -> Option<Option<OlderReadingsServer>> {
    let Some(table) = table else { return Some(None) };
    let url = table.read("url", Want::Text, URL, older_url);
    let auth = forward_auth(&table, folder);
    table.finish();
    Some(Some(OlderReadingsServer { url: url?, auth: auth? }))
}

const URL: &str = "http:// or https:// with a path that ends in /query and ?db=NAME (InfluxDB), or in /api/v1/export \
                   (VictoriaMetrics): the server that a [[forward]] writes to";

fn older_url(item: &SettingsItem<'_>) -> Option<Url> {
    let text = item.text(URL)?;
    let refuse = |given: String, accepted: &str| item.faulty(given, accepted, None);
    if has_credentials(text) {
        return refuse(
            shown(text),
            "an address without a user name: use username and password_file, or token_file",
        );
    }
    let Ok(url) = Url::parse(text) else { return refuse(shown(text), URL) };
    let asks = |key: &str| url.query_pairs().any(|(name, _)| name == key);
    if asks("p") {
        return refuse(
            "an address with a password, p= (not shown)".to_owned(),
            "an address without p=: use username and password_file, since this file is copied and shown to people",
        );
    }
    let (own, needs_db): (&[&str], bool) = if url.path().ends_with("/query") {
        (&["q", "epoch", "chunked", "chunk_size"], true)
    } else if url.path().ends_with("/api/v1/export") {
        (&["match[]", "match", "start", "end", "format", "max_rows_per_line"], false)
    } else {
        return refuse(shown(text), URL);
    };
    if let Some(key) = own.iter().find(|key| asks(key)) {
        return refuse(shown(text), &format!("an address without {key}=, which Trug adds itself"));
    }
    let named = url.query_pairs().any(|(name, value)| name == "db" && !value.is_empty());
    let fits = matches!(url.scheme(), "http" | "https")
        && url.has_host()
        && url.fragment().is_none()
        && (named || !needs_db);
    if fits { Some(url) } else { refuse(shown(text), URL) }
}
