//! The class month: its files, `trug report`, and the pages of it.

use std::collections::BTreeSet;
use std::fs;
use std::io::{Cursor, Read as _, Write as _};
use std::path::Path;
use std::sync::Arc;

use crate::support::garden::GardenFile;
use crate::support::http::{Answer, Served};
use crate::support::locale::{australian, bare_figures, spelled_otherwise, wrong_temperatures};
use crate::support::month::{self, NOTES, at};
use crate::support::plain_words::{assert_plain, notations, words_of_page, words_out};
use crate::support::views::{Fixed, unknown};
use jiff::Timestamp;
use tempfile::TempDir;
use trug::commands::exit::finish;
use trug::commands::report::{Report, run};
use trug::garden::plan::Garden;
use trug::garden::record::Reading;
use trug::model::{CalendarMonth, Id};
use trug::page::RecordReader;
use trug::page::month::{MonthFiles, MonthRequest, make, make_term, until};
use trug::quality::Flag;
use trug::report::{Cell, Contents, FiguresPart, Level, ReportPage, TABLES, tables};
use trug::store::Reader;
use trug::text::locale::Locale;

const APRIL: CalendarMonth = CalendarMonth { year: 2026, month: 4 };
/// Adelaide's midnights at the ends of April 2026, from UTC+10:30 to UTC+9:30.
const BEGIN: &str = "2026-03-31T13:30:00Z";
const END: &str = "2026-04-30T14:30:00Z";

/// Three lessons, three worksheets, answers, the parts of the figures, the spreadsheet and the
/// dictionary.
fn files_of(beds: usize) -> usize {
    9 + FiguresPart::all(beds).len()
}

struct Kept {
    folder: TempDir,
    garden: Garden,
    reader: Reader,
}

fn kept(readings: impl FnOnce(&Garden) -> Vec<Reading>) -> Kept {
    let folder = tempfile::tempdir().unwrap();
    let garden = month::garden();
    let reader = month::store(&folder.path().join("trug.db"), &garden, readings(&garden));
    Kept { folder, garden, reader }
}

/// April and the two weeks before it, with a log.
fn april() -> Kept {
    let kept = kept(|garden| month::hourly(garden, at("2026-03-16T13:30:00Z"), at(END)));
    month::log(&kept.folder.path().join("trug.db"), &kept.garden);
    kept
}

impl Kept {
    fn make(&self, wanted: &MonthRequest) -> MonthFiles {
        make(&self.reader, &self.garden, wanted, None, usize::MAX).unwrap()
    }

    fn run(&self, it: &Report, now: &str) -> (u8, String) {
        let mut out = Vec::new();
        let ended = run(&self.reader, std::slice::from_ref(&self.garden), it, at(now), &mut out);
        let code = finish(ended, it.json, &mut out).code();
        let text = String::from_utf8(out).unwrap();
        if !it.json {
            assert_plain(&text);
        }
        (code, text)
    }
}

fn wanted() -> MonthRequest {
    MonthRequest { which: APRIL, compare: None, notes: true, level: Level::default() }
}

fn beds() -> MonthRequest {
    MonthRequest { compare: Some((Id::new("kitchen-bed"), Id::new("pea-bed"))), ..wanted() }
}

fn text<'m>(made: &'m MonthFiles, name: &str) -> &'m str {
    let file = made.files.iter().find(|file| file.name == name).unwrap_or_else(|| panic!("no {name}"));
    std::str::from_utf8(&file.bytes).unwrap()
}

/// Every part of a spreadsheet.
fn parts(made: &MonthFiles) -> Vec<(String, String)> {
    let file = made.files.iter().find(|file| file.name == "month.xlsx").unwrap();
    let mut archive = zip::ZipArchive::new(Cursor::new(&file.bytes)).unwrap();
    (0..archive.len())
        .map(|at| {
            let mut part = archive.by_index(at).unwrap();
            let name = part.name().unwrap().into_owned();
            assert_eq!(part.last_modified(), Some(zip::DateTime::default()), "{name}");
            let mut text = String::new();
            part.read_to_string(&mut text).unwrap();
            (name, text)
        })
        .collect()
}

/// Leaves the files in `target/tmp/report-by-hand` for `tests/report_read`.
#[test]
fn the_same_record_gives_the_same_bytes() {
    let kept = april();
    let (one, other) = (kept.make(&beds()), kept.make(&beds()));
    assert_eq!(one.files, other.files);
    for file in &one.files {
        assert!(!file.bytes.is_empty(), "{} is empty", file.name);
    }
    // The month's end, and no time of today.
    let core = parts(&one).into_iter().find(|(name, _)| name == "docProps/core.xml").unwrap().1;
    assert!(core.contains("2026-04-30T14:30:00Z"), "{core}");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report-by-hand");
    fs::create_dir_all(&folder).unwrap();
    for file in &one.files {
        fs::write(folder.join(&file.name), &file.bytes).unwrap();
    }
}

#[test]
fn another_reading_or_another_setting_has_another_fingerprint() {
    let kept = april();
    let first = kept.make(&wanted()).made.fingerprints;
    let mut garden = kept.garden.clone();
    garden.beds[0].root_depth_m += 0.01;
    let changed = make(&kept.reader, &garden, &wanted(), None, usize::MAX).unwrap().made.fingerprints;
    assert_ne!(changed.settings, first.settings);
    assert_eq!(changed.readings, first.readings);
    let mut garden = kept.garden.clone();
    garden.tell.clear();
    let told = make(&kept.reader, &garden, &wanted(), None, usize::MAX).unwrap().made.fingerprints;
    assert_eq!(told, first, "who is told does not matter here");
    let other = self::kept(|garden| {
        let mut readings = month::hourly(garden, at("2026-03-16T13:30:00Z"), at(END));
        readings[5].raw += 1.0;
        readings
    });
    let other = other.make(&wanted()).made.fingerprints;
    assert_ne!(other.readings, first.readings);
    assert_ne!(other.told, first.told, "this one has no log");
}

