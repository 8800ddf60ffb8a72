//! Pages and interface over a record whose old single readings have gone into their days'
//! figures, and a real time-series server that has them still: everything is shown as before.

use std::net::TcpListener;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::support::forwarding::{Forwarding, NAME};
use crate::support::garden::only;
use crate::support::http::{Answer, Served};
use crate::support::influx::Influx;
use crate::support::month::{self, at};
use crate::support::plain_words::{assert_plain, words_of_page};
use crate::support::victoria::Victoria;
use crate::support::views::{Fixed, unknown};
use reqwest::Url;
use tokio::runtime::Runtime;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;
use trug::deliver::forward::{self, Auth};
use trug::deliver::read_back::{ReadBack, ReadBackTarget};
use trug::garden::plan::Garden;
use trug::garden::record::{Batch, Reading};
use trug::page::{OlderRecord, RecordReader};
use trug::quality::Flag;
use trug::store::{Reader, Store, ThinProgress, Transaction};

/// The end of the record.
const NOW: &str = "2026-04-30T03:00:00Z";
const SAID: &str = "Only daily figures are kept from before 10 April 2026.";
const FROM_LONGER_RECORD: &str = "Readings of before 10 April 2026 come from the longer record.";

/// Pages of days of which only daily figures are left in the own store.
const PAGES: [&str; 9] = [
    "bed/kitchen-bed?span=day&to=2026-04-05",
    "bed/kitchen-bed?span=week&to=2026-04-05",
    "bed/kitchen-bed?span=week&to=2026-04-12",
    "bed/kitchen-bed?span=month&to=2026-04-29",
    "tank/perch-tank?span=week&to=2026-04-05",
    "tank/perch-tank?span=day&to=2026-03-20",
    "rain?span=day&to=2026-03-20",
    "rain?span=week&to=2026-04-12",
    "rain?span=month&to=2026-04-05",
];

/// What is made of a month and of a term.
const MONTHS: [&str; 4] = [
    "month/2026-03",
    "month/2026-03/worksheet",
    "month/2026-03/daily.csv",
    "month/term?from=2026-03-20&to=2026-04-20",
];

/// Two months of readings each hour, some of them doubtful, bad or without a value.
fn readings(garden: &Garden) -> Vec<Reading> {
    let all = month::hourly(garden, at("2026-03-01T13:30:00Z"), at(NOW));
    let flagged = |(n, it): (usize, Reading)| match n % 97 {
        13 => Reading { value: None, flag: Flag::Missing, ..it },
        14 => Reading { flag: Flag::Suspect, ..it },
        15 => Reading { flag: Flag::Fail, late: true, ..it },
        _ => it,
    };
    all.into_iter().enumerate().map(flagged).collect()
}

/// Stores readings and brings each of them to a server, as the daemon does.
async fn stored_and_forwarded(path: &Path, garden: &Garden, url: Url) {
    let mut store = Store::open(path, std::slice::from_ref(garden)).unwrap();
    store.set_forwarders(&[NAME]).unwrap();
    let batch = Batch { readings: readings(garden), ..Batch::default() };
    let committed = store.commit(&Transaction { forward: true, ..only(&batch) }).unwrap();
    let last = committed.last_forward.unwrap();
    let reader = Reader::open(path).unwrap();
    let (progress, mut positions) = mpsc::channel(4);
    let (_wake, woken) = watch::channel(last);
    let stop = CancellationToken::new();
    let target = Forwarding::target(url, 5000);
    let running = tokio::spawn(forward::run(target, reader, progress, woken, Arc::default(), stop.clone()));
    loop {
        let position = positions.recv().await.expect("the forwarder goes on");
        let (done, empty) = (position.position >= last, Batch::default());
        assert!(position.refused.is_empty(), "{:?}", position.refused);
        store.commit(&Transaction { forwarded: &[position], ..only(&empty) }).unwrap();
        if done {
            break;
        }
    }
    stop.cancel();
    running.await.unwrap().unwrap();
}

