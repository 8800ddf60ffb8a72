//! By what people are told: `[mail]`, `[[webhook]]` and `[[told_file]]`.

use std::fmt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use url::Url;

use super::address::{has_credentials, is_loopback, server};
use super::document::Want;
use super::mail::{Mail, mail};
use super::secret::{Secret, secret};
use super::table::SettingsTable;
use super::text::{Names, named};
use super::value::SettingsItem;
use crate::garden::plan::{Address, Channel};

/// A server that gets each message as JSON.
#[derive(Clone, PartialEq, Eq)]
pub struct Webhook {
    /// How groups name it.
    pub name: String,
    /// https, or http to this computer only; without a user name.
    pub url: Url,
    /// What messages are signed with, 16 bytes at least.
    pub secret: Secret,
    /// How long to wait for an answer, 1 to 60 seconds.
    pub timeout: Duration,
}

impl fmt::Debug for Webhook {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Whoever knows the path of such an address may often write to it.
        f.debug_struct("Webhook")
            .field("name", &self.name)
            .field("server", &server(&self.url))
            .field("timeout", &self.timeout)
            .finish_non_exhaustive()
    }
}

/// A file that gets each message as one line of JSON.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MessageFile {
    /// How groups name it.
    pub name: String,
    /// Relative to the folder in which trug was started.
    pub path: PathBuf,
}

/// Every channel that `trug.toml` sets up.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ChannelSettings {
    /// `None`: no message goes by e-mail.
    pub mail: Option<Mail>,
    pub webhooks: Vec<Webhook>,
    pub files: Vec<MessageFile>,
}

impl ChannelSettings {
    /// Where a message goes, as people say it.
    pub fn shown(&self, it: &Address) -> String {
        let known = match it.channel {
            Channel::Email => return format!("e-mail to {}", it.to),
            Channel::Webhook => {
                self.webhooks.iter().find(|webhook| webhook.name == it.to).map(|it| server(&it.url))
            }
            Channel::MessageFile => {
                self.files.iter().find(|file| file.name == it.to).map(|it| it.path.display().to_string())
            }
        };
        let known = known.map_or_else(String::new, |known| format!(" ({known})"));
        format!("{} {}{known}", it.channel.noun(), it.to)
    }
}

/// The sections of the channels, and the names of all of them.
pub(super) fn channels(root: &SettingsTable<'_>, folder: &Path) -> (ChannelSettings, ChannelNames) {
    let (webhooks, webhook_names) = webhooks(root.sections("webhook", "name"), folder);
    let (files, file_names) = message_files(root.sections("told_file", "name"));
    let mail = root.section("mail").and_then(|table| mail(table, folder));
    let names = ChannelNames { webhooks: Some(webhook_names), files: Some(file_names) };
    (ChannelSettings { mail, webhooks, files }, names)
}

/// The names that a group may use, with `None` where `trug.toml` could not be read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct ChannelNames {
    pub(super) webhooks: Option<Vec<String>>,
    pub(super) files: Option<Vec<String>>,
}

impl ChannelNames {
    /// The keys `webhook` and `file` of a group, or of what it is told by instead.
    pub(super) fn read(&self, table: &SettingsTable<'_>) -> Option<Vec<Address>> {
        let mut found = Some(Vec::new());
        for (key, channel, section, known) in [
            ("webhook", Channel::Webhook, "[[webhook]]", &self.webhooks),
            ("file", Channel::MessageFile, "[[told_file]]", &self.files),
        ] {
            let Some(item) = table.get(key, Want::List) else { continue };
            let names = names(&item, section, known.as_deref());
            found = found.zip(names).map(|(mut found, names)| {
                found.extend(names.into_iter().map(|to| Address { channel, to }));
                found
            });
        }
        found
    }
}

/// Names of `known`, which stand in `section` of `trug.toml`; `None` known: any.
fn names(item: &SettingsItem<'_>, section: &str, known: Option<&[String]>) -> Option<Vec<String>> {
    let accepted = format!("a list of names that stand in {section} of trug.toml");
    item.list_all(&accepted, .., |part| {
        let name = part.text(&accepted)?;
        match known {
            Some([]) => part.refused(format!("a name that stands in {section} of trug.toml, which has none")),
            Some(known) if !known.iter().any(|it| it == name) => {
                part.refuse_name(known.iter().map(String::as_str));
                None
            }
            _ => Some(name.to_owned()),
        }
    })
}

