//! CSV files as loggers and spreadsheets write them: commas, semicolons or tabs, with or
//! without a byte-order mark, lines that end as on any system.

use std::path::{Path, PathBuf};

/// A file that has been read whole.
pub(super) struct CsvFile {
    path: PathBuf,
    bytes: Vec<u8>,
    delimiter: u8,
}

/// One line of it, after that of the headers.
pub(super) struct CsvLine<'a> {
    /// As an editor numbers it; 1 is the line of the headers.
    pub(super) number: u64,
    pub(super) cells: &'a csv::ByteRecord,
}

impl CsvFile {
    /// # Errors
    /// Plain words, when the file cannot be read.
    pub(super) fn open(path: &Path) -> Result<Self, String> {
        let mut bytes = read(path)?;
        // Spreadsheets put a byte-order mark first.
        if bytes.starts_with(b"\xEF\xBB\xBF") {
            bytes.drain(..3);
        }
        let delimiter = delimiter(&bytes);
        Ok(Self { path: path.to_owned(), bytes, delimiter })
    }

    /// Whether a comma stands in numbers, since it does not part the cells.
    pub(super) fn decimal_comma(&self) -> bool {
        self.delimiter == b';'
    }

    /// The names of the columns.
    ///
    /// # Errors
    /// Plain words, when the first line cannot be read.
    pub(super) fn headers(&self) -> Result<Vec<String>, String> {
        let mut csv = self.reader();
        let headers = csv
            .byte_headers()
            .map_err(|e| format!("reading the first line of {}: {e}", self.path.display()))?;
        Ok(headers.iter().map(|header| String::from_utf8_lossy(header.trim_ascii()).into_owned()).collect())
    }

    /// Passes on each line after the first, or why it cannot be parted into cells.
    pub(super) fn each_line(&self, mut each: impl FnMut(Result<CsvLine<'_>, (u64, String)>)) {
        let mut csv = self.reader();
        let mut numbers = LineNumbers { bytes: &self.bytes, at: 0, line: 1 };
        let mut cells = csv::ByteRecord::new();
        loop {
            match csv.read_byte_record(&mut cells) {
                Ok(false) => return,
                Ok(true) => {
                    let number = numbers.of(cells.position());
                    if cells.as_slice().len() > LINE_MAX {
                        // Lines in quotes, mostly for want of the second one.
                        let why =
                            format!("from here on {LINE_MAX} bytes and more stand in one line's quotes");
                        each(Err((number, why)));
                        cells = csv::ByteRecord::new();
                        continue;
                    }
                    // Mostly there is nothing to cut off, and to look costs less than to cut.
                    if cells.as_slice().iter().any(u8::is_ascii_whitespace) {
                        cells.trim();
                    }
                    each(Ok(CsvLine { number, cells: &cells }));
                }
                Err(error) => {
                    each(Err((numbers.of(error.position()), error.to_string())));
                    if error.is_io_error() {
                        return;
                    }
                }
            }
        }
    }

    fn reader(&self) -> csv::Reader<&[u8]> {
        csv::ReaderBuilder::new().flexible(true).delimiter(self.delimiter).from_reader(&self.bytes)
    }
}

/// Bytes of a file and of a line of it: a year of a large school's loggers has a quarter of
/// the first.
const FILE_MAX: usize = 512 * 1024 * 1024;
const LINE_MAX: usize = 1024 * 1024;

/// The bytes of a file, as far as they can be a table.
fn read(path: &Path) -> Result<Vec<u8>, String> {
    let failed = |e: std::io::Error| format!("reading {}: {e}", path.display());
    let mut file = std::fs::File::open(path).map_err(failed)?;
    let (mut bytes, mut chunk) = (Vec::new(), vec![0; 64 * 1024]);
    let (mut line, mut length) = (1u64, 0usize);
    loop {
        let read = std::io::Read::read(&mut file, &mut chunk).map_err(failed)?;
        let new = &chunk[..read];
        if read == 0 {
            return Ok(bytes);
        }
        for byte in new {
            length += 1;
            if matches!(byte, b'\n' | b'\r') {
                (line, length) = (line + u64::from(*byte == b'\n'), 0);
            }
        }
        if length > LINE_MAX {
            return Err(format!(
                "{} is no table of readings: line {line} is longer than {LINE_MAX} bytes",
                path.display()
            ));
        }
        if bytes.len() + read > FILE_MAX {
            return Err(format!(
                "{} has more than {FILE_MAX} bytes; part it into several files",
                path.display()
            ));
        }
        bytes.extend_from_slice(new);
    }
}

/// What parts the cells of the first line: a comma, or else a semicolon or a tab.
fn delimiter(text: &[u8]) -> u8 {
    let first = text.split(|&b| b == b'\n' || b == b'\r').next().unwrap_or_default();
    [b',', b';', b'\t'].into_iter().find(|d| first.contains(d)).unwrap_or(b',')
}

/// Counts lines as an editor does. The reader's own count is one too low where lines end
/// with CR and LF, and does not pass over empty lines.
struct LineNumbers<'a> {
    bytes: &'a [u8],
    at: usize,
    line: u64,
}

