//! All files of a month as one.

use std::io::{Cursor, Write};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

use crate::report::ReportFile;

/// The files as a zip archive, in a folder of the given name. The same files give the
/// same bytes: no time stands in it.
///
/// # Errors
///
/// When a file is larger than the format takes.
pub(super) fn zip(folder: &str, files: &[ReportFile]) -> Result<Vec<u8>, zip::result::ZipError> {
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(DateTime::default());
    let mut archive = ZipWriter::new(Cursor::new(Vec::new()));
    for file in files {
        archive.start_file(format!("{folder}/{}", file.name), options)?;
        archive.write_all(&file.bytes)?;
    }
    Ok(archive.finish()?.into_inner())
}
