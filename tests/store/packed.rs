//! Readings of past days are packed: whatever happens meanwhile, a record that is packed says
//! and takes the same as one that is not.

use std::collections::HashSet;
use std::fmt::Debug;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use crate::support::garden::{BED_KEYS, GardenFile, at, forwarded, only, probes, reading};
use crate::support::rows::{assert_same, rejects, rows};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use proptest::prelude::*;
use trug::garden::plan::Garden;
use trug::garden::record::{Batch, Reading, Reflag};
use trug::history::{Bin, BinWidth};
use trug::model::{Id, TimeFrom};
use trug::quality::{Flag, Tests};
use trug::store::{
    PackProgress, QuarterProgress, Reader, ReadingFilter, ReplayDay, ReplayRun, SeriesMap, Store,
    ThinProgress, Transaction, back_up, look_through,
};

const SITE: &str = "saltbush-gully";
const SENSORS: u32 = 3;
const MINUTE_MS: i64 = 60_000;
const DAY_MS: i64 = 86_400_000;
const DAYS: i64 = 9;

fn end() -> Timestamp {
    at(DAYS * DAY_MS)
}

/// What happens to a record.
#[derive(Clone, Debug)]
enum Deed {
    /// So many readings of every sensor from the last one on, so many minutes apart.
    Live(u16, u8),
    /// Readings of past times: sensor, minute, raw number.
    Late(Vec<(u32, i64, u8)>),
    /// Some that are there already, by their place in the list of all, with another number or not.
    Again(Vec<(usize, bool)>),
    /// Flags of some that are there.
    Reflag(Vec<(usize, u8)>),
    /// A replay gives a stretch of the list other values.
    Replay(usize, usize),
    /// An import of readings of past times, and whether it is taken back.
    Import(Vec<(u32, i64, u8)>, bool),
    /// The server takes so many rows.
    Send(i64),
    /// So many steps.
    Pack(u8),
    Restart,
}

fn past() -> impl Strategy<Value = Vec<(u32, i64, u8)>> {
    prop::collection::vec((0..SENSORS, 0..DAYS * 1440, any::<u8>()), 1..40)
}

fn deed() -> impl Strategy<Value = Deed> {
    prop_oneof![
        6 => (50_u16..900, 1_u8..20).prop_map(|(count, minutes)| Deed::Live(count, minutes)),
        3 => past().prop_map(Deed::Late),
        2 => prop::collection::vec((any::<usize>(), any::<bool>()), 1..30).prop_map(Deed::Again),
        2 => prop::collection::vec((any::<usize>(), 0_u8..5), 1..10).prop_map(Deed::Reflag),
        1 => (any::<usize>(), 1_usize..200).prop_map(|(first, count)| Deed::Replay(first, count)),
        1 => (past(), any::<bool>()).prop_map(|(readings, back)| Deed::Import(readings, back)),
        2 => (1_i64..2000).prop_map(Deed::Send),
        6 => (1_u8..30).prop_map(Deed::Pack),
        1 => Just(Deed::Restart),
    ]
}

fn flag(number: u8) -> Flag {
    Flag::ALL[usize::from(number) % Flag::ALL.len()]
}

/// A reading with what makes a block of them: a value that hangs on the number or not, or none.
fn made(sensor: u32, minute: i64, raw: u8) -> Reading {
    let raw_number = f64::from(raw) / 10.0;
    let value = match sensor {
        0 => Some(raw_number),
        1 => (raw > 20).then(|| 0.02 + raw_number * 0.38 / 25.5),
        _ => (raw != 7).then(|| raw_number.sqrt() + minute as f64 * 1e-9),
    };
    Reading {
        value,
        flag: if raw > 240 { Flag::Suspect } else { Flag::Pass },
        tests: if raw % 50 == 3 { Tests(0x1_2322) } else { Tests::NOT_EVALUATED },
        time_from: if raw % 60 == 5 { TimeFrom::Arrival } else { TimeFrom::Device },
        late: raw % 70 == 9,
        ..reading(sensor, minute * MINUTE_MS, raw_number)
    }
}

