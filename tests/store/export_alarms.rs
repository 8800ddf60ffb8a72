//! `trug export` and `trug alarms`: what they print from a store.

#![allow(clippy::float_cmp, reason = "numbers must come back to the bit")]

use std::path::PathBuf;

use crate::support::garden::{dry_bed, only, reading, school};
use crate::support::plain_words::assert_plain;
use jiff::Timestamp;
use tempfile::TempDir;
use trug::alarms::State;
use trug::commands::alarms::{self, AlarmsArgs};
use trug::commands::exit::finish;
use trug::commands::export::{self, Export, Exported, Format};
use trug::garden::record::{Batch, Reading};
use trug::history::BinWidth;
use trug::model::TimeFrom;
use trug::quality::Flag;
use trug::store::{Reader, Store};

fn stored(batch: &Batch) -> (TempDir, Reader) {
    let folder = tempfile::tempdir().unwrap();
    let path: PathBuf = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    store.commit(&only(batch)).unwrap();
    let reader = Reader::open(&path).unwrap();
    (folder, reader)
}

fn readings() -> Batch {
    Batch {
        readings: vec![
            reading(0, 0, 1450.0),
            Reading {
                value: None,
                flag: Flag::Missing,
                late: true,
                time_from: TimeFrom::Arrival,
                ..reading(1, 250, -0.5)
            },
            reading(0, 86_400_000, 1460.0),
        ],
        ..Batch::default()
    }
}

fn exported(reader: &Reader, it: &Export) -> (Exported, String) {
    let filter = export::filter(reader, &[school()], it).unwrap();
    let mut out = Vec::new();
    let exported = export::write(reader, &filter, it.format, &mut out).unwrap();
    (exported, String::from_utf8(out).unwrap())
}

/// Expected: counted and added by hand. 05:30 UTC is 15:00 in Adelaide.
#[test]
fn hours_come_out_as_csv_sensor_after_sensor() {
    let batch = Batch {
        readings: vec![
            reading(0, 0, 1450.0),
            reading(0, 900_000, 1350.0),
            Reading { flag: Flag::Suspect, ..reading(0, 1_800_000, 9000.0) },
            reading(1, 0, 2000.0),
            reading(1, 900_000, 6000.0),
            reading(0, 2 * 3_600_000, 1300.0),
        ],
        ..Batch::default()
    };
    let (folder, reader) = stored(&batch);
    let run = |it: &Export, file: Option<&std::path::Path>| {
        let mut out = Vec::new();
        let it = Export { out: file.map(Into::into), ..it.clone() };
        let code = finish(export::run(&reader, &[school()], &it, &mut out), it.json, &mut out).code();
        (code, String::from_utf8(out).unwrap())
    };
    let hours = Export { step: BinWidth::Hour, ..Export::default() };
    let expected = "start,start_local,end,site,sensor,place,quantity,unit,readings,good,suspect,bad,mean,min,max,total\n\
        2026-04-17T05:30:00Z,2026-04-17T15:00:00+09:30,2026-04-17T06:30:00Z,saltbush-gully,kitchen-15cm,kitchen-bed,\
        soil-moisture,m3/m3,3,2,1,0,0.14,0.135,0.145,\n\
        2026-04-17T07:30:00Z,2026-04-17T17:00:00+09:30,2026-04-17T08:30:00Z,saltbush-gully,kitchen-15cm,kitchen-bed,\
        soil-moisture,m3/m3,1,1,0,0,0.13,0.13,0.13,\n\
        2026-04-17T05:30:00Z,2026-04-17T15:00:00+09:30,2026-04-17T06:30:00Z,saltbush-gully,yard-gauge,site,rain,mm,\
        2,2,0,0,,,,0.8\n";
    let (code, text) = run(&hours, None);
    assert_eq!((code, text.as_str()), (0, expected));

    let lines = Export { format: Format::LineProtocol, ..hours.clone() };
    assert_eq!(run(&lines, None).0, 2);
    let sheet = Export { format: Format::Xlsx, ..hours };
    assert_eq!(run(&sheet, None).0, 2);
    let path = folder.path().join("hours.xlsx");
    let (code, said) = run(&sheet, Some(&path));
    assert_eq!((code, said), (0, format!("3 hours written to {}.\n", path.display())));
    let mut zip = zip::ZipArchive::new(std::fs::File::open(&path).unwrap()).unwrap();
    let mut rows = String::new();
    std::io::Read::read_to_string(&mut zip.by_name("xl/worksheets/sheet1.xml").unwrap(), &mut rows).unwrap();
    assert_eq!(rows.matches("<row ").count(), 4);
    assert!(rows.contains("<v>0.14</v>"), "{rows}");
}

