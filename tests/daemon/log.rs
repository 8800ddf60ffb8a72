//! `trug log`: what people wrote down comes back, and what cannot be is refused
//! with what is accepted.

use clap::Parser as _;
use jiff::Timestamp;
use trug::commands::exit::finish;
use trug::commands::log::{self, LogArgs, LogRequest};
use trug::settings::Settings;
use trug::store::{Reader, Store};

use crate::support::garden::shipped;

#[derive(clap::Parser)]
struct Line {
    #[command(subcommand)]
    entry: LogRequest,
}

struct School {
    _folder: tempfile::TempDir,
    settings: Settings,
}

impl School {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut settings = shipped();
        settings.store.path = folder.path().join("trug.db");
        drop(Store::open(&settings.store.path, &settings.gardens).unwrap());
        Self { _folder: folder, settings }
    }

    /// What `trug log ...` prints and its exit code.
    fn log(&self, arguments: &str, json: bool) -> (u8, String) {
        // A quote keeps words together.
        let mut words = vec!["log".to_owned()];
        for (i, part) in arguments.split('\'').enumerate() {
            if i % 2 == 1 {
                words.push(part.to_owned());
            } else {
                words.extend(part.split_whitespace().map(str::to_owned));
            }
        }
        let entry = Line::try_parse_from(words).unwrap().entry;
        let mut out = Vec::new();
        let now: Timestamp = "2026-04-17T06:00:00Z".parse().unwrap();
        let code =
            finish(log::run(&self.settings, LogArgs { request: entry, json }, now, &mut out), json, &mut out)
                .code();
        (code, String::from_utf8(out).unwrap())
    }
}

#[test]
fn what_is_written_down_is_listed_in_order_of_its_own_time() {
    let school = School::new();
    let (code, text) =
        school.log("water-test perch-tank --ammonia 0.5 --ph 7.4 --note 'strip test, class 5'", false);
    assert_eq!(code, 0);
    assert_eq!(
        text,
        "Written down: Friday 17 April 2026, 3:30 pm: Perch tank: water test: pH 7.4, ammonia 0.5 mg/L \
         (strip test, class 5)\n"
    );
    for line in [
        "mulch kitchen-bed --depth-mm 90 --at 2026-04-10T10:00",
        "wetting-agent herb-bed",
        "water-drop herb-bed --seconds 75",
        "ethanol-drop herb-bed --molarity 1.2",
        "watered pea-bed --litres 30",
        "planted pea-bed --crop 'peas fresh'",
        "harvest orchard-row --kg 4.5",
        "fish-added perch-tank --count 12 --grams-each 40",
        "fish-lost perch-tank --count 1",
        "fed perch-tank --grams 25",
        "bag perch-tank --temp-c 17.5 --ph 6.8",
        "probe kitchen-15cm --note 'cut by a spade'",
        "note --note 'the gate was open'",
        "water-change perch-tank --litres 60",
        "carbonate-hardness perch-tank --degrees 5",
        "filter-cleaned perch-tank",
        "sensor-cleaned yard-gauge",
        "battery kitchen-15cm",
        "compost herb-bed --litres 40",
        "worm-castings herb-bed",
        "pests pea-bed --note 'aphids on six plants, washed off'",
        "harvest kitchen-bed --kg 1.5 --crop cabbage",
        "job-done 'water TEST'",
    ] {
        assert_eq!(school.log(line, false).0, 0, "{line}");
    }
    let (_, all) = school.log("list", false);
    assert_eq!(all.lines().count(), 24, "{all}");
    assert!(
        all.starts_with("2. Friday 10 April 2026, 10 am: Kitchen bed: mulch laid, 90 mm deep\n"),
        "{all}"
    );
    assert!(
        all.contains(": kitchen-15cm (Kitchen bed): sensor replaced by another one (cut by a spade)\n"),
        "{all}"
    );
    for words in [
        "Perch tank: water changed, 60 L\n",
        "Perch tank: carbonate hardness 5 degrees\n",
        "kitchen-15cm (Kitchen bed): battery changed or charged\n",
        "Herb bed: compost spread, 40 L\n",
        "Pea bed: pests or a disease (aphids on six plants, washed off)\n",
        "Kitchen bed: harvested 1.5 kg of cabbage\n",
        "Perch tank: job done: Water test\n",
    ] {
        assert!(all.contains(words), "{words}: {all}");
    }
    let (_, json) = school.log("list --place perch-tank --from 2026-04-17", true);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json.as_array().unwrap().len(), 9);
    assert_eq!(json[0]["values"], serde_json::json!({ "ph": 7.4, "ammonia_mg_l": 0.5 }));
    assert_eq!(school.log("list --to 2026-04-09", false).1, "The log holds nothing of that.\n");
    // The daemon finds all of them, in the order in which they were written.
    let rows = Reader::open(&school.settings.store.path).unwrap().log(0).unwrap();
    assert_eq!(rows.len(), 24);
    assert_eq!(rows[0].entry.what.name(), "water-test");
}

