//! What a class month is made of, for comparing: statistics of two places, drydowns,
//! and a month's days.

use jiff::Timestamp;
use serde_json::{Value as Json, json};
use trug::analysis::month::{MonthInput, month};
use trug::analysis::{Pairing, cliffs_delta, effect, hedges_g, mann_whitney, permutation_p, signs_p, welch};
use trug::history::Point;
use trug::model::{CalendarMonth, Id};
use trug::outlook::{Bounds, fit};
use trug::quality::Flag;
use trug::settings::from_text;

use crate::numbers;

/// Two samples that are not paired.
pub(crate) fn two_samples(question: &Json) -> Json {
    let (first, second) = (numbers(&question["first"]), numbers(&question["second"]));
    let welch = welch(&first, &second).unwrap();
    let ranks = mann_whitney(&first, &second);
    let apart = effect(&first, &second, Pairing::Apart, 1).ok();
    json!({
        "welch": [welch.t, welch.freedom, welch.p, welch.interval.low, welch.interval.high],
        "mann_whitney": [ranks.u, ranks.p],
        "permutation_p": permutation_p(&first, &second, 1),
        "hedges_g": hedges_g(&first, &second),
        "cliffs_delta": cliffs_delta(&first, &second),
        "interval": apart.map(|it| [it.interval.low, it.interval.high]),
    })
}

/// Paired samples.
pub(crate) fn pairs(question: &Json) -> Json {
    let (first, second) = (numbers(&question["first"]), numbers(&question["second"]));
    let differences: Vec<f64> = first.iter().zip(&second).map(|(a, b)| a - b).collect();
    json!({ "signs_p": signs_p(&differences, 1, 1), "hedges_g": hedges_g(&first, &second) })
}

/// The exponential of a drydown: start, end, days, error of the days.
pub(crate) fn drydown(question: &Json) -> Json {
    let found = fit(&crate::pairs(&question["points"]), Bounds::default());
    json!(found.ok().map(|it| [Some(it.theta0), Some(it.theta_w), Some(it.tau_d), it.tau_error_d]))
}

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";
const GARDEN: &str = "[site]\nid = \"saltbush-gully\"\nname = \"Saltbush Gully Primary School\"\n\
    time_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.93\nelevation_m = 95\n\
    [[sensor]]\nid = \"air\"\nmeasures = \"air-temperature\"\ntopic = \"a\"\npayload = \"number\"\nevery_s = 900\n\
    [[sensor]]\nid = \"gauge\"\nmeasures = \"rain\"\ntopic = \"g\"\npayload = \"number\"\nevery_s = 900\n\
    calibration = { mm_per_tip = 0.2 }\n";

/// A month of one thermometer and one gauge. Readings are [second, value, flag], flags as
/// QARTOD numbers them.
pub(crate) fn days(question: &Json) -> Json {
    let settings = from_text(("trug.toml", TRUG), &[("g.toml", GARDEN)], std::iter::empty()).unwrap();
    let readings = ["air", "gauge"].map(|sensor| (Id::new(sensor), points(&question[sensor])));
    let input = MonthInput { readings: readings.into_iter().collect(), ..MonthInput::default() };
    let whole = |key: &str| question[key].as_i64().unwrap();
    let which = CalendarMonth {
        year: i16::try_from(whole("year")).unwrap(),
        month: i8::try_from(whole("month")).unwrap(),
    };
    let month = month(&settings.gardens[0], which, &input, None, None);
    let air = &month.sensors[0];
    let days =
        air.days.iter().map(|it| json!([it.date.to_string(), it.readings, it.good, it.mean, it.min, it.max]));
    let hours = air.hours.iter().map(|it| json!([it.start.as_second(), it.good, it.mean()]));
    let summary = air.summary.map(|it| {
        [
            it.count as f64,
            it.mean,
            it.deviation.unwrap_or(0.0),
            it.lower_quartile,
            it.median,
            it.upper_quartile,
        ]
    });
    let rain =
        month.rain.iter().flat_map(|it| &it.days).map(|it| json!([it.date.to_string(), it.whole_mm()]));
    json!({
        "expected": air.expected,
        "counts": [air.readings, air.good, air.suspect, air.bad],
        "gap": air.longest_gap.map(|(from, to)| [from.as_second(), to.as_second()]),
        "days": days.collect::<Vec<_>>(),
        "hours": hours.collect::<Vec<_>>(),
        "summary": summary,
        "rain": rain.collect::<Vec<_>>(),
    })
}

fn points(list: &Json) -> Vec<Point> {
    list.as_array()
        .unwrap()
        .iter()
        .map(|it| Point {
            at: Timestamp::from_second(it[0].as_i64().unwrap()).unwrap(),
            raw: it[1].as_f64().unwrap_or(f64::NAN),
            value: it[1].as_f64(),
            flag: match it[2].as_i64().unwrap() {
                1 => Flag::Pass,
                3 => Flag::Suspect,
                _ => Flag::Fail,
            },
            late: false,
        })
        .collect()
}
