//! How well the outlook does on records that somebody gives: `tests/outlook`.
//!
//! `OUTLOOK_RECORDS` names CSV files, separated by colons. The first line of
//! each names its columns: the first column is the time (ISO 8601 with an
//! offset), the second the water content in m³/m³, a third, if there is one, the
//! rain in mm since the line before. `OUTLOOK_LATITUDE` is the place's, degrees
//! north (0): of it the season is made.

use std::path::Path;

use crate::support::outlook_score::{Heard, Record, Score};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use trug::evapotranspiration::extraterrestrial_mj_m2;
use trug::outlook::DryingLimits;
use trug::watering::WettingWatch;

/// Rain within a forecast that a probe does not feel, mm.
const RAIN_MM: f64 = 1.0;
/// A rise between two readings a day apart that shows water where no rain is
/// measured, m³/m³.
const RISE: f64 = 0.02;

struct Line {
    at: Timestamp,
    theta: Option<f64>,
    rain_mm: f64,
}

fn read(path: &Path) -> Vec<Line> {
    let mut reader = csv::Reader::from_path(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut lines: Vec<Line> = reader
        .records()
        .map(|row| {
            let row = row.expect("a line of CSV");
            let cell = |i: usize| row.get(i).unwrap_or_default().trim();
            let at = cell(0).parse().unwrap_or_else(|e| panic!("{}: {:?}: {e}", path.display(), cell(0)));
            Line { at, theta: cell(1).parse().ok(), rain_mm: cell(2).parse().unwrap_or(0.0) }
        })
        .collect();
    lines.sort_by_key(|line| line.at);
    lines
}

fn heard(lines: &[Line]) -> Vec<(Timestamp, Heard)> {
    let mut watch = WettingWatch::default();
    let mut heard = Vec::new();
    for line in lines {
        if line.rain_mm > 0.0 {
            heard.push((line.at, Heard::Rain));
        }
        if let Some(theta) = line.theta {
            heard.push((line.at, Heard::Water(theta)));
            heard.extend(watch.push(line.at, theta).map(|w| (line.at, Heard::Wetting(w.onset))));
        }
    }
    heard
}

/// No rain to speak of and no rise.
fn dry(lines: &[Line], from: Timestamp, to: Timestamp) -> bool {
    let start = lines.partition_point(|line| line.at < from);
    let end = lines.partition_point(|line| line.at <= to);
    let part = &lines[start..end];
    let mut lowest = f64::INFINITY;
    let rises = part.iter().filter_map(|line| line.theta).any(|theta| {
        lowest = lowest.min(theta);
        theta > lowest + RISE
    });
    part.iter().map(|line| line.rain_mm).sum::<f64>() <= RAIN_MM && !rises
}

#[test]
#[ignore = "needs records: tests/outlook FILE.csv..."]
fn records_that_are_given_are_scored() {
    let files = std::env::var("OUTLOOK_RECORDS").expect("OUTLOOK_RECORDS names files");
    let latitude_deg: f64 =
        std::env::var("OUTLOOK_LATITUDE").map_or(0.0, |text| text.parse().expect("degrees north"));
    let sun = |at: Timestamp| {
        let day = TimeZone::UTC.to_datetime(at).day_of_year().unsigned_abs();
        extraterrestrial_mj_m2(latitude_deg, day).expect("a latitude and a day of the year")
    };
    for path in std::env::split_paths(&files) {
        let lines = read(&path);
        assert!(!lines.is_empty(), "{} holds no line", path.display());
        let mut score = Score::default();
        score.add(&Record {
            heard: heard(&lines),
            sun: &sun,
            dry: &|from, to| dry(&lines, from, to),
            limits: DryingLimits::default(),
        });
        println!("{} ({} lines):\n{score}", path.display(), lines.len());
    }
}