/// As the report says: a line `sensor,time,raw,value,flag` for each reading, in order
/// of sensor and time, from what `trug export` writes.
#[test]
fn the_fingerprint_of_the_readings_can_be_made_from_an_export() {
    use trug::commands::export::{Export, Format, filter, write};
    let kept = april();
    let made = kept.make(&wanted()).made;
    let it =
        Export { from: Some(made.looked_from.to_string()), to: Some(END.to_owned()), ..Export::default() };
    let filter = filter(&kept.reader, std::slice::from_ref(&kept.garden), &it).unwrap();
    let mut out = Vec::new();
    write(&kept.reader, &filter, Format::Csv, &mut out).unwrap();
    let mut csv = csv::Reader::from_reader(out.as_slice());
    let columns: Vec<usize> = ["sensor", "time", "raw", "value", "flag"]
        .iter()
        .map(|name| csv.headers().unwrap().iter().position(|head| head == *name).unwrap())
        .collect();
    let mut rows: Vec<(String, Timestamp, String)> = csv
        .records()
        .map(|row| {
            let row = row.unwrap();
            let line: Vec<&str> = columns.iter().map(|&at| &row[at]).collect();
            (row[columns[0]].to_owned(), row[columns[1]].parse().unwrap(), line.join(",") + "\n")
        })
        .collect();
    rows.sort();
    let all: String = rows.into_iter().map(|(.., line)| line).collect();
    let hash = ring::digest::digest(&ring::digest::SHA256, all.as_bytes());
    let hash: String = hash.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(hash, made.fingerprints.readings);
}

#[test]
fn each_page_stands_by_itself_and_runs_nothing() {
    let made = april().make(&beds());
    let names: BTreeSet<String> = made.files.iter().map(|file| file.name.clone()).collect();
    let ids_of = |page: &str| -> Vec<String> {
        page.split(" id=\"").skip(1).map(|rest| rest.split('"').next().unwrap().to_owned()).collect()
    };
    for page in ReportPage::all(Level::default(), made.month.beds.len()) {
        let name = page.file(Level::default());
        let page = text(&made, &name);
        for outside in [
            "http:",
            "https:",
            "//",
            "@import",
            "<script",
            "javascript:",
            " src=",
            "<link rel=\"stylesheet\"",
        ] {
            assert!(
                !page.contains(outside),
                "{name}: {outside:?}: {:?}",
                page.split(outside).next().map(|it| &it[it.len() - 80..])
            );
        }
        for (at, _) in page.match_indices("url(") {
            assert!(page[at..].starts_with("url(#"), "{}", &page[at..at + 40]);
        }
        let ids = ids_of(page);
        assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len(), "{name}: an id stands twice");
        for link in page.split("href=\"").skip(1).map(|rest| rest.split('"').next().unwrap()) {
            let (file, part) = link.split_once('#').unwrap_or((link, ""));
            let known = link == "data:,"
                || (file.is_empty() || names.contains(file))
                    && (part.is_empty()
                        || ids_of(if file.is_empty() { page } else { text(&made, file) })
                            .contains(&part.to_owned()));
            assert!(known, "{name}: a link to {link:?}");
        }
        assert!(page.len() < 100_000, "{name} weighs {} bytes", page.len());
        assert!(!page.contains("This month is not over"));
    }
    let page = text(&made, "report.html");
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"), "the note is shown as it was written");
    for wanted in ["Kitchen bed", "Perch tank", "Before you pass this on", "trug report --month 2026-04"] {
        assert!(page.contains(wanted), "{wanted}");
    }
}

/// The text between the first `from` and the next `to`.
fn between<'p>(page: &'p str, from: &str, to: &str) -> &'p str {
    let rest = page.split_once(from).unwrap_or_else(|| panic!("no {from:?}")).1;
    rest.split_once(to).unwrap_or_else(|| panic!("no {to:?} after {from:?}")).0
}

/// One picture and one question of its own for each level; the answer is folded away until
/// somebody has guessed, and the picture before it does not show it.
#[test]
fn each_level_has_its_own_question_and_hides_its_answer() {
    let kept = april();
    let mut questions = BTreeSet::new();
    for level in Level::ALL {
        let made = kept.make(&MonthRequest { level, ..beds() });
        let page = text(&made, "report.html");
        let lesson = between(page, "<section class=\"lesson\"", "</section>");
        questions.insert(between(lesson, "<h2>", "</h2>").to_owned());
        let (before, after) = lesson.split_once("<details class=\"reveal\">").expect("a folded answer");
        assert_eq!(before.matches("<svg").count(), 1, "{level:?}: one picture");
        assert!(before.contains("First guess. "), "{level:?}");
        assert_eq!(after.matches("<svg").count(), 1, "{level:?}: the answer has its picture");
        let answer = between(after, "<p class=\"says\">", "</p>");
        assert!(!answer.is_empty() && !before.contains(answer), "{level:?}: {answer}");
        assert_ne!(between(before, "<svg", "</svg>"), between(after, "<svg", "</svg>"), "{level:?}");
        let current = between(lesson, "aria-current=\"page\">", "</a>");
        assert_eq!(current, level.words());
        assert!(made.made.command.contains("--level") == (level != Level::default()));
        // The lesson's own page comes first, whatever the level.
        let names: Vec<&str> = made.files.iter().map(|file| file.name.as_str()).collect();
        assert_eq!(names[0], "report.html");
        for other in Level::ALL.into_iter().filter(|other| *other != level) {
            let name = format!("report-{}.html", other.name());
            assert!(lesson.contains(&format!("href=\"{name}\"")) && names.contains(&name.as_str()));
        }
    }
    assert_eq!(questions.len(), 3, "{questions:?}");
}

/// Ten rows and empty axes; answers stand only on the teacher's page.
#[test]
fn a_worksheet_has_ten_rows_and_no_answer() {
    let made = april().make(&beds());
    let answers = text(&made, "answers.html");
    for level in Level::ALL {
        let sheet = text(&made, &ReportPage::Worksheet(level).file(Level::default()));
        let rows = between(sheet, "<tbody>", "</tbody>").matches("<tr>").count();
        assert!((1..=10).contains(&rows), "{level:?}: {rows} rows");
        assert_eq!(sheet.matches("<svg").count(), 1, "{level:?}: the axes");
        assert!(!between(sheet, "<svg", "</svg>").contains("class=\"drawn\""), "{level:?}: nothing is drawn");
        let answer = between(
            &answers[answers.find(&format!("<h2>{}: ", level.words())).expect("the level's heading")..],
            "<p class=\"says\">",
            "</p>",
        );
        assert!(!answer.is_empty() && !sheet.contains(answer), "{level:?}: {answer}");
    }
    let asked = answers.matches("<li><p><strong>").count();
    assert_eq!(asked, made.month.questions.len(), "each further question has its answer");
}

