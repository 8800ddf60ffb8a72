//! Times and weights of the page over HTTP.

use std::sync::Arc;
use std::time::Instant;

use jiff::{SignedDuration, Timestamp};
use trug::commands::daemon::Keeper;
use trug::garden::Clock;
use trug::page::Record;
use trug::settings::Settings;
use trug::store::Reader;

use super::http::Served;
use super::school::SITE;
use super::views::Fixed;
use super::{RUNS, timed};

/// Serves the page over a store and asks for what people look at most.
pub(crate) fn pages(settings: &Settings) {
    let began = Instant::now();
    let keeper = Keeper::open(settings, Clock::Readings).unwrap();
    let view = keeper.desk.core.view(SITE).unwrap();
    drop(keeper);
    println!("the garden rebuilt, as after a restart, in {:.1} s", began.elapsed().as_secs_f64());
    let now = view.now;
    let gardens: Vec<_> = settings.gardens.iter().cloned().map(Arc::new).collect();
    let record = Record::new(Reader::open(&settings.store.path).unwrap(), gardens.into());
    let served = Served::over(Fixed { now, ..Fixed::of(vec![view]) }, record, None);

    let assets = assets(&served);
    println!("the page over HTTP: milliseconds to the last byte, first, and median of {RUNS} more; kB with");
    println!("its style and scripts of {:.1} kB", assets as f64 / 1e3);
    println!("{:<58} {:>8} {:>8} {:>8} {:>8}", "address", "first", "median", "kB", "in all");
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
        let (first, median) = timed(|| {
            let answer = served.get(&path);
            assert_eq!(answer.status, 200, "{path}: {}", answer.body);
            bytes = answer.body.len();
        });
        let all = if path.starts_with("/api") { bytes } else { bytes + assets };
        let shown = path.replace(&format!("/site/{SITE}"), "");
        let (own, all) = (bytes as f64 / 1e3, all as f64 / 1e3);
        println!("{shown:<58} {first:>8.1} {median:>8.1} {own:>8.1} {all:>8.1}");
    }
}

/// Bytes of what a page loads besides itself.
fn assets(served: &Served) -> usize {
    let page = served.get(&format!("/site/{SITE}")).body;
    let mut bytes = 0;
    for attribute in ["href=\"/style.css", "src=\"/script.js"] {
        let at = page.find(attribute).unwrap_or_else(|| panic!("no {attribute} in the page"));
        let address = page[at..].split('"').nth(1).unwrap();
        let answer = served.get(address);
        assert_eq!(answer.status, 200, "{address}");
        bytes += answer.body.len();
    }
    bytes + served.get("/offline.js").body.len()
}