/// A record, packed from time to time or never.
struct World {
    path: PathBuf,
    store: Option<Store>,
    gardens: Vec<Garden>,
    packs: bool,
    /// All that were taken.
    known: Vec<Reading>,
    keys: HashSet<(Timestamp, u32)>,
    /// The minute of the last live one.
    minute: i64,
    sent: i64,
    packed: u64,
    said: Vec<String>,
}

impl World {
    fn new(folder: &Path, name: &str, packs: bool) -> Self {
        let (path, gardens) = (folder.join(name), vec![probes(SENSORS)]);
        let mut it = Self {
            path,
            store: None,
            gardens,
            packs,
            known: Vec::new(),
            keys: HashSet::new(),
            minute: 0,
            sent: 0,
            packed: 0,
            said: Vec::new(),
        };
        it.restart();
        it
    }

    fn restart(&mut self) {
        self.store = None;
        let mut store = Store::open(&self.path, &self.gardens).unwrap();
        store.set_forwarders(&["school"]).unwrap();
        self.store = Some(store);
    }

    fn store(&mut self) -> &mut Store {
        self.store.as_mut().unwrap()
    }

    fn say(&mut self, what: impl Debug) {
        self.said.push(format!("{what:?}"));
    }

    fn take(&mut self, readings: Vec<Reading>) {
        let batch = Batch { readings, ..Batch::default() };
        let committed = self.store().commit(&Transaction { forward: true, ..only(&batch) }).unwrap();
        self.say((committed.stored, committed.repeated, committed.conflicting, committed.summarised));
        for it in batch.readings {
            if self.keys.insert((it.at, it.sensor.0)) {
                self.known.push(it);
            }
        }
    }

    fn some(&self, place: usize) -> Option<Reading> {
        (!self.known.is_empty()).then(|| self.known[place % self.known.len()])
    }

    fn quarters(&mut self) {
        while self.store().fill_quarters(end()).unwrap() == QuarterProgress::More {}
    }

    fn pack(&mut self, steps: u32) {
        self.quarters();
        if !self.packs {
            return;
        }
        for _ in 0..steps {
            match self.store().pack(end()).unwrap() {
                PackProgress::Done => return,
                PackProgress::More { readings } => self.packed += readings,
            }
        }
    }

    fn past(readings: &[(u32, i64, u8)]) -> Vec<Reading> {
        readings.iter().map(|&(sensor, minute, raw)| made(sensor, minute, raw)).collect()
    }

    fn do_it(&mut self, deed: &Deed) {
        match deed {
            Deed::Live(count, minutes) => {
                let mut readings = Vec::new();
                for _ in 0..*count {
                    if self.minute + i64::from(*minutes) >= DAYS * 1440 {
                        break;
                    }
                    self.minute += i64::from(*minutes);
                    for sensor in 0..SENSORS {
                        let raw = 100 + (self.minute / 30 * (i64::from(sensor) + 3)) % 37;
                        readings.push(made(sensor, self.minute, u8::try_from(raw).unwrap()));
                    }
                }
                self.take(readings);
            }
            Deed::Late(readings) => self.take(Self::past(readings)),
            Deed::Again(places) => {
                let again = places.iter().filter_map(|&(place, other)| {
                    let known = self.some(place)?;
                    Some(Reading { raw: known.raw + if other { 1.0 } else { 0.0 }, ..known })
                });
                self.take(again.collect());
            }
            Deed::Reflag(places) => {
                let reflags = places.iter().filter_map(|&(place, number)| {
                    let Reading { sensor, at, .. } = self.some(place)?;
                    Some(Reflag {
                        sensor,
                        at,
                        flag: flag(number),
                        tests: Tests(0x2_2222 + u32::from(number)),
                    })
                });
                let batch = Batch { reflags: reflags.collect(), ..Batch::default() };
                self.store().commit(&Transaction { forward: true, ..only(&batch) }).unwrap();
            }
            Deed::Replay(first, count) => {
                let mut readings: Vec<Reading> =
                    (0..*count).filter_map(|n| self.some(first.wrapping_add(n))).collect();
                readings.sort_by_key(|it| (it.at, it.sensor.0));
                readings.dedup_by_key(|it| (it.at, it.sensor.0));
                for it in &mut readings {
                    (it.value, it.flag) = (Some(it.raw * 2.0), Flag::Pass);
                }
                let day = ReplayDay { readings, ..ReplayDay::default() };
                let mut run = ReplayRun {
                    number: None,
                    written_at: end(),
                    site: Some(Id::new(SITE)),
                    from: at(0),
                    to: end(),
                    forward: true,
                };
                self.store().replay_day(&mut run, end(), &day, &|_, _| unreachable!("no alarm")).unwrap();
            }
            Deed::Import(readings, back) => {
                let number = self.store().begin_import("past.csv", end()).unwrap();
                let known = self.known.len();
                self.take(Self::past(readings));
                // A flag of a reading that was there before changes on the way.
                if let Some(Reading { sensor, at, .. }) = self.some(known / 2) {
                    let reflags = vec![Reflag { sensor, at, flag: Flag::Fail, tests: Tests(0x2_2224) }];
                    let batch = Batch { reflags, ..Batch::default() };
                    self.store().commit(&only(&batch)).unwrap();
                }
                self.store().end_import(number).unwrap();
                self.pack(20);
                if *back && self.known.len() > known {
                    let undone = self.store().undo_import(number, end()).unwrap();
                    self.say(undone);
                    for it in self.known.drain(known..) {
                        self.keys.remove(&(it.at, it.sensor.0));
                    }
                }
            }
            Deed::Send(rows) => {
                self.sent += rows;
                let batch = Batch::default();
                let sent = forwarded("school", self.sent);
                self.store().commit(&Transaction { forwarded: &[sent], ..only(&batch) }).unwrap();
            }
            Deed::Pack(steps) => self.pack(u32::from(*steps)),
            Deed::Restart => self.restart(),
        }
    }
}

