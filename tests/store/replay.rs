//! Stored readings through another calibration, and through the same.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::support::garden::{
    BED_KEYS, GardenFile, SHIPPED, SHIPPED_TRUG, WATERING, at, only, settings_with,
};
use crate::support::plain_words::assert_plain;
use crate::support::rows::{assert_same, forward_last, rows};
use crate::support::simulator::Played;
use crate::support::{ChildGuard, wait_until};
use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, Answer, Answered, Input, Kind};
use trug::commands::exit::{Exit, finish};
use trug::commands::replay::{ReplayArgs, run};
use trug::engine::replay::{ReplayResult, ReplaySpan, replay};
use trug::engine::{Engine, RawMessage, Router};
use trug::garden::Clock;
use trug::garden::record::Batch;
use trug::model::{Id, Sample, SensorIx};
use trug::quality::Flag;
use trug::settings::Settings;
use trug::store::{Reader, Store, StoreError};

/// The demonstration's garden with a top probe of the kitchen bed that was set up wrongly:
/// it shows more water than there is.
fn other_garden() -> String {
    let points = "points = [[2900, 0.02], [1450, 0.40]]";
    let first = SHIPPED.find(points).unwrap();
    format!("{}points = [[3100, 0.02], [1500, 0.40]]{}", &SHIPPED[..first], &SHIPPED[first + points.len()..])
}

fn settings(garden: &str, folder: &Path) -> Settings {
    let mut settings = settings_with(SHIPPED_TRUG, garden);
    settings.store.path = folder.join("trug.db");
    settings
}

fn quiet(settings: &Settings) -> Engine {
    let mut engine = Engine::open(settings, Clock::Readings).unwrap();
    engine.tell_nobody();
    engine.on_change(Box::new(|_| {}));
    engine
}

/// The month as the demonstration fills it in: message by message.
fn filled(settings: &Settings, month: &Played) {
    let mut engine = quiet(settings);
    for it in &month.sent {
        engine.open_message(RawMessage {
            topic: it.topic.as_bytes(),
            payload: &it.payload,
            retained: false,
            arrival: it.send_at,
        });
        if engine.waiting() >= 2000 {
            engine.commit(it.send_at).unwrap();
        }
    }
    engine.commit(month.sent.last().unwrap().send_at).unwrap();
}

/// The month as an import takes it: raw numbers in order of time.
fn imported(settings: &Settings, month: &Played) {
    let garden = &settings.gardens[0];
    let mut engine = quiet(settings);
    let mut sent: Vec<_> = month.sent.iter().collect();
    sent.sort_by_key(|it| it.at);
    for it in sent {
        let number = garden.sensors.iter().position(|sensor| sensor.id.as_str() == it.sensor).unwrap();
        let sensor = SensorIx(u32::try_from(number).unwrap());
        engine.take(sensor, Sample { at: Some(it.at), raw: it.raw, battery: None }, it.at);
        if engine.waiting() >= 2000 {
            engine.commit(it.at).unwrap();
        }
    }
    engine.commit(month.sent.last().unwrap().at).unwrap();
}

fn everything() -> ReplaySpan {
    ReplaySpan { site: None, from: Timestamp::MIN, to: Timestamp::MAX }
}

fn now() -> Timestamp {
    "2026-06-01T00:00:00Z".parse().unwrap()
}

/// Every step of every alarm, as it is stored.
fn history(settings: &Settings) -> Vec<String> {
    let reader = Reader::open(&settings.store.path).unwrap();
    let steps = reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
    let mut steps: Vec<String> = steps.iter().map(|step| format!("{step:?}")).collect();
    steps.sort();
    steps
}

fn present(settings: &Settings) -> Vec<String> {
    let reader = Reader::open(&settings.store.path).unwrap();
    reader.alarms_present().unwrap().iter().map(|alarm| format!("{alarm:?}")).collect()
}

fn assert_nothing(result: &ReplayResult) {
    let sensors: Vec<_> = result.sensors.iter().filter(|sensor| sensor.differ > 0).collect();
    assert!(!result.differs(), "{sensors:#?} {:#?}", result.steps);
    assert_eq!((result.days, result.standing.len()), (0, 0), "{:?}", result.standing);
}

