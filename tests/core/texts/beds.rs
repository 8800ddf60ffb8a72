//! What beds and their water raise.

use trug::alarms::Kind;
use trug::garden::log::LogEvent;

use super::school::{play, ramp, school};
use super::story::Story;
use crate::support::garden::{BED_KEYS, GardenFile, local};
use crate::support::run::Run;

/// 0.30 - 0.10 over 0.5 m on 10 m2: dry below 0.22; with saturation at 0.50 a tap is
/// told of above 0.36 and waterlogging above 0.40.
fn one_bed() -> GardenFile {
    let bed = format!(
        "{BED_KEYS}saturation = 0.50\nirrigation = {{ litres_per_hour = 240, efficiency = 0.8 }}\n\
         mulch = {{ depth_mm = 100, planned = 2026-03-18 }}\n"
    );
    school().bed("kitchen-bed", "Kitchen bed", &bed).probe("kitchen-15cm", "kitchen-bed", 15).sensor(
        "gauge",
        "rain",
        "calibration = { mm_per_tip = 0.2 }",
    )
}

pub(super) fn run() -> Run {
    Run::new(one_bed().text())
}

/// With a water meter of the bed and one of the whole garden.
fn metered() -> Run {
    Run::new(
        one_bed()
            .sensor("kitchen-meter", "water-flow", "bed = \"kitchen-bed\"")
            .sensor("main-meter", "water-flow", "")
            .text(),
    )
}

pub(super) const PROBE: &str = "kitchen-15cm";
const GAUGE: &str = "gauge";

/// Two beds that a timer waters at six every second day.
fn timed() -> Run {
    let bed = format!("{BED_KEYS}irrigation = {{ litres_per_hour = 240, efficiency = 0.8 }}\n");
    Run::new(
        school()
            .bed("kitchen-bed", "Kitchen bed", &bed)
            .bed("pea-bed", "Pea bed", &bed)
            .probe(PROBE, "kitchen-bed", 15)
            .probe("pea-15cm", "pea-bed", 15)
            .sensor(GAUGE, "rain", "calibration = { mm_per_tip = 0.2 }")
            .with(
                "[[program]]\nname = \"morning drip\"\nbeds = \"all\"\nevery_days = 2\nfrom = 2026-03-02\n\
                 starts = [\"06:00\"]\nminutes = 30\n",
            )
            .text(),
    )
}

/// A bed that gets 60 L a day.
fn over_watered() -> Run {
    Run::new(
        school()
            .bed(
                "kitchen-bed",
                "Kitchen bed",
                "area_m2 = 7.2\nsoil = \"loamy sand\"\ncrop = \"cabbage\"\n\
                 irrigation = { litres_per_hour = 120, efficiency = 0.9 }\n",
            )
            .probe(PROBE, "kitchen-bed", 15)
            .sensor("shed-air", "air-temperature", "")
            .with(
                "[[program]]\nname = \"tap\"\nbeds = [\"kitchen-bed\"]\nevery_days = 1\nfrom = 2026-03-25\n\
                 starts = [\"06:00\"]\nminutes = 30\n",
            )
            .text(),
    )
}

/// From 2 March on: what probes show where the timer runs at six every second day, but
/// for the runs from `fails` up to `mended`, in days.
fn watered_by_the_timer(hours: f64, fails: f64, mended: f64) -> f64 {
    (0..10)
        .map(|n| f64::from(2 * n))
        .filter(|day| !(fails..mended).contains(day))
        .fold(0.27 - 0.012 * hours / 24.0, |value, day| {
            value + 0.024 * ((hours - 24.0 * day - 6.0) / 0.75).clamp(0.0, 1.0)
        })
}

fn soak(id: &str, hours: f64) -> f64 {
    if id == PROBE { 0.25 + 0.17 * ((hours - 36.0) / 3.0).clamp(0.0, 1.0) } else { 0.0 }
}

/// Noon rains of 40 mm that a dry bed does not feel.
fn shed(id: &str, hours: f64) -> f64 {
    let (day, of_day) = ((hours / 24.0) as i64, hours % 24.0);
    match id {
        GAUGE if day % 3 == 1 && (12.0..14.0).contains(&of_day) => 25.0,
        PROBE => 0.15,
        _ => 0.0,
    }
}

