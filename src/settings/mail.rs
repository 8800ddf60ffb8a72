//! `[mail]`: the server that takes e-mail.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use url::Host;

use super::address::{both, ca_file, username};
use super::document::Want;
use super::fault::is_unsafe;
use super::secret::{Secret, secret};
use super::table::SettingsTable;
use super::text::{NAME_MAX, is_email};
use super::value::SettingsItem;

/// A server that takes e-mail, and how it is spoken with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mail {
    /// Name or address, an IPv6 address without brackets.
    pub host: String,
    pub port: u16,
    pub security: MailSecurity,
    pub login: Option<Login>,
    pub from: Sender,
    /// A file of certificates (PEM) to trust; `None`: the system's.
    pub ca_file: Option<PathBuf>,
    /// For the whole of one message, 1 to 100 seconds.
    pub timeout: Duration,
}

/// How the connection is kept from others' eyes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MailSecurity {
    /// It begins in plain text and must go over to TLS (RFC 3207) before anything
    /// is said.
    StartTls,
    /// TLS from the first byte (RFC 8314, section 3.3).
    Tls,
    /// None: only to a server on this computer.
    None,
}

impl MailSecurity {
    /// Every kind and its name in configuration files, in the order to show.
    const WORDS: [(&str, Self); 3] = [("starttls", Self::StartTls), ("tls", Self::Tls), ("none", Self::None)];

    /// The port that is meant where none is given: submission (RFC 6409),
    /// submission over TLS (RFC 8314) and SMTP (RFC 5321).
    pub fn port(self) -> u16 {
        match self {
            Self::StartTls => 587,
            Self::Tls => 465,
            Self::None => 25,
        }
    }
}

/// How the server knows us.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Login {
    pub username: String,
    pub password: Secret,
}

/// Who a message is from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sender {
    pub name: Option<String>,
    /// `name@domain`.
    pub address: String,
}

/// Reads the section; `None` where a fault was noted.
pub(super) fn mail(table: SettingsTable<'_>, folder: &Path) -> Option<Mail> {
    const FROM: &str = "an e-mail address, or a name and an address: \"Trug <trug@school.example>\"";
    let host = table.need("host", Want::Text, HOST).and_then(|item| Some((host(&item)?, item)));
    let security =
        table.read_or("security", Want::Text, MailSecurity::StartTls, |item| item.word(&MailSecurity::WORDS));
    let usual_port = security.unwrap_or(MailSecurity::StartTls).port();
    let ports = "587 for starttls, 465 for tls, 25 for none, if it is not given";
    let port = table.whole_or("port", 1..=65_535, usual_port.into(), ports);
    let login = login(&table, folder);
    let from = table.read("from", Want::Text, FROM, |item| sender(item, FROM));
    let ca_file = table.read_if("ca_file", Want::Text, |item| ca_file(item, folder));
    let timeout = table.seconds_or("timeout_s", 1..=100, 30);
    if let (Some((host, item)), Some(MailSecurity::None)) = (&host, security)
        && !is_this_computer(host)
    {
        let given = format!("{} with security = \"none\"", item.given());
        item.fault(
            given,
            "this computer (localhost, 127.0.0.1 or ::1); or security = \"starttls\" or \"tls\", since names, \
             addresses and the password would go through the network for everybody to read",
            None,
        );
    }
    table.finish();
    Some(Mail {
        host: host?.0,
        port: u16::try_from(port?).ok()?,
        security: security?,
        login: login?,
        from: from?,
        ca_file: ca_file?,
        timeout: timeout?,
    })
}

const HOST: &str = "the name or address of a mail server, without a port: \"mail.school.example\"";

fn host(item: &SettingsItem<'_>) -> Option<String> {
    let text = item.text(HOST)?;
    // An IPv6 address stands in brackets only where a port follows it.
    let bare = text.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(text);
    if let Ok(address) = bare.parse::<IpAddr>() {
        return Some(address.to_string());
    }
    match Host::parse(text) {
        Ok(Host::Domain(name)) if !name.is_empty() && !name.contains('%') => Some(name),
        Ok(Host::Ipv4(address)) => Some(address.to_string()),
        _ => item.refused(HOST),
    }
}

/// Whether what is said to this host stays on this computer. `localhost` does by
/// RFC 6761, section 6.3.
fn is_this_computer(host: &str) -> bool {
    match host.parse::<IpAddr>() {
        Ok(address) => address.to_canonical().is_loopback(),
        Err(_) => host.trim_end_matches('.') == "localhost",
    }
}

/// The outer `None` is a fault.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
fn login(table: &SettingsTable<'_>, folder: &Path) -> Option<Option<Login>> {
    let before = table.faults();
    let username = username(table);
    let password = secret(table, "password", "password_file", folder);
    if table.faults() > before {
        return None;
    }
    both(table, username, password, |username, password| Login { username, password })
}

fn sender(item: &SettingsItem<'_>, accepted: &str) -> Option<Sender> {
    let text = item.text(accepted)?;
    let (name, address) = match text.trim().strip_suffix('>').and_then(|rest| rest.rsplit_once('<')) {
        Some((name, address)) => (unquoted(name.trim()), address),
        None => ("", text.trim()),
    };
    let name_fits = name.chars().count() <= NAME_MAX
        && !name.chars().any(|c| is_unsafe(c) || matches!(c, '<' | '>' | '"' | '\\'));
    if !name_fits || !is_email(address) {
        return item.refused(accepted);
    }
    Some(Sender { name: (!name.is_empty()).then(|| name.to_owned()), address: address.to_owned() })
}

/// Mail programs write a name with a comma in quotes.
fn unquoted(name: &str) -> &str {
    name.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')).unwrap_or(name).trim()
}