fn thin(path: &Path, garden: &Garden) {
    let gardens = std::slice::from_ref(garden);
    let mut store = Store::open(path, gardens).unwrap();
    store.set_keep_readings(Some(20), gardens);
    let mut gone = 0;
    while let ThinProgress::More { readings } = store.thin_now(at(NOW)).unwrap() {
        gone += readings;
    }
    assert!(gone > 5000, "{gone}");
}

fn served(path: &Path, garden: &Garden, older: Option<&Url>) -> Served {
    let mut view = unknown();
    view.now = at(NOW);
    let views = Fixed { now: at(NOW), ..Fixed::of(vec![view]) };
    let record = RecordReader::new(Reader::open(path).unwrap(), vec![Arc::new(garden.clone())].into());
    let older = older.map(|url| {
        let target = ReadBackTarget { url: url.clone(), auth: Auth::None };
        OlderRecord::new(ReadBack::new(target).unwrap())
    });
    Served::over(views, record.with_older(older), None)
}

fn page(served: &Served, path: &str) -> Answer {
    for _ in 0..240 {
        let answer = served.get(&format!("/site/saltbush-gully/{path}"));
        if answer.status != 503 {
            assert_eq!(answer.status, 200, "{path}: {}", answer.body);
            return answer;
        }
        std::thread::sleep(Duration::from_millis(250));
    }
    panic!("{path} is never made");
}

fn main_of(answer: &Answer) -> String {
    let body = answer.body.split_once("<main").map_or(answer.body.as_str(), |(_, main)| main);
    body.split_once("</main>").map_or(body, |(main, _)| main).to_owned()
}

/// A garden whose readings of before are at a server and not in its store, and what its pages
/// and files were while they were there.
struct Thinned {
    folder: tempfile::TempDir,
    garden: Garden,
    before: Vec<String>,
    months: Vec<String>,
    csv: Vec<String>,
}

/// Readings and hours of two months of some sensors.
fn csv(served: &Served) -> Vec<String> {
    let asked = ["raw", "hour"].into_iter().flat_map(|step| {
        ["kitchen-15cm", "yard-gauge", "perch-water-temp"].map(|sensor| {
            format!(
                "/api/v1/sites/saltbush-gully/sensors/{sensor}/readings.csv?step={step}&from=2026-03-05&to=2026-04-20"
            )
        })
    });
    let answers = asked.map(|path| {
        let answer = served.get(&path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.body);
        assert_eq!(answer.header("single-readings-from"), None, "{path}");
        // Without what tells the chunks of the answer apart.
        let rows: Vec<&str> = answer.body.lines().filter(|row| row.contains(',')).collect();
        rows.join("\n")
    });
    answers.collect()
}

/// A file's rows, without what only the own store knows of a reading.
fn known_elsewhere(csv: &str) -> Vec<String> {
    let own = |row: &str| {
        row.strip_suffix(",no,device").or_else(|| row.strip_suffix(",yes,device")).map(str::to_owned)
    };
    csv.lines().map(|row| own(row).unwrap_or_else(|| row.trim_end_matches(",,").to_owned())).collect()
}

impl Thinned {
    fn new(runtime: &Runtime, write: Url) -> Self {
        let (folder, garden) = (tempfile::tempdir().unwrap(), month::garden());
        let path = folder.path().join("trug.db");
        runtime.block_on(stored_and_forwarded(&path, &garden, write));
        let whole = served(&path, &garden, None);
        let before = PAGES.map(|path| main_of(&page(&whole, path))).to_vec();
        let months = MONTHS.map(|path| main_of(&page(&whole, path))).to_vec();
        let csv = csv(&whole);
        drop(whole);
        thin(&path, &garden);
        Self { folder, garden, before, months, csv }
    }

    fn served(&self, older: Option<&Url>) -> Served {
        served(&self.folder.path().join("trug.db"), &self.garden, older)
    }

    /// Every page says what it said before, and whose readings it shows.
    fn assert_as_before(&self, served: &Served) {
        for (path, before) in PAGES.iter().zip(&self.before) {
            let began = Instant::now();
            let answer = page(served, path);
            println!("{path}: {:?}", began.elapsed());
            let now = main_of(&answer);
            let said = format!("<p class=\"from-longer-record\">{FROM_LONGER_RECORD}</p>");
            assert!(now.contains(&said) && !now.contains(SAID), "{path}: {now}");
            assert_eq!(now.replace(&said, ""), *before, "{path}");
            let words =
                words_of_page(&answer.body).replace("Nothing has been heard from its sensors yet.", "");
            assert_plain(&words);
        }
    }
}