#[test]
fn the_demonstrations_month_differs_in_nothing() {
    let (folder, month) = (tempfile::tempdir().unwrap(), Played::new("demonstration", SHIPPED));
    let settings = settings(SHIPPED, folder.path());
    filled(&settings, &month);
    let before = history(&settings);
    assert!(before.len() >= 8, "a month has alarms, {} steps of them", before.len());

    let whole = replay(&settings, &everything(), false, now()).unwrap();
    assert_eq!(whole.readings(), month.sent.len() as u64);
    assert_nothing(&whole);

    // Parts of it begin as a daemon does that is started in the middle.
    for (from, to) in
        [("2026-04-14T00:00:00Z", "2026-04-21T03:00:00Z"), ("2026-04-20T14:30:00Z", "2026-05-30T00:00:00Z")]
    {
        let (from, to) = (from.parse().unwrap(), to.parse().unwrap());
        let part = replay(&settings, &ReplaySpan { site: None, from, to }, false, now()).unwrap();
        assert!(part.readings() > 5000, "{}", part.readings());
        assert_nothing(&part);
    }

    // Writing nothing leaves the file as it was.
    let applied = replay(&settings, &everything(), true, now()).unwrap();
    assert_nothing(&applied);
    assert_eq!(applied.written, None);
    assert_eq!(history(&settings), before);
}

/// The month as a running daemon takes it: time goes on by arrivals and ticks.
fn lived(settings: &Settings, month: &Played) {
    let gardens: Vec<_> = settings.gardens.iter().cloned().map(std::sync::Arc::new).collect();
    let mut store = Store::open(&settings.store.path, &settings.gardens).unwrap();
    let mut router = Router::new(&gardens, Clock::Arrival);
    let mut batch = Batch::default();
    let mut ticked = month.sent[0].send_at;
    for it in &month.sent {
        while ticked < it.send_at {
            router.core.tick(ticked, &mut batch);
            ticked += SignedDuration::from_secs(20);
        }
        router.open(
            RawMessage {
                topic: it.topic.as_bytes(),
                payload: &it.payload,
                retained: false,
                arrival: it.send_at + SignedDuration::from_millis(700),
            },
            &mut batch,
        );
        if batch.readings.len() >= 500 {
            store.commit(&only(&batch)).unwrap();
            batch.clear();
        }
    }
    store.commit(&only(&batch)).unwrap();
}

#[test]
fn a_month_that_was_lived_differs_in_nothing() {
    for scenario in ["demonstration", "late-gateway", "faulty-sensors"] {
        let (folder, month) = (tempfile::tempdir().unwrap(), Played::new(scenario, SHIPPED));
        let settings = settings(SHIPPED, folder.path());
        lived(&settings, &month);
        let result = replay(&settings, &everything(), false, now()).unwrap();
        let late: u64 = result.sensors.iter().map(|sensor| sensor.late).sum();
        assert_eq!(late > 500, scenario == "late-gateway", "{late} of {} came late", result.readings());
        assert_nothing(&result);
    }
}

