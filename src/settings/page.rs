//! `[page]`: where the web page listens, and who may read and change what.

use std::net::{IpAddr, SocketAddr};
use std::path::Path;

use url::Url;

use super::document::Want;
use super::secret::secret;
use super::table::Table;
use super::value::Item;
use crate::password::{ACCEPTED, PasswordHash};

/// The web page.
#[derive(Clone, Debug)]
pub struct Page {
    pub listen: SocketAddr,
    /// What opens the page to changes, and to readers elsewhere; `None`: nothing is
    /// changed on the page.
    pub password: Option<PasswordHash>,
    /// Host names in small letters under which the page is reached.
    pub public_names: Vec<String>,
    /// Whether everybody on the network may read without a password.
    pub open_to_network: bool,
    /// Origins whose pages may read the interface in a visitor's browser, as browsers
    /// write them: scheme and host, the port where it is not the scheme's own.
    pub cors_origins: Vec<String>,
}

/// Host names that can be listed.
const NAMES_MAX: usize = 20;

/// Reads the section; a relative path of the password's file starts at `folder`.
pub(super) fn page(table: Table<'_>, folder: &Path) -> Option<Page> {
    const LISTEN: &str = "an address and a port: 127.0.0.1:8470";
    let open = table.get("open_to_network", Want::Value).map_or(Some(false), |item| item.boolean());
    let before = table.document().fault_count();
    let password = secret(&table, "password", "password_file", folder);
    let password = password.and_then(|secret| match PasswordHash::parse(secret.reveal()) {
        Ok(hash) => Some(hash),
        Err(why) => {
            table.fault("password_file", format!("{why} (not shown)"), ACCEPTED, None);
            None
        }
    });
    let password_at_fault = table.document().fault_count() > before;
    let names = match table.get("public_names", Want::List) {
        Some(item) => public_names(&item),
        None => Some(Vec::new()),
    };
    let origins = table.get("cors_origins", Want::List).map_or(Some(Vec::new()), |item| origins(&item));
    let listen = table.need("listen", Want::Text, LISTEN).and_then(|item| {
        let Ok(listen) = item.text(LISTEN)?.parse::<SocketAddr>() else {
            item.refuse(LISTEN);
            return None;
        };
        let guarded = password.is_some() || password_at_fault;
        if !listen.ip().is_loopback() && open == Some(false) && !guarded {
            item.refuse(
                "an address of this computer only, such as 127.0.0.1:8470; or password_file beside it, with which \
                 others read the page; or open_to_network = true, which lets everybody on the network read it \
                 without a password",
            );
            return None;
        }
        Some(listen)
    });
    table.finish();
    // With a password at fault the fault is noted and nothing starts; the address is
    // given all the same, so that links are not said to lack it.
    Some(Page {
        listen: listen?,
        password,
        public_names: names?,
        open_to_network: open?,
        cors_origins: origins?,
    })
}

/// Origins, at most a few: each is looked at with every request.
fn origins(item: &Item<'_>) -> Option<Vec<String>> {
    const MOST: usize = 20;
    const ACCEPTED: &str =
        "a list of at most 20 origins without a path, such as [\"https://class.school.example\"]";
    let parts = item.list_of(ACCEPTED)?;
    if parts.len() > MOST {
        item.refuse(ACCEPTED);
        return None;
    }
    let mut origins = Vec::new();
    for part in &parts {
        let text = part.text(ACCEPTED)?;
        // Browsers send an origin in one form only; another would never be met.
        let plain = Url::parse(text).ok().filter(|url| matches!(url.scheme(), "https" | "http"));
        if plain.is_none_or(|url| url.origin().ascii_serialization() != text) {
            part.refuse("an origin as browsers write it, such as https://class.school.example: no path, no slash at the end, no *");
            return None;
        }
        origins.push(text.to_owned());
    }
    Some(origins)
}

fn public_names(item: &Item<'_>) -> Option<Vec<String>> {
    const NAMES: &str = "a list of at most 20 host names under which the page is reached, such as \
                         [\"garden.school.example\"]";
    const NAME: &str = "a host name without scheme, port and path, such as garden.school.example; this computer's \
                        own names and addresses in numbers need not be listed";
    let parts = item.list_of(NAMES)?;
    if parts.len() > NAMES_MAX {
        item.refuse(NAMES);
        return None;
    }
    let mut names = Vec::new();
    for part in &parts {
        let name = part.text(NAME)?.to_ascii_lowercase();
        if !is_name(&name) {
            part.refuse(NAME);
            return None;
        }
        names.push(name);
    }
    Some(names)
}

/// Whether a text is a host name (RFC 1123, section 2.1) and not this computer's own.
fn is_name(name: &str) -> bool {
    let label = |label: &str| {
        (1..=63).contains(&label.len())
            && label.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
            && !label.starts_with('-')
            && !label.ends_with('-')
    };
    name.len() <= 253
        && name.split('.').all(label)
        && name != "localhost"
        && name.parse::<IpAddr>().is_err()
        // A browser reads a name whose last part is a number as an address.
        && !name.rsplit('.').next().is_some_and(|last| last.bytes().all(|b| b.is_ascii_digit()))
}