/// Numbers that VictoriaMetrics rounds to twelve digits; all else is the same.
fn assert_alike(now: &str, before: &str) {
    assert_eq!(now.split(',').count(), before.split(',').count(), "{now}");
    for (now, before) in now.split(',').zip(before.split(',')) {
        match (now.parse::<f64>(), before.parse::<f64>()) {
            (Ok(now), Ok(before)) => {
                assert!((now - before).abs() <= 1e-10 * before.abs().max(1e-3), "{now} {before}")
            }
            _ => assert_eq!(now, before),
        }
    }
}

#[test]
fn readings_and_class_months_that_were_thinned_are_made_as_before() {
    let runtime = Runtime::new().unwrap();
    let (influx, victoria) = (runtime.block_on(Influx::start(0)), Victoria::start());
    let thinned = Thinned::new(&runtime, influx.write_url());
    let served = thinned.served(Some(&influx.query_url()));
    for (now, before) in csv(&served).iter().zip(&thinned.csv) {
        assert!(before.lines().count() > 1000, "{before}");
        assert_eq!(known_elsewhere(now), known_elsewhere(before));
    }
    for (path, before) in MONTHS.iter().zip(&thinned.months) {
        let began = Instant::now();
        let answer = page(&served, path);
        println!("{path}: {:?}", began.elapsed());
        let said = format!("<p class=\"from-longer-record\">{FROM_LONGER_RECORD}</p>");
        let now = main_of(&answer);
        assert_eq!(now.contains(&said), !path.ends_with(".csv"), "{path}: {now}");
        assert!(now.replace(&said, "") == *before, "{path}: {now}\n\n{before}");
    }
    // Page by page as a program reads it.
    let path =
        "/api/v1/sites/saltbush-gully/sensors/kitchen-15cm/readings?limit=500&from=2026-03-05&to=2026-04-20";
    let (mut next, mut times) = (Some(path.to_owned()), Vec::new());
    while let Some(path) = next {
        let answer: serde_json::Value = serde_json::from_str(&served.get(&path).body).unwrap();
        assert!(answer.get("single_readings_from").is_none(), "{answer}");
        for reading in answer["readings"].as_array().unwrap() {
            let at = reading["at"].as_str().unwrap().to_owned();
            assert_eq!(reading["late"].is_null(), at.as_str() < "2026-04-09T14:30:00Z", "{reading}");
            times.push(at);
        }
        next = answer["next"].as_str().map(str::to_owned);
    }
    let expected: Vec<&str> =
        thinned.csv[0].lines().skip(1).map(|row| row.split_once(',').unwrap().0).collect();
    assert_eq!(times, expected);
    drop(served);
    // The same readings in the other engine.
    let again = Thinned::new(&runtime, victoria.write_url());
    runtime.block_on(victoria.flush());
    let served = again.served(Some(&victoria.export_url()));
    for (now, before) in csv(&served).iter().zip(&again.csv) {
        for (now, before) in known_elsewhere(now).iter().zip(known_elsewhere(before)) {
            assert_alike(now, &before);
        }
    }
    // What the engine has lost in part is made by days, and said.
    runtime.block_on(influx.query(
        "DELETE FROM garden_reading WHERE time >= '2026-03-11T00:00:00Z' AND time < '2026-03-12T00:00:00Z'",
    ));
    let served = thinned.served(Some(&influx.query_url()));
    let month = page(&served, "month/2026-03");
    let words = words_of_page(&month.body);
    assert!(
        words.contains(SAID) && words.contains("readings of that time, which is too few for more."),
        "{words}"
    );
    assert_plain(&words);
    assert_eq!(served.get("/site/saltbush-gully/month/2026-03/worksheet").status, 410);
}