#[test]
fn another_calibration_gives_what_importing_with_it_gives() {
    let month = Played::new("demonstration", SHIPPED);
    let (one, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    imported(&settings(SHIPPED, one.path()), &month);
    let expected = settings(&other_garden(), other.path());
    imported(&expected, &month);

    let corrected = settings(&other_garden(), one.path());
    let before = (history(&corrected), rows(&Reader::open(&corrected.store.path).unwrap()));
    let looked = replay(&corrected, &everything(), false, now()).unwrap();
    assert!(looked.differs() && looked.readings_differ() > 1000 && !looked.steps.is_empty());
    assert_eq!(before.0, history(&corrected), "it only looked");

    let applied = replay(&corrected, &everything(), true, now()).unwrap();
    assert_eq!(
        (applied.readings_differ(), applied.steps.len()),
        (looked.readings_differ(), looked.steps.len())
    );
    assert_eq!(applied.written, Some(1));
    let (got, want) =
        (Reader::open(&corrected.store.path).unwrap(), Reader::open(&expected.store.path).unwrap());
    assert_same("replayed and imported", &rows(&got), &rows(&want));
    assert_eq!(history(&corrected), history(&expected));
    assert_eq!(present(&corrected), present(&expected));

    // Again: nothing is left to do.
    assert_nothing(&replay(&corrected, &everything(), true, now()).unwrap());

    // And back: the first month is there again, to the last bit.
    let back = settings(SHIPPED, one.path());
    let undone = replay(&back, &everything(), true, now()).unwrap();
    assert_eq!(undone.written, Some(2));
    assert_eq!(history(&back), before.0);
    assert_same("there and back", &rows(&Reader::open(&back.store.path).unwrap()), &before.1);
}

const CHILD: &str = "TRUG_TEST_REPLAY";

/// The month's first nine days.
fn nine_days() -> Played {
    let mut month = Played::new("demonstration", SHIPPED);
    let end: Timestamp = "2026-04-06T00:00:00Z".parse().unwrap();
    month.sent.retain(|it| it.at < end);
    month
}

/// The child: writes what another calibration gives.
#[test]
#[ignore = "runs as the child of the next test"]
fn write_a_replay() {
    let Some(folder) = std::env::var_os(CHILD) else { return };
    replay(&settings(&other_garden(), Path::new(&folder)), &everything(), true, now()).unwrap();
}

/// Killed after any day, the record is that of a whole number of days replayed, and
/// the same command once more makes the rest.
#[test]
fn a_replay_that_is_killed_leaves_whole_days_and_goes_on() {
    let month = nine_days();
    let (one, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (before, expected) = (settings(SHIPPED, one.path()), settings(&other_garden(), other.path()));
    imported(&before, &month);
    imported(&expected, &month);
    let [old, new] = [&before, &expected].map(|it| rows(&Reader::open(&it.store.path).unwrap()));
    let path = settings(SHIPPED, one.path()).store.path;
    let number = |sql: &str| {
        let connection = rusqlite::Connection::open(&path).unwrap();
        let number: Option<i64> = connection.query_row(sql, [], |row| row.get(0)).unwrap();
        number
    };
    let mut killed = 0;
    for after_days in [1, 3, 5] {
        let child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "replay::write_a_replay", "--ignored", "--test-threads=1"])
            .env(CHILD, one.path())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut child = ChildGuard(child);
        let first = old.iter().map(|row| row.at_ms).min().unwrap();
        let done = "SELECT max(done_until) FROM replay";
        let ended = wait_until("the replay to write", Duration::from_secs(120), || {
            let done = number(done).unwrap_or(0);
            let ended = child.0.try_wait().unwrap().is_some();
            (ended || done > first + after_days * 86_400_000).then_some(ended)
        });
        child.0.kill().unwrap();
        drop(child);
        killed += u32::from(!ended);
        let connection = rusqlite::Connection::open(&path).unwrap();
        let check: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
        assert_eq!(check, "ok");
        drop(connection);

        let done = number(done).expect("a day was written");
        let found = rows(&Reader::open(&path).unwrap());
        assert_eq!(found.len(), old.len(), "no reading is lost");
        for (at, row) in found.iter().enumerate() {
            // A sensor's last reading of a day waits for its successor.
            let next = found.get(at + 1).filter(|next| next.sensor == row.sensor);
            let last = next.is_none_or(|next| next.at_ms >= done);
            if row.at_ms >= done {
                assert_eq!(*row, old[at]);
            } else if !last {
                assert_eq!(*row, new[at]);
            } else {
                assert!(*row == old[at] || *row == new[at]);
            }
        }
        let kept = number("SELECT count(*) FROM reading_before").unwrap();
        assert!(kept > 0, "what was there before is kept");
    }
    assert!(killed >= 2, "it was killed {killed} times while it wrote");
    let corrected = settings(&other_garden(), one.path());
    replay(&corrected, &everything(), true, now()).unwrap();
    assert_same("in the end", &rows(&Reader::open(&path).unwrap()), &new);
    assert_eq!(history(&corrected), history(&expected));
    // Each reading that changed is kept as it was at first, and once.
    let changed = old.iter().zip(&new).filter(|(old, new)| old != new).count();
    assert_eq!(number("SELECT count(*) FROM reading_before"), Some(i64::try_from(changed).unwrap()));
}

/// A bed with a probe that sends water contents by itself, and a second one.
fn bed(calibration: &str, more: &str) -> String {
    let probe = "bed = \"kitchen-bed\"\ndepth_cm = 15\nevery_s = 900\n";
    GardenFile::new("school")
        .with(WATERING)
        .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
        .sensor("top", "soil-moisture", &format!("{probe}{calibration}"))
        .with(more)
        .text()
        .to_owned()
}

