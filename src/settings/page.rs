//! `[page]`: where the web page listens, and who may read and change what.

use std::net::{IpAddr, SocketAddr};
use std::path::Path;

use url::Url;

use super::document::Want;
use super::secret::secret;
use super::table::SettingsTable;
use super::value::SettingsItem;
use crate::password::{ACCEPTED, PasswordHash};

/// The web page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    pub listen: SocketAddr,
    /// What opens the page to changes, and to readers elsewhere; `None`: nothing is
    /// changed on the page.
    pub password: Option<PasswordHash>,
    /// Host names in small letters under which the page is reached.
    pub public_names: Vec<String>,
    /// Whether everybody on the network may read without a password.
    pub open_to_network: bool,
    /// Whether the page is read on this computer without a password.
    pub open_here: bool,
    /// Proxies on other computers whose word counts for whom they ask.
    pub trusted_proxies: Vec<IpAddr>,
    /// Origins whose pages may read the interface in a visitor's browser, as browsers
    /// write them: scheme and host, the port where it is not the scheme's own.
    pub cors_origins: Vec<String>,
}

/// Host names or origins that can be listed.
const LIST_MAX: usize = 20;

/// Reads the section; a relative path of the password's file starts at `folder`.
pub(super) fn page(table: SettingsTable<'_>, folder: &Path) -> Option<Page> {
    const LISTEN: &str = "an address and a port: 127.0.0.1:8470";
    let open = table.flag("open_to_network");
    let before = table.faults();
    let password = secret(&table, "password", "password_file", folder);
    let password = password.and_then(|secret| match PasswordHash::parse(secret.reveal()) {
        Ok(hash) => Some(hash),
        Err(why) => table.faulty("password_file", format!("{why} (not shown)"), ACCEPTED),
    });
    let password_at_fault = table.faults() > before;
    let names = table.read_or("public_names", Want::List, Vec::new(), public_names);
    let origins = table.read_or("cors_origins", Want::List, Vec::new(), origins);
    // Where others reach the page, something passes their requests on, and not every
    // such thing says so.
    let open_here = names.as_ref().is_none_or(Vec::is_empty);
    let open_here = table.read_or("open_here", Want::Value, open_here, SettingsItem::boolean);
    let proxies = table.read_or("trusted_proxies", Want::List, Vec::new(), proxies);
    let listen = table.read("listen", Want::Text, LISTEN, |item| {
        let Ok(listen) = item.text(LISTEN)?.parse::<SocketAddr>() else { return item.refused(LISTEN) };
        let guarded = password.is_some() || password_at_fault;
        if !listen.ip().is_loopback() && open == Some(false) && !guarded {
            return item.refused(
                "an address of this computer only, such as 127.0.0.1:8470; or password_file beside it, with which \
                 others read the page; or open_to_network = true, which lets everybody on the network read it \
                 without a password",
            );
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
        open_here: open_here?,
        trusted_proxies: proxies?,
        cors_origins: origins?,
    })
}

/// Origins, at most a few: each is looked at with every request.
fn origins(item: &SettingsItem<'_>) -> Option<Vec<String>> {
    const ACCEPTED: &str =
        "a list of at most 20 origins without a path, such as [\"https://class.school.example\"]";
    item.list(ACCEPTED, ..=LIST_MAX, |part| {
        let text = part.text(ACCEPTED)?;
        // Browsers send an origin in one form only; another would never be met.
        let plain = Url::parse(text).ok().filter(|url| matches!(url.scheme(), "https" | "http"));
        if plain.is_none_or(|url| url.origin().ascii_serialization() != text) {
            return part.refused("an origin as browsers write it, such as https://class.school.example: no path, no slash at the end, no *");
        }
        Some(text.to_owned())
    })
}

fn proxies(item: &SettingsItem<'_>) -> Option<Vec<IpAddr>> {
    const ACCEPTED: &str = "a list of at most 20 addresses of proxies on other computers, such as [\"192.168.1.2\"]; \
                            one on this computer need not be listed";
    item.list(ACCEPTED, ..=LIST_MAX, |part| {
        let Ok(address) = part.text(ACCEPTED)?.parse::<IpAddr>() else { return part.refused(ACCEPTED) };
        Some(address.to_canonical())
    })
}

fn public_names(item: &SettingsItem<'_>) -> Option<Vec<String>> {
    const NAMES: &str = "a list of at most 20 host names under which the page is reached, such as \
                         [\"garden.school.example\"]";
    const NAME: &str = "a host name without scheme, port and path, such as garden.school.example; this computer's \
                        own names and addresses in numbers need not be listed";
    item.list(NAMES, ..=LIST_MAX, |part| {
        let name = part.text(NAME)?.to_ascii_lowercase();
        if is_name(&name) { Some(name) } else { part.refused(NAME) }
    })
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
