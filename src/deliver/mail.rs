//! Messages by e-mail, through one server.
//!
//! Each message goes over a connection of its own, to one address, as plain text
//! and HTML together. The same message, sent again, is the same to the byte, with
//! the same `Message-ID`: a mail program that gets it twice can drop one.
//!
//! | what happens | then |
//! | --- | --- |
//! | the server takes the text (2xx) | taken |
//! | no connection, no answer in time, the connection ends, TLS fails | later |
//! | 4xx at any step | later |
//! | 5xx at greeting, STARTTLS, login or sender, or about the login at any step | later: the settings are wrong, not the message |
//! | 5xx at recipient or text | never |
//! | no `[mail]` section, or an address that is none | never |
//!
//! When the connection ends after the text was sent and before the answer, nobody
//! knows whether it was taken; it is sent again.

mod compose;
mod content;
mod guarded_stream;
mod html;
mod plain;
mod smtp;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use lettre::message::Mailbox;
use lettre::transport::smtp::client::{Certificate, CertificateStore, TlsParameters};

use super::channel::{AnswerLinks, Failure, MessageChannel};
use crate::intake::client_config;
use crate::settings::{Mail, MailSecurity};
use crate::telling::Message;
use compose::{address, compose};
use content::MailContent;
use smtp::{MailTls, SmtpClient};

/// Brings messages to e-mail addresses.
pub struct Mailer {
    /// `None`: the settings name no server.
    server: Option<MailServer>,
    links: Option<Arc<dyn AnswerLinks>>,
    /// Where people find the page.
    page: Option<String>,
}

struct MailServer {
    smtp: SmtpClient,
    from: Mailbox,
}

/// Why messages cannot be sent with these settings.
#[derive(Debug, thiserror::Error)]
pub enum MailerError {
    /// The file of certificates could not be read.
    #[error("reading the certificates of {path}: {reason}")]
    Certificates { path: PathBuf, reason: String },
    /// TLS could not be set up.
    #[error("setting up TLS for the mail server {host}")]
    Tls {
        host: String,
        #[source]
        source: lettre::transport::smtp::Error,
    },
    /// The sender is no address.
    #[error("taking {address:?} as the sender of messages: {reason}")]
    Sender { address: String, reason: String },
}

impl Mailer {
    /// Without `mail`, every message is refused for ever, so that the people it is for can be
    /// told on another way at once. `page` is the address at which people find the
    /// page.
    ///
    /// # Errors
    ///
    /// When the sender is no address, the certificates cannot be read, or TLS cannot be set up.
    pub fn new(
        mail: Option<&Mail>,
        links: Option<Arc<dyn AnswerLinks>>,
        page: Option<String>,
    ) -> Result<Self, MailerError> {
        Ok(Self { server: mail.map(server).transpose()?, links, page })
    }
}

impl MessageChannel for Mailer {
    async fn send(&self, message: &Message) -> Result<(), Failure> {
        let Some(server) = &self.server else {
            return Err(Failure::Never(
                "the daemon's file has no section [mail], so nothing can be sent by e-mail".to_owned(),
            ));
        };
        let content = MailContent::of(message, self.links.as_deref(), self.page.as_deref());
        let mail = compose(&server.from, message, &content).map_err(Failure::Never)?;
        server.smtp.send(mail.envelope(), &mail.formatted()).await
    }
}

fn server(mail: &Mail) -> Result<MailServer, MailerError> {
    // Only the first call sets it; the others find it set.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let tls = match mail.security {
        MailSecurity::None => MailTls::None,
        MailSecurity::StartTls => MailTls::Later(tls(&mail.host, mail.ca_file.as_deref())?),
        MailSecurity::Tls => {
            MailTls::AtOnce(client_config(mail.ca_file.as_deref(), None).map(Arc::new).map_err(|reason| {
                MailerError::Certificates {
                    path: mail.ca_file.clone().unwrap_or_else(|| PathBuf::from("the system")),
                    reason,
                }
            })?)
        }
    };
    let from = address(&mail.from.address)
        .map_err(|reason| MailerError::Sender { address: mail.from.address.clone(), reason })?;
    Ok(MailServer { smtp: SmtpClient::new(mail, tls), from: Mailbox::new(mail.from.name.clone(), from) })
}

fn tls(host: &str, ca_file: Option<&Path>) -> Result<TlsParameters, MailerError> {
    let failed = |source| MailerError::Tls { host: host.to_owned(), source };
    let mut builder = TlsParameters::builder(host.to_owned());
    if let Some(path) = ca_file {
        builder = builder.certificate_store(CertificateStore::None);
        for der in certificates(path)? {
            builder = builder.add_root_certificate(Certificate::from_der(der).map_err(failed)?);
        }
    }
    builder.build().map_err(failed)
}

/// The certificates of a PEM file, at least one.
fn certificates(path: &Path) -> Result<Vec<Vec<u8>>, MailerError> {
    use rustls::pki_types::CertificateDer;
    use rustls::pki_types::pem::PemObject as _;
    let failed = |reason: String| MailerError::Certificates { path: path.to_owned(), reason };
    let found: Vec<Vec<u8>> = CertificateDer::pem_file_iter(path)
        .and_then(|file| file.map(|one| one.map(|der| der.to_vec())).collect())
        .map_err(|e| failed(e.to_string()))?;
    if found.is_empty() {
        return Err(failed("there is no certificate in it".to_owned()));
    }
    Ok(found)
}