#[test]
fn what_cannot_be_is_refused_and_nothing_is_written() {
    let school = School::new();
    for (line, wanted) in [
        ("water-test perch-tank", "a water test needs at least one value"),
        ("water-test perch-tank --ph 15", "--ph 15: accepted are 0 to 14"),
        ("water-test perch-tank --ammonia NaN", "--ammonia NaN: accepted are 0 to 100 mg/L"),
        ("water-test kitchen-bed --ph 7", "no tank is called \"kitchen-bed\"; the tanks are: perch-tank"),
        ("mulch kitchen-bed --depth-mm 0", "--depth-mm 0: accepted are 1 to 500 mm"),
        ("harvest kitchen-bed --kg inf", "--kg inf: accepted is more than 0, 100000 kg at most"),
        ("fish-added perch-tank --count 0", "--count 0: accepted are 1 to 1000000 fish"),
        ("planted pea-bed --crop pineapple", "--crop \"pineapple\" is not in the table; the crops are: "),
        ("bag perch-tank", "a bag needs --temp-c, --ph or both"),
        ("note kitchen-bed", "a note needs words: --note TEXT"),
        ("pests pea-bed", "pests needs words, which and how many: --note TEXT"),
        ("carbonate-hardness perch-tank", "needs its value: --mg-l or --degrees"),
        ("carbonate-hardness perch-tank --mg-l 90 --degrees 5", "give one of --mg-l and --degrees"),
        ("battery kitchen-bed", "no sensor is called \"kitchen-bed\""),
        ("job-done Weeding", "no job is called \"Weeding\"; the jobs are: Water test, "),
        ("watered pea-bed --corrects 1", "the log has no entry 1"),
        ("strike 1 --why x", "the log has no entry 1"),
        ("note --site elsewhere --note x", "no garden has the id \"elsewhere\""),
        ("wetting-agent herb-bed --at 2026-04-18", "has not come yet"),
        ("wetting-agent herb-bed --at yesterday", "\"yesterday\" is not a time"),
    ] {
        let (code, text) = school.log(line, false);
        assert_eq!(code, 2, "{line}: {text}");
        assert!(text.contains(wanted), "{line}: {text}");
    }
    let rows = Reader::open(&school.settings.store.path).unwrap().log(0).unwrap();
    assert_eq!(rows, []);
}

#[test]
fn a_note_cannot_play_with_the_terminal() {
    let school = School::new();
    let (_, text) = school.log("note kitchen-bed --note 'red \u{1b}[31m'", false);
    assert!(!text.contains('\u{1b}'), "{text:?}");
}

#[test]
fn an_entry_is_put_right_and_another_is_struck() {
    let school = School::new();
    school.log("water-test perch-tank --ammonia 5 --at 2026-04-16T09:00", false);
    school.log("watered pea-bed --litres 300", false);
    let (code, text) = school.log("water-test perch-tank --ammonia 0.5 --corrects 1", false);
    assert_eq!(code, 0, "{text}");
    assert_eq!(
        text,
        "Written down: Thursday 16 April 2026, 9 am: Perch tank: water test: ammonia 0.5 mg/L\n\
         Struck: Thursday 16 April 2026, 9 am: Perch tank: water test: ammonia 5 mg/L. It stays in the record, and \
         nothing is judged by it any more.\n"
    );
    let (code, text) = school.log("strike 2 --why 'the wrong bed'", false);
    assert_eq!(code, 0, "{text}");
    assert!(
        text.starts_with("Struck: Friday 17 April 2026, 3:30 pm: Pea bed: watered by hand with 300 L."),
        "{text}"
    );
    assert_eq!(
        school.log("list", false).1,
        "3. Thursday 16 April 2026, 9 am: Perch tank: water test: ammonia 0.5 mg/L\n\
         2 struck entries are left out; --struck shows them.\n"
    );
    let all = school.log("list --struck", false).1;
    assert!(all.contains("ammonia 5 mg/L [struck: put right by 3]\n"), "{all}");
    assert!(all.contains("300 L [struck: the wrong bed]\n"), "{all}");
    let (_, json) = school.log("list --struck --place pea-bed", true);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((&json[0]["number"], &json[0]["struck"]["why"]), (&2.into(), &"the wrong bed".into()));
    for (line, wanted) in [
        ("strike 2 --why again", "entry 2 of the log is struck already"),
        ("watered pea-bed --corrects 1", "entry 1 of the log is struck already"),
        ("strike 3 --why '  '", "say why it is wrong: --why TEXT"),
        ("strike 4 --why x", "the log has no entry 4"),
    ] {
        let (code, text) = school.log(line, false);
        assert_eq!(code, 2, "{line}: {text}");
        assert!(text.contains(wanted), "{line}: {text}");
    }
}
