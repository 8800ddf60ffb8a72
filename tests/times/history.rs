//! Makes a record of years of readings and times what the page asks of it, then packs it, and
//! does so again.
//!
//! `tests/history` runs it. A stretch of readings comes from the simulator and goes through the
//! program; it is put in with SQL again and again in the order of time, in the columns that the
//! store writes. The quarter hours are made by the store itself.

#![allow(clippy::unwrap_used, reason = "a measurement stops at the first surprise")]

#[path = "../support/garden.rs"]
#[allow(dead_code, unreachable_pub, reason = "the tests use more of it")]
mod garden;
#[path = "../support/http.rs"]
#[allow(dead_code, unreachable_pub, reason = "the tests use more of it")]
mod http;
mod pages;
mod school;
mod stretch;
#[path = "../support/views.rs"]
#[allow(dead_code, unreachable_pub, reason = "the tests use more of it")]
mod views;

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use rusqlite::Connection;
use school::SITE;
use trug::history::BinWidth;
use trug::settings::Settings;
use trug::store::{PackProgress, QuarterProgress, Reader, ReadingFilter, Store, ThinProgress};

const ZONE: &str = "Australia/Adelaide";
const START: &str = "2021-01-01T00:00:00Z";
const RUNS: usize = 7;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let years: i64 = arguments.next().unwrap().parse().unwrap();
    let sensors: usize = arguments.next().unwrap().parse().unwrap();
    let path = Path::new(&arguments.next().unwrap()).join("trug.db");
    let begin: Timestamp = START.parse().unwrap();
    // Days of the Julian year; the present is about half past ten in the morning.
    let days = years * 1461 / 4;
    let end = begin + SignedDuration::from_hours(days * 24);

    let settings = school::school(sensors, &path);
    if !path.exists() {
        let count = school::fill(&settings, begin, days);
        make_quarters(&settings, count, end);
    }
    weights(&path);
    times(&path, end);
    month(&path, end);
    if std::env::var_os("PLAIN_PAGES").is_some() {
        pages::pages(&settings);
    }
    pack(&settings, end);
    weights(&path);
    times(&path, end);
    month(&path, end);
    pages::pages(&settings);
    if let Some(days) = std::env::var("KEEP_DAYS").ok().map(|days| days.parse().unwrap()) {
        thin(&settings, days, end);
    }
}

/// Packs all days that are over as the daemon does, without its pauses, and gives the room back.
fn pack(settings: &Settings, end: Timestamp) {
    let mut store = Store::open(&settings.store.path, &settings.gardens).unwrap();
    // The work of each, and the time on the wall.
    let (mut steps, mut longest): (Vec<f64>, f64) = (Vec::new(), 0.0);
    let mut packed = 0;
    let began = Instant::now();
    loop {
        let (one, work) = (Instant::now(), worked());
        let step = store.pack(end).unwrap();
        let PackProgress::More { readings } = step else { break };
        steps.push(worked() - work);
        longest = longest.max(one.elapsed().as_secs_f64() * 1e3);
        packed += readings;
    }
    let took = began.elapsed().as_secs_f64();
    steps.sort_by(f64::total_cmp);
    let of =
        |part: f64| steps.get((steps.len() as f64 * part) as usize).or(steps.last()).copied().unwrap_or(0.0);
    println!(
        "{packed} readings packed in {took:.1} s without a pause: {} steps, the longest {longest:.1} ms; half of them are \
         {:.1} ms of work at most, all but one in a hundred {:.1} ms, all {:.1} ms",
        steps.len(),
        of(0.5),
        of(0.99),
        of(1.0)
    );
    let began = Instant::now();
    store.give_room_back().unwrap();
    println!("the room given back in {:.1} s", began.elapsed().as_secs_f64());
}

