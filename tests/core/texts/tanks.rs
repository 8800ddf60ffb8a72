//! What tanks raise.

use trug::alarms::Kind;
use trug::garden::log::{LogEvent, WaterTest};

use super::school::{play, ramp, school};
use super::story::Story;
use crate::support::garden::local;
use crate::support::run::Run;

pub(super) fn tank() -> Run {
    Run::new(
        school()
            .tank("perch-tank", "Perch tank", "fish = 12\n")
            .sensor("perch-water", "water-temperature", "tank = \"perch-tank\"")
            .sensor("perch-oxygen", "dissolved-oxygen", "tank = \"perch-tank\"")
            .sensor("perch-ph", "ph", "tank = \"perch-tank\"")
            .text(),
    )
}

/// A tank whose pump is watched by its power.
fn pumped() -> Run {
    Run::new(
        school()
            .tank("perch-tank", "Perch tank", "fish = 12\npump = { least_w = 10 }\n")
            .sensor("perch-water", "water-temperature", "tank = \"perch-tank\"")
            .sensor("perch-pump", "power", "tank = \"perch-tank\"")
            .text(),
    )
}

const WATER: &str = "perch-water";

pub(super) fn water(run: &mut Run, from: &str, to: &str, value: impl Fn(f64) -> f64) {
    play(run, &[WATER], from, to, |_, hours| value(hours));
}

pub(super) fn tested(run: &mut Run, at: &str, test: WaterTest) {
    run.log("perch-tank", local(at), LogEvent::WaterTest(test));
}

pub(super) fn stories() -> Vec<Story> {
    vec![
        Story::new(Kind::TankTemperatureShock, "perch-tank", "cold water runs in", tank, |run| {
            water(run, "2026-03-10T08:00", "2026-03-10T15:00", |hours| ramp(hours - 5.0, 22.0, 18.0, 0.75));
        })
        .end(|run| water(run, "2026-03-10T15:00", "2026-03-11T20:00", |_| 18.0)),
        Story::new(Kind::TankTooWarm, "perch-tank", "a hot day", tank, |run| {
            water(run, "2026-03-10T06:00", "2026-03-11T16:00", |hours| ramp(hours, 27.0, 33.0, 30.0));
        })
        .then("warmer still", |run| {
            water(run, "2026-03-11T16:00", "2026-03-12T16:00", |hours| ramp(hours, 33.0, 36.0, 24.0))
        })
        .end(|run| water(run, "2026-03-12T16:00", "2026-03-14T16:00", |hours| ramp(hours, 36.0, 26.0, 40.0))),
        Story::new(Kind::TankTooCold, "perch-tank", "a cold night", tank, |run| {
            water(run, "2026-06-10T16:00", "2026-06-12T06:00", |hours| ramp(hours, 10.0, 3.0, 36.0));
        })
        .end(|run| water(run, "2026-06-12T06:00", "2026-06-13T16:00", |hours| ramp(hours, 3.0, 10.0, 30.0))),
        Story::new(Kind::LowOxygen, "perch-tank", "an oxygen sensor reads low", tank, |run| {
            play(run, &[WATER, "perch-oxygen"], "2026-03-10T00:00", "2026-03-10T06:00", |id, hours| {
                if id == WATER { 24.0 } else { ramp(hours, 7.0, 3.0, 5.0) }
            });
        })
        .end(|run| {
            play(run, &[WATER, "perch-oxygen"], "2026-03-10T06:00", "2026-03-10T12:00", |id, hours| {
                if id == WATER { 24.0 } else { ramp(hours, 3.0, 7.5, 2.0) }
            });
        }),
        Story::new(Kind::Ammonia, "perch-tank", "a water test finds ammonia", tank, |run| {
            water(run, "2026-03-10T06:00", "2026-03-10T10:00", |_| 25.0);
            let test = WaterTest { ph: Some(8.2), ammonia_mg_l: Some(2.0), ..WaterTest::default() };
            tested(run, "2026-03-10T10:00", test);
        })
        .end(|run| {
            water(run, "2026-03-10T10:00", "2026-03-11T10:00", |_| 25.0);
            let test = WaterTest {
                ph: Some(7.2),
                ammonia_mg_l: Some(0.05),
                nitrite_mg_l: Some(0.01),
                ..WaterTest::default()
            };
            tested(run, "2026-03-11T10:00", test);
        }),
        Story::new(
            Kind::Nitrite,
            "perch-tank",
            "a water test finds nitrite and little ammonia",
            tank,
            |run| {
                water(run, "2026-03-10T06:00", "2026-03-10T10:00", |_| 25.0);
                let test = WaterTest {
                    ph: Some(7.2),
                    ammonia_mg_l: Some(0.1),
                    nitrite_mg_l: Some(1.5),
                    ..WaterTest::default()
                };
                tested(run, "2026-03-10T10:00", test);
            },
        ),
        Story::new(Kind::Ph, "perch-tank", "pH falls", tank, |run| {
            play(run, &[WATER, "perch-ph"], "2026-03-10T00:00", "2026-03-12T06:00", |id, hours| {
                if id == WATER { 22.0 } else { ramp(hours, 7.0, 5.8, 48.0) }
            });
        })
        .end(|run| {
            play(run, &[WATER, "perch-ph"], "2026-03-12T06:00", "2026-03-14T06:00", |id, hours| {
                if id == WATER { 22.0 } else { ramp(hours, 5.8, 7.0, 24.0) }
            });
        }),
        Story::new(Kind::Ph, "perch-tank", "pH falls below 6", tank, |run| {
            play(run, &[WATER, "perch-ph"], "2026-03-10T00:00", "2026-03-12T06:00", |id, hours| {
                if id == WATER { 22.0 } else { ramp(hours, 7.0, 5.3, 48.0) }
            });
        }),
        Story::new(
            Kind::Nitrite,
            "perch-tank",
            "a water test finds a little too much nitrite",
            tank,
            |run| {
                water(run, "2026-03-10T06:00", "2026-03-10T10:00", |_| 25.0);
                tested(
                    run,
                    "2026-03-10T10:00",
                    WaterTest { nitrite_mg_l: Some(0.4), ..WaterTest::default() },
                );
            },
        ),
        Story::new(Kind::LowOxygen, "perch-tank", "warm water and no oxygen sensor", pumped, |run| {
            water(run, "2026-03-10T06:00", "2026-03-11T04:00", |hours| ramp(hours, 30.0, 34.6, 10.0));
        }),
        Story::new(Kind::Ph, "perch-tank", "pH rises", tank, |run| {
            play(run, &[WATER, "perch-ph"], "2026-03-10T00:00", "2026-03-12T06:00", |id, hours| {
                if id == WATER { 22.0 } else { ramp(hours, 8.0, 9.4, 48.0) }
            });
        }),
        Story::new(Kind::PumpStopped, "perch-tank", "the pump draws no power", pumped, |run| {
            play(run, &[WATER, "perch-pump"], "2026-03-10T06:00", "2026-03-10T12:00", |id, hours| match id {
                WATER => 22.0,
                _ if hours < 5.0 => 24.0,
                _ => 0.0,
            });
        })
        .end(|run| {
            play(run, &[WATER, "perch-pump"], "2026-03-10T12:00", "2026-03-10T14:00", |id, _| {
                if id == WATER { 22.0 } else { 24.0 }
            });
        }),
    ]
}
