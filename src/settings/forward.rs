//! `[[forward]]`: servers that get every stored reading as well.

use std::path::Path;
use std::time::Duration;

use url::Url;

use super::daemon::{has_credentials, shown, username, whole};
use super::document::Want;
use super::secret::{Secret, secret};
use super::table::Table;
use super::text::{Names, named};
use super::value::Item;

/// A time-series server that gets every stored reading as well.
#[derive(Clone, Debug)]
pub struct Forward {
    /// Names its durable position in the store.
    pub name: String,
    /// http or https, ending in `/write` or `/api/v2/write`, with its query.
    pub url: Url,
    pub auth: ForwardAuth,
    /// Readings in one request at most.
    pub batch: u32,
    pub timeout: Duration,
}

/// How a server knows us.
#[derive(Clone, Debug)]
pub enum ForwardAuth {
    None,
    Token(Secret),
    Password { username: String, password: Secret },
}

/// Reads the servers; those at fault are left out.
pub(super) fn forwards(tables: Vec<Table<'_>>, folder: &Path) -> Vec<Forward> {
    let mut names = Names::new("a name of its own for each server");
    tables
        .into_iter()
        .filter_map(|table| {
            let name = table.need("name", Want::Text, "a name").and_then(|item| {
                let name = named(&item)?;
                names.claim(&item, &name).then_some(name)
            });
            let url = table.need("url", Want::Text, FORWARD_URL).and_then(|item| forward_url(&item));
            let auth = forward_auth(&table, folder);
            let batch = whole(&table, "batch", 1..=100_000, 5000, "readings");
            let timeout_s = whole(&table, "timeout_s", 1..=600, 10, "seconds");
            table.finish();
            Some(Forward {
                name: name?,
                url: url?,
                auth: auth?,
                batch: batch?,
                timeout: Duration::from_secs(u64::from(timeout_s?)),
            })
        })
        .collect()
}

const FORWARD_URL: &str = "http:// or https:// with a path that ends in /write and ?db=NAME, or in /api/v2/write and \
                           ?bucket=NAME; times are sent in nanoseconds, so no precision but ns";

fn forward_url(item: &Item<'_>) -> Option<Url> {
    let text = item.text(FORWARD_URL)?;
    let refuse = |given: String, accepted: &str| {
        item.fault(given, accepted, None);
        None
    };
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

fn forward_auth(table: &Table<'_>, folder: &Path) -> Option<ForwardAuth> {
    let before = table.document().fault_count();
    let token = secret(table, "token", "token_file", folder);
    let username = table.get("username", Want::Text).and_then(|item| username(&item));
    let password = secret(table, "password", "password_file", folder);
    if table.document().fault_count() > before {
        return None;
    }
    match (token, username, password) {
        (None, None, None) => Some(ForwardAuth::None),
        (Some(token), None, None) => Some(ForwardAuth::Token(token)),
        (None, Some(username), Some(password)) => Some(ForwardAuth::Password { username, password }),
        (Some(_), _, _) => {
            table.fault("token_file", "a token beside a user name or password", "one of the two ways", None);
            None
        }
        (None, Some(_), None) => {
            table.missing("password_file", "the file with this user's password");
            None
        }
        (None, None, Some(_)) => {
            table.missing("username", "the user whose password this is");
            None
        }
    }
}
