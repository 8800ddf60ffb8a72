//! A start goes on from what was kept of each site, and is as if nobody had stopped it;
//! whatever cannot be believed is set aside, and the readings are taken again.

use std::path::Path;
use std::sync::{Arc, Mutex};

use garden_simulator::{Emission, Scenario, School, Simulation};
use jiff::{SignedDuration, Timestamp};
use rusqlite::Connection;
use trug::alarms::AlarmRecord;
use trug::engine::{DaemonHealth, Engine, RawMessage};
use trug::garden::Clock;
use trug::garden::log::{LogEntry, LogEvent};
use trug::model::{Id, Sample, SensorIx};
use trug::settings::{Settings, from_text};
use trug::store::{Reader, Store, back_up, strike_log, write_log};

use crate::support::garden::{BED_KEYS, GardenFile, SHIPPED, SHIPPED_TRUG, settings_with};

/// What a record is played with.
struct World {
    settings: Settings,
    told: Arc<Mutex<Vec<String>>>,
    _folder: tempfile::TempDir,
}

impl World {
    fn new(mut settings: Settings) -> Self {
        let folder = tempfile::tempdir().unwrap();
        settings.store.path = folder.path().join("trug.db");
        Self { settings, told: Arc::default(), _folder: folder }
    }

    fn store(&self) -> &Path {
        &self.settings.store.path
    }

    fn open(&self) -> Engine {
        let mut engine = Engine::open(&self.settings, Clock::Readings).unwrap();
        engine.tell_nobody();
        let told = Arc::clone(&self.told);
        engine.on_change(Box::new(move |change| {
            let AlarmRecord { key, at, since, state, said, .. } = &change.record;
            let (kind, place) = (key.kind.name(), &key.place);
            told.lock().unwrap().push(format!(
                "{at} since {since}: {kind} {place} {}: {}",
                state.name(),
                said.text
            ));
        }));
        engine
    }

    fn told(&self) -> Vec<String> {
        self.told.lock().unwrap().clone()
    }

    fn write(&self, sql: &str) -> usize {
        Connection::open(self.store()).unwrap().execute(sql, []).unwrap()
    }

    fn sites_kept(&self) -> Vec<String> {
        let connection = Connection::open(self.store()).unwrap();
        let mut select = connection.prepare("SELECT site FROM snapshot ORDER BY site").unwrap();
        select.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
    }
}

/// How a daemon ends.
#[derive(Clone, Copy, PartialEq)]
enum End {
    /// It goes on.
    Never,
    /// In order: what it knows is kept.
    Stopped,
    /// What it knew some hours before is kept.
    Crashed,
}

/// What a core knows, but for the fields of these names.
fn known_but(left_out: &[&str], engine: &Engine) -> String {
    let shown = format!("{:#?}", engine.router.core);
    let mut kept = String::with_capacity(shown.len());
    let mut skipped_to: Option<usize> = None;
    for line in shown.lines() {
        let indent = line.len() - line.trim_start().len();
        if let Some(at) = skipped_to {
            // Up to the bracket that ends it.
            skipped_to = Some(at).filter(|at| indent > *at);
            continue;
        }
        if left_out.iter().any(|name| line.trim_start().starts_with(&format!("{name}: "))) {
            skipped_to = Some(indent).filter(|_| !line.ends_with(','));
            continue;
        }
        kept.push_str(line);
        kept.push('\n');
    }
    kept
}

/// # Panics
/// At the first line in which two differ, with what stands before it.
fn assert_known_alike(one: &str, other: &str) {
    let (one, other): (Vec<&str>, Vec<&str>) = (one.lines().collect(), other.lines().collect());
    let differ = one.iter().zip(&other).position(|(a, b)| a != b).or((one.len() != other.len()).then_some(0));
    if let Some(line) = differ {
        let of = |it: &[&str]| it[line.saturating_sub(25)..it.len().min(line + 5)].join("\n");
        panic!("{}\n\nis not\n\n{}", of(&one), of(&other));
    }
}

/// What is not stored with the readings is not known after a crash: what a battery said, and
/// in which order readings came that crossed on their way by some seconds.
const NOT_STORED: [&str; 3] = ["battery", "heard", "silence_due"];

