//! Config files and environment to one checked [`Settings`] value.
//!
//! `trug.toml` is the daemon's file, each `gardens/*.toml` one garden's. A
//! variable `TRUG__SECTION__KEY` stands in front of the daemon's key, and
//! `TRUG__GARDEN__SITE_ID__SECTION__KEY` in front of a garden's; a bed, tank,
//! sensor, group or server of a list is meant by its id or name, with `_` for
//! a hyphen or a space (`TRUG__GARDEN__SALTBUSH_GULLY__BED__KITCHEN_BED__AREA_M2`).
//!
//! Reading never stops at the first fault: all faults of all files come in one
//! go. What comes out has no impossible value in it.

mod address;
mod answers;
mod bed;
mod calibration;
mod channels;
mod daemon;
mod document;
mod environment;
mod fault;
mod files;
mod forward;
mod garden;
mod gateway;
mod ground;
mod hours;
mod identity;
mod job;
mod keys;
mod mail;
mod older_readings;
mod page;
mod payload;
mod plan_lines;
mod program;
mod quality;
mod range;
mod resistance;
mod roof;
mod secret;
mod sensor;
mod small_file;
mod table;
mod tank;
mod tell;
mod telling;
mod text;
mod topic;
mod value;
mod watch;
mod watering;
mod written;

use std::collections::BTreeSet;
use std::path::Path;

use toml::de::DeTable;

pub use address::server;
pub use answers::{AnswerLinkSettings, Answers};
pub use channels::{ChannelSettings, MessageFile, Webhook};
pub use daemon::{Broker, Log, LogFormat, LogLevel, StoreSettings};
pub use fault::{Fault, Faults};
pub use files::{garden_folder, garden_texts, store_path};
pub use forward::{Forward, ForwardAuth};
pub use identity::ClientIdentity;
pub use keys::{KeyFile, KeyRow, KeyTable, key_reference};
pub use mail::{Login, Mail, MailSecurity, Sender};
pub use older_readings::OlderReadingsServer;
pub use page::{Page, PageUser};
pub use plan_lines::{GardenFile, PlanNumbers, PlanPlace, PlanRefused, plan_metres, plan_value};
pub use secret::Secret;
pub use telling::TellingSettings;
pub use watch::Watching;
pub use written::{RawMeaning, SensorDraft, SensorPlace, check_new_sensor, free_id, id_for, quoted_text};

use crate::garden::plan::Garden;
use crate::model::Id;
pub(crate) use address::is_loopback;
use daemon::{Daemon, GARDENS_FOLDER};
use document::{Document, parse};
use environment::Environment;
use garden::Across;
use table::SettingsTable;

/// Everything that the program is told before it starts.
#[derive(Clone, Debug)]
pub struct Settings {
    pub broker: Broker,
    pub store: StoreSettings,
    /// `None`: no page.
    pub page: Option<Page>,
    /// By file name; never empty.
    pub gardens: Vec<Garden>,
    /// Their files, in the same order; none where they were read from texts.
    pub garden_files: Vec<GardenFile>,
    pub forward: Vec<Forward>,
    /// Where readings are asked for that the store has put into daily figures.
    pub older_readings: Option<OlderReadingsServer>,
    pub answers: Answers,
    pub channels: ChannelSettings,
    pub telling: TellingSettings,
    pub log: Log,
    pub watch: Watching,
    /// What `trug check` refuses and the daemon runs with all the same: what is written is
    /// how the garden is, and the garden should be otherwise.
    pub borne: Option<Faults>,
}

/// Reads `config` (a `trug.toml`), the garden files of the folder that it
/// names, and the variables of `env` that begin with `TRUG__`.
///
/// Paths of the garden folder and of secrets start at the folder of `config`;
/// the store's path starts where the program was started.
///
/// # Errors
///
/// With every fault of all files and variables.
pub fn load(config: &Path, env: impl Iterator<Item = (String, String)>) -> Result<Settings, Faults> {
    let folder = config.parent().unwrap_or(Path::new(""));
    let mut reading = SettingsReader::new(env);
    let name = config.display().to_string();
    let daemon = match files::text(config) {
        Ok(text) => reading.daemon(&name, &text, folder),
        Err(faults) => {
            reading.unread(&name, faults);
            None
        }
    };
    let gardens = folder.join(daemon.as_ref().map_or(GARDENS_FOLDER, |d| d.gardens.as_str()));
    let found = match files::garden_files(&gardens) {
        Ok(found) => found,
        Err(faults) => {
            reading.faults.extend(faults);
            reading.gardens_unread = true;
            Vec::new()
        }
    };
    // Each text is dropped once it is read: there may be thousands.
    reading.read_gardens(
        daemon.as_ref(),
        &gardens.display().to_string(),
        found.iter().map(|path| (path.display().to_string(), files::text(path))),
    );
    reading.finish(daemon)
}

