//! Addresses of servers: what of them may be shown, and who is meant.

use std::path::{Path, PathBuf};

use rustls::RootCertStore;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use url::{Host, Url};

use super::document::Want;
use super::fault::quoted;
use super::secret::Secret;
use super::small_file;
use super::table::SettingsTable;
use super::value::SettingsItem;

/// Whether an address carries a user name or password.
pub(super) fn has_credentials(url: &str) -> bool {
    let authority = url.split_once("//").map_or(url, |(_, rest)| rest);
    authority.split(['/', '?']).next().is_some_and(|a| a.contains('@'))
}

/// The address in quotes, unless it carries a password.
pub(super) fn shown(url: &str) -> String {
    if has_credentials(url) { "an address with a user name (not shown)".to_owned() } else { quoted(url) }
}

/// Scheme and host of an address, which may be shown.
pub fn server(url: &Url) -> String {
    match (url.host_str(), url.port()) {
        (Some(host), Some(port)) => format!("{}://{host}:{port}", url.scheme()),
        (Some(host), None) => format!("{}://{host}", url.scheme()),
        (None, _) => url.scheme().to_owned(),
    }
}

/// Whether the address is this computer's.
pub(crate) fn is_loopback(url: &Url) -> bool {
    match url.host() {
        Some(Host::Ipv4(address)) => address.is_loopback(),
        Some(Host::Ipv6(address)) => address.is_loopback(),
        Some(Host::Domain(name)) => name == "localhost",
        None => false,
    }
}

/// Whether an address is a scheme, a host and no more.
pub(super) fn is_server_only(url: &Url) -> bool {
    matches!(url.path(), "" | "/") && url.query().is_none() && url.fragment().is_none()
}

/// A user's name at a server.
pub(super) fn username(table: &SettingsTable<'_>) -> Option<String> {
    table.get("username", Want::Text)?.text_that("1 to 256 characters without control characters", |text| {
        (1..=256).contains(&text.chars().count()) && !text.chars().any(char::is_control)
    })
}

/// A file of certificates, relative to `folder`.
pub(super) fn ca_file(item: &SettingsItem<'_>, folder: &Path) -> Option<PathBuf> {
    const ACCEPTED: &str = "a file of certificates in PEM form that trug may read";
    let path = folder.join(item.text(ACCEPTED)?);
    match certificates(&path) {
        Ok(()) => Some(path),
        Err(why) => item.unusable(&why, ACCEPTED),
    }
}

/// Whether a file holds certificates of authorities, as those who trust it will read them.
fn certificates(path: &Path) -> Result<(), String> {
    const DER: &str =
        "a certificate in DER form; openssl x509 -inform der -in FILE -out FILE.pem makes it PEM";
    /// Bytes of certificates that are read at most: those of a whole system have some hundred thousand.
    const BYTES_MAX: u64 = 4 * 1024 * 1024;
    let (bytes, _) = small_file::read(path, BYTES_MAX)?;
    // A sequence of ASN.1 (X.690, section 8.9.1) begins so, and no PEM.
    if bytes.starts_with(&[0x30]) {
        return Err(DER.to_owned());
    }
    let mut roots = RootCertStore::empty();
    for (at, found) in CertificateDer::pem_slice_iter(&bytes).enumerate() {
        let number = at + 1;
        let certificate = found.map_err(|e| format!("certificate {number} in it cannot be read: {e}"))?;
        roots.add(certificate).map_err(|e| format!("certificate {number} in it cannot be used: {e}"))?;
    }
    if !roots.is_empty() {
        return Ok(());
    }
    let text = String::from_utf8_lossy(&bytes);
    Err(if text.contains("PRIVATE KEY-----") {
        "it holds a private key and no certificate".to_owned()
    } else {
        "there is no certificate in it".to_owned()
    })
}

/// A user's name and password, both or neither; the outer `None` is a fault.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
pub(super) fn both<T>(
    table: &SettingsTable<'_>,
    username: Option<String>,
    password: Option<Secret>,
    made: impl FnOnce(String, Secret) -> T,
) -> Option<Option<T>> {
    match (username, password) {
        (None, None) => Some(None),
        (Some(username), Some(password)) => Some(Some(made(username, password))),
        (Some(_), None) => table.lacks("password_file", "the file with this user's password"),
        (None, Some(_)) => table.lacks("username", "the user whose password this is"),
    }
}