const FIVE: &str = "[[sensor]]\nid = \"air\"\nmeasures = \"air-temperature\"\ntopic = \"school/air\"\n\
                    payload = \"number\"\nevery_s = 900\n";
const HIGHER: &str = "calibration = { polynomial = [0.08, 1] }\n";
const QUARTER_MS: i64 = 900_000;

fn small(folder: &Path, garden: &str, trug: &str) -> Settings {
    let text = format!("[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"t.db\"\n{trug}");
    let mut settings = settings_with(&text, garden);
    settings.store.path = folder.join("trug.db");
    settings
}

fn dry_bed() -> AlarmKey {
    AlarmKey { site: Id::new("school"), kind: Kind::DryBed, place: Id::new("kitchen-bed") }
}

/// Two days of a bed that is dry by its probe, whose alarm somebody has taken on.
fn dry_days(settings: &Settings) {
    let mut engine = quiet(settings);
    for quarter in 0..192 {
        let noise = ((quarter * 7919 % 11) - 5) as f64 * 2e-4;
        let moment = at(quarter * QUARTER_MS);
        for (sensor, raw) in [(0, 0.20 + noise), (1, 15.0 + 10.0 * noise + (quarter % 96) as f64 / 10.0)] {
            if sensor < settings.gardens[0].sensors.len() {
                let sensor = SensorIx(u32::try_from(sensor).unwrap());
                engine.take(sensor, Sample { at: Some(moment), raw, battery: None }, moment);
            }
        }
        if quarter == 40 {
            let answer = Answer {
                key: dry_bed(),
                at: moment,
                input: Some(Input::Acknowledge),
                how: "command".to_owned(),
                since: None,
                note: Some("Somebody waters it.".to_owned()),
            };
            let mut batch = Batch::default();
            assert_eq!(engine.router.core.answer(&answer, &mut batch), Answered::Done);
            engine.commit(moment).unwrap();
            drop(engine);
            Store::open(&settings.store.path, &settings.gardens).unwrap().commit(&only(&batch)).unwrap();
            engine = quiet(settings);
        }
    }
    // It came two hours late.
    let late = at(100 * QUARTER_MS + 1);
    engine.take(SensorIx(0), Sample { at: Some(late), raw: 0.21, battery: None }, late);
    engine.commit(now()).unwrap();
}

fn ask(settings: &Settings, from: &str, to: Option<&str>, apply: bool, json: bool) -> (Exit, String) {
    let arguments: Vec<String> = ["trug", "--from", from]
        .into_iter()
        .map(str::to_owned)
        .chain(to.into_iter().flat_map(|to| ["--to".to_owned(), to.to_owned()]))
        .chain(apply.then(|| "--apply".to_owned()))
        .collect();
    let json_argument = clap::Arg::new("json").long("json").global(true).action(clap::ArgAction::SetTrue);
    let command = <ReplayArgs as clap::Args>::augment_args(clap::Command::new("trug").arg(json_argument));
    let arguments = arguments.into_iter().chain(json.then(|| "--json".to_owned()));
    let matches = command.try_get_matches_from(arguments).unwrap();
    let it = <ReplayArgs as clap::FromArgMatches>::from_arg_matches(&matches).unwrap();
    let mut out = Vec::new();
    let exit = finish(run(settings, &it, now(), &mut out), false, &mut out);
    let text = String::from_utf8(out).unwrap();
    if !json {
        assert_plain(&text);
    }
    (exit, text)
}