/// What the readings and their quarter hours take in the file.
fn weights(path: &Path) {
    let connection = Connection::open(path).unwrap();
    let one =
        |sql: &str| connection.query_row(sql, [], |row| row.get::<_, Option<i64>>(0)).unwrap().unwrap_or(0);
    let pages = |names: &str| one(&format!("SELECT sum(pgsize) FROM dbstat WHERE name IN ({names})")) as f64;
    let (rows, packed) = (one("SELECT count(*) FROM reading"), one("SELECT sum(readings) FROM block"));
    let (single, blocks) = (pages("'reading'"), pages("'block', 'block_of'"));
    let quarters = pages("'quarter', 'quarter_stale'");
    let each = |bytes: f64, count: i64| if count > 0 { bytes / count as f64 } else { 0.0 };
    println!(
        "readings: {rows} as rows of {:.1} bytes, {packed} packed of {:.2} bytes; quarter hours: {} rows of {:.1} bytes",
        each(single, rows),
        each(blocks, packed),
        one("SELECT count(*) FROM quarter"),
        each(quarters, one("SELECT count(*) FROM quarter")),
    );
    let size = std::fs::metadata(path).unwrap().len() as f64;
    println!(
        "bytes a reading: {:.2} without quarter hours, {:.2} with them, {:.2} of the whole file of {:.1} MB",
        each(single + blocks, rows + packed),
        each(single + blocks + quarters, rows + packed),
        each(size, rows + packed),
        size / 1e6
    );
}

/// One sensor's month out of the midst of the record, every reading with all of its columns.
fn month(path: &Path, end: Timestamp) {
    let filter = ReadingFilter {
        sensors: vec!["kitchen-15cm".to_owned()],
        from: Some(end - SignedDuration::from_hours(200 * 24)),
        to: Some(end - SignedDuration::from_hours(169 * 24)),
        ..ReadingFilter::default()
    };
    let mut count = 0;
    let before = worked();
    let (first, median) = timed(|| {
        count = 0;
        let each = |_: trug::store::StoredReading<'_>| {
            count += 1;
            std::ops::ControlFlow::Continue(())
        };
        Reader::open(path).unwrap().readings(&filter, each).unwrap();
    });
    let work = (worked() - before) / (RUNS + 1) as f64;
    println!("a month of one sensor, {count} readings: {first:.1} and {median:.1} ms, {work:.1} ms of work");
}

/// Puts what is older than so many days into daily figures as the daemon does, without its
/// pauses, and gives the room back.
fn thin(settings: &Settings, days: u32, end: Timestamp) {
    let mut store = Store::open(&settings.store.path, &settings.gardens).unwrap();
    store.set_keep_readings(Some(days), &settings.gardens);
    let before = store.bytes();
    let (began, mut steps, mut gone, mut longest) = (Instant::now(), 0_u64, 0, 0.0_f64);
    loop {
        let one = Instant::now();
        let thinned = store.thin_now(end).unwrap();
        longest = longest.max(one.elapsed().as_secs_f64() * 1e3);
        let ThinProgress::More { readings } = thinned else { break };
        (steps, gone) = (steps + 1, gone + readings);
    }
    let took = began.elapsed().as_secs_f64();
    println!(
        "{gone} readings of before the last {days} days went into daily figures in {took:.1} s without a pause: {steps} \
         steps, the longest {longest:.1} ms"
    );
    let thinned = store.bytes();
    let began = Instant::now();
    store.give_room_back().unwrap();
    let (after, took) = (store.bytes(), began.elapsed().as_secs_f64());
    let mb = |bytes: u64| bytes as f64 / 1e6;
    println!(
        "size of the record: {:.1} MB before, {:.1} MB after it, {:.1} MB with the room given back, in {took:.1} s",
        mb(before),
        mb(thinned),
        mb(after)
    );
}

/// Makes the quarter hours as the daemon does, without its pauses.
fn make_quarters(settings: &Settings, count: u64, end: Timestamp) {
    let mut store = Store::open(&settings.store.path, &settings.gardens).unwrap();
    let (began, mut steps, mut longest) = (Instant::now(), 0_u64, 0.0_f64);
    loop {
        let one = Instant::now();
        let filling = store.fill_quarters(end).unwrap();
        longest = longest.max(one.elapsed().as_secs_f64() * 1e3);
        if filling == QuarterProgress::Done {
            break;
        }
        steps += 1;
    }
    let took = began.elapsed().as_secs_f64();
    println!(
        "quarter hours of {count} readings made in {took:.1} s without a pause: {steps} steps, the longest \
         {longest:.1} ms"
    );
}

/// Milliseconds of work of this process on all processors: unlike the time on the wall,
/// it is nearly the same on a busy machine.
fn worked() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    time.tv_sec as f64 * 1e3 + time.tv_nsec as f64 / 1e6
}