/// Plays messages with an end each nine hours. Returns the sites' states at last.
fn played(world: &World, sent: &[Emission], end: End) -> String {
    let mut engine = world.open();
    let mut next: Option<Timestamp> = None;
    let mut goes_on = 0;
    let mut rounds = 0;
    for it in sent {
        let due = *next.get_or_insert(it.send_at + SignedDuration::from_hours(9));
        if it.send_at >= due {
            rounds += 1;
            next = Some(due + SignedDuration::from_hours(9));
            engine.commit(it.send_at).unwrap();
            match end {
                // What is kept in one round is what the next one's start goes on from.
                End::Crashed if rounds % 2 == 1 => {
                    engine.keep_states(&DaemonHealth::default(), it.send_at).unwrap()
                }
                End::Never => {}
                End::Stopped | End::Crashed => {
                    if end == End::Stopped {
                        engine.keep_states(&DaemonHealth::default(), it.send_at).unwrap();
                    }
                    let known = |engine: &Engine| match end {
                        End::Crashed => known_but(&NOT_STORED, engine).into_bytes(),
                        _ => engine.router.core.state_bytes(0),
                    };
                    let before = known(&engine);
                    drop(engine);
                    engine = world.open();
                    goes_on += engine.goes_on();
                    assert!(known(&engine) == before, "{} is not as it was", it.send_at);
                }
            }
        }
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
    engine.commit(sent.last().unwrap().send_at).unwrap();
    let starts = match end {
        End::Never => 0,
        End::Stopped => rounds,
        End::Crashed => rounds / 2,
    };
    assert_eq!(goes_on, starts, "each start goes on from what was kept");
    known_but(&NOT_STORED, &engine)
}

#[test]
fn a_school_that_is_stopped_or_crashes_is_as_one_that_never_was() {
    let school = School::parse(SHIPPED).unwrap();
    let seed = 3;
    let scenario = Scenario::troubled_month(&school, seed);
    let sent: Vec<Emission> = Simulation::new(&school, &scenario, seed).take(14_000).collect();
    let shipped = || World::new(settings_with(SHIPPED_TRUG, SHIPPED));
    let calm = shipped();
    let as_it_stands = played(&calm, &sent, End::Never);
    let whole = calm.told();
    assert!(whole.len() >= 3, "little has happened: {whole:#?}");
    for end in [End::Stopped, End::Crashed] {
        let world = shipped();
        let stands = played(&world, &sent, end);
        assert_eq!(world.told(), whole);
        assert!(stands == as_it_stands, "what it knows is another");
    }
}

/// Two gardens of one bed each.
fn two() -> World {
    let garden = |site: &str| {
        GardenFile::new(site)
            .bed("bed", "Bed", BED_KEYS)
            .probe("probe", "bed", 15)
            .sensor("gauge", "rain", "calibration = { mm_per_tip = 0.2 }")
            .sensor("thermometer", "air-temperature", "")
    };
    let (gully, annex) = (garden("gully"), garden("annex"));
    let files = [("gully.toml", gully.text()), ("annex.toml", annex.text())];
    let trug = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"t.db\"\n";
    World::new(from_text(("trug.toml", trug), &files, std::iter::empty()).unwrap())
}

fn quarter(number: i64) -> Timestamp {
    Timestamp::from_second(1_776_000_600 + 900 * number).unwrap()
}

/// Readings of every sensor from one quarter of an hour to another.
fn take(engine: &mut Engine, from: i64, to: i64) {
    for number in from..to {
        let digit = (number * 7919 % 11) as f64;
        for (sensor, raw) in [(0, 0.2), (1, 0.0), (2, 15.0), (3, 0.21), (4, 0.0), (5, 16.0)] {
            let raw = if raw == 0.0 { f64::from(number % 40 == 0) } else { raw + 1e-3 * digit };
            let at = quarter(number);
            engine.take(SensorIx(sensor), Sample { at: Some(at), raw, battery: None }, at);
        }
    }
    engine.commit(quarter(to)).unwrap();
}

fn kept(world: &World) {
    let mut engine = world.open();
    take(&mut engine, 0, 200);
    engine.keep_states(&DaemonHealth::default(), quarter(200)).unwrap();
    assert_eq!(engine.goes_on(), 0);
    drop(engine);
    assert_eq!(world.sites_kept(), ["annex", "gully"]);
}

#[test]
fn what_cannot_be_believed_is_set_aside_and_stops_no_start() {
    let spoil: [(&str, &str); 9] = [
        ("of a newer program", "UPDATE snapshot SET format = 99"),
        ("torn", "UPDATE snapshot SET packed = substr(packed, 1, length(packed) / 2)"),
        ("empty", "UPDATE snapshot SET packed = x''"),
        ("with another time", "UPDATE snapshot SET kept_at = kept_at + 1"),
        ("with another entry of the log", "UPDATE snapshot SET log_to = log_to + 1"),
        ("with another length", "UPDATE snapshot SET length = 1000000000000"),
        ("without a sum", "UPDATE snapshot SET checksum = x''"),
        ("of another program", "UPDATE snapshot SET made_for = zeroblob(32)"),
        ("with a time that is none", "UPDATE snapshot SET kept_at = 9223372036854775807"),
    ];
    for (what, sql) in spoil {
        let world = two();
        kept(&world);
        let by_readings = {
            let taken = world.write("DELETE FROM snapshot WHERE site = 'gully'");
            assert_eq!(taken, 1);
            let engine = world.open();
            assert_eq!(engine.goes_on(), 1, "{what}");
            engine.router.core.state_bytes(1)
        };
        assert_eq!(world.write(sql), 1);
        let engine = world.open();
        assert_eq!(engine.goes_on(), 0, "{what}");
        assert!(engine.router.core.state_bytes(1) == by_readings, "{what}");
    }
    // Of another site.
    let world = two();
    kept(&world);
    world.write("DELETE FROM snapshot WHERE site = 'annex'");
    world.write("UPDATE snapshot SET site = 'annex'");
    assert_eq!(world.open().goes_on(), 0);
}

#[test]
fn a_changed_file_takes_its_own_gardens_readings_again() {
    let mut world = two();
    kept(&world);
    assert_eq!(world.open().goes_on(), 2);
    world.settings.gardens[1].sensors[0].every_s = 600;
    let engine = world.open();
    assert_eq!(engine.goes_on(), 1);
    drop(engine);
    // What another clock has made is of no use.
    let live = Engine::open(&world.settings, Clock::Arrival).unwrap();
    assert_eq!(live.goes_on(), 0);
}

#[test]
fn what_was_kept_of_a_garden_that_is_gone_is_let_go_of_at_the_start() {
    let mut world = two();
    kept(&world);
    let gone = world.settings.gardens.remove(1);
    assert_eq!(world.sites_kept().len(), 2);
    assert_eq!(world.open().goes_on(), 1);
    assert_eq!(world.sites_kept(), [world.settings.gardens[0].site.id.to_string()]);
    // One that comes back has its readings taken again.
    world.settings.gardens.push(gone);
    assert_eq!(world.open().goes_on(), 1);
}

#[test]
fn an_import_into_the_past_lets_go_of_its_own_gardens_alone() {
    let world = two();
    kept(&world);
    let mut engine = world.open();
    let number = engine.begin_import("a.csv", quarter(200)).unwrap();
    let at = quarter(50) + SignedDuration::from_secs(7);
    engine.take(SensorIx(1), Sample { at: Some(at), raw: 40.0, battery: None }, at);
    engine.commit(quarter(200)).unwrap();
    engine.end_import(number).unwrap();
    drop(engine);
    let imported = world.settings.gardens[0].site.id.to_string();
    let left: Vec<String> = world.sites_kept();
    assert_eq!(left.len(), 1);
    assert_ne!(left[0], imported);

    // Taken back, what was kept with it is of no use either.
    let mut engine = world.open();
    engine.keep_states(&DaemonHealth::default(), quarter(200)).unwrap();
    drop(engine);
    assert_eq!(world.sites_kept().len(), 2);
    let mut store = Store::open(world.store(), &world.settings.gardens).unwrap();
    store.undo_import(number, quarter(201)).unwrap();
    drop(store);
    assert_eq!(world.sites_kept(), left);
}

#[test]
fn a_struck_entry_brings_back_what_it_had_made_forget() {
    let world = two();
    kept(&world);
    let site = world.settings.gardens[0].site.id.clone();
    let entry = LogEntry {
        site: site.clone(),
        place: Some(Id::new("probe")),
        at: quarter(100),
        what: LogEvent::ProbeReplaced,
        note: String::new(),
    };
    let wrong = write_log(world.store(), &entry, quarter(200)).unwrap();
    assert_eq!(world.open().goes_on(), 2, "one that is not judged yet is judged by the daemon");
    strike_log(world.store(), &site, wrong, "it was another", quarter(201)).unwrap();
    assert_eq!(world.open().goes_on(), 1);
}

/// Rows of the log that were judged after a state was kept are known after a crash.
#[test]
fn what_was_written_down_after_it_was_kept_is_known() {
    let world = two();
    kept(&world);
    let site = world.settings.gardens[0].site.id.clone();
    let entry = |hours: i64, what| LogEntry {
        site: site.clone(),
        place: Some(Id::new("bed")),
        at: quarter(4 * hours),
        what,
        note: String::new(),
    };
    let judged = write_log(world.store(), &entry(40, LogEvent::Rained), quarter(200)).unwrap();
    write_log(world.store(), &entry(41, LogEvent::WettingAgent), quarter(200)).unwrap();
    let mut store = Store::open(world.store(), &world.settings.gardens).unwrap();
    store.log_taken(judged).unwrap();
    drop(store);
    let engine = world.open();
    assert_eq!(engine.goes_on(), 2);
    // Words that come from the store are renewed sooner; the sun and the lowest of the readings
    // that a wetting watch holds are worked out when they are asked for.
    let renewed = ["fresh", "sun", "lowest"];
    let known = known_but(&renewed, &engine);
    drop(engine);
    let replayed = {
        world.write("DELETE FROM snapshot");
        world.write(&format!("DELETE FROM log WHERE seq > {judged}"));
        world.open()
    };
    assert_eq!(replayed.goes_on(), 0);
    assert_known_alike(&known, &known_but(&renewed, &replayed));
}

#[test]
fn a_backup_holds_what_was_kept_with_the_readings_that_it_is_of() {
    let world = two();
    kept(&world);
    let copy = world.store().with_file_name("copy.db");
    back_up(world.store(), &copy).unwrap();
    let mut engine = world.open();
    take(&mut engine, 200, 300);
    drop(engine);
    std::fs::rename(&copy, world.store()).unwrap();
    for end in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(format!("{}{end}", world.store().display()));
    }
    let mut engine = world.open();
    assert_eq!(engine.goes_on(), 2);
    take(&mut engine, 200, 300);
    assert_eq!(Reader::open(world.store()).unwrap().count().unwrap(), 6 * 300);
}
