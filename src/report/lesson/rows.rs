//! Ten rows of the month for a class to draw by hand.

use jiff::civil::Date;

use super::words::{asked_band, band_word};
use super::{Lesson, Topic, known_beds};
use crate::analysis::month::{BedDay, BedMonth, Beside, RainMonth, TankDay, TankMonth, WaterBand};
use crate::model::CalendarMonth;
use crate::report::words::{counted, known, number};
use crate::text::spoken;

/// Rows of a worksheet.
const ROWS: usize = 10;
/// Beds beside each other in its table.
const BEDS: usize = 4;

/// Ten rows, and what is to be done with them.
pub(in crate::report) struct TenRows {
    pub(in crate::report) heads: Vec<String>,
    pub(in crate::report) rows: Vec<Vec<String>>,
    /// The days of the rows, where each is one: the axes have them.
    pub(in crate::report) dates: Vec<Date>,
    /// What to do, one step each.
    pub(in crate::report) steps: Vec<String>,
    /// What comes out, for the teacher.
    pub(in crate::report) answer: String,
}

/// The first and one past the last of ten days that belong together: those around the middle of
/// what changes most. `value`: what changes; unknown days are avoided.
fn ten_days(count: usize, value: impl Fn(usize) -> Option<f64>) -> (usize, usize) {
    let last = count.saturating_sub(ROWS);
    let worth = |from: usize| {
        let values: Vec<f64> = (from..(from + ROWS).min(count)).filter_map(&value).collect();
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (values.len(), if values.is_empty() { 0.0 } else { high - low })
    };
    let better = |a: (usize, f64), b: (usize, f64)| a.0 > b.0 || a.0 == b.0 && a.1 > b.1;
    let from = (0..=last).fold(0, |best, from| if better(worth(from), worth(best)) { from } else { best });
    (from, (from + ROWS).min(count))
}

fn short_day(date: Date) -> String {
    format!("{} {}", date.day(), spoken::month(date.month()))
}

/// Every day of a month.
pub(super) fn days_of(which: CalendarMonth) -> Vec<Date> {
    let Ok(first) = Date::new(which.year, which.month, 1) else { return Vec::new() };
    first.series(jiff::ToSpan::days(1)).take_while(|date| *date <= first.last_of_month()).collect()
}

fn heads(texts: &[&str]) -> Vec<String> {
    texts.iter().map(|&text| text.to_owned()).collect()
}

/// The ten rows of a lesson.
pub(in crate::report) fn ten_rows(lesson: &Lesson<'_>) -> TenRows {
    match lesson.topic {
        Topic::Days => of_days(lesson),
        Topic::Balance { bed, .. } => of_balance(bed),
        Topic::Line(bed) => of_line(bed),
        Topic::Compared(it) => of_comparison(it),
        Topic::Rain(rain) => of_rain(rain),
        Topic::Tank(tank) => of_tank(tank),
        Topic::Nothing => own_record(lesson),
    }
}

fn of_comparison(it: &Beside) -> TenRows {
    let count = it.first_values.len().max(it.second_values.len()).min(ROWS);
    let value =
        |values: &[f64], at: usize| values.get(at).map_or_else(String::new, |value| number(*value, 1));
    let mean = |values: &[f64]| {
        let shown = &values[..values.len().min(ROWS)];
        known((!shown.is_empty()).then(|| shown.iter().sum::<f64>() / shown.len() as f64), 1, "")
    };
    let what = |name: &str| format!("{name}, {}", it.unit);
    TenRows {
        heads: vec!["Number".to_owned(), what(&it.first_name), what(&it.second_name)],
        rows: (0..count.max(1))
            .map(|at| vec![(at + 1).to_string(), value(&it.first_values, at), value(&it.second_values, at)])
            .collect(),
        dates: Vec::new(),
        steps: heads(&["Draw a mark for each value above its axis.", "Work out the average of each column."]),
        answer: format!(
            "Averages of these rows: {} and {} {}.",
            mean(&it.first_values),
            mean(&it.second_values),
            it.unit
        ),
    }
}

fn of_rain(rain: &RainMonth) -> TenRows {
    let (from, to) = ten_days(rain.days.len(), |at| rain.days[at].mm);
    let days = &rain.days[from..to];
    let sum: f64 = days.iter().filter_map(|day| day.mm).sum();
    TenRows {
        heads: heads(&["Rain day (9 am to 9 am)", "Rain, mm"]),
        rows: days.iter().map(|day| vec![short_day(day.date), known(day.mm, 1, "")]).collect(),
        dates: days.iter().map(|day| day.date).collect(),
        steps: heads(&["Draw a bar for each day.", "Add up the millimetres."]),
        answer: format!("{} mm in these days: so many litres on each square metre.", number(sum, 1)),
    }
}

fn of_tank(tank: &TankMonth) -> TenRows {
    let (from, to) = ten_days(tank.days.len(), |at| tank.days[at].swing_c());
    let days = &tank.days[from..to];
    let most = days.iter().filter_map(|day| Some((day.swing_c()?, day.date)));
    let most = most.max_by(|a, b| a.0.total_cmp(&b.0));
    let row = |day: &TankDay| {
        vec![short_day(day.date), known(day.min_c, 1, ""), known(day.max_c, 1, ""), String::new()]
    };
    TenRows {
        heads: heads(&["Day", "Coldest, °C", "Warmest, °C", "Swing, °C"]),
        rows: days.iter().map(row).collect(),
        dates: days.iter().map(|day| day.date).collect(),
        steps: heads(&[
            "Work out the swing: warmest minus coldest.",
            "Draw a line from coldest to warmest for each day.",
        ]),
        answer: most.map_or_else(String::new, |(swing, date)| {
            format!("The widest swing is {} °C on {}.", number(swing, 1), short_day(date))
        }),
    }
}