/// Every word that is out of what people read.
#[test]
fn the_report_says_minus_and_soil() {
    let made = april().make(&beds());
    for file in made.files.iter().filter(|file| file.name.ends_with(".html")) {
        let page = std::str::from_utf8(&file.bytes).unwrap();
        let page = page.split("</style>").nth(1).unwrap();
        for out in [
            "less second",
            "less needed",
            " felt ",
            "pair that says most",
            "said nothing",
            "speaks",
            "anew",
            "NaN",
        ] {
            assert!(!page.contains(out), "{}: {out:?}", file.name);
        }
    }
}

#[test]
fn people_s_words_never_run_in_a_spreadsheet() {
    let made = april().make(&wanted());
    let log = text(&made, "log.csv");
    assert!(log.contains("\"'=HYPERLINK(\"\"x\"\")\"") && log.contains("'+61 8"), "{log}");
    for (name, part) in parts(&made) {
        if name.starts_with("xl/worksheets/") {
            assert!(!part.contains("<f>") && !part.contains("<f "), "{name} has a formula");
        }
    }
    let harvest = log.lines().find(|line| line.contains("harvest")).unwrap();
    assert!(harvest.contains(",1.25,"), "a number of the entry stands in a column of its own: {harvest}");
}

#[test]
fn notes_are_left_out_where_nobody_wants_them() {
    let made = april().make(&MonthRequest { notes: false, ..wanted() });
    let sheets = parts(&made);
    let files = made.files.iter().filter(|file| file.name != "month.xlsx");
    let all = files
        .map(|file| String::from_utf8_lossy(&file.bytes).into_owned())
        .chain(sheets.into_iter().map(|it| it.1));
    for text in all {
        for piece in ["HYPERLINK", "is not a sum", "alert(1)", "three"] {
            assert!(
                !text.contains(piece) || piece == "three" && !text.contains("three\""),
                "{piece} is in it"
            );
        }
    }
    assert!(NOTES[0].contains("HYPERLINK"));
    assert!(text(&made, "report.html").contains("People's notes are left out"));
    assert!(made.made.command.ends_with("--without-notes"));
}

#[test]
fn every_column_is_in_the_dictionary_once() {
    let made = april().make(&beds());
    let mut reader = csv::Reader::from_reader(text(&made, "dictionary.csv").as_bytes());
    let told: Vec<(String, String)> =
        reader.records().map(|row| row.unwrap()).map(|row| (row[0].to_owned(), row[1].to_owned())).collect();
    let mut expected = Vec::new();
    for name in TABLES {
        let table = text(&made, &format!("{name}.csv"));
        assert!(table.contains("\r\n"), "{name}: lines end as RFC 4180 says");
        let head = table.lines().next().unwrap();
        for column in head.split(',') {
            let fine = column.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_');
            assert!(fine && !column.is_empty(), "{name}: {column:?}");
            expected.push((name.to_owned(), column.to_owned()));
        }
    }
    let unique: BTreeSet<_> = expected.iter().collect();
    assert_eq!(unique.len(), expected.len(), "a table has two columns of one name");
    assert_eq!(told, expected);
}

/// What a question points to is there.
#[test]
fn questions_point_to_tables_and_columns_that_there_are() {
    let kept = april();
    let made = kept.make(&beds());
    assert!(!made.month.questions.is_empty(), "a month of readings has questions");
    let tables =
        tables(&Contents { month: &made.month, made: &made.made, notes: true, level: Level::default() });
    for question in &made.month.questions {
        // "table: column, column; table: column"
        for part in question.look_at.split(';') {
            let (name, columns) = part.split_once(':').unwrap_or_else(|| panic!("{:?}", question.look_at));
            let table = tables.iter().find(|table| table.name == name.trim());
            let table = table.unwrap_or_else(|| panic!("{name:?} of {:?}", question.ask));
            for column in columns.split(',').map(str::trim) {
                let known = table.columns.iter().any(|it| it.name == column);
                assert!(known, "{column:?} in {:?}", question.look_at);
            }
        }
    }
}

/// Clocks went back on 5 April 2026: 2 am to 3 am came twice (IANA time zone database).
#[test]
fn the_hour_that_comes_twice_has_two_rows() {
    let made = april().make(&wanted());
    let hours: Vec<Vec<&str>> = text(&made, "readings_hourly.csv")
        .lines()
        .filter(|line| line.contains(",kitchen-15cm,"))
        .map(|line| line.split(',').collect())
        .collect();
    assert_eq!(hours.len(), 30 * 24 + 1);
    let universal: BTreeSet<&str> = hours.iter().map(|row| row[1]).collect();
    assert_eq!(universal.len(), hours.len(), "no universal time comes twice");
    let twice: Vec<&str> =
        hours.iter().filter(|row| row[0] == "2026-04-05 02:00:00").map(|row| row[1]).collect();
    assert_eq!(twice, ["2026-04-04T15:30:00Z", "2026-04-04T16:30:00Z"]);
    assert_eq!((hours[0][0], hours[0][1]), ("2026-04-01 00:00:00", BEGIN));
}

