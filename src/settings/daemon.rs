//! `trug.toml`: the broker, the store, the page and the log; what goes out has files
//! of its own.

use std::path::{Path, PathBuf};
use std::time::Duration;

use url::Url;

use super::address::{ca_file, has_credentials, is_server_only, shown, username};
use super::answers::{Answers, answers};
use super::channels::{ChannelNames, ChannelSettings, channels};
use super::document::Want;
use super::forward::{Forward, forwards};
use super::identity::{ClientIdentity, client_identity};
use super::older_readings::{OlderReadingsServer, older_readings};
use super::page::{Page, page};
use super::secret::{Secret, secret};
use super::table::SettingsTable;
use super::telling::{TellingSettings, telling};
use super::topic::{covers, is_filter};
use super::value::SettingsItem;
use super::watch::{Watching, watching};

/// The broker and how this daemon speaks with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broker {
    /// Name or address, an IPv6 address without brackets.
    pub host: String,
    pub port: u16,
    /// Whether the connection is TLS (`mqtts`).
    pub tls: bool,
    /// 1 to 128 characters.
    pub client_id: String,
    pub username: Option<String>,
    pub password: Option<Secret>,
    /// A file of certificates (PEM) to trust; `None`: the system's.
    pub ca_file: Option<PathBuf>,
    /// What this program shows in its turn; only with `tls`.
    pub identity: Option<ClientIdentity>,
    /// Topic filters to listen to; never empty.
    pub topics: Vec<String>,
    /// Messages that the broker may send before the first is acknowledged.
    pub receive_maximum: u16,
    /// Largest packet, either way, bytes.
    pub max_packet_bytes: u32,
    /// 5 to 3600 seconds.
    pub keep_alive: Duration,
    /// How long the broker keeps messages for us while we are away, seconds.
    pub session_expiry_s: u32,
    /// Messages of one sensor that are taken at once, and a second for long; what is over is
    /// not stored.
    pub sensor_burst: u32,
    pub sensor_per_s: u32,
}

impl Broker {
    /// Listens to `topic` as well, where the filters do not cover it.
    pub fn listen_to(&mut self, topic: String) {
        if !self.topics.iter().any(|filter| covers(filter, &topic)) {
            self.topics.push(topic);
        }
    }
}

/// For how many days single readings may be kept. The class month of last month, made on the
/// last day of this one, looks back two months of 31 days, the fortnight of a wetting's
/// history and a day, and a week more for a running count: 84 days. What a start gives back
/// to the rules and the rain months (64 days) is within that.
pub(super) const KEEP_READINGS_DAYS: std::ops::RangeInclusive<u32> = 90..=36_500;

/// Where readings are kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreSettings {
    /// The database, relative to the folder in which trug was started.
    pub path: PathBuf,
    /// How many refused messages are kept; the oldest go first.
    pub keep_rejects: u32,
    /// For how many whole days single readings are kept before they go into daily figures, 90
    /// or more; `None`: for ever.
    pub keep_readings_days: Option<u32>,
}

/// What the daemon writes about itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Log {
    pub level: LogLevel,
    pub format: LogFormat,
}

/// The least important line that is still written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogLevel {
    Error,
    Warn,
    Info,
    Debug,
    Trace,
}

impl LogLevel {
    /// Every level and its name in configuration files, in the order of the variants.
    const WORDS: [(&str, Self); 5] = [
        ("error", Self::Error),
        ("warn", Self::Warn),
        ("info", Self::Info),
        ("debug", Self::Debug),
        ("trace", Self::Trace),
    ];

    /// The name in configuration files.
    pub fn name(self) -> &'static str {
        Self::WORDS[self as usize].0
    }
}

/// How a line of the log is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogFormat {
    Text,
    Json,
}

/// What `trug.toml` says; `None` where a fault was noted.
pub(super) struct Daemon {
    pub(super) broker: Option<Broker>,
    pub(super) store: Option<StoreSettings>,
    pub(super) page: Option<Page>,
    pub(super) forward: Vec<Forward>,
    #[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
    pub(super) older_readings: Option<Option<OlderReadingsServer>>,
    pub(super) answers: Option<Answers>,
    /// Those without fault.
    pub(super) channels: ChannelSettings,
    /// What groups may name, those at fault included.
    pub(super) names: ChannelNames,
    pub(super) telling: Option<TellingSettings>,
    pub(super) log: Option<Log>,
    pub(super) watch: Option<Watching>,
    /// Relative to the file, as written.
    pub(super) gardens: String,
}

/// Folder of garden files where the file does not name one.
pub(super) const GARDENS_FOLDER: &str = "gardens";

/// Reads the whole of `trug.toml`; relative paths of secrets start at `folder`.
pub(super) fn read(root: SettingsTable<'_>, folder: &Path) -> Daemon {
    let page = root.section("page").and_then(|table| page(table, folder));
    let (channels, names) = channels(&root, folder);
    let daemon = Daemon {
        broker: root
            .need_section("broker", "a section [broker] with the url of the MQTT broker")
            .and_then(|table| broker(table, folder)),
        store: root.need_section("store", "a section [store] with the path of the database").and_then(store),
        answers: answers(root.section("answers"), page.as_ref(), folder),
        page,
        log: log(root.section("log")),
        watch: watching(root.section("watch")),
        gardens: root.section("gardens").and_then(gardens).unwrap_or_else(|| GARDENS_FOLDER.to_owned()),
        forward: forwards(root.sections("forward", "name"), folder),
        older_readings: older_readings(root.section("older_readings"), folder),
        channels,
        names,
        telling: telling(root.section("telling")),
    };
    root.finish();
    daemon
}