/// Rows to be filled in, where nothing is measured yet.
fn own_record(lesson: &Lesson<'_>) -> TenRows {
    TenRows {
        heads: heads(&["Day", "What I measured", "How much"]),
        rows: (1..=ROWS).map(|row| vec![row.to_string(), String::new(), String::new()]).collect(),
        dates: days_of(lesson.month.which).into_iter().take(ROWS).collect(),
        steps: heads(&[
            "Measure once a day, always at the same hour.",
            "Draw a mark for each day, and join the marks.",
        ]),
        answer: "This is the class's own record: there is no right answer.".to_owned(),
    }
}

fn of_days(lesson: &Lesson<'_>) -> TenRows {
    let beds: Vec<&BedMonth> = known_beds(lesson.month).take(BEDS).collect();
    let count = beds.iter().map(|bed| bed.days.len()).max().unwrap_or(0);
    // The ten days that have the most of what is asked for, of those that are known best.
    let word_asked = asked_band(lesson.month).0;
    let asked = |day: &BedDay| match day.band {
        Some(band) if word_asked == "dry" => band <= WaterBand::Dry,
        Some(band) => band_word(band) == word_asked,
        None => false,
    };
    let worth = |from: usize| {
        let days = || beds.iter().flat_map(|bed| bed.days.iter().skip(from).take(ROWS));
        (days().filter(|day| asked(day)).count(), days().filter(|day| day.band.is_some()).count())
    };
    let last = count.saturating_sub(ROWS);
    let from = (0..=last).fold(0, |best, from| if worth(from) > worth(best) { from } else { best });
    let to = (from + ROWS).min(count);
    let dates: Vec<Date> =
        beds.first().map(|bed| bed.days[from..to].iter().map(|day| day.date).collect()).unwrap_or_default();
    let word = |day: Option<&BedDay>| {
        day.and_then(|day| day.band).map_or_else(|| "not known".to_owned(), |band| band_word(band).to_owned())
    };
    let rows = (from..to).zip(&dates).map(|(at, date)| {
        std::iter::once(short_day(*date)).chain(beds.iter().map(|bed| word(bed.days.get(at)))).collect()
    });
    let counts: Vec<String> = beds
        .iter()
        .map(|bed| {
            let days = bed.days[from..to].iter().filter_map(|day| day.band);
            let dry = days.clone().filter(|band| *band <= WaterBand::Dry).count();
            let wet = days.filter(|band| *band == WaterBand::Wet).count();
            format!("{}: {} dry, {wet} wet", bed.name, dry)
        })
        .collect();
    TenRows {
        heads: std::iter::once("Day".to_owned()).chain(beds.iter().map(|bed| bed.name.clone())).collect(),
        rows: rows.collect(),
        dates,
        steps: heads(&[
            "Count the days of each word for each bed.",
            "Draw a bar for each bed. Say of what word.",
        ]),
        answer: format!("In these days: {}.", counts.join("; ")),
    }
}

fn of_balance(bed: &BedMonth) -> TenRows {
    let got = |day: &BedDay| Some((day.rain_mm? + day.watering_mm?) * bed.area_m2);
    let need = |day: &BedDay| Some(day.need_mm? * bed.area_m2);
    let (from, to) =
        ten_days(bed.days.len(), |at| got(&bed.days[at]).zip(need(&bed.days[at])).map(|it| it.0));
    let days = &bed.days[from..to];
    let sum = |pick: &dyn Fn(&BedDay) -> Option<f64>| -> f64 {
        days.iter().filter(|day| got(day).is_some() && need(day).is_some()).filter_map(pick).sum()
    };
    TenRows {
        heads: heads(&["Day", "Needed, litres", "Got, litres"]),
        rows: days
            .iter()
            .map(|day| vec![short_day(day.date), known(need(day), 0, ""), known(got(day), 0, "")])
            .collect(),
        dates: days.iter().map(|day| day.date).collect(),
        steps: heads(&[
            "Add up each column.",
            "Draw two marks for each day: a ring for needed, a dot for got.",
        ]),
        answer: format!(
            "In these days it needed {} and got {}.",
            spoken::litres(sum(&need)),
            spoken::litres(sum(&got))
        ),
    }
}

fn of_line(bed: &BedMonth) -> TenRows {
    let water = |at: usize| bed.days[at].water_content.map(|it| it * 100.0);
    let (from, to) = ten_days(bed.days.len(), water);
    let days = &bed.days[from..to];
    let rises =
        (from + 1..to).filter(|at| water(*at).zip(water(at - 1)).is_some_and(|(now, before)| now > before));
    TenRows {
        heads: heads(&["Day", "Water in the soil, %", "Rain, mm"]),
        rows: days
            .iter()
            .zip(from..)
            .map(|(day, at)| vec![short_day(day.date), known(water(at), 1, ""), known(day.rain_mm, 1, "")])
            .collect(),
        dates: days.iter().map(|day| day.date).collect(),
        steps: heads(&[
            "Draw a mark for each day, and join the marks.",
            "Circle each day on which the line goes up.",
        ]),
        answer: format!(
            "In these days the line goes up {}; it begins at {} and ends at {}.",
            counted(rises.count(), "time", "times"),
            known((from..to).find_map(water), 1, " %"),
            known((from..to).rev().find_map(water), 1, " %")
        ),
    }
}