/// Nothing, one reading, only bad ones: every file is there and says so.
#[test]
fn months_with_nothing_to_say_say_nothing() {
    let one = |garden: &Garden, flag| {
        let mut readings = month::hourly(garden, at("2026-04-09T13:30:00Z"), at("2026-04-09T14:30:00Z"));
        readings.truncate(1);
        readings[0].flag = flag;
        readings
    };
    let bad = |garden: &Garden| {
        let mut readings = month::hourly(garden, at(BEGIN), at("2026-04-10T13:30:00Z"));
        readings.iter_mut().for_each(|reading| reading.flag = Flag::Fail);
        readings
    };
    let stores = [
        kept(|_| Vec::new()),
        kept(|garden| one(garden, Flag::Pass)),
        kept(|garden| one(garden, Flag::Fail)),
        kept(bad),
    ];
    for (kept, readings) in stores.into_iter().zip([0, 1, 1, 240]) {
        let made = kept.make(&beds());
        assert_eq!(made.files.len(), files_of(made.month.beds.len()) + TABLES.len());
        assert_eq!(made.month.sensors[0].readings, readings);
        let page = text(&made, "report.html");
        assert!(page.contains("not known"), "what is not known is said");
        assert!(page.contains("What to do now"), "{}", made.month.action.why);
        for level in Level::ALL {
            let page = text(&made, &ReportPage::Lesson(level).file(Level::default()));
            assert!(page.contains("Nobody knows yet"), "a guess to keep");
        }
        assert!(!page.contains("NaN") && !page.contains(">inf"), "no nonsense numbers");
        for table in
            tables(&Contents { month: &made.month, made: &made.made, notes: true, level: Level::default() })
        {
            for row in &table.rows {
                assert_eq!(row.len(), table.columns.len(), "{}", table.name);
                for (cell, column) in row.iter().zip(&table.columns) {
                    let explained = *cell != Cell::Empty || !column.missing.is_empty();
                    assert!(explained, "{}.{} is empty, and nothing says why", table.name, column.name);
                }
            }
        }
        parts(&made);
        let out = kept.folder.path().join("out");
        let it = Report { month: Some("2026-04".to_owned()), out: Some(out), ..Report::default() };
        let (code, said) = kept.run(&it, "2026-06-01T00:00:00Z");
        assert_eq!(
            (code, said.contains("no reading, so there is nothing")),
            (u8::from(readings == 0), readings == 0)
        );
    }
}

#[test]
fn empty_cells_of_a_full_month_are_explained() {
    let made = april().make(&beds());
    for table in
        tables(&Contents { month: &made.month, made: &made.made, notes: true, level: Level::default() })
    {
        for (row, column) in table.rows.iter().flat_map(|row| row.iter().zip(&table.columns)) {
            let explained = *row != Cell::Empty || !column.missing.is_empty();
            assert!(explained, "{}.{} is empty, and nothing says why", table.name, column.name);
        }
    }
}

#[test]
fn a_month_that_is_not_over_says_up_to_when() {
    let kept = april();
    let now = at("2026-04-17T05:45:10Z");
    let known = until(APRIL, now, &kept.garden.site.time_zone).unwrap();
    assert_eq!(known, Some(at("2026-04-17T05:30:00Z")), "the last full hour of the garden's clock");
    let made = make(&kept.reader, &kept.garden, &wanted(), known, usize::MAX).unwrap();
    assert!(text(&made, "report.html").contains("up to Friday 17 April 2026, 3 pm ACST"));
    assert!(!text(&made, "readings_hourly.csv").contains("2026-04-17T05:30:00Z"));
    assert!(until(CalendarMonth { year: 2026, month: 5 }, now, &kept.garden.site.time_zone).is_err());
    let over = until(APRIL, at(END), &kept.garden.site.time_zone).unwrap();
    assert_eq!(over, None);
}

#[test]
fn a_month_with_too_many_readings_is_refused() {
    let kept = april();
    assert!(make(&kept.reader, &kept.garden, &wanted(), None, 100).is_err());
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|it| it.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn the_folder_is_made_whole_and_never_over_something_else() {
    let kept = april();
    let place = tempfile::tempdir().unwrap();
    let out = place.path().join("deep/april");
    let now = "2026-06-01T00:00:00Z";
    let it = Report { month: Some("2026-04".to_owned()), out: Some(out.clone()), ..Report::default() };
    let (code, said) = kept.run(&it, now);
    assert_eq!(code, 0, "{said}");
    assert!(
        said.contains("April 2026 of Saltbush Gully Primary School") && said.contains("% of the"),
        "{said}"
    );
    let files = names(&out);
    assert_eq!(files.len(), files_of(kept.garden.beds.len()) + TABLES.len());
    assert_eq!(names(&place.path().join("deep")), ["april"], "no temporary folder is left");
    // It is there already.
    assert_eq!(kept.run(&it, now).0, 2);
    let replace = Report { replace: true, json: true, ..it.clone() };
    let (code, said) = kept.run(&replace, now);
    let told: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!((code, told["files"].as_array().unwrap().len()), (0, files.len()));
    assert_eq!(told["site"], "saltbush-gully");
    assert_eq!(names(&out), files);
    // A folder with anything else in it is not replaced.
    fs::write(out.join("homework.odt"), "mine").unwrap();
    assert_eq!(kept.run(&replace, now).0, 2);
    assert_eq!(fs::read_to_string(out.join("homework.odt")).unwrap(), "mine");
    // Nor is a file.
    fs::write(place.path().join("file"), "mine").unwrap();
    let file = Report { out: Some(place.path().join("file")), ..replace };
    assert_eq!(kept.run(&file, now).0, 2);
    assert_eq!(names(place.path()), ["deep", "file"]);
}

#[test]
fn what_is_asked_wrongly_is_refused_before_anything_is_made() {
    let kept = april();
    let place = tempfile::tempdir().unwrap();
    let right = Report {
        month: Some("2026-04".to_owned()),
        out: Some(place.path().join("out")),
        ..Report::default()
    };
    let beds = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
    let wrong = [
        Report { month: Some("2026-13".to_owned()), ..right.clone() },
        Report { month: Some("0000-01".to_owned()), ..right.clone() },
        Report { month: Some("9999-12".to_owned()), ..right.clone() },
        Report { month: Some("9998-12".to_owned()), ..right.clone() },
        Report { month: Some("april".to_owned()), ..right.clone() },
        Report { month: Some("2026-07".to_owned()), ..right.clone() },
        Report { site: Some("elsewhere".to_owned()), ..right.clone() },
        Report { beds: beds(&["kitchen-bed"]), ..right.clone() },
        Report { beds: beds(&["kitchen-bed", "kitchen-bed"]), ..right.clone() },
        Report { beds: beds(&["kitchen-bed", "moon-bed"]), ..right.clone() },
        Report { beds: beds(&["kitchen-bed", "pea-bed", "herb-bed"]), ..right.clone() },
    ];
    for it in wrong {
        assert_eq!(kept.run(&it, "2026-06-30T14:00:00Z"), (2, String::new()), "{it:?}");
        assert!(names(place.path()).is_empty());
    }
    let two =
        Report { beds: beds(&["kitchen-bed", "pea-bed"]), site: Some("saltbush-gully".to_owned()), ..right };
    assert_eq!(kept.run(&two, "2026-06-30T14:00:00Z").0, 0);
}

/// The page over April, as it stands at `now`.
fn served(kept: &Kept, now: &str) -> Served {
    let mut view = unknown();
    view.now = at(now);
    let views = Fixed { now: at(now), ..Fixed::of(vec![view]) };
    let record = RecordReader::new(kept.reader.clone(), vec![Arc::new(kept.garden.clone())].into());
    Served::over(views, record, None)
}

/// Status, head and body of an answer that need not be text.
fn bytes(served: &Served, path: &str, more: &str) -> (u16, String, Vec<u8>) {
    let mut stream = served.connect();
    let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{more}\r\n");
    stream.write_all(request.as_bytes()).unwrap();
    let mut all = Vec::new();
    stream.read_to_end(&mut all).unwrap();
    let end = all.windows(4).position(|four| four == b"\r\n\r\n").unwrap();
    let head = String::from_utf8(all[..end].to_vec()).unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    (status, head.to_ascii_lowercase(), all[end + 4..].to_vec())
}

/// The page once it is made: a busy machine asks to come again.
fn ready(served: &Served, path: &str) -> Answer {
    for _ in 0..240 {
        let answer = served.get(path);
        if answer.status != 503 {
            return answer;
        }
        std::thread::sleep(std::time::Duration::from_millis(500));
    }
    panic!("{path} is never made");
}

fn header<'h>(head: &'h str, name: &str) -> Option<&'h str> {
    head.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(": "))
}