/// Milliseconds: the first run, and the median of those after it.
fn timed(mut run: impl FnMut()) -> (f64, f64) {
    let mut all: Vec<f64> = (0..=RUNS)
        .map(|_| {
            let began = Instant::now();
            run();
            began.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    let first = all.remove(0);
    all.sort_by(f64::total_cmp);
    (first, all[RUNS / 2])
}

/// What the page asks for a bed with three probes, beside the sqlite3 shell: the same
/// hours or days by its own aggregates, of the readings and of the quarter hours.
fn times(path: &Path, end: Timestamp) {
    let zone = TimeZone::get(ZONE).unwrap();
    every_sensor(path, end, &zone);
    let probes = ["kitchen-15cm", "kitchen-30cm", "kitchen-soil-temp"];
    let numbers = school::numbers(&Connection::open(path).unwrap());
    let series = probes.map(|probe| numbers[probe].to_string()).join(", ");
    println!("the store asked for a bed's three probes: milliseconds, first, and median of {RUNS} more");
    println!(
        "{:<14} {:>17} {:>21} {:>21} {:>15}",
        "span", "trug", "shell, readings", "shell, quarters", "readings / trug"
    );
    for (name, days, step) in [
        ("day, raw", 1, BinWidth::Raw),
        ("week, hours", 7, BinWidth::Hour),
        ("month, hours", 31, BinWidth::Hour),
        ("year, days", 365, BinWidth::Day),
    ] {
        let from = end - SignedDuration::from_hours(days * 24);
        let ours = timed(|| {
            // As a page that is opened anew: no connection is kept.
            let reader = Reader::open(path).unwrap();
            let count: usize = if step == BinWidth::Raw {
                reader.points_of(SITE, &probes, from, end, 2000).unwrap().iter().map(Vec::len).sum()
            } else {
                reader.bins_of(SITE, &probes, from, end, step, &zone).unwrap().iter().map(Vec::len).sum()
            };
            assert!(count > 0);
        });
        let bin = if step == BinWidth::Day { 86_400_000 } else { 3_600_000 };
        let (from, to) = (from.as_millisecond(), end.as_millisecond());
        let group = format!("GROUP BY series, (at + 34200000) / {bin}");
        let raw = if step == BinWidth::Raw {
            format!(
                "SELECT at, value, flag FROM reading WHERE at >= {from} AND at < {to} AND series IN ({series})"
            )
        } else {
            format!(
                "SELECT series, count(*), sum(value), min(value), max(value) FROM reading
                 WHERE at >= {from} AND at < {to} AND series IN ({series}) {group}"
            )
        };
        let quarters = format!(
            "SELECT series, sum(readings), sum(sum), min(min), max(max) FROM quarter
             WHERE series IN ({series}) AND start >= {from} AND start < {to} {}",
            group.replace("at +", "start +")
        );
        let raw = timed(|| shell(path, &raw));
        let quarters = (step != BinWidth::Raw).then(|| timed(|| shell(path, &quarters)));
        let pair = |(first, median): (f64, f64)| format!("{first:.1} {median:.1}");
        println!(
            "{name:<14} {:>17} {:>21} {:>21} {:>15.1}",
            pair(ours),
            pair(raw),
            quarters.map_or("-".to_owned(), pair),
            raw.1 / ours.1
        );
    }
}

/// What the first visits of the pages of a bed's month and of the sensors read: hours or
/// days of every sensor.
fn every_sensor(path: &Path, end: Timestamp, zone: &TimeZone) {
    let numbers = school::numbers(&Connection::open(path).unwrap());
    let sensors: Vec<&str> = numbers.keys().map(String::as_str).collect();
    for (name, days, step) in
        [("hours of 35 days", 35, BinWidth::Hour), ("days of 31 days", 31, BinWidth::Day)]
    {
        let from = end - SignedDuration::from_hours(days * 24);
        let before = worked();
        let (first, median) = timed(|| {
            let reader = Reader::open(path).unwrap();
            let bins = reader.bins_of(SITE, &sensors, from, end, step, zone).unwrap();
            assert!(bins.iter().any(|bins| !bins.is_empty()));
        });
        let work = (worked() - before) / (RUNS + 1) as f64;
        println!(
            "{name} of all {} sensors: {first:.1} and {median:.1} ms, {work:.1} ms of work",
            sensors.len()
        );
    }
}

fn shell(path: &Path, sql: &str) {
    let ended =
        Command::new("sqlite3").arg("-readonly").arg(path).arg(sql).stdout(Stdio::null()).status().unwrap();
    assert!(ended.success());
}