#[test]
fn months_that_were_thinned_look_as_before_by_influxdb() {
    let runtime = Runtime::new().unwrap();
    let influx = runtime.block_on(Influx::start(0));
    let thinned = Thinned::new(&runtime, influx.write_url());
    let url = influx.query_url();
    let served = thinned.served(Some(&url));
    thinned.assert_as_before(&served);
    // A year needs none of it but for the rain.
    assert!(!page(&served, "bed/kitchen-bed?span=year").body.contains("longer record"));
    assert!(page(&served, "rain?span=year").body.contains(FROM_LONGER_RECORD));
    drop(served);
    // What the server lacks is said, and the rest is drawn.
    runtime.block_on(influx.query(
        "DELETE FROM garden_reading WHERE \"sensor\" = 'kitchen-15cm' AND time >= '2026-04-01T00:00:00Z' \
         AND time < '2026-04-01T05:00:00Z'",
    ));
    let served = thinned.served(Some(&url));
    let week = page(&served, "bed/kitchen-bed?span=week&to=2026-04-05");
    assert!(week.body.contains(SAID) && week.body.contains("<svg"), "{}", week.body);
    let words = words_of_page(&week.body);
    assert!(words.contains("readings of those days. The chart shows these."), "{words}");
    assert!(words.contains("Single waterings are not known of days"), "{words}");
    assert_plain(&words.replace("Nothing has been heard from its sensors yet.", ""));
    // One that has lost all of it.
    runtime.block_on(influx.query("DROP MEASUREMENT garden_reading"));
    let served = thinned.served(Some(&url));
    let week = page(&served, "tank/perch-tank?span=week&to=2026-04-05");
    assert!(week.body.contains("The longer record has no reading of those days."), "{}", week.body);
    // One that knows nothing of the database refuses.
    let wrong = Url::parse(&url.as_str().replace("db=garden", "db=other")).unwrap();
    let served = thinned.served(Some(&wrong));
    let week = page(&served, "tank/perch-tank?span=week&to=2026-04-05");
    assert!(week.body.contains("The longer record did not give the single readings."), "{}", week.body);
}

#[test]
fn months_that_were_thinned_look_as_before_by_victoria_metrics() {
    let runtime = Runtime::new().unwrap();
    let victoria = Victoria::start();
    let thinned = Thinned::new(&runtime, victoria.write_url());
    runtime.block_on(victoria.flush());
    let served = thinned.served(Some(&victoria.export_url()));
    thinned.assert_as_before(&served);
}

#[test]
fn without_an_answer_the_page_says_so_in_time() {
    let runtime = Runtime::new().unwrap();
    let mut influx = runtime.block_on(Influx::start(0));
    let thinned = Thinned::new(&runtime, influx.write_url());
    let url = influx.query_url();
    influx.kill();
    // One that takes connections and says nothing holds a page longest.
    let mute = TcpListener::bind("127.0.0.1:0").unwrap();
    let mute = Url::parse(&format!("http://{}/query?db=garden", mute.local_addr().unwrap())).unwrap();
    for url in [url.clone(), mute.clone()] {
        let served = thinned.served(Some(&url));
        let pages = if url == mute { &PAGES[..2] } else { &PAGES[..] };
        for (n, path) in pages.iter().enumerate() {
            let began = Instant::now();
            let answer = page(&served, path);
            let took = began.elapsed();
            println!("{path}: {took:?}");
            assert!(took < Duration::from_secs(3), "{path}: {took:?}");
            // Nobody waits again at once.
            assert!(n == 0 || took < Duration::from_millis(1900), "{path}: {took:?}");
            let words = words_of_page(&answer.body);
            assert!(words.contains(SAID), "{path}: {words}");
            assert!(words.contains("The longer record did not answer in time."), "{path}: {words}");
            assert_plain(&words.replace("Nothing has been heard from its sensors yet.", ""));
        }
        // What the own store has is there as ever.
        let year = page(&served, "bed/kitchen-bed?span=year");
        assert!(year.body.contains("<svg") && !year.body.contains("did not answer"), "{}", year.body);
    }
    // It is asked again once it is there.
    let served = thinned.served(Some(&url));
    influx.restart();
    thinned.assert_as_before(&served);
}