/// Least length of a secret, bytes: 128 bits if each is drawn at random.
const SECRET_MIN: usize = 16;

/// Reads the servers, those at fault left out, and the names of all of them.
fn webhooks(tables: Vec<SettingsTable<'_>>, folder: &Path) -> (Vec<Webhook>, Vec<String>) {
    let mut names = Names::new("a name of its own for each webhook");
    let mut all = Vec::new();
    let mut whole_ones = Vec::new();
    for table in tables {
        let name = name(&table, &mut names, &mut all);
        let url = table.read("url", Want::Text, URL, webhook_url);
        let secret = webhook_secret(&table, folder);
        let timeout = table.seconds_or("timeout_s", 1..=60, 10);
        table.finish();
        let webhook = (|| Some(Webhook { name: name?, url: url?, secret: secret?, timeout: timeout? }))();
        whole_ones.extend(webhook);
    }
    (whole_ones, all)
}

/// Reads the files, those at fault left out, and the names of all of them.
fn message_files(tables: Vec<SettingsTable<'_>>) -> (Vec<MessageFile>, Vec<String>) {
    const PATH: &str = "the path of a file for one line of JSON for each message";
    let mut names = Names::new("a name of its own for each file");
    let mut paths = Names::new("a file of its own for each name");
    let mut all = Vec::new();
    let mut whole_ones = Vec::new();
    for table in tables {
        let name = name(&table, &mut names, &mut all);
        let path = table.read("path", Want::Text, PATH, |item| {
            let path = item.path_of_file(PATH)?;
            paths.claim(item, path).then(|| PathBuf::from(path))
        });
        table.finish();
        if let (Some(name), Some(path)) = (name, path) {
            whole_ones.push(MessageFile { name, path });
        }
    }
    (whole_ones, all)
}

/// The name, noted among `all` even where something else of it is at fault.
fn name(table: &SettingsTable<'_>, names: &mut Names, all: &mut Vec<String>) -> Option<String> {
    let item = table.need("name", Want::Text, "a name, by which groups mean it")?;
    let name = named(&item)?;
    let own = names.claim(&item, &name);
    all.push(name.clone());
    own.then_some(name)
}

const URL: &str = "https:// and the address; http:// only to this computer (localhost, 127.0.0.1 or [::1]), \
                   since a message says when nobody is in the garden";

fn webhook_url(item: &SettingsItem<'_>) -> Option<Url> {
    let text = item.text(URL)?;
    if has_credentials(text) {
        return item.faulty(
            "an address with a user name (not shown)",
            "an address without user name and password: what is sent is signed with the secret instead",
            None,
        );
    }
    let Ok(url) = Url::parse(text) else {
        // Its path may be as good as a password, so it is not shown.
        return item.faulty("an address that cannot be read (not shown)", URL, None);
    };
    let fits = match url.scheme() {
        "https" => url.has_host(),
        "http" => is_loopback(&url),
        _ => false,
    };
    if !fits || url.fragment().is_some() || url.port() == Some(0) {
        return item.faulty(format!("\"{}\"", server(&url)), URL, None);
    }
    Some(url)
}

fn webhook_secret(table: &SettingsTable<'_>, folder: &Path) -> Option<Secret> {
    let before = table.faults();
    let secret = secret(table, "secret", "secret_file", folder);
    if table.faults() > before {
        return None;
    }
    let accepted = format!(
        "a file that holds the secret with which messages are signed, {SECRET_MIN} characters or more, such as \
         what openssl rand -hex 32 prints; the server needs the same"
    );
    match secret {
        None => table.lacks("secret_file", accepted),
        Some(secret) if secret.reveal().len() < SECRET_MIN => {
            table.faulty("secret_file", "a shorter secret (not shown)", accepted)
        }
        secret => secret,
    }
}