/// The variables of this process, for [`load`]. What is not Unicode in them is
/// replaced, so that it is told as a fault and does not stop the program.
pub fn variables() -> impl Iterator<Item = (String, String)> {
    std::env::vars_os()
        .map(|(name, value)| (name.to_string_lossy().into_owned(), value.to_string_lossy().into_owned()))
}

/// What [`load`] does, from texts, each with the name under which its faults are told.
/// The garden folder that the text may name is not looked at.
///
/// # Errors
///
/// With every fault of all texts and variables.
pub fn from_text(
    trug_toml: (&str, &str),
    gardens: &[(&str, &str)],
    env: impl Iterator<Item = (String, String)>,
) -> Result<Settings, Faults> {
    let mut reading = SettingsReader::new(env);
    let folder = Path::new(trug_toml.0).parent().unwrap_or(Path::new(""));
    let daemon = reading.daemon(trug_toml.0, trug_toml.1, folder);
    let mut sorted: Vec<(&str, &str)> = gardens.to_vec();
    sorted.sort_unstable();
    reading.read_gardens(
        daemon.as_ref(),
        "the given texts",
        sorted.into_iter().map(|(name, text)| (name.to_owned(), Ok(text.to_owned()))),
    );
    let mut settings = reading.finish(daemon)?;
    settings.garden_files.clear();
    Ok(settings)
}

/// What has been read so far.
struct SettingsReader {
    env: Environment,
    /// Names in the order of reading.
    files: Vec<String>,
    faults: Vec<Fault>,
    borne: Vec<Fault>,
    gardens: Vec<Garden>,
    garden_files: Vec<GardenFile>,
    /// Dotted paths below which variables of known gardens stand.
    sites: Vec<String>,
    daemon_unread: bool,
    gardens_unread: bool,
    /// The paths of the keys that were asked for, where somebody wants to know.
    asked: Option<Vec<String>>,
}

impl SettingsReader {
    fn new(env: impl Iterator<Item = (String, String)>) -> Self {
        let mut faults = Vec::new();
        let env = Environment::collect(env, &mut faults);
        Self {
            env,
            files: Vec::new(),
            faults,
            borne: Vec::new(),
            gardens: Vec::new(),
            garden_files: Vec::new(),
            sites: Vec::new(),
            daemon_unread: false,
            gardens_unread: false,
            asked: None,
        }
    }

    /// Notes that the daemon's file could not be read.
    fn unread(&mut self, name: &str, faults: Vec<Fault>) {
        self.files.push(name.to_owned());
        self.faults.extend(faults);
        self.daemon_unread = true;
    }

    fn daemon(&mut self, name: &str, text: &str, folder: &Path) -> Option<Daemon> {
        let tree = match parse(name, text) {
            Ok(tree) => tree,
            Err(faults) => {
                self.unread(name, faults);
                return None;
            }
        };
        self.files.push(name.to_owned());
        let document = Document::new(name, text, self.env.scope("")).noting(self.asked.is_some());
        let daemon = daemon::read(SettingsTable::root(&document, &tree), folder);
        let (asked, found) = (document.asked(), document.into_faults());
        self.note(asked, found);
        Some(daemon)
    }

