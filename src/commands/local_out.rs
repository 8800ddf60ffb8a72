//! What a command prints for people, as they read it.

use std::io::{self, Write};

use crate::garden::plan::Garden;
use crate::text::locale::LocalText;

/// How the people of the garden `site` read, or of all gardens where they read alike; where
/// they do not, a text of all stays as it is written, and that of one garden goes through
/// [`LocalWriter::of_garden`].
pub(super) fn local_of(gardens: &[Garden], site: Option<&str>) -> LocalText {
    let these = || gardens.iter().filter(|garden| site.is_none_or(|site| garden.site.id.as_str() == site));
    let Some(first) = these().next() else { return LocalText::default() };
    if these().any(|garden| garden.site.locale != first.site.locale) {
        return LocalText::default();
    }
    these().map(Garden::local_text).reduce(LocalText::and_names_of).unwrap_or_default()
}

/// Turns each whole line that is written.
pub(super) struct LocalWriter<'a> {
    out: &'a mut dyn Write,
    local: LocalText,
    /// What is written of a line that has not ended.
    begun: Vec<u8>,
}

impl<'a> LocalWriter<'a> {
    /// For people of a garden, or of all. What programs read stays as it is.
    pub(super) fn new(out: &'a mut dyn Write, as_json: bool, gardens: &[Garden], site: Option<&str>) -> Self {
        let local = if as_json { LocalText::default() } else { local_of(gardens, site) };
        Self { out, local, begun: Vec::new() }
    }

    /// For what is printed of one garden among others. What is turned already stays.
    pub(super) fn of_garden(out: &'a mut dyn Write, garden: Option<&Garden>) -> Self {
        Self { out, local: garden.map(Garden::local_text).unwrap_or_default(), begun: Vec::new() }
    }

    fn turn(&mut self) -> io::Result<()> {
        let begun = std::mem::take(&mut self.begun);
        match std::str::from_utf8(&begun) {
            Ok(text) => self.out.write_all(self.local.text(text).as_bytes()),
            Err(_) => self.out.write_all(&begun),
        }
    }
}

impl Write for LocalWriter<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.local.changes_nothing() {
            return self.out.write(bytes);
        }
        for part in bytes.split_inclusive(|byte| *byte == b'\n') {
            self.begun.extend_from_slice(part);
            if part.ends_with(b"\n") {
                self.turn()?;
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.turn()?;
        self.out.flush()
    }
}

impl Drop for LocalWriter<'_> {
    fn drop(&mut self) {
        // A line without an end; who listens no more does not miss it.
        let _ = self.turn();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::locale::Locale;

    #[test]
    fn lines_are_turned_whole_however_they_are_written() {
        let mut out = Vec::new();
        {
            let local = LocalText::new(Locale::EnUs, ["Grey bed"]);
            let mut writer = LocalWriter { out: &mut out, local, begun: Vec::new() };
            write!(writer, "Grey bed: {} ", 580).unwrap();
            write!(writer, "L.\nUp to {} °C", 30).unwrap();
        }
        assert_eq!(String::from_utf8(out).unwrap(), "Grey bed: 580 L (150 US gal).\nUp to 30 °C (86 °F)");
    }
}