/// Bins as text, the sum without the digits that hang on the order of adding up.
fn shown(bins: &[Bin]) -> Vec<String> {
    let rounded = |sum: f64| (sum * 1e6).round() / 1e6;
    bins.iter().map(|bin| format!("{:?}", Bin { sum: rounded(bin.sum), ..*bin })).collect()
}

/// All that a reader says, a line each.
fn told(path: &Path, gardens: &[Garden]) -> Vec<String> {
    let reader = Reader::open(path).unwrap();
    let mut told = Vec::new();
    let mut say = |what: &str, it: &dyn Debug| told.push(format!("{what}: {it:?}"));
    let all = rows(&reader);
    say("count", &(reader.count().unwrap(), all.len()));
    say("latest", &reader.latest_at().unwrap());
    say("span", &reader.known_span().unwrap());
    let map = SeriesMap::of_stored(&reader.series().unwrap(), gardens);
    let spans = [(0, DAYS), (0, 1), (1, 4), (3, DAYS + 2), (-2, 0)]
        .map(|(from, to)| (at(from * DAY_MS + 7 * MINUTE_MS + 30_000), at(to * DAY_MS - 3 * MINUTE_MS)));
    let zone = TimeZone::get("Australia/Adelaide").unwrap();
    let names: Vec<String> = gardens[0].sensors.iter().map(|it| it.id.to_string()).collect();
    for (from, to) in spans {
        let mut newest: Vec<Reading> = Vec::new();
        let each = |it| {
            newest.push(it);
            ControlFlow::Continue(())
        };
        if from < to {
            reader.newest_first(from..to, &map, each).unwrap();
        }
        say("newest first", &newest);
        let mut judged = Vec::new();
        reader.rebuild(from..=to, &map, |it| judged.push(it)).unwrap();
        say("judged", &judged);
        let mut last = Vec::new();
        reader.last_before(to, from, &map, |sensor, at, raw| last.push((sensor, at, raw))).unwrap();
        say("last before", &last);
        let mut between = Vec::new();
        let each = |it| {
            between.push(it);
            ControlFlow::Continue(())
        };
        reader.readings_between(from, to, &map, each).unwrap();
        say("between", &between);
        say("by series", &reader.readings_by_series(from, to).unwrap());
        say("activity", &reader.activity(from).unwrap());
        for step in [BinWidth::Raw, BinWidth::Hour, BinWidth::Day] {
            for bins in reader.bins_of(SITE, &names, from, to, step, &zone).unwrap() {
                say("bins", &shown(&bins));
            }
        }
        for limit in [1, 50, 100_000] {
            say("points", &reader.points_of(SITE, &names, from, to, limit).unwrap());
        }
        say("heard", &reader.first_heard(SITE, &names[1..], to).unwrap());
        let bounds: Vec<Timestamp> = (0..=DAYS).map(|day| at(day * DAY_MS + 5 * MINUTE_MS)).collect();
        say("good", &reader.good_counts(SITE, &names, &bounds).unwrap());
        // As a resend asks: some, and then those after the last.
        let (mut after, mut range) = (None, Vec::new());
        loop {
            let some = reader.forward_range((from, to), after, 333).unwrap();
            let Some(last) = some.last() else { break };
            after = Some((last.at, last.series));
            range.extend(some);
        }
        say("range", &range);
    }
    let position = reader.forward_position("school").unwrap();
    let (mut after, mut waiting) = (position, Vec::new());
    loop {
        let some = reader.forward_rows(after, 500).unwrap();
        let Some(last) = some.last() else { break };
        after = last.seq;
        waiting.extend(some);
    }
    say("waiting", &waiting);
    let filter =
        ReadingFilter { sensors: vec![names[0].clone()], from: Some(at(DAY_MS)), ..Default::default() };
    let mut some = Vec::new();
    let each = |row: trug::store::StoredReading<'_>| {
        some.push((row.at, row.raw.to_bits(), row.value.map(f64::to_bits), row.series.sensor == names[0]));
        if some.len() < 700 { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    };
    reader.readings(&filter, each).unwrap();
    say("filtered", &some);
    told
}