#[test]
fn an_answer_is_given_again_and_goes_with_its_alarm() {
    let folder = tempfile::tempdir().unwrap();
    let forward = "[[forward]]\nname = \"hall\"\nurl = \"http://127.0.0.1:9/write?db=d\"\n";
    let before = small(folder.path(), &bed("", FIVE), forward);
    dry_days(&before);
    let (exit, said) = ask(&before, "2026-04-17", None, false, false);
    assert_eq!(exit, Exit::Yes, "{said}");
    assert!(said.contains("385 readings replayed") && said.contains("Nothing differs"), "{said}");

    let moister = small(folder.path(), &bed(HIGHER, FIVE), forward);
    let (exit, said) = ask(&moister, "2026-04-17", None, false, false);
    assert_eq!(exit, Exit::No, "{said}");
    for words in [
        "193 readings differ",
        "school/top, of 193: 193 would have another value (by +0.080 m3/m3 on average",
        "2 steps of alarms differ",
        "No longer raised (1):",
        "at Kitchen bed: Kitchen bed is too dry",
        "Nothing was written.",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let reader = Reader::open(&moister.store.path).unwrap();
    let queued = forward_last(&reader);
    let (exit, json) = ask(&moister, "2026-04-17", None, true, true);
    assert_eq!(exit, Exit::Yes, "{json}");
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((&json["replay"], &json["readings_differ"]), (&1.into(), &193.into()), "{json:#}");
    assert_eq!(json["sensors"][0]["late"], 1);
    let states: Vec<_> = json["alarm_steps"].as_array().unwrap().iter().map(|it| &it["state"]).collect();
    assert_eq!(states, ["unacknowledged", "acknowledged"]);

    assert!(!history(&moister).iter().any(|step| step.contains("DryBed")));
    assert!(present(&moister).is_empty());
    // The broker keeps how an alarm stands, so it gets that; people are told nothing.
    let letters = reader.letters(0, 10).unwrap();
    assert_eq!(letters.len(), 1, "{letters:?}");
    assert_eq!(letters[0].letter.topic, "trug/school/alarm/dry-bed/kitchen-bed");
    let payload: serde_json::Value = serde_json::from_slice(&letters[0].letter.payload).unwrap();
    assert_eq!(payload["state"], "normal");
    assert_eq!(reader.messages(Timestamp::MIN, Timestamp::MAX, None).unwrap(), []);
    assert_eq!(forward_last(&reader).unwrap_or(0) - queued.unwrap_or(0), 193);
    let connection = rusqlite::Connection::open(&moister.store.path).unwrap();
    let how: String = connection
        .query_row("SELECT how FROM alarm_change_before WHERE to_state = 'acknowledged'", [], |row| {
            row.get(0)
        })
        .unwrap();
    assert_eq!(how, "command");
    let late: (i64, f64) = connection
        .query_row("SELECT count(*), value FROM reading WHERE late = 1", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .unwrap();
    assert!(late.0 == 1 && (late.1 - 0.29).abs() < 1e-9, "{late:?}: calibrated, and late as before");

    // With the first calibration again, the alarm is raised once more; nobody has
    // answered that one.
    let (exit, said) = ask(&before, "2026-04-17", None, true, false);
    assert_eq!(exit, Exit::Yes, "{said}");
    let steps = history(&before);
    let dry: Vec<_> = steps.iter().filter(|step| step.contains("DryBed")).collect();
    assert_eq!(dry.len(), 1, "{dry:?}");
}

#[test]
fn a_calibration_that_refuses_half_of_the_readings_leaves_them_without_a_value() {
    let folder = tempfile::tempdir().unwrap();
    dry_days(&small(folder.path(), &bed("", FIVE), ""));
    let narrow = "calibration = { polynomial = [0, 1], valid = [0.2, 0.4] }\n";
    let settings = small(folder.path(), &bed(narrow, FIVE), "");
    let reader = Reader::open(&settings.store.path).unwrap();
    let refused =
        rows(&reader).iter().filter(|it| it.sensor == "top" && f64::from_bits(it.raw) < 0.2).count();
    assert!((80..=100).contains(&refused), "{refused}");
    let (exit, said) = ask(&settings, "2026-04-17", None, false, false);
    assert_eq!(exit, Exit::No, "{said}");
    let words = format!("{refused} would have no value: the calibration refuses their raw number");
    assert!(said.contains(&words), "{words}: {said}");
    ask(&settings, "2026-04-17", None, true, false);
    let missing =
        rows(&reader).iter().filter(|it| it.value.is_none() && it.flag == Flag::Missing.number()).count();
    assert_eq!(missing, refused);
}

#[test]
fn readings_of_a_sensor_that_is_gone_stay_with_the_alarms_of_its_place() {
    let folder = tempfile::tempdir().unwrap();
    dry_days(&small(folder.path(), &bed("", FIVE), ""));
    let renamed = bed(HIGHER, FIVE).replace("id = \"top\"", "id = \"another\"");
    let settings = small(folder.path(), &renamed, "");
    let before = history(&settings);
    let (exit, said) = ask(&settings, "2026-04-17", None, true, false);
    assert_eq!(exit, Exit::Yes, "{said}");
    assert!(said.contains("193 readings of top (soil-moisture) stay as they are"), "{said}");
    assert_eq!(history(&settings), before);
}

#[test]
fn wrong_input_is_refused_in_words_and_a_running_daemon_keeps_its_store() {
    let folder = tempfile::tempdir().unwrap();
    let settings = small(folder.path(), &bed("", FIVE), "");
    dry_days(&settings);
    for (from, to, words) in [
        ("2026-04-19", Some("2026-04-17"), "--from 2026-04-19 is not before --to 2026-04-17"),
        ("2026-04-17T15:00", Some("2026-04-17T15:00"), "is not before"),
        (
            "2026-05-01",
            Some("2026-05-03"),
            "no reading is stored in --from 2026-05-01 --to 2026-05-03; the record goes from",
        ),
        ("2026-05-01", None, "no reading is stored in --from 2026-05-01; the record goes from"),
        ("soon", None, "\"soon\" is not a time"),
    ] {
        let (exit, said) = ask(&settings, from, to, true, false);
        assert_eq!(exit, Exit::WrongInput, "{said}");
        assert!(said.contains(words), "{words}: {said}");
    }
    let held = Store::open(&settings.store.path, &settings.gardens).unwrap();
    let refused = replay(&settings, &everything(), true, now()).unwrap_err();
    assert!(matches!(refused, StoreError::Locked { .. }), "{refused}");
    assert!(refused.to_string().contains("stop it first"), "{refused}");
    assert!(!replay(&settings, &everything(), false, now()).unwrap().differs(), "looking needs no lock");
    drop(held);
}

/// What somebody writes down afterwards takes a false alarm out of the past.
#[test]
fn a_replacement_that_is_logged_late_takes_its_alarm_away() {
    let folder = tempfile::tempdir().unwrap();
    let tank = "[[tank]]\nid = \"tank\"\nname = \"Perch tank\"\nvolume_l = 500\nspecies = \"silver perch\"\n\
                [[sensor]]\nid = \"water\"\nmeasures = \"water-temperature\"\ntank = \"tank\"\n\
                topic = \"school/water\"\npayload = \"number\"\nevery_s = 900\n";
    let settings = small(folder.path(), &bed("", tank), "");
    let play = |from: i64, to: i64| {
        let mut engine = quiet(&settings);
        for quarter in from..to {
            let raw = if quarter < 100 { 21.0 } else { 17.0 } + ((quarter * 7919 % 11) - 5) as f64 * 0.02;
            let moment = at(quarter * QUARTER_MS);
            engine.take(SensorIx(1), Sample { at: Some(moment), raw, battery: None }, moment);
        }
        engine.commit(now()).unwrap();
        engine.router.core.view("school").unwrap()
    };
    play(0, 150);
    let shocks = |settings: &Settings| {
        history(settings).iter().filter(|step| step.contains("TankTemperatureShock")).count()
    };
    assert!(shocks(&settings) > 0);
    let entry = trug::garden::log::LogEntry {
        site: Id::new("school"),
        place: Some(Id::new("water")),
        at: at(100 * QUARTER_MS - 60_000),
        what: trug::garden::log::LogEvent::ProbeReplaced,
        note: String::new(),
    };
    trug::store::write_log(&settings.store.path, &entry, now()).unwrap();
    let (exit, said) = ask(&settings, "2026-04-17", None, true, false);
    assert_eq!(exit, Exit::Yes, "{said}");
    assert!(said.contains("No longer raised (1)"), "{said}");
    assert_eq!(shocks(&settings), 0);
    // A daemon that starts afterwards knows it too.
    play(150, 151);
    assert_eq!(shocks(&settings), 0);
    assert!(present(&settings).is_empty());
    // Struck: it was another sensor that was replaced.
    trug::store::strike_log(&settings.store.path, &Id::new("school"), 1, "the wrong sensor", now()).unwrap();
    let (_, said) = ask(&settings, "2026-04-17", None, true, false);
    assert!(shocks(&settings) > 0, "{said}");
}
