//! What this project computes, for comparing it with libraries of other people:
//! one question in JSON on each line of the standard input, one answer in JSON
//! on each line of the standard output.
//!
//! `compare.py` beside this file asks the questions.

#![allow(clippy::unwrap_used, reason = "a question that cannot be read stops the comparison")]

mod months;

use std::io::{BufRead as _, Write as _};

use jiff::Timestamp;
use serde_json::{Value as Json, json};
use trug::calibration::fit::fit;
use trug::calibration::one_wire::crc8;
use trug::calibration::{Calibration, Platinum};
use trug::evapotranspiration::{DayTemperatures, Humidity, Weather, hargreaves, penman_monteith};
use trug::quality::{Flag, Flat, Limits, Rate, Spike, SpikeMethod, Test, Watch, aggregate};
use trug::tank::{saturation_mg_l, slope};

fn main() {
    let mut out = std::io::stdout().lock();
    for line in std::io::stdin().lock().lines() {
        let question: Json = serde_json::from_str(&line.unwrap()).unwrap();
        let answer = match question["ask"].as_str().unwrap() {
            "flags" => flags(&question),
            "aggregate" => aggregated(&question),
            "points" => converted(Calibration::piecewise(pairs(&question["points"])).unwrap(), &question),
            "polynomial" => {
                converted(Calibration::polynomial(numbers(&question["coefficients"])).unwrap(), &question)
            }
            "platinum" => {
                let sensor = Platinum::new(question["r0_ohm"].as_f64().unwrap()).unwrap();
                converted(Calibration::platinum(sensor), &question)
            }
            "crc8" => json!(crc8(&numbers(&question["bytes"]).iter().map(|b| byte(*b)).collect::<Vec<_>>())),
            "fit" => fitted(&question),
            "evapotranspiration" => evaporated(&question),
            "oxygen" => json!(
                saturation_mg_l(
                    question["water_c"].as_f64().unwrap(),
                    question["pressure_kpa"].as_f64().unwrap()
                )
                .ok()
            ),
            "slope" => sloped(&question),
            "two-samples" => months::two_samples(&question),
            "pairs" => months::pairs(&question),
            "drydown" => months::drydown(&question),
            "month" => months::days(&question),
            // A comparison that this version has nothing for is skipped there.
            other => json!({ "unknown": other }),
        };
        writeln!(out, "{answer}").unwrap();
    }
}

fn numbers(list: &Json) -> Vec<f64> {
    list.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

fn pairs(list: &Json) -> Vec<(f64, f64)> {
    list.as_array()
        .unwrap()
        .iter()
        .map(|pair| (pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap()))
        .collect()
}

fn byte(number: f64) -> u8 {
    format!("{number:.0}").parse().unwrap()
}

/// The values of raw numbers; null where there is none.
fn converted(calibration: Calibration, question: &Json) -> Json {
    numbers(&question["raw"]).into_iter().map(|raw| json!(calibration.convert(raw).ok())).collect()
}

fn fitted(question: &Json) -> Json {
    match fit(&pairs(&question["pairs"])) {
        Ok(fitted) => {
            let (low, high) = fitted.raw;
            json!({
                "form": fitted.form.name(),
                "tried": fitted
                    .tried
                    .iter()
                    .map(|(form, e)| json!({ "form": form.name(), "rmse": e.rmse, "largest": e.largest }))
                    .collect::<Vec<_>>(),
                "raw": [low, high],
                "ends": [fitted.calibration.convert(low).ok(), fitted.calibration.convert(high).ok()],
            })
        }
        Err(why) => json!({ "refused": why.to_string() }),
    }
}

/// Penman-Monteith and Hargreaves of one day, mm.
fn evaporated(question: &Json) -> Json {
    let number = |key: &str| question[key].as_f64().unwrap();
    let day = DayTemperatures {
        latitude_deg: number("latitude_deg"),
        day_of_year: question["day_of_year"].as_u64().unwrap().try_into().unwrap(),
        max_c: number("max_c"),
        min_c: number("min_c"),
    };
    let weather = Weather {
        elevation_m: number("elevation_m"),
        humidity: Humidity { max_pct: number("max_pct"), min_pct: number("min_pct") },
        sun_mj_m2: number("sun_mj_m2"),
        wind_m_s: number("wind_m_s"),
        wind_height_m: 2.0,
    };
    json!([penman_monteith(&day, &weather).ok().map(|r| r.mm), hargreaves(&day).ok().map(|r| r.mm)])
}

/// The robust slope: units an hour, and the ends of eight slopes in ten.
fn sloped(question: &Json) -> Json {
    let points: Vec<_> = question["points"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| (Timestamp::from_second(p[0].as_i64().unwrap()).unwrap(), p[1].as_f64().unwrap()))
        .collect();
    slope(&points).map_or(Json::Null, |s| json!([s.per_hour, s.low, s.high]))
}

/// Each test's flags as they stand after the last reading.
fn flags(question: &Json) -> Json {
    let asked = &question["limits"];
    let pair = |key: &str| Some((asked[key][0].as_f64()?, asked[key][1].as_f64()?));
    let number = |key: &str, of: &str| asked[key][of].as_f64();
    let limits = Limits {
        gross_fail: pair("gross_fail").unwrap_or((f64::NEG_INFINITY, f64::INFINITY)),
        gross_suspect: pair("gross_suspect"),
        spike: number("spike", "suspect").map(|suspect| Spike {
            suspect,
            fail: number("spike", "fail").unwrap(),
            method: match asked["spike"]["method"].as_str() {
                Some("differential") => SpikeMethod::Differential,
                _ => SpikeMethod::Average,
            },
        }),
        rate: number("rate", "suspect").map(|suspect_per_s| Rate {
            suspect_per_s,
            fail_per_s: number("rate", "fail"),
            over_s: 0.0,
        }),
        flat: number("flat", "tolerance").map(|tolerance| Flat {
            tolerance,
            suspect_s: number("flat", "suspect_s").unwrap(),
            fail_s: number("flat", "fail_s").unwrap(),
            longest_s: None,
        }),
        gap_s: asked["gap_s"].as_f64().unwrap_or(f64::INFINITY),
        dip_reach_s: 0.0,
    };
    let mut watch = Watch::new();
    let mut tests = Vec::new();
    let values = question["values"].as_array().unwrap().iter().map(Json::as_f64);
    for (at, value) in question["at_s"].as_array().unwrap().iter().zip(values) {
        let at = Timestamp::from_second(at.as_i64().unwrap()).unwrap();
        let judged = watch.judge(&limits, at, value);
        if let (Some((_, _, changed)), Some(last)) = (judged.previous, tests.last_mut()) {
            *last = changed;
        }
        tests.push(judged.tests);
    }
    let of = |test: Test| tests.iter().map(|tests| tests.get(test).number()).collect::<Vec<_>>();
    json!({
        "gross-range": of(Test::GrossRange), "spike": of(Test::Spike), "rate-of-change": of(Test::RateOfChange),
        "flat-line": of(Test::FlatLine), "gap": of(Test::Gap),
    })
}

fn aggregated(question: &Json) -> Json {
    let vectors: Vec<Vec<Flag>> = question["vectors"]
        .as_array()
        .unwrap()
        .iter()
        .map(|vector| numbers(vector).into_iter().map(|n| Flag::from_number(byte(n)).unwrap()).collect())
        .collect();
    (0..vectors[0].len()).map(|i| aggregate(vectors.iter().map(|v| v[i])).number()).collect()
}