#[test]
fn the_page_shows_the_month_and_gives_its_files() {
    let kept = april();
    let served = served(&kept, "2026-05-20T00:00:00Z");
    let list = served.get("/site/saltbush-gully/month");
    assert_eq!(list.status, 200);
    assert!(list.body.contains("href=\"/site/saltbush-gully/month/2026-04\""), "{}", list.body);
    assert!(list.body.contains("May 2026") && list.body.contains("(up to now)"), "{}", list.body);

    let base = "/site/saltbush-gully/month/2026-04";
    let query = "?first=kitchen-bed&second=pea-bed";
    let page = ready(&served, &format!("{base}{query}"));
    assert_eq!(page.status, 200);
    assert!(page.body.contains("Somebody chose these two beds"), "the beds that were chosen are compared");
    assert!(
        page.body
            .contains(&format!("{base}/month.xlsx?level=10-12&amp;first=kitchen-bed&amp;second=pea-bed"))
    );
    assert!(page.body.contains("They are not alike: they differ in"), "apples and pears are called so");
    for level in Level::ALL {
        let own = ready(&served, &format!("{base}{query}&level={}", level.name()));
        assert_eq!(own.status, 200);
        assert!(own.body.contains(&format!("aria-current=\"page\">{}</a>", level.words())), "{level:?}");
    }
    for (name, heading) in [
        ("worksheet", "Worksheet, April 2026"),
        ("answers", "Answers for the teacher"),
        ("figures", "Every figure of"),
    ] {
        let page = ready(&served, &format!("{base}/{name}{query}"));
        assert_eq!(page.status, 200, "{name}");
        assert!(page.body.contains(heading) && !page.body.contains("<style"), "{name}");
    }
    assert!(!page.body.contains("<style"), "the page's own policy allows no style within it");
    let tag = page.header("etag").unwrap();
    assert_eq!(bytes(&served, &format!("{base}{query}"), &format!("If-None-Match: {tag}\r\n")).0, 304);

    let made = kept.make(&beds());
    for file in &made.files {
        let (status, head, body) = bytes(&served, &format!("{base}/{}{query}", file.name), "");
        assert_eq!((status, body == file.bytes), (200, true), "{}: the same as the command makes", file.name);
        assert_eq!(header(&head, "content-type"), Some(file.media));
        let tag = header(&head, "etag").unwrap().to_owned();
        let again = bytes(
            &served,
            &format!("{base}/{}{query}", file.name),
            &format!("If-None-Match: \"x\", {tag}\r\n"),
        );
        assert_eq!((again.0, again.2.len()), (304, 0), "{}", file.name);
    }
    let (_, head, body) = bytes(&served, &format!("{base}/all.zip{query}"), "");
    assert!(header(&head, "content-disposition").unwrap().contains("report-saltbush-gully-2026-04.zip"));
    let mut archive = zip::ZipArchive::new(Cursor::new(body)).unwrap();
    assert_eq!(archive.len(), made.files.len());
    for file in &made.files {
        let mut part = archive.by_name(&format!("report-saltbush-gully-2026-04/{}", file.name)).unwrap();
        let mut inside = Vec::new();
        part.read_to_end(&mut inside).unwrap();
        assert!(inside == file.bytes, "{}", file.name);
    }
}

