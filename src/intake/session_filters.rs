//! The topics that the session kept by the broker may still be subscribed to.
//!
//! A topic that leaves the configuration while Trug is away stays in the broker's session, and
//! nothing in MQTT lists what a session has: its messages would come for ever, each to be thrown
//! away. So every topic that was ever asked for stands in a small file beside the record, and
//! each connection to a kept session gives up those that are no longer wanted. To give up a
//! topic that the session does not have changes nothing (MQTT 5.0, section 3.11.3).

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::{fs, io};

use serde_json::{Value, json};
use tracing::warn;

use crate::settings::Broker;

/// Topics that are remembered; of more, the oldest are forgotten.
const REMEMBERED_MAX: usize = 1000;

/// Which topics a session may have, remembered over restarts.
#[derive(Debug, Default)]
pub struct SessionFilters {
    /// `None`: nothing is remembered.
    path: Option<PathBuf>,
    remembered: Mutex<Remembered>,
}

#[derive(Debug, Default)]
struct Remembered {
    /// Of which session at which broker.
    session: String,
    /// Oldest first.
    topics: Vec<String>,
}

impl SessionFilters {
    /// What the file beside the record remembers. One that cannot be read, or is of another
    /// session, is as if it were empty.
    pub fn beside(record: &Path, broker: &Broker) -> Self {
        let mut name = record.as_os_str().to_owned();
        name.push("-topics");
        let path = PathBuf::from(name);
        let session = format!("{} at {}:{}", broker.client_id, broker.host, broker.port);
        let topics = match fs::read(&path) {
            Ok(bytes) => read(&bytes, &session),
            Err(fault) if fault.kind() == io::ErrorKind::NotFound => Vec::new(),
            Err(fault) => {
                warn!(file = %path.display(), %fault, "which topics the broker's session has from before is not known");
                Vec::new()
            }
        };
        Self { path: Some(path), remembered: Mutex::new(Remembered { session, topics }) }
    }

    /// Remembers topics, before they are subscribed to.
    pub(super) fn note(&self, topics: &[String]) {
        let mut remembered = self.remembered.lock().unwrap_or_else(PoisonError::into_inner);
        let new: Vec<String> = topics.iter().filter(|it| !remembered.topics.contains(it)).cloned().collect();
        if new.is_empty() {
            return;
        }
        remembered.topics.extend(new);
        let over = remembered.topics.len().saturating_sub(REMEMBERED_MAX);
        remembered.topics.drain(..over);
        if let Some(path) = &self.path
            && let Err(fault) = write(path, &remembered)
        {
            warn!(file = %path.display(), %fault, "which topics the broker's session has cannot be noted");
        }
    }

    /// Topics that the session may have and that are not among those wanted.
    pub(super) fn unwanted(&self, wanted: &[String]) -> Vec<String> {
        let remembered = self.remembered.lock().unwrap_or_else(PoisonError::into_inner);
        remembered.topics.iter().filter(|it| !wanted.contains(it)).cloned().collect()
    }
}

fn read(bytes: &[u8], session: &str) -> Vec<String> {
    let Ok(value) = serde_json::from_slice::<Value>(bytes) else { return Vec::new() };
    if value["session"] != session {
        return Vec::new();
    }
    let topics = value["topics"].as_array().into_iter().flatten();
    topics.filter_map(Value::as_str).take(REMEMBERED_MAX).map(str::to_owned).collect()
}

/// Writes the file as a whole or not at all.
fn write(path: &Path, remembered: &Remembered) -> io::Result<()> {
    let folder = path.parent().filter(|it| !it.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::NamedTempFile::new_in(folder)?;
    let value = json!({ "session": remembered.session, "topics": remembered.topics });
    file.write_all(value.to_string().as_bytes())?;
    file.persist(path)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn broker(client_id: &str) -> Broker {
        let trug = format!(
            "[broker]\nurl = \"mqtt://127.0.0.1\"\nclient_id = \"{client_id}\"\n[store]\npath = \"x.db\"\n"
        );
        let garden = include_str!("../../config/gardens/saltbush-gully.toml");
        let settings =
            crate::settings::from_text(("trug.toml", &trug), &[("garden.toml", garden)], std::iter::empty());
        settings.expect("no faults").broker
    }

    fn topics(all: &[&str]) -> Vec<String> {
        all.iter().map(|it| (*it).to_owned()).collect()
    }

    #[test]
    fn what_was_asked_for_once_is_known_after_a_restart() {
        let folder = tempfile::tempdir().expect("a folder");
        let record = folder.path().join("trug.db");
        let before = SessionFilters::beside(&record, &broker("trug"));
        assert!(before.unwanted(&[]).is_empty());
        before.note(&topics(&["a/#", "b/+/c"]));
        before.note(&topics(&["a/#", "\"odd\"\n"]));
        let after = SessionFilters::beside(&record, &broker("trug"));
        assert_eq!(after.unwanted(&topics(&["b/+/c"])), topics(&["a/#", "\"odd\"\n"]));
        // Another session has subscriptions of its own.
        assert!(SessionFilters::beside(&record, &broker("other")).unwanted(&[]).is_empty());
    }

    #[test]
    fn a_torn_file_is_as_none_and_the_oldest_of_too_many_are_forgotten() {
        let folder = tempfile::tempdir().expect("a folder");
        let record = folder.path().join("trug.db");
        for bytes in [&b"{\"session\": \"trug at"[..], b"\xff\x00", b"[]", b"{\"topics\": 3}", b""] {
            fs::write(folder.path().join("trug.db-topics"), bytes).expect("written");
            assert!(SessionFilters::beside(&record, &broker("trug")).unwanted(&[]).is_empty());
        }
        let many: Vec<String> = (0..REMEMBERED_MAX + 5).map(|number| format!("t/{number}")).collect();
        let filters = SessionFilters::beside(&record, &broker("trug"));
        filters.note(&many);
        let known = SessionFilters::beside(&record, &broker("trug")).unwanted(&[]);
        assert_eq!((known.len(), known[0].as_str()), (REMEMBERED_MAX, "t/5"));
    }

    #[test]
    fn without_a_file_it_is_known_while_the_daemon_runs() {
        let filters = SessionFilters::default();
        filters.note(&topics(&["a/#", "b/#"]));
        assert_eq!(filters.unwanted(&topics(&["b/#"])), topics(&["a/#"]));
    }
}