impl LineNumbers<'_> {
    /// The line in which what the reader found from `position` on begins.
    fn of(&mut self, position: Option<&csv::Position>) -> u64 {
        let from = position.and_then(|it| usize::try_from(it.byte()).ok()).unwrap_or(self.at);
        let ends = |at: usize| self.bytes.get(at).is_some_and(|byte| matches!(byte, b'\r' | b'\n'));
        let mut until = from;
        while ends(until) {
            until += 1;
        }
        while self.at < until {
            let both = self.bytes[self.at] == b'\r' && self.bytes.get(self.at + 1) == Some(&b'\n');
            self.line += u64::from(ends(self.at));
            self.at += if both { 2 } else { 1 };
        }
        self.line
    }
}

/// What loggers and spreadsheets write where there is no number.
pub(super) fn is_missing(text: &str) -> bool {
    const WORDS: [&str; 7] = ["", "-", "na", "n/a", "nan", "null", "none"];
    text.len() <= 4 && WORDS.iter().any(|word| text.eq_ignore_ascii_case(word))
}

/// The number of a cell.
///
/// # Errors
/// Plain words that say what was given.
pub(super) fn number(text: &str, decimal_comma: bool) -> Result<f64, String> {
    let parsed = |text: &str| text.parse::<f64>().ok().filter(|number| number.is_finite());
    if let Some(number) = parsed(text) {
        return Ok(number);
    }
    match parsed(&text.replacen(',', ".", 1)) {
        Some(number) if decimal_comma => Ok(number),
        Some(_) => Err(format!("the value {text:?} has a comma where a point is read")),
        None => Err(format!("the value {text:?} is not a finite number")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(bytes: &[u8]) -> Vec<(u64, Vec<String>)> {
        let file = CsvFile { path: "x.csv".into(), bytes: bytes.to_vec(), delimiter: delimiter(bytes) };
        let mut found = Vec::new();
        file.each_line(|line| {
            let line = line.unwrap_or_else(|(number, fault)| panic!("{number}: {fault}"));
            let cells = line.cells.iter().map(|cell| String::from_utf8_lossy(cell).into_owned());
            found.push((line.number, cells.collect()));
        });
        found
    }

    /// Expected: the lines as an editor numbers them, counted by hand.
    #[test]
    fn lines_are_numbered_as_an_editor_numbers_them() {
        let text = "time,raw\n1,a\n\n2,\"b\nc\"\n3,d\n";
        for end in ["\n", "\r\n", "\r"] {
            let found = lines(text.replace('\n', end).as_bytes());
            let numbers: Vec<u64> = found.iter().map(|(number, _)| *number).collect();
            assert_eq!(numbers, [2, 4, 6], "{end:?}");
            assert_eq!(found[2].1, ["3", "d"]);
        }
    }

    #[test]
    fn numbers_have_a_comma_only_where_it_does_not_part_cells() {
        assert_eq!(number("0,05", true), Ok(0.05));
        assert_eq!(number("0.05", true), Ok(0.05));
        assert!(number("0,05", false).unwrap_err().contains("a comma where a point is read"));
        for none in ["wet", "inf", "1,234,5"] {
            assert!(number(none, true).unwrap_err().contains("not a finite number"), "{none}");
        }
        assert_eq!(delimiter(b"a;b,\r\n"), b',');
        assert_eq!((delimiter(b"a;b\rc,d"), delimiter(b"a\tb\n")), (b';', b'\t'));
    }
}