/// A page is packed for whoever takes it so, and weighs little then.
#[test]
fn pages_are_packed_where_the_caller_takes_them_so() {
    let served = served(&april(), "2026-05-20T00:00:00Z");
    let path = "/site/saltbush-gully/month/2026-04";
    assert_eq!(ready(&served, path).status, 200);
    let (_, plain_head, plain) = bytes(&served, path, "");
    assert_eq!(header(&plain_head, "content-encoding"), None);
    let (status, head, packed) = bytes(&served, path, "Accept-Encoding: br, gzip;q=0.8\r\n");
    assert_eq!((status, header(&head, "content-encoding")), (200, Some("gzip")));
    let mut back = Vec::new();
    flate2::read::GzDecoder::new(packed.as_slice()).read_to_end(&mut back).unwrap();
    assert!(back == plain, "the same page");
    assert!(packed.len() < 60_000, "the page weighs {} bytes", packed.len());
    let tag = header(&head, "etag").unwrap();
    assert_ne!(Some(tag), header(&plain_head, "etag"), "other bytes, another tag");
    let asked = format!("Accept-Encoding: gzip\r\nIf-None-Match: {tag}\r\n");
    assert_eq!(bytes(&served, path, &asked).0, 304);
    let (_, head, _) = bytes(&served, path, "Accept-Encoding: gzip;q=0\r\n");
    assert_eq!(header(&head, "content-encoding"), None);
    let (_, head, _) = bytes(&served, &format!("{path}/month.xlsx"), "Accept-Encoding: gzip\r\n");
    assert_eq!(header(&head, "content-encoding"), None);
}

/// The page that stands by itself may use its own style and nothing else.
#[test]
fn the_report_on_the_page_may_use_its_own_style() {
    use base64::Engine as _;
    let served = served(&april(), "2026-05-20T00:00:00Z");
    let report = ready(&served, "/site/saltbush-gully/month/2026-04/report.html");
    let style = report.body.split_once("<style>").unwrap().1.split_once("</style>").unwrap().0;
    let hash = ring::digest::digest(&ring::digest::SHA256, style.as_bytes());
    let hash = base64::engine::general_purpose::STANDARD.encode(hash);
    let policy = report.header("content-security-policy").unwrap();
    assert!(
        policy.contains("default-src 'none'") && policy.contains(&format!("style-src 'sha256-{hash}'")),
        "{policy}"
    );
}

#[test]
fn months_that_are_none_and_beds_that_are_none_have_clear_answers() {
    let served = served(&april(), "2026-05-20T00:00:00Z");
    let site = "/site/saltbush-gully/month";
    for (path, status) in [
        ("/2026-13", 404),
        ("/2026-00", 404),
        ("/0000-01", 404),
        ("/9999-12", 404),
        ("/2026-06", 404),
        ("/april", 404),
        ("/2026-4", 404),
        ("/%00", 404),
        ("/%ff", 404),
        ("/2026-04/other.csv", 404),
        ("/2026-04/..%2ftrug.db", 404),
        ("/2026-04?first=kitchen-bed", 400),
        ("/2026-04?first=kitchen-bed&second=kitchen-bed", 400),
        ("/2026-04?first=kitchen-bed&second=moon", 400),
        ("/2026-04?notes=perhaps", 400),
        ("/2026-04?first=&second=", 200),
        ("/2026-04?level=7-9", 200),
        ("/2026-04?level=8", 400),
        ("/term?from=2026-04-10&to=2026-04-20", 200),
        ("/term", 200),
        ("/term?from=2026-04-20&to=2026-04-10", 400),
        ("/term?from=2020-01-01", 400),
        ("/term?from=soon", 400),
        ("/2026", 200),
        ("/2026?level=7-9", 200),
        ("/2031", 404),
        ("/0000", 404),
        ("/2026/report-7-9.html", 200),
        ("/2026/other.csv", 404),
        ("/2026-04/worksheet?level=older", 200),
        ("/2026-04/worksheet?level=", 200),
        ("/2026-04/worksheet-7-9.html", 200),
        ("/2026-04/worksheets", 404),
        ("/1999-01", 200),
        ("?year=20x6", 404),
        ("?year=1234", 200),
        ("?year=", 200),
    ] {
        let answer = ready(&served, &format!("{site}{path}"));
        assert_eq!(answer.status, status, "{path}");
        assert!(answer.body.contains("<h1>"), "{path}: {}", answer.body);
    }
    for path in
        ["/site/elsewhere/month", "/site/elsewhere/month/2026-04", "/site/X/month", "/site/-/month/2026-04/a"]
    {
        assert_eq!(served.get(path).status, 404, "{path}");
    }
}

/// A garden by itself, with a probe in each bed that is named.
fn made_of(file: GardenFile, probes: &[&str], measured: bool) -> MonthFiles {
    let file = probes.iter().fold(file, |file, bed| file.probe(&format!("in-{bed}"), bed, 15));
    let garden = file.garden();
    let folder = tempfile::tempdir().unwrap();
    let readings = month::hourly(&garden, at("2026-03-16T13:30:00Z"), at(END));
    let readings = if measured { readings } else { Vec::new() };
    let reader = month::store(&folder.path().join("trug.db"), &garden, readings);
    make(&reader, &garden, &wanted(), None, usize::MAX).unwrap()
}

const BED: &str = "area_m2 = 5.0\nfield_capacity = 0.17\nwilting_point = 0.05\nroot_depth_m = 0.5\n\
    depletion_fraction = 0.5\n";

/// One bed, no tank, no gauge; nothing measured; a hundred beds.
#[test]
fn odd_gardens_have_a_month_too() {
    let new = || GardenFile::new("saltbush-gully");
    let one = made_of(new().bed("a", "Only bed", BED), &["a"], true);
    let none = made_of(new().bed("a", "Bare bed", BED), &["a"], false);
    let hundred = (0..100).fold(new(), |file, at| file.bed(&format!("bed-{at}"), &format!("Bed {at}"), BED));
    let ids: Vec<String> = (0..100).map(|at| format!("bed-{at}")).collect();
    let hundred = made_of(hundred, &ids.iter().map(String::as_str).collect::<Vec<_>>(), true);
    for (name, made) in [("one", &one), ("none", &none), ("hundred", &hundred)] {
        for page in ReportPage::all(Level::default(), made.month.beds.len()) {
            let page = text(made, &page.file(Level::default()));
            assert!(!page.contains("NaN") && !page.contains("inf "), "{name}");
        }
        let page = text(made, "report.html");
        assert!(page.len() < 100_000, "{name} weighs {} bytes", page.len());
        assert!(page.contains("This garden has no tanks") && page.contains("no rain gauge"), "{name}");
        parts(made);
    }
    assert!(text(&one, "report.html").contains("What does the water in the soil of Only bed do"));
    assert!(text(&one, "report.html").contains("nothing can be compared"));
    assert!(text(&none, "report.html").contains("Nobody knows yet"));
    assert!(text(&hundred, "report.html").contains("92 more beds are on the page of every figure"));
}