fn number(path: &Path, sql: &str) -> i64 {
    rusqlite::Connection::open(path).unwrap().query_row(sql, [], |row| row.get(0)).unwrap()
}

/// Nothing is in two places, and no span of a block reaches into another one.
fn check(path: &Path) {
    let two = "SELECT count(*) FROM block AS one JOIN block AS other ON other.series = one.series
               AND other.number <> one.number AND other.start <= one.last_at AND other.last_at >= one.start";
    assert_eq!(number(path, two), 0);
    let reader = Reader::open(path).unwrap();
    assert_eq!(reader.quick_check().unwrap(), Vec::<String>::new());
    let mut keys: Vec<(String, i64)> = rows(&reader).into_iter().map(|row| (row.sensor, row.at_ms)).collect();
    let all = keys.len();
    keys.dedup();
    assert_eq!(keys.len(), all, "a reading is there twice");
}

fn compare(packed: &World, plain: &World) {
    check(&packed.path);
    assert_eq!(packed.said, plain.said);
    let [one, other] = [packed, plain].map(|it| rows(&Reader::open(&it.path).unwrap()));
    assert_same("packed and not", &one, &other);
    let [one, other] = [packed, plain].map(|it| told(&it.path, &it.gardens));
    for (one, other) in one.iter().zip(&other) {
        assert!(one == other, "packed:\n{:.3000}\nnot:\n{:.3000}", one, other);
    }
    assert_eq!(one.len(), other.len());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    #[test]
    fn a_packed_record_says_the_same(deeds in prop::collection::vec(deed(), 4..24)) {
        let folder = tempfile::tempdir().unwrap();
        let mut worlds = [("packed.db", true), ("plain.db", false)].map(|(name, packs)| World::new(folder.path(), name, packs));
        for deed in &deeds {
            for world in &mut worlds {
                world.do_it(deed);
            }
        }
        let [packed, plain] = &mut worlds;
        compare(packed, plain);
        packed.pack(1000);
        plain.pack(1000);
        compare(packed, plain);
    }
}

/// Readings of every minute, and what is left of them as rows.
fn filled(folder: &Path, name: &str, packs: bool) -> World {
    let mut world = World::new(folder, name, packs);
    for _ in 0..13 {
        world.do_it(&Deed::Live(1000, 1));
    }
    world.do_it(&Deed::Send(1_000_000));
    world.pack(10_000);
    world
}

fn pair(folder: &Path) -> [World; 2] {
    [filled(folder, "packed.db", true), filled(folder, "plain.db", false)]
}

