//! By what this program shows a broker who it is: a certificate of its own.

use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::sign::CertifiedKey;

use super::document::Want;
use super::small_file;
use super::table::SettingsTable;

/// Bytes of a certificate's or key's file that are read at most.
const BYTES_MAX: u64 = 256 * 1024;
const CERTIFICATE: &str = "a file with this program's own certificate in PEM form that trug may read";
const KEY: &str = "a file with the key of that certificate in PEM form that trug may read";

/// A certificate and its key, in files (PEM).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClientIdentity {
    pub certificate_file: PathBuf,
    pub key_file: PathBuf,
}

impl ClientIdentity {
    /// The certificates, this program's own first, and the key.
    ///
    /// # Errors
    /// In plain words, when a file cannot be read, holds something else, or the key is another
    /// certificate's.
    pub fn read(&self) -> Result<(Vec<CertificateDer<'static>>, PrivateKeyDer<'static>), String> {
        let (certificates, (key, _)) = (certificates(&self.certificate_file)?, key(&self.key_file)?);
        belong_together(&certificates, &key)?;
        Ok((certificates, key))
    }
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let (bytes, _) = small_file::read(file, BYTES_MAX)?;
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&bytes).collect();
    let found = found.map_err(|e| format!("a certificate in it cannot be read: {e}"))?;
    if found.is_empty() {
        return Err("there is no certificate in it".to_owned());
    }
    Ok(found)
}

/// The key, and whether everybody on this computer may read or change it.
fn key(file: &Path) -> Result<(PrivateKeyDer<'static>, bool), String> {
    let (bytes, metadata) = small_file::read(file, BYTES_MAX)?;
    let key = PrivateKeyDer::from_pem_slice(&bytes)
        .map_err(|_| "there is no key in it that can be read without a password".to_owned())?;
    Ok((key, metadata.permissions().mode() & 0o006 != 0))
}

fn belong_together(
    certificates: &[CertificateDer<'static>],
    key: &PrivateKeyDer<'static>,
) -> Result<(), String> {
    let provider = rustls::crypto::ring::default_provider();
    match CertifiedKey::from_der(certificates.to_vec(), key.clone_key(), &provider) {
        Ok(_) => Ok(()),
        Err(rustls::Error::InconsistentKeys(_)) => Err("the key of another certificate".to_owned()),
        Err(e) => Err(format!("cannot be used: {e}")),
    }
}

/// `certificate_file` and `key_file`, both or neither; the outer `None` is a fault.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
pub(super) fn client_identity(
    table: &SettingsTable<'_>,
    tls: Option<bool>,
    folder: &Path,
) -> Option<Option<ClientIdentity>> {
    let path = |key, accepted| {
        table.get(key, Want::Text).map(|item| {
            let path = item.text(accepted).map(|text| folder.join(text));
            (item, path)
        })
    };
    let (certificate, its_key) = (path("certificate_file", CERTIFICATE), path("key_file", KEY));
    let ((certificate_item, certificate_file), (key_item, key_file)) = match (certificate, its_key) {
        (None, None) => return Some(None),
        (Some(certificate), Some(key)) => (certificate, key),
        (Some(_), None) => return table.lacks("key_file", KEY),
        (None, Some(_)) => return table.lacks("certificate_file", CERTIFICATE),
    };
    if tls == Some(false) {
        let given = certificate_item.given();
        return certificate_item.faulty(
            given,
            "mqtts:// in url beside it: only TLS shows a certificate",
            None,
        );
    }
    let identity = ClientIdentity { certificate_file: certificate_file?, key_file: key_file? };
    let certificates = match certificates(&identity.certificate_file) {
        Ok(found) => found,
        Err(why) => return certificate_item.unusable(&why, CERTIFICATE),
    };
    match key(&identity.key_file).and_then(|(key, open)| belong_together(&certificates, &key).map(|()| open))
    {
        Ok(open) => {
            if open {
                key_item.open_to_everybody();
            }
            Some(Some(identity))
        }
        Err(why) => key_item.unusable(&why, KEY),
    }
}
