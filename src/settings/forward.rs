//! `[[forward]]`: servers that get every stored reading as well.

use std::path::Path;
use std::time::Duration;

use url::Url;

use super::address::{both, has_credentials, shown, username};
use super::document::Want;
use super::secret::{Secret, secret};
use super::table::SettingsTable;
use super::text::{Names, own_name};
use super::value::SettingsItem;

/// A time-series server that gets every stored reading as well.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Forward {
    /// Names its durable position in the store.
    pub name: String,
    /// http or https, ending in `/write` or `/api/v2/write`, with its query.
    pub url: Url,
    pub auth: ForwardAuth,
    /// Readings in one request at most.
    pub batch: u32,
    pub timeout: Duration,
    /// Whether requests are compressed.
    pub gzip: bool,
    /// For so long what the server took counts as not yet kept.
    pub keep_back: Duration,
}

/// How a server knows us.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ForwardAuth {
    None,
    Token(Secret),
    Password { username: String, password: Secret },
}

/// Reads the servers; those at fault are left out.
pub(super) fn forwards(tables: Vec<SettingsTable<'_>>, folder: &Path) -> Vec<Forward> {
    let mut names = Names::new("a name of its own for each server");
    tables
        .into_iter()
        .filter_map(|table| {
            let name = own_name(&table, "name", "a name", &mut names);
            let url = table.read("url", Want::Text, FORWARD_URL, forward_url);
            let auth = forward_auth(&table, folder);
            let batch = table.whole_or("batch", 1..=100_000, 5000, "readings");
            let timeout = table.seconds_or("timeout_s", 1..=600, 10);
            let gzip = table.flag("gzip");
            let keep_back = table.seconds_or("keep_back_s", 0..=3600, 0);
            table.finish();
            Some(Forward {
                gzip: gzip.unwrap_or(true),
                keep_back: keep_back?,
                name: name?,
                url: url?,
                auth: auth?,
                batch: batch?,
                timeout: timeout?,
            })
        })
        .collect()
}

const FORWARD_URL: &str = "http:// or https:// with a path that ends in /write and ?db=NAME, or in /api/v2/write and \
                           ?bucket=NAME; times are sent in nanoseconds, so no precision but ns";

fn forward_url(item: &SettingsItem<'_>) -> Option<Url> {
    let text = item.text(FORWARD_URL)?;
    let refuse = |given: String, accepted: &str| item.faulty(given, accepted, None);
    if has_credentials(text) {
        return refuse(
            shown(text),
            "an address without a user name: use username and password_file, or token_file",
        );
    }
    let Ok(url) = Url::parse(text) else { return refuse(shown(text), FORWARD_URL) };
    let query = |key: &str| url.query_pairs().find(|(k, _)| k == key).map(|(_, v)| v.into_owned());
    if query("p").is_some() {
        return refuse(
            "an address with a password, p= (not shown)".to_owned(),
            "an address without p=: use username and password_file, since this file is copied and shown to people",
        );
    }
    let needs = if url.path().ends_with("/api/v2/write") {
        "bucket"
    } else if url.path().ends_with("/write") {
        "db"
    } else {
        return refuse(shown(text), FORWARD_URL);
    };
    let fits = matches!(url.scheme(), "http" | "https")
        && url.has_host()
        && url.fragment().is_none()
        && query(needs).is_some_and(|name| !name.is_empty())
        && query("precision").is_none_or(|p| matches!(p.as_str(), "n" | "ns"));
    if fits { Some(url) } else { refuse(shown(text), FORWARD_URL) }
}

pub(super) fn forward_auth(table: &SettingsTable<'_>, folder: &Path) -> Option<ForwardAuth> {
    let before = table.faults();
    let token = secret(table, "token", "token_file", folder);
    let username = username(table);
    let password = secret(table, "password", "password_file", folder);
    if table.faults() > before {
        return None;
    }
    match token {
        Some(token) if username.is_none() && password.is_none() => Some(ForwardAuth::Token(token)),
        Some(_) => {
            table.faulty("token_file", "a token beside a user name or password", "one of the two ways")
        }
        None => {
            let password = both(table, username, password, |username, password| ForwardAuth::Password {
                username,
                password,
            });
            password.map(|it| it.unwrap_or(ForwardAuth::None))
        }
    }
}