/// Names of 80 letters, from right to left, with markup and with what a program would run.
#[test]
fn odd_names_stay_whole_and_by_themselves() {
    let long = "W".repeat(80);
    let right_to_left = "\u{5D2}\u{5DF} 5";
    let markup = "<b>Bed</b> & \\\"=1+1\\\"";
    let file = GardenFile::new("saltbush-gully");
    let file = file.bed("a", &long, BED).bed("b", right_to_left, BED).bed("c", markup, BED);
    let made = made_of(file, &["a", "b", "c"], true);
    for page in ReportPage::all(Level::default(), made.month.beds.len()) {
        let name = page.file(Level::default());
        let page = text(&made, &name);
        assert!(!page.contains("<b>Bed"), "{name}");
        // Each Hebrew name is kept by itself.
        for (at, _) in page.match_indices(right_to_left) {
            assert!(page[..at].ends_with('\u{2068}'), "{name}: {}", &page[at.saturating_sub(60)..at]);
        }
    }
    assert!(text(&made, "report.html").contains(&long));
    assert!(text(&made, "report.html").contains("&lt;b&gt;Bed&lt;/b&gt; &amp; &quot;=1+1&quot;"));
}

/// A term stands in the same form: one question of each level, months side by side.
#[test]
fn a_term_is_made_in_the_same_form() {
    let kept = april();
    let days = (jiff::civil::date(2026, 3, 20), jiff::civil::date(2026, 4, 20));
    let make = |level| {
        make_term(&kept.reader, &kept.garden, days, (at("2026-06-01T00:00:00Z"), level), usize::MAX).unwrap()
    };
    let made = make(Level::default());
    assert_eq!(made.files, make(Level::default()).files, "the same record, the same bytes");
    assert_eq!(made.term.months.len(), 2);
    let harvest: f64 = made.term.months.iter().map(|month| month.harvest_kg).sum();
    assert!((harvest - 1.25).abs() < 1e-9, "{harvest}");
    // Days of the months that do not belong to it are left out.
    let days_known: u32 = made.term.beds[0].figures.bands.iter().map(|band| band.1).sum();
    assert!((20..=32).contains(&days_known) && made.term.beds[0].figures.water.days == 32, "{days_known}");
    let of_months: u32 =
        made.term.months.iter().flat_map(|month| month.beds[0].bands).map(|band| band.1).sum();
    assert_eq!(of_months, days_known);
    let mut questions = BTreeSet::new();
    for level in Level::ALL {
        let name = ReportPage::Lesson(level).file(Level::default());
        let file = made.files.iter().find(|file| file.name == name).unwrap();
        let page = std::str::from_utf8(&file.bytes).unwrap();
        for wanted in [
            "The garden from 20 March to 20 April 2026",
            "Water given",
            "Water saved",
            "Months side by side",
            "Harvest",
            "March 2026",
            "April 2026",
        ] {
            assert!(page.contains(wanted), "{level:?}: {wanted}");
        }
        let lesson = between(page, "<section class=\"lesson\"", "</section>");
        questions.insert(between(lesson, "<h2>", "</h2>").to_owned());
        let (before, after) = lesson.split_once("<details class=\"reveal\">").expect("a folded answer");
        assert!(!before.contains(between(after, "<p class=\"says\">", "</p>")));
    }
    assert!(questions.len() >= 2, "{questions:?}");

    let out = kept.folder.path().join("term");
    let it = Report {
        from: Some("2026-03-20".to_owned()),
        to: Some("2026-04-20".to_owned()),
        out: Some(out.clone()),
        ..Report::default()
    };
    let (code, said) = kept.run(&it, "2026-06-01T00:00:00Z");
    assert_eq!(code, 0, "{said}");
    assert_eq!(names(&out).len(), made.files.len());
    for file in &made.files {
        assert!(fs::read(out.join(&file.name)).unwrap() == file.bytes, "{}", file.name);
    }
    // No holiday is over, so no term has begun.
    let term = Report { term: true, out: Some(kept.folder.path().join("other")), ..Report::default() };
    assert_eq!(kept.run(&term, "2026-06-01T00:00:00Z").0, 2);
    let wrong = Report { from: Some("2026-13-01".to_owned()), ..term.clone() };
    assert_eq!(kept.run(&wrong, "2026-06-01T00:00:00Z").0, 2);
    assert!(!kept.folder.path().join("other").exists());
}

/// The lines of the sheets that people read: the summary and what explains.
fn lines_of_sheets(made: &MonthFiles) -> Vec<String> {
    let strings = parts(made).into_iter().find(|(name, _)| name == "xl/sharedStrings.xml").unwrap().1;
    let plain = strings.replace("&amp;", "&").replace("&lt;", "<").replace("&gt;", ">");
    plain
        .split("<t")
        .skip(1)
        .filter_map(|part| Some(part.split_once('>')?.1.split("</t>").next()?.to_owned()))
        .collect()
}

