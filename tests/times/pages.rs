//! Times and weights of the page over HTTP.

use std::io::{Read, Write};
use std::sync::Arc;
use std::time::Instant;

use jiff::{SignedDuration, Timestamp};
use trug::engine::Engine;
use trug::garden::Clock;
use trug::page::RecordReader;
use trug::settings::Settings;
use trug::store::Reader;

use super::http::Served;
use super::school::SITE;
use super::views::Fixed;
use super::{RUNS, timed, worked};

/// Serves the page over a store and asks for what people look at most.
pub(crate) fn pages(settings: &Settings) {
    let began = Instant::now();
    let keeper = Engine::open(settings, Clock::Readings).unwrap();
    let view = keeper.router.core.view(SITE).unwrap();
    drop(keeper);
    println!("the garden rebuilt, as after a restart, in {:.1} s", began.elapsed().as_secs_f64());
    let now = view.now;
    let gardens: Vec<_> = settings.gardens.iter().cloned().map(Arc::new).collect();
    let record = RecordReader::new(Reader::open(&settings.store.path).unwrap(), gardens.into());
    let served = Served::over(Fixed { now, ..Fixed::of(vec![view]) }, record, None);

    let assets = assets(&served);
    println!(
        "the page over HTTP: milliseconds to the last byte, first, and median of {RUNS} more; kB as it is,"
    );
    println!("packed as browsers ask for it, and so with style and scripts ({:.1} kB)", assets as f64 / 1e3);
    println!("and milliseconds of work of the first visit, on all processors (server and caller)");
    println!(
        "{:<58} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8}",
        "address", "first", "median", "work", "kB", "packed", "in all"
    );
    let mut paths = Vec::new();
    for place in ["bed/kitchen-bed", "tank/perch-tank", "rain"] {
        for span in ["day", "week", "month", "year"] {
            paths.push(format!("/site/{SITE}/{place}?span={span}"));
        }
    }
    // A month of long ago, and the list of the months of a year that is over.
    let date = |at: Timestamp| at.to_string()[..10].to_owned();
    let long_ago = date(now - SignedDuration::from_hours(300 * 24));
    paths.push(format!("/site/{SITE}/bed/kitchen-bed?span=month&to={long_ago}"));
    paths.push(format!("/site/{SITE}"));
    paths.push(format!("/site/{SITE}/sensors"));
    paths.push(format!("/site/{SITE}/month"));
    paths.push(format!("/site/{SITE}/month?year={}", &long_ago[..4]));
    let from = date(now - SignedDuration::from_hours(31 * 24));
    paths.push(format!("/api/v1/sites/{SITE}/sensors/kitchen-15cm/readings?step=hour&from={from}"));
    for path in paths {
        let mut bytes = 0;
        let (before, mut work) = (worked(), None);
        let (first, median) = timed(|| {
            let answer = served.get(&path);
            assert_eq!(answer.status, 200, "{path}: {}", answer.body);
            bytes = answer.body.len();
            work.get_or_insert_with(|| worked() - before);
        });
        let work = work.unwrap();
        let packed = packed(&served, &path);
        let all = if path.starts_with("/api") { packed } else { packed + assets };
        let shown = path.replace(&format!("/site/{SITE}"), "").replace(&format!("/{SITE}"), "");
        let kb = |bytes: usize| bytes as f64 / 1e3;
        let (own, packed, all) = (kb(bytes), kb(packed), kb(all));
        println!("{shown:<58} {first:>8.1} {median:>8.1} {work:>8.1} {own:>8.1} {packed:>8.1} {all:>8.1}");
    }
}

/// Bytes of an answer's body to a caller that takes it packed.
fn packed(served: &Served, path: &str) -> usize {
    let mut stream = served.connect();
    let head = "Host: localhost\r\nAccept-Encoding: gzip\r\nConnection: close";
    write!(stream, "GET {path} HTTP/1.1\r\n{head}\r\n\r\n").unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    answer.len() - answer.windows(4).position(|four| four == b"\r\n\r\n").unwrap() - 4
}

/// Bytes of what a page loads besides itself, packed where the server packs it.
fn assets(served: &Served) -> usize {
    let page = served.get(&format!("/site/{SITE}")).body;
    let mut bytes = 0;
    for attribute in ["href=\"/style.css", "src=\"/script.js"] {
        let at = page.find(attribute).unwrap_or_else(|| panic!("no {attribute} in the page"));
        let address = page[at..].split('"').nth(1).unwrap();
        assert_eq!(served.get(address).status, 200, "{address}");
        bytes += packed(served, address);
    }
    bytes + packed(served, "/offline.js")
}