fn gardens(table: SettingsTable<'_>) -> Option<String> {
    let item = table.get("folder", Want::Text);
    table.finish();
    item?.text_that("the path of a folder", |folder| !folder.is_empty())
}

fn broker(table: SettingsTable<'_>, folder: &Path) -> Option<Broker> {
    const URL: &str = "mqtt://HOST, mqtts://HOST for TLS, each with :PORT if it is not 1883 or 8883";
    let address = table.read("url", Want::Text, URL, |item| broker_url(item, URL));
    let client_id = table.read_or("client_id", Want::Text, "trug".to_owned(), client_id);
    let username = username(&table);
    let password = secret(&table, "password", "password_file", folder);
    let ca_file = table.get("ca_file", Want::Text).and_then(|item| ca_file(&item, folder));
    let tls = address.as_ref().map(|(_, _, tls)| *tls);
    let identity = client_identity(&table, tls, folder);
    let topics = table.read_or("topics", Want::List, vec!["#".to_owned()], filters);
    let receive_maximum = table.whole_or("receive_maximum", 1..=65_535, 2000, "messages");
    let max_packet_bytes = table.whole_or("max_packet_bytes", 1024..=16 * 1024 * 1024, 65_536, "bytes");
    // The client library refuses less than 5 s by stopping the program.
    let keep_alive = table.seconds_or("keep_alive_s", 5..=3600, 30);
    let sensor_burst = table.whole_or("sensor_burst", 1000..=200_000, 200_000, "messages");
    let sensor_per_s = table.whole_or("sensor_per_s", 1..=100_000, 20, "messages a second");
    let year = "seconds, at most a year";
    let session_expiry_s = table.whole_or("session_expiry_s", 60..=365 * 86_400, 7 * 86_400, year);
    table.finish();
    let (host, port, tls) = address?;
    Some(Broker {
        host,
        port,
        tls,
        client_id: client_id?,
        username,
        password,
        ca_file,
        identity: identity?,
        topics: topics?,
        receive_maximum: u16::try_from(receive_maximum?).ok()?,
        max_packet_bytes: max_packet_bytes?,
        keep_alive: keep_alive?,
        session_expiry_s: session_expiry_s?,
        sensor_burst: sensor_burst?,
        sensor_per_s: sensor_per_s?,
    })
}

fn broker_url(item: &SettingsItem<'_>, accepted: &str) -> Option<(String, u16, bool)> {
    let text = item.text(accepted)?;
    let refuse = |accepted: &str| item.faulty(shown(text), accepted, None);
    if has_credentials(text) {
        return refuse(
            "an address without user name and password: they go into username and password_file, since this \
             file is copied and shown to people",
        );
    }
    let Ok(url) = Url::parse(text) else { return refuse(accepted) };
    let (tls, default_port) = match url.scheme() {
        "mqtt" => (false, 1883),
        "mqtts" => (true, 8883),
        _ => return refuse(accepted),
    };
    let host = url.host_str().unwrap_or_default().trim_start_matches('[').trim_end_matches(']');
    let port = url.port().unwrap_or(default_port);
    // Other characters than those of host names come out of the parser as %XX.
    if host.is_empty() || host.contains('%') || port == 0 || !is_server_only(&url) {
        return refuse(accepted);
    }
    Some((host.to_owned(), port, tls))
}

fn client_id(item: &SettingsItem<'_>) -> Option<String> {
    // MQTT 5.0, section 3.1.3.1: every broker takes 1 to 23 letters and digits;
    // most take more.
    const ACCEPTED: &str = "1 to 128 characters without + # / and control characters; \
                            1 to 23 letters and digits suit every broker";
    item.text_that(ACCEPTED, |text| {
        (1..=128).contains(&text.chars().count())
            && !text.chars().any(|c| c.is_control() || "+#/".contains(c))
    })
}

fn filters(item: &SettingsItem<'_>) -> Option<Vec<String>> {
    const ACCEPTED: &str = "a list of MQTT topic filters, such as [\"saltbush-gully/#\"]";
    item.list(ACCEPTED, 1.., |part| {
        let filter = part.text(ACCEPTED)?;
        if is_filter(filter) {
            Some(filter.to_owned())
        } else {
            part.refused("a topic filter: + alone in its level, # alone and last")
        }
    })
}

fn store(table: SettingsTable<'_>) -> Option<StoreSettings> {
    const PATH: &str = "the path of the database file";
    let path = table.read("path", Want::Text, PATH, |item| item.path_of_file(PATH).map(PathBuf::from));
    let keep_rejects = table.whole_or("keep_rejects", 0..=10_000_000, 10_000, "messages");
    const DAYS: &str = "days; a start, a rain month and the class month of last month look back so far, 84 days, \
                        and a few more are left to make its report in. Without the key they are kept for ever";
    let keep_readings_days =
        table.read_if("keep_readings_days", Want::Value, |item| item.whole(KEEP_READINGS_DAYS, DAYS));
    table.finish();
    Some(StoreSettings { path: path?, keep_rejects: keep_rejects?, keep_readings_days: keep_readings_days? })
}

fn log(table: Option<SettingsTable<'_>>) -> Option<Log> {
    const FORMATS: [(&str, LogFormat); 2] = [("text", LogFormat::Text), ("json", LogFormat::Json)];
    let Some(table) = table else { return Some(Log { level: LogLevel::Info, format: LogFormat::Text }) };
    let level = table.read_or("level", Want::Text, LogLevel::Info, |item| item.word(&LogLevel::WORDS));
    let format = table.read_or("format", Want::Text, LogFormat::Text, |item| item.word(&FORMATS));
    table.finish();
    Some(Log { level: level?, format: format? })
}