    fn read_gardens(
        &mut self,
        daemon: Option<&Daemon>,
        folder: &str,
        texts: impl Iterator<Item = (String, Result<String, Vec<Fault>>)>,
    ) {
        let filters = daemon.and_then(|d| d.broker.as_ref()).map(|b| b.topics.as_slice());
        let ways = daemon.map(|d| d.names.clone()).unwrap_or_default();
        let mut across = Across::new(filters, ways);
        let mut count = 0usize;
        for (name, text) in texts {
            count += 1;
            self.files.push(name.clone());
            match text {
                Ok(text) => self.garden(&name, &text, &mut across),
                Err(faults) => {
                    self.faults.extend(faults);
                    self.gardens_unread = true;
                }
            }
        }
        if count == 0 && !self.gardens_unread {
            let given = format!("no garden files in {folder}");
            self.faults.push(Fault::of_whole(
                folder,
                given,
                "at least one file NAME.toml, one for each garden",
            ));
        }
    }

    fn garden(&mut self, name: &str, text: &str, across: &mut Across<'_>) {
        let tree = match parse(name, text) {
            Ok(tree) => tree,
            Err(faults) => {
                self.faults.extend(faults);
                self.gardens_unread = true;
                return;
            }
        };
        let scope = match site_id(&tree) {
            Some(id) => {
                let path = format!("garden.{id}");
                let scope = self.env.scope(&path);
                self.sites.push(scope.base().to_owned());
                scope
            }
            None => {
                self.gardens_unread = true;
                self.env.nothing()
            }
        };
        let document = Document::new(name, text, scope).noting(self.asked.is_some());
        let garden = garden::read(SettingsTable::root(&document, &tree), across);
        let (asked, found) = (document.asked(), document.into_faults());
        self.note(asked, found);
        if let Some(garden) = &garden {
            self.garden_files.push(GardenFile::new(garden.site.id.clone(), name.into(), text));
        }
        self.gardens.extend(garden);
    }

    /// Takes the keys that a document was asked for, its faults, and those with which the daemon
    /// runs all the same.
    fn note(&mut self, of_document: Vec<String>, (faults, borne): (Vec<Fault>, Vec<Fault>)) {
        if let Some(asked) = &mut self.asked {
            asked.extend(of_document);
        }
        self.faults.extend(faults);
        self.borne.extend(borne);
    }

    /// Notes users whose gardens are none. Where a file could not be read, it may have been its.
    fn gardens_of_users(&mut self, page: &Page) {
        if self.gardens_unread {
            return;
        }
        let known: BTreeSet<&Id> = self.gardens.iter().map(|it| &it.site.id).collect();
        for user in &page.users {
            for id in user.gardens.iter().flatten().filter(|id| !known.contains(id)) {
                self.faults.push(Fault {
                    file: self.files.first().cloned().unwrap_or_default(),
                    line: None,
                    key: format!("page.user[{}].gardens", user.name),
                    given: format!("\"{id}\""),
                    accepted: "the id of a garden that has a file in the gardens folder".to_owned(),
                    nearest: fault::nearest(id.as_str(), known.iter().map(|it| it.as_str())),
                });
            }
        }
    }

    fn finish(mut self, daemon: Option<Daemon>) -> Result<Settings, Faults> {
        let excused = |key: &str| match key.strip_prefix("garden.") {
            Some(_) => self.gardens_unread && !self.sites.iter().any(|site| key.starts_with(site.as_str())),
            None => self.daemon_unread,
        };
        self.env.unused(&self.sites, excused, &mut self.faults);
        if let Some(page) = daemon.as_ref().and_then(|it| it.page.as_ref()) {
            self.gardens_of_users(page);
        }
        let settings = daemon.and_then(|d| {
            Some(Settings {
                broker: d.broker?,
                store: d.store?,
                page: d.page,
                gardens: self.gardens,
                garden_files: self.garden_files,
                forward: d.forward,
                older_readings: d.older_readings?,
                answers: d.answers?,
                channels: d.channels,
                telling: d.telling?,
                log: d.log?,
                watch: d.watch?,
                borne: None,
            })
        });
        match settings {
            Some(settings) if self.faults.is_empty() => {
                let borne = (!self.borne.is_empty()).then(|| Faults::new(&self.files, self.borne));
                Ok(Settings { borne, ..settings })
            }
            _ => {
                self.faults.extend(self.borne);
                Err(Faults::new(&self.files, self.faults))
            }
        }
    }
}

/// The site's id as the file has it.
fn site_id<'t>(tree: &'t DeTable<'_>) -> Option<&'t str> {
    tree.get("site")?.get_ref().get("id")?.get_ref().as_str()
}
