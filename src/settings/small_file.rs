//! Small files that the settings name: read within bounds, and never waited for.

use std::fs::{File, Metadata, OpenOptions};
use std::io::Read as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

/// Reads a plain file of at most `bytes_max` bytes. A pipe would be waited for, and a device
/// may never end.
///
/// # Errors
/// Why it cannot be read, in plain words.
pub(super) fn read(path: &Path, bytes_max: u64) -> Result<(Vec<u8>, Metadata), String> {
    let nonblocking = i32::try_from(rustix::fs::OFlags::NONBLOCK.bits()).unwrap_or_default();
    let open = || -> std::io::Result<(File, Metadata)> {
        let file = OpenOptions::new().read(true).custom_flags(nonblocking).open(path)?;
        let metadata = file.metadata()?;
        Ok((file, metadata))
    };
    let (file, metadata) = open().map_err(|e| e.to_string())?;
    if !metadata.is_file() {
        return Err("not a file but a folder, a pipe or a device".to_owned());
    }
    let mut bytes = Vec::new();
    file.take(bytes_max + 1).read_to_end(&mut bytes).map_err(|e| e.to_string())?;
    if u64::try_from(bytes.len()).is_ok_and(|length| length > bytes_max) {
        return Err(format!("more than {bytes_max} bytes"));
    }
    Ok((bytes, metadata))
}
