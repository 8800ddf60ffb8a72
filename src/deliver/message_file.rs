//! Messages to people as lines of JSON in a file.
//!
//! A line is on the disk before its message counts as told. A crash between the two
//! brings the message again; its key then stands among the last lines, and it is not
//! written twice. A line that a crash has left without its end is ended first.

use std::collections::HashMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::channel::{Failure, MessageChannel};
use super::message_json::MessageJson;
use crate::settings::MessageFile;
use crate::telling::Message;

/// How far back a message's key is looked for, bytes.
const LOOK_BACK: u64 = 64 * 1024;
/// How often, and how long apart, a file is tried that another program has locked.
const LOCK_TRIES: u32 = 40;
const LOCK_WAIT: Duration = Duration::from_millis(50);

/// The files of `trug.toml`.
#[derive(Clone, Debug)]
pub struct MessageFiles {
    by_name: HashMap<String, PathBuf>,
}

impl MessageFiles {
    /// Nothing is opened or made yet.
    pub fn new(files: &[MessageFile]) -> Self {
        Self { by_name: files.iter().map(|file| (file.name.clone(), file.path.clone())).collect() }
    }
}

impl MessageChannel for MessageFiles {
    async fn send(&self, message: &Message) -> Result<(), Failure> {
        let name = &message.address.to;
        let Some(path) = self.by_name.get(name).cloned() else {
            return Err(Failure::Never(format!("no [[told_file]] of trug.toml has the name {name}")));
        };
        let line = MessageJson::of(message, None).json();
        let key = serde_json::to_string(&message.key).expect("a text always has a JSON form");
        let shown = path.display().to_string();
        let later = |why: &dyn std::fmt::Display| Failure::Later(format!("{shown} cannot be written: {why}"));
        for _ in 0..LOCK_TRIES {
            let (path, key, line) = (path.clone(), key.clone(), line.clone());
            match tokio::task::spawn_blocking(move || append(&path, &key, &line)).await {
                Ok(Ok(true)) => return Ok(()),
                Ok(Ok(false)) => tokio::time::sleep(LOCK_WAIT).await,
                Ok(Err(why)) => return Err(later(&why)),
                Err(why) => return Err(later(&why)),
            }
        }
        Err(later(&"another program has locked it"))
    }
}

/// Appends a line, unless it is there. `false` where the file is locked. `key` is the
/// message's key as JSON.
fn append(path: &Path, key: &str, line: &str) -> io::Result<bool> {
    let new = !path.try_exists()?;
    let mut file = OpenOptions::new().read(true).append(true).create(true).mode(0o600).open(path)?;
    if !file.metadata()?.is_file() {
        return Err(io::Error::other("it is not an ordinary file"));
    }
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => return Ok(false),
        Err(TryLockError::Error(why)) => return Err(why),
    }
    let length = file.metadata()?.len();
    let last = last_lines(&mut file, length)?;
    let (ended, rest) = match last.iter().rposition(|byte| *byte == b'\n') {
        Some(at) => last.split_at(at + 1),
        None => (&[][..], last.as_slice()),
    };
    let begins = format!("{{\"key\":{key},");
    let known = ended.split(|byte| *byte == b'\n').any(|it| it.starts_with(begins.as_bytes()));
    let mut text = String::with_capacity(line.len() + 2);
    match (known, rest) {
        (true, []) => {}
        (true, _) => text.push('\n'),
        (false, rest) if rest == line.as_bytes() => text.push('\n'),
        (false, rest) => {
            if !rest.is_empty() {
                text.push('\n');
            }
            text.push_str(line);
            text.push('\n');
        }
    }
    if let Err(why) = file.write_all(text.as_bytes()) {
        // Half a line helps nobody, least of all on a full disk.
        let _ = file.set_len(length);
        return Err(why);
    }
    // What is there already may have come a moment before a crash.
    file.sync_all()?;
    if new && let Some(folder) = path.parent() {
        let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        File::open(folder)?.sync_all()?;
    }
    Ok(true)
}

/// The end of the file; a line that begins before it is cut.
fn last_lines(file: &mut File, length: u64) -> io::Result<Vec<u8>> {
    let back = length.min(LOOK_BACK);
    file.seek(SeekFrom::Start(length - back))?;
    let mut last = Vec::new();
    file.take(back).read_to_end(&mut last)?;
    Ok(last)
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;

    const A: &str = r#"{"key":"a/1","text":"ä"}"#;
    const B: &str = r#"{"key":"a/11","text":"b"}"#;

    /// Appends A to a file with this text, and gives what it holds then.
    fn after(before: &[u8]) -> String {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("told.jsonl");
        std::fs::write(&path, before).unwrap();
        assert!(append(&path, "\"a/1\"", A).unwrap());
        String::from_utf8_lossy(&std::fs::read(&path).unwrap()).into_owned()
    }

    #[test]
    fn a_line_is_added_once() {
        assert_eq!(after(b""), format!("{A}\n"));
        assert_eq!(after(format!("{A}\n").as_bytes()), format!("{A}\n"));
        assert_eq!(after(format!("{A}\n{B}\n").as_bytes()), format!("{A}\n{B}\n"));
        // Another key that begins alike is another message.
        assert_eq!(after(format!("{B}\n").as_bytes()), format!("{B}\n{A}\n"));
    }

    /// A crash may leave any part of a line.
    #[test]
    fn a_torn_line_is_ended_first() {
        for length in 1..A.len() {
            let torn = &A.as_bytes()[..length];
            let expected = format!("{B}\n{}\n{A}\n", String::from_utf8_lossy(torn));
            assert_eq!(after(&[B.as_bytes(), b"\n", torn].concat()), expected);
        }
        assert_eq!(after(A.as_bytes()), format!("{A}\n"), "only the line end was missing");
        assert_eq!(after(format!("{A}\n{{\"k").as_bytes()), format!("{A}\n{{\"k\n"));
    }

    #[test]
    fn a_key_is_found_as_far_back_as_is_looked() {
        let filler = |bytes: usize| format!("{}\n", "x".repeat(bytes - 1));
        let near = format!("{A}\n{}", filler(60 * 1024));
        assert_eq!(after(near.as_bytes()), near);
        let far = format!("{A}\n{}", filler(70 * 1024));
        assert_eq!(after(far.as_bytes()), format!("{far}{A}\n"));
    }

    #[test]
    fn a_new_file_is_for_its_owner_only() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("told.jsonl");
        assert!(append(&path, "\"a/1\"", A).unwrap());
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    }

    #[test]
    fn what_cannot_be_written_is_an_error_and_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        assert!(append(&folder.path().join("no/such.jsonl"), "\"a/1\"", A).is_err());
        assert!(append(folder.path(), "\"a/1\"", A).is_err());
        // A disk that is always full.
        assert!(append(Path::new("/dev/full"), "\"a/1\"", A).is_err());
    }

    #[test]
    fn a_file_that_another_has_locked_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("told.jsonl");
        let other = File::create(&path).unwrap();
        other.lock().unwrap();
        assert!(!append(&path, "\"a/1\"", A).unwrap());
        assert_eq!(std::fs::read(&path).unwrap(), b"");
        drop(other);
        assert!(append(&path, "\"a/1\"", A).unwrap());
    }
}