#[test]
fn past_days_are_packed_and_take_less_room() {
    let folder = tempfile::tempdir().unwrap();
    let [mut packed, mut plain] = pair(folder.path());
    compare(&packed, &plain);
    // From the second minute, half past five, to the midnight (UTC) that is a day before the last.
    assert_eq!(packed.packed, 3 * (8 * 1440 - 330 - 1));
    // Of what is packed there is no quarter hour, and every block is full but the last.
    let quarters = number(&packed.path, "SELECT count(*) FROM quarter");
    assert!(quarters < 3 * 96 * 3, "{quarters}");
    let few = "SELECT count(*) FROM block WHERE readings < 2048";
    assert!(number(&packed.path, few) <= 3);
    for world in [&mut packed, &mut plain] {
        world.store().give_room_back().unwrap();
    }
    let (small, large) = (packed.store().bytes(), plain.store().bytes());
    assert!(small * 5 < large * 2, "{small} of {large}, the last two days of nine and empty tables in both");
    compare(&packed, &plain);
    // There is nothing to do until another day is over.
    packed.restart();
    let before = number(&packed.path, "SELECT max(number) FROM block");
    packed.pack(1000);
    assert_eq!(number(&packed.path, "SELECT max(number) FROM block"), before);
}

#[test]
fn old_readings_go_into_days_figures_from_blocks_too() {
    let folder = tempfile::tempdir().unwrap();
    let mut worlds = pair(folder.path());
    for world in &mut worlds {
        let gardens = world.gardens.clone();
        let store = world.store();
        store.set_keep_readings(Some(4), &gardens);
        let mut gone = 0;
        while let ThinProgress::More { readings } = store.thin_now(end()).unwrap() {
            gone += readings;
        }
        let kept = store.bytes();
        assert!(kept > 0);
        world.say(gone);
        world.say(number(&world.path, "SELECT sum(readings) FROM day_summary"));
        // What comes again for a day that is summarised, and for one that is packed.
        world.take((0..9).map(|day| made(0, day * 1440 + 100, 5)).collect());
        world.pack(1000);
    }
    let [packed, plain] = &worlds;
    compare(packed, plain);
    let days = |world: &World| {
        let reader = Reader::open(&world.path).unwrap();
        let zone = TimeZone::get("Australia/Adelaide").unwrap();
        shown(&reader.bins(SITE, "probe-1", at(-DAY_MS), end(), BinWidth::Day, &zone).unwrap())
    };
    assert_eq!(days(packed), days(plain));
    assert_eq!(days(packed).len(), 10);
}

fn named(id: &str, formerly: &str) -> Vec<Garden> {
    let keys = format!("bed = \"kitchen-bed\"\ndepth_cm = 15\n{formerly}");
    let file = GardenFile::new(SITE)
        .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
        .sensor(id, "soil-moisture", &keys)
        .probe("probe-1", "kitchen-bed", 20)
        .probe("probe-2", "kitchen-bed", 30);
    vec![file.garden()]
}

#[test]
fn a_sensor_with_another_id_keeps_what_is_packed() {
    let folder = tempfile::tempdir().unwrap();
    let mut worlds = pair(folder.path());
    for world in &mut worlds {
        // The new id has readings of its own: some in the midst of the others, some behind.
        world.gardens = named("top", "");
        world.restart();
        let own =
            (0..200).map(|n| made(0, 3 * 1440 + n * 5, 60)).chain((0..50).map(|n| made(0, 12_000 + n, 61)));
        world.take(own.collect());
        world.pack(1000);
        world.gardens = named("top", "formerly = [\"probe-0\"]\n");
        world.restart();
        world.pack(1000);
    }
    let [packed, plain] = &worlds;
    compare(packed, plain);
    let moved = "SELECT readings FROM renamed";
    assert_eq!(number(&packed.path, moved), number(&plain.path, moved));
    assert!(
        rows(&Reader::open(&packed.path).unwrap()).iter().filter(|row| row.sensor == "top").count() > 12_000
    );
}

#[test]
fn a_copy_holds_what_is_packed() {
    let folder = tempfile::tempdir().unwrap();
    let [packed, plain] = pair(folder.path());
    let copies = [&packed, &plain].map(|world| {
        let to = world.path.with_extension("copy");
        (back_up(&world.path, &to).unwrap(), rows(&Reader::open(&to).unwrap()))
    });
    let [(one, of_one), (other, of_other)] = &copies;
    assert_eq!((one.readings, one.newest), (other.readings, other.newest));
    assert_same("copies", of_one, of_other);
    let torn = packed.path.with_extension("torn");
    std::fs::copy(packed.path.with_extension("copy"), &torn).unwrap();
    tear(&torn, "SELECT min(number) FROM block");
    let fault = look_through(&torn).unwrap_err().to_string();
    assert!(fault.contains("packed readings cannot be read"), "{fault}");
}

