//! TLS to the broker, and to others: which certificate authorities are trusted.

use std::path::Path;
use std::sync::Arc;

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use rustls::{ClientConfig, RootCertStore};
use rustls_native_certs::CertificateResult;

use crate::settings::ClientIdentity;

/// Trusts the authorities of `ca_file` and no others; without one, those of the system. Shows
/// `identity` to a server that asks for a certificate.
pub(crate) fn client_config(
    ca_file: Option<&Path>,
    identity: Option<&ClientIdentity>,
) -> Result<ClientConfig, String> {
    let roots = match ca_file {
        Some(file) => private_roots(file)?,
        None => system_roots(rustls_native_certs::load_native_certs())?,
    };
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let trusting = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| format!("setting up TLS: {e}"))?
        .with_root_certificates(roots);
    let Some(identity) = identity else { return Ok(trusting.with_no_client_auth()) };
    let (certificates, key) = identity
        .read()
        .map_err(|e| format!("the certificate {}: {e}", identity.certificate_file.display()))?;
    trusting.with_client_auth_cert(certificates, key).map_err(|e| format!("setting up TLS: {e}"))
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
        agree(client_config(Some(&file), None).unwrap(), server).unwrap();
        // A broker of another authority is refused.
        let (_, stranger) = school();
        assert!(agree(client_config(Some(&file), None).unwrap(), stranger).is_err());
    }

    /// A broker that asks for a certificate lets in who shows one of its authority, and nobody else.
    #[test]
    fn a_certificate_is_shown_to_whoever_asks_for_it() {
        let provider = || Arc::new(rustls::crypto::ring::default_provider());
        let mut authority = CertificateParams::new(Vec::new()).unwrap();
        authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let authority = CertifiedIssuer::self_signed(authority, KeyPair::generate().unwrap()).unwrap();
        let issue = |name: &str| {
            let key = KeyPair::generate().unwrap();
            let certificate = CertificateParams::new(vec![name.to_owned()]).unwrap();
            (certificate.signed_by(&key, &authority).unwrap(), key)
        };
        let asking = || {
            let mut roots = RootCertStore::empty();
            roots.add(authority.der().clone()).unwrap();
            let visitors =
                rustls::server::WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider());
            let (certificate, key) = issue(BROKER);
            ServerConfig::builder_with_provider(provider())
                .with_safe_default_protocol_versions()
                .unwrap()
                .with_client_cert_verifier(visitors.build().unwrap())
                .with_single_cert(
                    vec![certificate.der().clone()],
                    PrivateKeyDer::try_from(key.serialize_der()).unwrap(),
                )
                .unwrap()
        };
        let folder = tempfile::tempdir().unwrap();
        let file = |name: &str, text: &str| {
            let path = folder.path().join(name);
            std::fs::write(&path, text).unwrap();
            path
        };
        let ca = file("ca.pem", &authority.pem());
        let (certificate, key) = issue("trug");
        let mine = ClientIdentity {
            certificate_file: file("trug.crt", &certificate.pem()),
            key_file: file("trug.key", &key.serialize_pem()),
        };
        agree(client_config(Some(&ca), Some(&mine)).unwrap(), asking()).unwrap();
        assert!(agree(client_config(Some(&ca), None).unwrap(), asking()).is_err());

        let stranger = rcgen::generate_simple_self_signed(vec!["trug".to_owned()]).unwrap();
        let unknown = ClientIdentity {
            certificate_file: file("stranger.crt", &stranger.cert.pem()),
            key_file: file("stranger.key", &stranger.signing_key.serialize_pem()),
        };
        assert!(agree(client_config(Some(&ca), Some(&unknown)).unwrap(), asking()).is_err());
        let mixed = ClientIdentity { key_file: unknown.key_file, ..mine };
        let error = client_config(Some(&ca), Some(&mixed)).unwrap_err();
        assert!(error.contains("the key of another certificate"), "{error}");
    }

    /// Another name, and a time that is over or not yet come.
    #[test]
    fn a_certificate_of_another_name_or_time_is_refused() {
        let mut authority = CertificateParams::new(Vec::new()).unwrap();
        authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let authority = CertifiedIssuer::self_signed(authority, KeyPair::generate().unwrap()).unwrap();
        let folder = tempfile::tempdir().unwrap();
        let ca = folder.path().join("ca.pem");
        std::fs::write(&ca, authority.pem()).unwrap();
        let judged = |name: &str, years: std::ops::RangeInclusive<i32>| {
            let key = KeyPair::generate().unwrap();
            let mut broker = CertificateParams::new(vec![name.to_owned()]).unwrap();
            broker.not_before = rcgen::date_time_ymd(*years.start(), 1, 1);
            broker.not_after = rcgen::date_time_ymd(*years.end(), 1, 1);
            let broker = broker.signed_by(&key, &authority).unwrap();
            let server =
                ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
                    .with_safe_default_protocol_versions()
                    .unwrap()
                    .with_no_client_auth()
                    .with_single_cert(
                        vec![broker.der().clone()],
                        PrivateKeyDer::try_from(key.serialize_der()).unwrap(),
                    )
                    .unwrap();
            agree(client_config(Some(&ca), None).unwrap(), server).map_err(|e| e.to_string())
        };
        judged(BROKER, 2000..=4000).unwrap();
        for (name, years, words) in [
            ("another.school.example", 2000..=4000, "not valid for name"),
            (BROKER, 2000..=2001, "expired"),
            (BROKER, 3000..=4000, "not valid yet"),
        ] {
            let error = judged(name, years).unwrap_err();
            assert!(error.contains(words), "{words}: {error}");
        }
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
        assert!(agree(client_config(None, None).unwrap(), server).is_err());
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