#[test]
fn readings_come_out_as_csv() {
    let (_folder, reader) = stored(&readings());
    let (exported, text) = exported(&reader, &Export::default());
    assert_eq!(exported, Exported { readings: 3, left_out: 0 });
    assert_eq!(
        text,
        "time,site,sensor,place,quantity,unit,raw,value,flag,late,time_from\n\
         2026-04-17T05:30:00Z,saltbush-gully,kitchen-15cm,kitchen-bed,soil-moisture,m3/m3,1450,0.145,1,no,device\n\
         2026-04-17T05:30:00.25Z,saltbush-gully,yard-gauge,site,rain,mm,-0.5,,9,yes,arrival\n\
         2026-04-18T05:30:00Z,saltbush-gully,kitchen-15cm,kitchen-bed,soil-moisture,m3/m3,1460,0.146,1,no,device\n"
    );
}

#[test]
fn readings_come_out_as_line_protocol() {
    let mut batch = readings();
    batch.readings.push(Reading { at: Timestamp::MAX, ..reading(0, 0, 1.0) });
    let (_folder, reader) = stored(&batch);
    let it = Export { format: Format::LineProtocol, ..Export::default() };
    let (exported, text) = exported(&reader, &it);
    assert_eq!(exported, Exported { readings: 3, left_out: 1 }, "the year 9999 cannot be said");
    let lines: Vec<_> = influxdb_line_protocol::parse_lines(&text).collect::<Result<_, _>>().unwrap();
    assert_eq!(lines.len(), 3);
    assert_eq!(lines[1].timestamp, Some(1_776_403_800_250_000_000));
}

#[test]
fn a_span_and_a_sensor_can_be_named() {
    let (_folder, reader) = stored(&readings());
    let some = |text: &str| Some(text.to_owned());
    let count = |it: Export| exported(&reader, &it).0.readings;
    let sensor = Export { sensors: vec!["yard-gauge".to_owned()], ..Export::default() };
    assert_eq!(count(sensor), 1);
    // The third reading is of 3:00 pm on the 18th, local time.
    let day = Export { from: some("2026-04-18"), to: some("2026-04-18"), ..Export::default() };
    assert_eq!(count(day), 1);
    let before = Export { to: some("2026-04-18T15:00"), ..Export::default() };
    assert_eq!(count(before), 2);
    let site = Export { site: some("saltbush-gully"), from: some("2026-04-17T15:00"), ..Export::default() };
    assert_eq!(count(site), 3);
}

#[test]
fn a_wrong_request_is_told_in_plain_words() {
    let (_folder, reader) = stored(&readings());
    let some = |text: &str| Some(text.to_owned());
    let why = |it: Export| export::filter(&reader, &[school()], &it).unwrap_err().to_string();
    assert_eq!(
        why(Export { sensors: vec!["kitchen".to_owned()], ..Export::default() }),
        "no sensor is called \"kitchen\"; those with readings are: kitchen-15cm, yard-gauge"
    );
    assert_eq!(
        why(Export { site: some("school"), ..Export::default() }),
        "no site is called \"school\"; those with readings are: saltbush-gully"
    );
    assert!(why(Export { to: some("soon"), ..Export::default() }).starts_with("\"soon\" is not a time"));
}

#[test]
fn a_full_disk_ends_the_export_with_an_error() {
    let batch = Batch { readings: (0..5000).map(|n| reading(0, n, 1.0)).collect(), ..Batch::default() };
    let (_folder, reader) = stored(&batch);
    for format in [Format::Csv, Format::LineProtocol] {
        let filter = export::filter(&reader, &[], &Export::default()).unwrap();
        // Always full (full(4)).
        let mut full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let error = export::write(&reader, &filter, format, &mut full).unwrap_err();
        assert_eq!(error.to_string(), "writing the export");
    }
}

fn listed(reader: &Reader, it: &AlarmsArgs) -> (u8, String) {
    let mut out = Vec::new();
    let code = finish(alarms::run(reader, &[school()], it, &mut out), it.json, &mut out).code();
    let text = String::from_utf8(out).unwrap();
    if !it.json {
        assert_plain(&text);
    }
    (code, text)
}

