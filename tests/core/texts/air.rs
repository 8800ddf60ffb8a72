//! What the air raises.

use std::f64::consts::TAU;

use trug::alarms::Kind;

use super::school::{play, ramp, school};
use super::story::Story;
use crate::support::garden::BED_KEYS;
use crate::support::run::Run;

fn garden() -> Run {
    Run::new(
        school()
            .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
            .probe("kitchen-15cm", "kitchen-bed", 15)
            .sensor("shed-air", "air-temperature", "")
            .text(),
    )
}

fn air(run: &mut Run, from: &str, to: &str, value: impl Fn(f64) -> f64) {
    play(run, &["shed-air"], from, to, |_, hours| value(hours));
}

pub(super) fn stories() -> Vec<Story> {
    vec![
        Story::new(Kind::Frost, "saltbush-gully", "the afternoon before a cold night", garden, |run| {
            air(run, "2026-07-09T00:00", "2026-07-10T00:00", |hours| 9.0 - 4.0 * (hours / 24.0 * TAU).cos());
            air(run, "2026-07-10T00:00", "2026-07-10T16:00", |hours| 7.0 - 5.0 * (hours / 24.0 * TAU).cos());
        }),
        Story::new(Kind::Frost, "saltbush-gully", "a clear winter night", garden, |run| {
            air(run, "2026-07-10T16:00", "2026-07-11T05:00", |hours| ramp(hours, 9.0, -1.0, 12.0));
        })
        .end(|run| air(run, "2026-07-11T05:00", "2026-07-12T15:00", |hours| ramp(hours, -1.0, 14.0, 8.0))),
        Story::new(Kind::Heat, "saltbush-gully", "a hot afternoon", garden, |run| {
            air(run, "2026-01-10T06:00", "2026-01-10T16:00", |hours| ramp(hours, 22.0, 41.0, 8.0));
        })
        .end(|run| air(run, "2026-01-10T16:00", "2026-01-12T04:00", |hours| ramp(hours, 41.0, 20.0, 10.0))),
    ]
}
