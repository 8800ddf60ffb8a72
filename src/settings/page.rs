//! `[page]`: where the web page listens, and who may read and change what.

use std::collections::HashSet;
use std::net::{IpAddr, SocketAddr};
use std::path::Path;

use url::Url;

use super::document::Want;
use super::secret::secret;
use super::table::SettingsTable;
use super::text::id;
use super::value::SettingsItem;
use crate::model::Id;
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
    /// Who enters with a name and a password of their own.
    pub users: Vec<PageUser>,
}

/// Somebody who enters with a name and a password of their own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PageUser {
    /// 1 to [`NAME_MAX`] characters; capital and small letters are the same.
    pub name: String,
    pub password: PasswordHash,
    /// The gardens that this one sees; `None`: all.
    pub gardens: Option<Vec<Id>>,
    /// Whether this one may change anything there.
    pub may_change: bool,
}

impl PageUser {
    /// What two names have in common that are the same user's: phones begin words with a
    /// capital letter.
    pub fn key(name: &str) -> String {
        name.trim().to_lowercase()
    }
}

/// Host names or origins that can be listed.
const LIST_MAX: usize = 20;
/// Users that can be listed: several for each of some thousand schools.
const USERS_MAX: usize = 10_000;
/// Characters of a user's name, as of the name that is given with an answer.
const NAME_MAX: usize = crate::alarms::Answer::NAME_MAX;

/// Reads the section; a relative path of the password's file starts at `folder`.
pub(super) fn page(table: SettingsTable<'_>, folder: &Path) -> Option<Page> {
    const LISTEN: &str = "an address and a port: 127.0.0.1:8470";
    let open = table.flag("open_to_network");
    let before = table.faults();
    let password = password(&table, folder);
    let password_at_fault = table.faults() > before;
    let users = users(&table, folder);
    let names = table.read_or("public_names", Want::List, Vec::new(), public_names);
    let origins = table.read_or("cors_origins", Want::List, Vec::new(), origins);
    // Where others reach the page, something passes their requests on, and not every
    // such thing says so.
    let open_here = names.as_ref().is_none_or(Vec::is_empty);
    let open_here = table.read_or("open_here", Want::Value, open_here, SettingsItem::boolean);
    let proxies = table.read_or("trusted_proxies", Want::List, Vec::new(), proxies);
    let listen = table.read("listen", Want::Text, LISTEN, |item| {
        let Ok(listen) = item.text(LISTEN)?.parse::<SocketAddr>() else { return item.refused(LISTEN) };
        let guarded = password.is_some() || password_at_fault || users.as_ref().is_none_or(|it| !it.is_empty());
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
    // With a password or a user at fault the fault is noted and nothing starts; the address
    // is given all the same, so that links are not said to lack it.
    Some(Page {
        listen: listen?,
        password,
        public_names: names?,
        open_to_network: open?,
        open_here: open_here?,
        trusted_proxies: proxies?,
        cors_origins: origins?,
        users: users.unwrap_or_default(),
    })
}

/// The password's hash, where the table has one.
fn password(table: &SettingsTable<'_>, folder: &Path) -> Option<PasswordHash> {
    let secret = secret(table, "password", "password_file", folder)?;
    match PasswordHash::parse(secret.reveal()) {
        Ok(hash) => Some(hash),
        Err(why) => table.faulty("password_file", format!("{why} (not shown)"), ACCEPTED),
    }
}

/// Those who enter by name, each of a name of their own.
fn users(table: &SettingsTable<'_>, folder: &Path) -> Option<Vec<PageUser>> {
    let before = table.faults();
    let tables = table.sections("user", "name");
    if tables.len() > USERS_MAX {
        table.fault("user", format!("{} users", tables.len()), format!("at most {USERS_MAX}"));
    }
    let mut users: Vec<PageUser> = Vec::new();
    let mut taken = HashSet::new();
    for of_user in tables {
        users.extend(user(&of_user, folder, &mut taken));
        of_user.finish();
    }
    (table.faults() == before).then_some(users)
}

fn user(table: &SettingsTable<'_>, folder: &Path, taken: &mut HashSet<String>) -> Option<PageUser> {
    const NAME: &str = "a name of 1 to 40 characters on one line, which no other user has";
    const GARDENS: &str =
        "a list of at least one garden's id, such as [\"saltbush-gully\"]; without the key, all gardens";
    let name = table.read("name", Want::Text, NAME, |item| {
        let plain = |text: &str| {
            let length = text.trim().chars().count();
            (1..=NAME_MAX).contains(&length) && !text.chars().any(super::fault::is_unsafe)
        };
        let name = item.text_that(NAME, plain)?.trim().to_owned();
        if taken.insert(PageUser::key(&name)) { Some(name) } else { item.refused(NAME) }
    });
    let gardens = table.read_if("gardens", Want::List, |item| item.list_all(GARDENS, 1.., id));
    let may_change = table.read_or("may_change", Want::Value, true, SettingsItem::boolean);
    let before = table.faults();
    let password = password(table, folder);
    if password.is_none() && table.faults() == before {
        table.missing("password_file", "a file with the line that trug password prints");
    }
    Some(PageUser { name: name?, password: password?, gardens: gardens?, may_change: may_change? })
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
