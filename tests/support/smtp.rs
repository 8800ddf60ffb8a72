//! A mail server of other people (aiosmtpd, in Python) on a port of its own, the
//! certificates for it, and what it has taken.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair};
use serde_json::Value;
use tempfile::TempDir;
use trug::deliver::mail::Mailer;
use trug::settings::{Mail, from_text};

use super::{ChildGuard, wait_until};

/// Python has to start; a loaded machine may need long.
const LIMIT: Duration = Duration::from_secs(60);

/// How the server is spoken with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum By {
    None,
    StartTls,
    Tls,
}

impl By {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::StartTls => "starttls",
            Self::Tls => "tls",
        }
    }
}

/// A certificate authority of the test's own and a server's certificate from it.
pub(crate) struct Certificates {
    folder: TempDir,
}

impl Certificates {
    /// For a server of this name or address.
    pub(crate) fn of(server: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder for certificates");
        let mut authority = CertificateParams::default();
        // Two authorities of one name would be taken for one with a wrong signature.
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let name = format!("authority {} of the tests", NUMBER.fetch_add(1, Ordering::Relaxed));
        authority.distinguished_name.push(DnType::CommonName, name);
        authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let authority_key = KeyPair::generate().expect("a key");
        let authority_certificate = authority.self_signed(&authority_key).expect("a certificate");
        let issuer = Issuer::new(authority, authority_key);
        let key = KeyPair::generate().expect("a key");
        let own = CertificateParams::new(vec![server.to_owned()]).expect("a name for a certificate");
        let certificate = own.signed_by(&key, &issuer).expect("a certificate");
        for (name, text) in [
            ("authority.pem", authority_certificate.pem()),
            ("server.pem", certificate.pem()),
            ("key.pem", key.serialize_pem()),
        ] {
            std::fs::write(folder.path().join(name), text).expect("a file for a certificate");
        }
        Self { folder }
    }

    /// Whom to trust.
    pub(crate) fn authority(&self) -> PathBuf {
        self.file("authority.pem")
    }

    fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
}

/// The server, until it is dropped.
pub(crate) struct SmtpServer {
    by: By,
    port: u16,
    login: Option<(String, String)>,
    taken: Arc<Mutex<Vec<Value>>>,
    _program: ChildGuard,
}

impl SmtpServer {
    /// Without TLS and without login.
    pub(crate) fn plain() -> Self {
        Self::start(By::None, None, None)
    }

    pub(crate) fn start(by: By, certificates: Option<&Certificates>, login: Option<(&str, &str)>) -> Self {
        let mut command = Command::new(python());
        command.args(["-W", "ignore"]);
        command.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/smtp/server.py")).arg(by.name());
        if let Some(certificates) = certificates {
            command.arg("--certificate").arg(certificates.file("server.pem"));
            command.arg("--key").arg(certificates.file("key.pem"));
        }
        if let Some((user, password)) = login {
            command.args(["--user", user, "--password", password]);
        }
        let mut program = ChildGuard(
            command
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .stderr(Stdio::inherit())
                .spawn()
                .expect("Python can be started"),
        );
        let printed = program.0.stdout.take().expect("its output is a pipe");
        let taken = Arc::new(Mutex::new(Vec::new()));
        let into = Arc::clone(&taken);
        std::thread::spawn(move || {
            for line in BufReader::new(printed).lines().map_while(Result::ok) {
                let value: Value = serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: {line}"));
                into.lock().unwrap_or_else(PoisonError::into_inner).push(value);
            }
        });
        let first = wait_until("the mail server to listen", LIMIT, || {
            taken.lock().unwrap_or_else(PoisonError::into_inner).pop()
        });
        let port = first["port"].as_u64().and_then(|port| u16::try_from(port).ok()).expect("its port");
        let login = login.map(|(user, password)| (user.to_owned(), password.to_owned()));
        Self { by, port, login, taken, _program: program }
    }

    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    /// Settings that fit this server, but for the authority.
    pub(crate) fn settings(&self, authority: Option<&Path>) -> Mail {
        let login = self.login.as_ref().map(|(user, password)| (user.as_str(), password.as_str()));
        settings(self.by, self.port, authority, login)
    }

    /// Waits for the number of messages, and gives them.
    pub(crate) fn taken(&self, count: usize) -> Vec<Value> {
        wait_until("the mail server to have taken the messages", LIMIT, || {
            let taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
            (taken.len() >= count).then(|| taken.clone())
        })
    }

    /// What it has taken until now.
    pub(crate) fn taken_so_far(&self) -> usize {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner).len()
    }
}

/// Settings for a server at 127.0.0.1, read from text as the program reads them.
pub(crate) fn settings(by: By, port: u16, authority: Option<&Path>, login: Option<(&str, &str)>) -> Mail {
    let mut text = format!(
        "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"t.db\"\n[mail]\nhost = \"127.0.0.1\"\n\
         port = {port}\nsecurity = \"{}\"\nfrom = \"Trug of the garden <trug@school.example>\"\n",
        by.name()
    );
    if let Some(path) = authority {
        text.push_str(&format!("ca_file = \"{}\"\n", path.display()));
    }
    let mut variables = Vec::new();
    if let Some((user, password)) = login {
        variables.push(("TRUG__MAIL__USERNAME".to_owned(), user.to_owned()));
        variables.push(("TRUG__MAIL__PASSWORD".to_owned(), password.to_owned()));
    }
    let garden = "[site]\nid = \"creek\"\nname = \"Creek\"\ntime_zone = \"Australia/Adelaide\"\n\
                  latitude_deg = -34.9\nelevation_m = 10\n";
    from_text(("trug.toml", &text), &[("creek.toml", garden)], variables.into_iter())
        .unwrap_or_else(|faults| panic!("{faults}"))
        .channels
        .mail
        .expect("there is a section [mail]")
}

/// A mailer without links and page.
pub(crate) fn mailer(mail: &Mail) -> Mailer {
    Mailer::new(Some(mail), None, None).expect("these settings do")
}

/// The Python that `tests/run` has set up below target/.
fn python() -> PathBuf {
    let target = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().expect("target/tmp has a parent");
    let python = target.join("smtp/venv/bin/python");
    assert!(python.is_file(), "{} is missing: run tests/run once, it sets it up", python.display());
    python
}
