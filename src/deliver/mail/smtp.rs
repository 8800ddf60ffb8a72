//! The conversation with the mail server, step by step.
//!
//! The library's own transport would do it in one go, but then nobody knows at which
//! step a server said no, and it waits for the answer to QUIT before it says that
//! a message was taken: a server that hangs there would get it twice. It would also read a
//! line without end, and answers that were sent before TLS began ([`super::guarded_stream`]).

use std::sync::Arc;
use std::time::Duration;
use std::{fmt, io};

use lettre::Address;
use lettre::address::Envelope;
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::{Credentials, DEFAULT_MECHANISMS};
use lettre::transport::smtp::client::{AsyncSmtpConnection, AsyncTokioStream, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail as MailFrom, Rcpt};
use lettre::transport::smtp::extension::{ClientId, Extension, MailParameter};
use lettre::transport::smtp::response::Severity;
use rustls::ClientConfig;
use rustls::pki_types::ServerName;
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout_at};
use tokio_rustls::TlsConnector;

use super::content::line;
use super::guarded_stream::GuardedStream;
use crate::deliver::channel::Failure;
use crate::settings::Mail;

/// How long the server may take to say goodbye once it has decided.
const GOODBYE_MAX: Duration = Duration::from_secs(1);
/// Characters of the server's words that are kept.
const WORDS_MAX: usize = 300;

/// One mail server.
pub(super) struct SmtpClient {
    host: String,
    port: u16,
    tls: MailTls,
    login: Option<Credentials>,
    hello: ClientId,
    timeout: Duration,
}

/// When a connection becomes TLS, and how.
pub(super) enum MailTls {
    None,
    /// By STARTTLS.
    Later(TlsParameters),
    /// Before anything is said.
    AtOnce(Arc<ClientConfig>),
}

/// How far a conversation has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum SmtpStep {
    #[default]
    Greeting,
    StartTls,
    Login,
    Sender,
    Recipient,
    Text,
}

impl fmt::Display for SmtpStep {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Greeting => "connecting to it",
            Self::StartTls => "going over to TLS",
            Self::Login => "logging in",
            Self::Sender => "naming the sender",
            Self::Recipient => "naming the recipient",
            Self::Text => "handing over the text",
        })
    }
}

/// Why a step was not done.
enum SmtpFault {
    Library(Error),
    /// The server lacks something that this message needs.
    Lacks(&'static str),
    /// An answer that is neither yes nor no.
    Odd(String),
    /// No connection.
    Connection(io::Error),
}

impl From<io::Error> for SmtpFault {
    fn from(error: io::Error) -> Self {
        Self::Connection(error)
    }
}

impl From<Error> for SmtpFault {
    fn from(error: Error) -> Self {
        Self::Library(error)
    }
}

#[derive(Default)]
struct SmtpSession {
    step: SmtpStep,
    connection: Option<AsyncSmtpConnection>,
}

impl SmtpClient {
    pub(super) fn new(mail: &Mail, tls: MailTls) -> Self {
        let login = |login: &crate::settings::Login| {
            Credentials::new(login.username.clone(), login.password.reveal().to_owned())
        };
        Self {
            host: mail.host.clone(),
            port: mail.port,
            tls,
            login: mail.login.as_ref().map(login),
            hello: hello(),
            timeout: mail.timeout,
        }
    }

    /// Sends the bytes of one e-mail, within the time limit.
    pub(super) async fn send(&self, envelope: &Envelope, bytes: &[u8]) -> Result<(), Failure> {
        let deadline = Instant::now() + self.timeout;
        let mut talk = SmtpSession::default();
        let outcome = timeout_at(deadline, talk.run(self, envelope, bytes)).await;
        let Ok(outcome) = outcome else {
            return Err(Failure::Later(
                self.at(talk.step, &format!("no answer within {} s", self.timeout.as_secs_f64())),
            ));
        };
        // While a connection goes over to TLS it may be neither: nothing can be said on it.
        if let (true, Some(connection)) = (talk.step != SmtpStep::StartTls, &mut talk.connection) {
            // What was said is said; how the server takes leave changes nothing.
            let goodbye = deadline.min(Instant::now() + GOODBYE_MAX);
            let _ = timeout_at(goodbye, connection.quit()).await;
        }
        outcome.map_err(|trouble| self.failure(talk.step, &trouble))
    }

    /// A connection on which nothing was said yet.
    async fn connect(&self) -> io::Result<Box<dyn AsyncTokioStream>> {
        let stream = TcpStream::connect((self.host.as_str(), self.port)).await?;
        let MailTls::AtOnce(config) = &self.tls else { return Ok(Box::new(GuardedStream::plain(stream)?)) };
        let peer = stream.peer_addr()?;
        let name = ServerName::try_from(self.host.clone()).map_err(io::Error::other)?;
        let stream = TlsConnector::from(Arc::clone(config)).connect(name, stream).await?;
        Ok(Box::new(GuardedStream::tls(stream, peer)))
    }