#[test]
fn the_report_keeps_the_house_style() {
    let made = april().make(&beds());
    let mut found = Vec::new();
    let mut look = |name: &str, line: &str| {
        let these = words_out(line).into_iter().chain(notations(line));
        // Statistics are of the first minus the second; `min` is a column of the tables.
        let excused = |it: &String| {
            (it.contains("say more or less") && line.trim_start().starts_with('-')) || it.contains("min\"")
        };
        found.extend(these.filter(|it| !excused(it)).map(|it| format!("{name}: {it}: {line}")));
    };
    for page in ReportPage::all(Level::default(), made.month.beds.len()) {
        let name = page.file(Level::default());
        for line in words_of_page(text(&made, &name))
            .lines()
            .filter(|line| !NOTES.iter().any(|note| line.contains(note)))
        {
            look(&name, line);
        }
    }
    for line in lines_of_sheets(&made) {
        // Notes that people wrote, and moments of the tables, which are for programs.
        let written =
            NOTES.iter().any(|note| line.contains(note)) || line.contains("T") && line.ends_with('Z');
        if !written {
            look("month.xlsx", &line);
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// In American English each figure of the pages has its pair; the tables for programs stay.
#[test]
fn an_american_report_has_customary_units_beside_si() {
    let kept = april();
    let mut garden = kept.garden.clone();
    garden.site.locale = Locale::EnUs;
    let make = |garden: &Garden| make(&kept.reader, garden, &beds(), None, usize::MAX).unwrap();
    let (ours, theirs) = (make(&kept.garden), make(&garden));
    let mut found = Vec::new();
    for page in ReportPage::all(Level::default(), garden.beds.len()) {
        let name = page.file(Level::default());
        let page = text(&theirs, &name);
        assert!(page.contains("<html lang=\"en-US\">"), "{name}");
        for line in words_of_page(page).lines().filter(|line| !NOTES.iter().any(|note| line.contains(note))) {
            let these = bare_figures(line).into_iter().chain(wrong_temperatures(line));
            let these = these.chain(spelled_otherwise(line)).chain(australian(line));
            found.extend(these.map(|it| format!("{name}: {it}")));
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
    let tanks = text(&theirs, "figures-tanks.html");
    assert!(tanks.contains("°F") && tanks.contains("class=\"value-beside\""), "{tanks}");
    // The workbook's summary has both; its tables for programs are the same.
    let (plain, american) = (lines_of_sheets(&ours), lines_of_sheets(&theirs));
    for head in ["Rain, in", "Harvest, lb", "Needed, gal", "Got, gal", "Swing, °F"] {
        assert!(american.iter().any(|line| line == head) && !plain.iter().any(|line| line == head), "{head}");
    }
    for file in ours.files.iter().filter(|file| file.media.starts_with("text/csv")) {
        let other = theirs.files.iter().find(|it| it.name == file.name).unwrap();
        assert!(other.bytes == file.bytes, "{} is for programs", file.name);
    }
}

/// A number in a sheet's own text, such as `r="3"`.
fn attribute<'t>(tag: &'t str, name: &str) -> Option<&'t str> {
    tag.split_once(&format!(" {name}=\"")).and_then(|(_, rest)| rest.split('"').next())
}

/// The summary's height on paper, worked out from the file: rows, scale, margins, the one
/// break. Row heights and scale by ECMA-376 part 1, 18.3.1.73 and 18.3.1.63.
#[test]
fn the_summary_is_printed_on_two_pages() {
    let hundred = (0..40).fold(GardenFile::new("saltbush-gully"), |file, at| {
        let tank = format!(
            "[[tank]]\nid = \"tank-{at}\"\nname = \"Tank {at}\"\nvolume_l = 500\nspecies = \"koi\"\n"
        );
        let file = file.bed(&format!("bed-{at}"), &format!("Bed {at}"), BED).with(&tank);
        file.sensor(&format!("water-{at}"), "water-temperature", &format!("tank = \"tank-{at}\""))
    });
    let ids: Vec<String> = (0..40).map(|at| format!("bed-{at}")).collect();
    let many = made_of(hundred, &ids.iter().map(String::as_str).collect::<Vec<_>>(), true);
    let kept = april();
    let mut american = kept.garden.clone();
    american.site.locale = Locale::EnUs;
    let american = make(&kept.reader, &american, &beds(), None, usize::MAX).unwrap();
    for (what, made, (wide, high)) in [
        ("a month", kept.make(&beds()), (595.3, 841.9)),
        ("many beds and tanks", many, (595.3, 841.9)),
        ("a month on letter paper", american, (612.0, 792.0)),
    ] {
        let sheet = parts(&made).into_iter().find(|(name, _)| name == "xl/worksheets/sheet1.xml").unwrap().1;
        let setup = between(&sheet, "<pageSetup", ">");
        let paper = if high > 800.0 { "9" } else { "1" };
        assert_eq!(attribute(setup, "paperSize"), Some(paper), "{what}: {setup}");
        let scale: f64 = attribute(setup, "scale").unwrap().parse::<f64>().unwrap() / 100.0;
        let margins = between(&sheet, "<pageMargins", ">");
        let inches = |side| attribute(margins, side).unwrap().parse::<f64>().unwrap() * 72.0;
        let breaks = between(&sheet, "<rowBreaks", "</rowBreaks>");
        assert_eq!(breaks.matches("<brk ").count(), 1, "{what}: {breaks}");
        let first: usize = attribute(breaks.split("<brk").nth(1).unwrap(), "id").unwrap().parse().unwrap();
        let workbook = parts(&made).into_iter().find(|(name, _)| name == "xl/workbook.xml").unwrap().1;
        let area = between(&workbook, "_xlnm.Print_Area", "</definedName>");
        let mut corner = area.rsplit('$');
        let last: usize = corner.next().unwrap().parse().unwrap();
        let last_column = f64::from(corner.next().unwrap().as_bytes()[0] - b'A' + 1);
        let mut heights = vec![15.0; last];
        for row in sheet.split("<row ").skip(1) {
            let tag = format!(" {}", row.split('>').next().unwrap());
            if let (Some(number), Some(height)) = (attribute(&tag, "r"), attribute(&tag, "ht")) {
                heights[number.parse::<usize>().unwrap() - 1] = height.parse().unwrap();
            }
        }
        let room = (high - inches("top") - inches("bottom")) / scale;
        for (page, rows) in [&heights[..first], &heights[first..]].iter().enumerate() {
            let sum: f64 = rows.iter().sum();
            assert!(sum > 0.0 && sum <= room, "{what}, page {}: {sum} of {room} points", page + 1);
        }
        // Widths are in digits of the usual letter, 7 pixels and 5 of padding each, at 96 to the inch.
        let columns = sheet.split("<col ").skip(1).map(|col| {
            let tag = format!(" {}", col.split('>').next().unwrap());
            let number = |name| attribute(&tag, name).unwrap().parse::<f64>().unwrap();
            (number("max").min(last_column) - number("min") + 1.0) * (number("width") * 7.0).round() * 0.75
        });
        let sum: f64 = columns.sum();
        assert!(
            sum * scale <= wide - inches("left") - inches("right"),
            "{what}: {sum} points wide at {scale}"
        );
    }
}