pub(super) fn stories() -> Vec<Story> {
    vec![
        Story::new(Kind::DryBed, "kitchen-bed", "a bed dries past what its plants can use", run, |run| {
            play(run, &[PROBE, GAUGE], "2026-03-10T09:00", "2026-03-10T14:00", |id, hours| {
                if id == PROBE { ramp(hours, 0.21, 0.20, 5.0) } else { 0.0 }
            });
        })
        .then("the next morning", |run| {
            play(run, &[PROBE, GAUGE], "2026-03-10T14:00", "2026-03-11T07:00", |id, hours| {
                if id == PROBE { ramp(hours, 0.20, 0.18, 17.0) } else { 0.0 }
            });
        })
        .then("nearly moist again", |run| {
            play(run, &[PROBE, GAUGE], "2026-03-11T07:00", "2026-03-12T07:00", |id, hours| {
                if id == PROBE { ramp(hours, 0.18, 0.224, 1.0) } else { 0.0 }
            });
        })
        .end(|run| {
            play(run, &[PROBE, GAUGE], "2026-03-12T07:00", "2026-03-12T18:00", |id, hours| {
                if id == PROBE { ramp(hours, 0.224, 0.28, 1.0) } else { 0.0 }
            });
        }),
        Story::new(
            Kind::MulchOnDrySoil,
            "kitchen-bed",
            "a mulch day comes and the soil is not moist",
            run,
            |run| {
                play(run, &[PROBE], "2026-03-15T00:00", "2026-03-15T06:00", |_, _| 0.24);
            },
        )
        .then("on the day, and very dry", |run| {
            play(run, &[PROBE], "2026-03-15T06:00", "2026-03-18T09:00", |_, hours| {
                ramp(hours, 0.24, 0.13, 60.0)
            });
        })
        .end(|run| {
            play(run, &[PROBE], "2026-03-18T09:00", "2026-03-18T18:00", |_, hours| {
                ramp(hours, 0.13, 0.29, 1.0)
            });
        }),
        Story::new(
            Kind::WateringHours,
            "kitchen-bed",
            "the bed's own meter counts water at noon for half an hour",
            metered,
            |run| {
                play(run, &[PROBE, "kitchen-meter"], "2026-03-10T08:00", "2026-03-10T14:00", |id, hours| {
                    match id {
                        PROBE => 0.25 + 0.03 * ((hours - 4.0) / 2.0).clamp(0.0, 1.0),
                        _ if (4.0..4.5).contains(&hours) => 30.0,
                        _ => 0.0,
                    }
                });
            },
        )
        .end(|run| {
            play(run, &[PROBE, "kitchen-meter"], "2026-03-10T14:00", "2026-03-11T08:00", |id, _| {
                if id == PROBE { 0.28 } else { 0.0 }
            });
        }),
        Story::new(
            Kind::WateringHours,
            "kitchen-bed",
            "a probe shows water at noon and it has not rained",
            run,
            |run| {
                // Rain of 12 mm that gauge and bed feel, so that the gauge is believed.
                play(run, &[PROBE, GAUGE], "2026-03-04T08:00", "2026-03-10T18:00", |id, hours| match id {
                    GAUGE if (10.0..11.0).contains(&hours) => 15.0,
                    GAUGE => 0.0,
                    _ => {
                        0.22 + 0.024 * ((hours - 10.0) / 2.0).clamp(0.0, 1.0) - 0.0001 * hours
                            + 0.05 * ((hours - 148.0) / 0.75).clamp(0.0, 1.0)
                    }
                });
            },
        ),
        Story::new(
            Kind::WateringMissed,
            "kitchen-bed",
            "the timer's run does not reach its beds",
            timed,
            |run| {
                play(
                    run,
                    &[PROBE, "pea-15cm", GAUGE],
                    "2026-03-02T00:00",
                    "2026-03-12T14:00",
                    |id, hours| {
                        if id == GAUGE { 0.0 } else { watered_by_the_timer(hours, 10.0, 12.0) }
                    },
                );
            },
        )
        .end(|run| {
            play(run, &[PROBE, "pea-15cm", GAUGE], "2026-03-12T14:00", "2026-03-15T00:00", |id, hours| {
                if id == GAUGE { 0.0 } else { watered_by_the_timer(hours + 254.0, 10.0, 12.0) }
            });
        }),
        Story::new(
            Kind::WaterLeftOn,
            "kitchen-bed",
            "soil stays wetter than it drains without rain",
            run,
            |run| {
                play(run, &[PROBE, GAUGE], "2026-03-10T00:00", "2026-03-12T10:00", soak);
            },
        )
        .end(|run| {
            play(run, &[PROBE, GAUGE], "2026-03-12T10:00", "2026-03-13T10:00", |id, hours| {
                if id == PROBE { 0.30 + 0.12 * (-hours / 8.0).exp() } else { 0.0 }
            });
        }),
        Story::new(
            Kind::WaterLeftOn,
            "kitchen-bed",
            "a bed's meter counts more than the bed can hold",
            metered,
            |run| {
                play(run, &["kitchen-meter"], "2026-03-10T18:00", "2026-03-10T23:00", |_, hours| {
                    if hours > 0.0 { 100.0 } else { 0.0 }
                });
            },
        )
        .end(|run| play(run, &["kitchen-meter"], "2026-03-10T23:00", "2026-03-11T01:30", |_, _| 0.0)),
        Story::new(
            Kind::WaterLeftOn,
            "kitchen-bed",
            "a bed's meter runs outside the allowed hours",
            metered,
            |run| {
                play(run, &["kitchen-meter"], "2026-03-10T14:00", "2026-03-10T16:15", |_, hours| {
                    if hours > 1.0 { 30.0 } else { 0.0 }
                });
            },
        )
        .end(|run| play(run, &["kitchen-meter"], "2026-03-10T16:15", "2026-03-10T18:30", |_, _| 0.0)),
        Story::new(
            Kind::WaterLeftOn,
            "main-meter",
            "water dribbles through the garden's meter all night",
            metered,
            |run| {
                play(run, &["main-meter"], "2026-03-10T18:00", "2026-03-11T08:00", |_, _| 2.0);
            },
        )
        .end(|run| play(run, &["main-meter"], "2026-03-11T08:00", "2026-03-11T12:00", |_, _| 0.0)),
        Story::new(
            Kind::WaterRepellentSoil,
            "kitchen-bed",
            "three rains that a dry bed does not feel",
            run,
            |run| {
                play(run, &[PROBE, GAUGE], "2026-03-01T00:00", "2026-03-10T12:00", shed);
            },
        )
        .end(|run| {
            run.log("kitchen-bed", local("2026-03-10T12:10"), LogEvent::WettingAgent);
            run.log("kitchen-bed", local("2026-03-10T15:00"), LogEvent::WaterDrop { seconds: 3.0 });
        }),
        Story::new(
            Kind::Waterlogged,
            "kitchen-bed",
            "soil has not drained two days after rain",
            run,
            |run| {
                play(run, &[PROBE, GAUGE], "2026-03-10T00:00", "2026-03-13T09:00", |id, hours| match id {
                    GAUGE if (36.0..39.0).contains(&hours) => 20.0,
                    PROBE if hours > 39.0 => 0.45,
                    _ => soak(id, hours),
                });
                play(run, &[PROBE, GAUGE], "2026-03-13T09:00", "2026-03-14T12:00", |id, hours| {
                    if id == PROBE { 0.45 - 0.0018 * hours } else { 0.0 }
                });
            },
        )
        .end(|run| {
            play(run, &[PROBE, GAUGE], "2026-03-14T12:00", "2026-03-15T12:00", |id, hours| {
                if id == PROBE { ramp(hours, 0.40, 0.32, 12.0) } else { 0.0 }
            });
        }),
        Story::new(
            Kind::WateredTooMuch,
            "kitchen-bed",
            "a timer gives more each day than the bed uses",
            over_watered,
            |run| {
                play(
                    run,
                    &[PROBE, "shed-air"],
                    "2026-04-01T00:00",
                    "2026-04-14T00:00",
                    |id, hours| match id {
                        PROBE => 0.145 + 0.02 * 0.5_f64.powf((hours - 6.5).rem_euclid(24.0) / 5.0),
                        _ => 19.0 - 7.0 * ((hours - 3.0) / 24.0 * std::f64::consts::TAU).cos(),
                    },
                );
            },
        ),
    ]
}