    fn at(&self, step: SmtpStep, what: &str) -> String {
        format!("the mail server {}, port {}, while {step}: {what}", self.host, self.port)
    }

    fn failure(&self, step: SmtpStep, trouble: &SmtpFault) -> Failure {
        let error = match trouble {
            SmtpFault::Lacks(what) => return Failure::Never(self.at(step, what)),
            SmtpFault::Odd(what) => return Failure::Later(self.at(step, what)),
            SmtpFault::Connection(error) => return Failure::Later(self.at(step, &line(&error.to_string()))),
            SmtpFault::Library(error) => error,
        };
        let what = self.at(step, &words(error));
        if !error.is_permanent() {
            return Failure::Later(what);
        }
        match step {
            SmtpStep::Recipient | SmtpStep::Text if !is_about_login(error) => Failure::Never(what),
            SmtpStep::Sender if !is_about_login(error) => Failure::Later(format!(
                "{what}; look at from in [mail] of trug.toml: this server may not take that address"
            )),
            SmtpStep::Sender | SmtpStep::Login | SmtpStep::Recipient | SmtpStep::Text => {
                Failure::Later(format!("{what}; look at username and password_file in [mail] of trug.toml"))
            }
            SmtpStep::Greeting | SmtpStep::StartTls => {
                Failure::Later(format!("{what}; look at host, port and security in [mail] of trug.toml"))
            }
        }
    }
}

impl SmtpSession {
    async fn run(&mut self, smtp: &SmtpClient, envelope: &Envelope, bytes: &[u8]) -> Result<(), SmtpFault> {
        let (from, to) = (envelope.from().cloned(), envelope.to().first().cloned());
        let connection =
            AsyncSmtpConnection::connect_with_transport(smtp.connect().await?, &smtp.hello).await?;
        let connection = self.connection.insert(connection);
        if let MailTls::Later(tls) = &smtp.tls {
            self.step = SmtpStep::StartTls;
            connection.starttls(tls.clone(), &smtp.hello).await?;
        }
        if let Some(login) = &smtp.login {
            self.step = SmtpStep::Login;
            connection.auth(DEFAULT_MECHANISMS, login).await?;
        }
        self.step = SmtpStep::Sender;
        connection.command(MailFrom::new(from, parameters(connection, envelope)?)).await?;
        self.step = SmtpStep::Recipient;
        let to: Address = to.ok_or(SmtpFault::Lacks("the message has no recipient"))?;
        connection.command(Rcpt::new(to, Vec::new())).await?;
        self.step = SmtpStep::Text;
        connection.command(Data).await?;
        let taken = connection.message(bytes).await?;
        if taken.code().severity == Severity::PositiveCompletion {
            Ok(())
        } else {
            Err(SmtpFault::Odd(format!("it answered {} to the whole text", taken.code())))
        }
    }
}

/// What the server has to be asked for (RFC 6531). The text itself is ASCII.
fn parameters(
    connection: &AsyncSmtpConnection,
    envelope: &Envelope,
) -> Result<Vec<MailParameter>, SmtpFault> {
    if envelope.from().into_iter().chain(envelope.to()).all(|address| address.to_string().is_ascii()) {
        return Ok(Vec::new());
    }
    if connection.server_info().supports_feature(Extension::SmtpUtfEight) {
        return Ok(vec![MailParameter::SmtpUtfEight]);
    }
    Err(SmtpFault::Lacks("it takes no address with other than plain letters before the @ (SMTPUTF8)"))
}

/// Whether a refusal says that the server does not let us in: the replies of RFC
/// 4954, section 6, and 503 from servers that want a login first.
fn is_about_login(error: &Error) -> bool {
    error.status().is_some_and(|code| matches!(u16::from(code), 503 | 530 | 534 | 535 | 538))
}

/// The error in words. The server's own may hold anything.
fn words(error: &Error) -> String {
    use std::error::Error as _;
    let said = error.source().map_or_else(|| error.to_string(), ToString::to_string);
    let said: String = line(&said).chars().take(WORDS_MAX).collect();
    match error.status() {
        Some(code) => format!("it answered {code} {said}").trim_end().to_owned(),
        None if error.is_response() => {
            format!("it ended the connection or its answer is none of SMTP's ({said})")
        }
        None if error.is_tls() => format!("no TLS: {said}"),
        None => said,
    }
}

/// The name of this computer for EHLO, if it may stand there (RFC 5321, section
/// 4.1.2).
fn hello() -> ClientId {
    match ClientId::default() {
        ClientId::Domain(name)
            if !(1..=255).contains(&name.len())
                || !name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'.') =>
        {
            ClientId::Ipv4(std::net::Ipv4Addr::LOCALHOST)
        }
        id => id,
    }
}