/// Damages the bytes of a block.
fn tear(path: &Path, which: &str) {
    let connection = rusqlite::Connection::open(path).unwrap();
    let sql = format!("SELECT number, packed FROM block WHERE number = ({which})");
    let (number, mut bytes): (i64, Vec<u8>) =
        connection.query_row(&sql, [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x10;
    assert_eq!(connection.execute("UPDATE block SET packed = ?1 WHERE number = ?2", (bytes, number)), Ok(1));
}

#[test]
fn a_torn_block_takes_no_other_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let [mut packed, plain] = pair(folder.path());
    packed.store = None;
    let which = "SELECT number FROM block WHERE series = 2 ORDER BY start LIMIT 1";
    tear(&packed.path, which);
    let head =
        |column: &str| number(&packed.path, &format!("SELECT {column} FROM block WHERE number = ({which})"));
    let (start, last_at, lost) = (head("start"), head("last_at"), head("readings"));
    let expected: Vec<_> = rows(&Reader::open(&plain.path).unwrap())
        .into_iter()
        .filter(|row| row.sensor != "probe-1" || row.at_ms < start || row.at_ms > last_at)
        .collect();
    let reader = Reader::open(&packed.path).unwrap();
    assert_same("before it is set aside", &rows(&reader), &expected);
    let said = reader.quick_check().unwrap();
    assert!(
        said.len() == 1 && said[0].starts_with(&format!("{lost} packed readings cannot be read")),
        "{said:?}"
    );

    // A start goes on, and the quiet time finds it.
    packed.restart();
    packed.pack(1000);
    assert_eq!(number(&packed.path, "SELECT sum(readings) FROM block_aside"), lost);
    let rejects = rejects(&reader, 10);
    assert!(
        rejects[0].reason.contains("lost") && rejects[0].reason.contains("saltbush-gully/probe-1"),
        "{rejects:?}"
    );
    assert_same("set aside", &rows(&reader), &expected);
    let said = reader.quick_check().unwrap();
    assert_eq!(said, [format!("{lost} packed readings could not be read and are set aside")]);
    // What is sent again for that time is taken.
    let again: Vec<Reading> = (0..20).map(|n| made(1, start_minute(start) + n, 99)).collect();
    packed.take(again);
    assert_eq!(rows(&reader).len(), expected.len() + 20);
}

fn start_minute(ms: i64) -> i64 {
    Timestamp::from_millisecond(ms).unwrap().duration_since(at(0)).as_secs() / 60
}

/// Nothing of what is asked of a torn block on the way to another deed stops it.
#[test]
fn a_torn_block_stops_no_deed() {
    let folder = tempfile::tempdir().unwrap();
    for deed in [
        Deed::Late(vec![(1, 500, 9), (1, 2000, 9)]),
        Deed::Again(vec![(1000, false), (2500, true), (4, true)]),
        Deed::Reflag((0..200).map(|n| (n * 97, 3)).collect()),
        Deed::Replay(900, 200),
        Deed::Import(vec![(1, 500, 9), (1, 2001, 9)], true),
        Deed::Pack(200),
    ] {
        let name = format!("{:.6}.db", format!("{deed:?}"));
        let mut packed = filled(folder.path(), &name, true);
        for series in 1..=3 {
            tear(&packed.path, &format!("SELECT min(number) FROM block WHERE series = {series}"));
        }
        packed.do_it(&deed);
        packed.restart();
        packed.pack(10_000);
        assert_eq!(number(&packed.path, "SELECT count(*) FROM block_aside"), 3, "{deed:?}");
        check_but_aside(&packed.path);
    }
}

fn check_but_aside(path: &Path) {
    let said = Reader::open(path).unwrap().quick_check().unwrap();
    assert!(said.iter().all(|line| line.contains("set aside")), "{said:?}");
}