fn raised_and_returned() -> Batch {
    Batch {
        readings: vec![reading(0, 0, 1450.0)],
        changes: vec![
            dry_bed(1_800_000, State::Normal, State::Unacknowledged),
            dry_bed(90_000_000, State::Unacknowledged, State::ReturnedUnacknowledged),
        ],
        ..Batch::default()
    }
}

#[test]
fn open_alarms_are_listed_for_people() {
    let (_folder, reader) = stored(&raised_and_returned());
    let (code, text) = listed(&reader, &AlarmsArgs::default());
    assert_eq!(code, 0);
    assert_eq!(
        text,
        "Saltbush Gully Primary School\n\
         \n\
         Bed needs water at Kitchen bed\n\
         \x20 Kitchen bed is dry: 38 % of its available water is left.\n\
         \x20 Over, not answered.\n\
         \x20 Since Friday 17 April 2026, 3 pm.\n\
         \x20 For: grounds. Rule: FAO-56 eq. 82-83.\n\
         \x20 Name for commands: dry-bed/kitchen-bed\n"
    );
}

#[test]
fn the_history_is_listed_for_people_and_programs() {
    let (_folder, reader) = stored(&raised_and_returned());
    let day = AlarmsArgs {
        from: Some("2026-04-17".to_owned()),
        to: Some("2026-04-17".to_owned()),
        ..AlarmsArgs::default()
    };
    let (code, text) = listed(&reader, &day);
    assert_eq!(code, 0);
    assert_eq!(
        text,
        "Friday 17 April 2026, 3:30 pm: Saltbush Gully Primary School, Kitchen bed: Bed needs water\n\
         \x20 From normal to unacknowledged. Still happening, not answered.\n\
         \x20 Kitchen bed is dry: 38 % of its available water is left.\n\
         \x20 For: grounds. Rule: FAO-56 eq. 82-83.\n"
    );
    let (_, text) = listed(&reader, &AlarmsArgs { json: true, ..day });
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(
        json,
        serde_json::json!([{
            "kind": "dry-bed", "site": "saltbush-gully", "place": "kitchen-bed", "from": "normal",
            "state": "unacknowledged", "priority": "medium", "since": "2026-04-17T05:30:00Z",
            "at": "2026-04-17T06:00:00Z", "for": ["grounds"],
            "text": "Kitchen bed is dry: 38 % of its available water is left.",
            "values": { "depletion_mm": 8.0, "available_left": 0.38 }, "source": "FAO-56 eq. 82-83"
        }])
    );
    assert!(text.find("depletion_mm") < text.find("available_left"), "in the order to show");
    let (_, text) = listed(&reader, &AlarmsArgs { json: true, ..AlarmsArgs::default() });
    assert!(!text.contains("\"from\""), "{text}");
}

#[test]
fn no_alarm_is_told_apart_from_nothing_judged() {
    let (_folder, reader) = stored(&Batch::default());
    let (code, text) = listed(&reader, &AlarmsArgs::default());
    assert_eq!((code, text.as_str()), (0, "No reading is stored yet, so nothing has been judged.\n"));
    let (_folder, reader) = stored(&readings());
    let (_, text) = listed(&reader, &AlarmsArgs::default());
    assert_eq!(text, "No alarm is open. The latest reading is of Saturday 18 April 2026, 3 pm.\n");
    let none = AlarmsArgs { from: Some("2020-01-01".to_owned()), ..AlarmsArgs::default() };
    assert_eq!(listed(&reader, &none).1, "No alarm changed in that time.\n");
    assert_eq!(listed(&reader, &AlarmsArgs { json: true, ..AlarmsArgs::default() }).1, "[]\n");
}

#[test]
fn a_site_that_is_not_there_is_a_wrong_request() {
    let (_folder, reader) = stored(&readings());
    let it = AlarmsArgs { site: Some("school".to_owned()), ..AlarmsArgs::default() };
    assert_eq!(
        listed(&reader, &it),
        (2, "no garden is called \"school\"; the gardens are: saltbush-gully\n".to_owned())
    );
    let it = AlarmsArgs { from: Some("soon".to_owned()), ..AlarmsArgs::default() };
    assert_eq!(listed(&reader, &it).0, 2);
}
