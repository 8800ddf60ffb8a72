//! TLS to the broker, and to others: which certificate authorities are trusted.

use std::path::Path;
use std::sync::Arc;

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use rustls::{ClientConfig, RootCertStore};
use rustls_native_certs::CertificateResult;

/// Trusts the authorities of `ca_file` and no others; without one, those of the system.
pub(crate) fn client_config(ca_file: Option<&Path>) -> Result<ClientConfig, String> {
    let roots = match ca_file {
        Some(file) => private_roots(file)?,
        None => system_roots(rustls_native_certs::load_native_certs())?,
    };
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    Ok(ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| format!("setting up TLS: {e}"))?
        .with_root_certificates(roots)
        .with_no_client_auth())
}

/// Every certificate of a PEM file; one that cannot be read is an error.
fn private_roots(file: &Path) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    let pem = CertificateDer::pem_file_iter(file)
        .map_err(|e| format!("reading certificates from {}: {e}", file.display()))?;
    for certificate in pem {
        let certificate = certificate.map_err(|e| format!("a certificate in {}: {e}", file.display()))?;
        roots.add(certificate).map_err(|e| format!("a certificate in {}: {e}", file.display()))?;
    }
    if roots.is_empty() {
        return Err(format!("there is no certificate in {}", file.display()));
    }
    Ok(roots)
}

/// What can be read of the system's certificates: some of its hundred and more may be
/// old ones that no program takes any more.
fn system_roots(found: CertificateResult) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    roots.add_parsable_certificates(found.certs);
    if roots.is_empty() {
        let errors: Vec<String> = found.errors.iter().map(ToString::to_string).collect();
        return Err(format!("the system has no certificates to trust [{}]", errors.join("; ")));
    }
    Ok(roots)
}

#[cfg(test)]
mod tests {
    use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
    use rustls::pki_types::{PrivateKeyDer, ServerName};
    use rustls::{ClientConnection, ServerConfig, ServerConnection};

    use super::*;

    const BROKER: &str = "broker.school.example";

    /// The PEM of a school's own authority, and a broker with a certificate of it.
    fn school() -> (String, ServerConfig) {
        let mut authority = CertificateParams::new(Vec::new()).unwrap();
        authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let authority = CertifiedIssuer::self_signed(authority, KeyPair::generate().unwrap()).unwrap();
        let key = KeyPair::generate().unwrap();
        let broker = CertificateParams::new(vec![BROKER.to_owned()]).unwrap();
        let broker = broker.signed_by(&key, &authority).unwrap();
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let server = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_single_cert(
                vec![broker.der().clone()],
                PrivateKeyDer::try_from(key.serialize_der()).unwrap(),
            )
            .unwrap();
        (authority.pem(), server)
    }

    /// Whether client and broker come to an agreement.
    fn agree(client: ClientConfig, server: ServerConfig) -> Result<(), rustls::Error> {
        let name = ServerName::try_from(BROKER).unwrap();
        let mut client = ClientConnection::new(Arc::new(client), name)?;
        let mut server = ServerConnection::new(Arc::new(server))?;
        while client.is_handshaking() || server.is_handshaking() {
            let mut sent = Vec::new();
            client.write_tls(&mut sent).unwrap();
            server.read_tls(&mut sent.as_slice()).unwrap();
            server.process_new_packets()?;
            let mut answered = Vec::new();
            server.write_tls(&mut answered).unwrap();
            client.read_tls(&mut answered.as_slice()).unwrap();
            client.process_new_packets()?;
        }
        Ok(())
    }

    #[test]
    fn a_private_authority_is_trusted_alone() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("school-ca.pem");
        let (pem, server) = school();
        std::fs::write(&file, pem).unwrap();
        agree(client_config(Some(&file)).unwrap(), server).unwrap();
        // A broker of another authority is refused.
        let (_, stranger) = school();
        assert!(agree(client_config(Some(&file)).unwrap(), stranger).is_err());
    }

    #[test]
    fn the_systems_authorities_are_loaded() {
        let system = rustls_native_certs::load_native_certs();
        let most = system.certs.len();
        assert!(most > 0, "this system has no certificates: {:?}", system.errors);
        let roots = system_roots(system).unwrap();
        assert!(roots.len() <= most && roots.len() * 2 > most, "{} of {most}", roots.len());
        // The school's own authority is none of them.
        let (_, server) = school();
        assert!(agree(client_config(None).unwrap(), server).is_err());
    }

    #[test]
    fn one_bad_certificate_of_the_system_spoils_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("system.pem");
        let bad = "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n";
        let (pem, server) = school();
        std::fs::write(&file, format!("{bad}{pem}")).unwrap();
        let load = || rustls_native_certs::load_certs_from_paths(Some(&file), None);
        assert_eq!(system_roots(load()).unwrap().len(), 1);
        let error = private_roots(&file).unwrap_err();
        assert!(error.contains("a certificate in "), "{error}");
        std::fs::write(&file, bad).unwrap();
        let error = system_roots(load()).unwrap_err();
        assert!(error.starts_with("the system has no certificates to trust"), "{error}");
        drop(server);
    }
}
