//! The pictures of a lesson: first what the question shows, then with the answer.

use std::fmt::Write as _;

use jiff::civil::Date;
use maud::{Markup, html};

use super::rows::days_of;
use super::words::{asked_band, band_word};
use super::{Lesson, Topic, all_known, cut, known_beds};
use crate::analysis::month::{BedMonth, Beside, Month, RainMonth, TankMonth, WaterBand, WaterSource};
use crate::chart::scale::Scale;
use crate::chart::svg::short;
use crate::report::drawing::{
    SIDE, WIDTH, across, along, dots, drawing, fitting, hatchings, outlined, piece, upright, water_sign,
    water_signs,
};
use crate::report::words::{counted, day, known, number};
use crate::text::spoken;

/// Room for the figures of an upright axis, and the foot and head of a picture with one.
const LEFT: f64 = 40.0;
const TOP: f64 = 24.0;
const FOOT: f64 = 190.0;

impl Lesson<'_> {
    /// The picture: with the question, or with the answer. `id`: unlike any other on the page.
    pub(in crate::report) fn picture(&self, id: &str, answered: bool) -> Markup {
        match self.topic {
            Topic::Days => days(self.month, id, answered),
            Topic::Balance { bed, need_mm, got_mm } => balance(bed, (need_mm, got_mm), id, answered),
            Topic::Line(bed) => line(self.month, bed, id, !answered),
            Topic::Compared(it) => compared(it, id, answered),
            Topic::Rain(rain) => of_rain(rain, id, answered),
            Topic::Tank(tank) => of_tank(tank, id, answered),
            Topic::Nothing => {
                let dates: Vec<Date> = days_of(self.month.which);
                let title = "Empty axes for a guess";
                let inside = html! { (dated(&dates, &Scale::covering([0.0, 40.0].into_iter()), "% water")) };
                drawing(
                    id,
                    FOOT + 40.0,
                    title,
                    "Days across, water in the soil up. Nothing is drawn yet.",
                    &inside,
                    "",
                )
            }
        }
    }
}

/// Where a day stands in a row of days.
fn across_days(at: usize, count: usize) -> (f64, f64) {
    let step = (WIDTH - 2.0 * SIDE) / count.max(1) as f64;
    (SIDE + at as f64 * step, step)
}

/// A square for each day of each bed, with marks where rain or watering came; coloured by how
/// the soil was once it is answered.
fn days(month: &Month, id: &str, answered: bool) -> Markup {
    const ROW: f64 = 46.0;
    let beds: Vec<&BedMonth> = known_beds(month).collect();
    let left_out = all_known(month).count() - beds.len();
    let (word, count) = asked_band(month);
    let foot = beds.len() as f64 * ROW + 4.0;
    let mut said = Vec::new();
    let rows = beds.iter().zip(0_u32..).map(|(bed, row)| {
        let top = f64::from(row) * ROW;
        let count_words = counted(count(bed), "day", "days");
        if answered {
            said.push(format!("{}: {count_words} {word}", bed.name));
        }
        // The squares of one look are one outline, so that a month of them stays light.
        let squares = |wanted: Option<WaterBand>| {
            let looks = |band: Option<WaterBand>| if answered { band } else { None };
            let own = bed.days.iter().enumerate().filter(|(_, day)| looks(day.band) == wanted);
            own.fold(String::new(), |path, (at, _)| {
                let (x, step) = across_days(at, bed.days.len());
                let side = short((step - 1.0).max(1.0));
                path + &format!("M{} {}h{side}v15h-{side}z", short(x + 0.5), short(top + 27.0))
            })
        };
        let marks = bed.wettings.iter().filter_map(|it| {
            let date = month.time_zone.to_datetime(it.from).date();
            let at = bed.days.iter().position(|day| day.date == date)?;
            let (x, step) = across_days(at, bed.days.len());
            Some((it.cause == WaterSource::Rain, x + step / 2.0))
        });
        let marks: Vec<(bool, f64)> = marks.collect();
        html! {
            text x=(short(SIDE)) y=(short(top + 13.0)) { (fitting(&bed.name)) @if answered { ": " (count_words) " " (word) } }
            @let unknown = squares(None);
            @if !unknown.is_empty() { path class="frame" d=(unknown) {} }
            @for band in WaterBand::ALL {
                @let outline = squares(Some(band));
                @if !outline.is_empty() { (outlined(id, band, &outline)) }
            }
            (water_signs(&marks, top + 26.0))
        }
    });
    let rows: Vec<Markup> = rows.collect();
    let numbers = beds.first().map_or(0, |bed| bed.days.len());
    let inside = html! {
        (hatchings(id))
        @for row in &rows { (row) }
        @for at in (0..numbers).filter(|at| at % 5 == 0) {
            @let (x, step) = across_days(at, numbers);
            text x=(short(x + step / 2.0)) y=(short(foot + 8.0)) text-anchor="middle" { (at + 1) }
        }
        (water_sign(true, SIDE + 6.0, foot + 27.0))
        text x=(short(SIDE + 15.0)) y=(short(foot + 27.0)) { "rain came" }
        (water_sign(false, SIDE + 92.0, foot + 27.0))
        text x=(short(SIDE + 102.0)) y=(short(foot + 27.0)) { "water came another way" }
        @if answered {
            @for (band, at) in WaterBand::ALL.iter().zip(0_u32..) {
                @let x = SIDE + f64::from(at) * 84.0;
                (piece(id, *band, (x, foot + 36.0), (14.0, 14.0)))
                text x=(short(x + 19.0)) y=(short(foot + 48.0)) { (band_word(*band)) }
            }
        }
    };
    let description = if answered {
        said.join("; ") + "."
    } else {
        let of = |bed: &&BedMonth| {
            let rain = bed.wettings.iter().filter(|it| it.cause == WaterSource::Rain).count();
            let other = bed.wettings.len() - rain;
            format!("{}: rain came {rain} times, water another way {other} times", bed.name)
        };
        beds.iter().map(of).collect::<Vec<_>>().join("; ") + "."
    };
    let caption = match left_out {
        0 => String::new(),
        n => format!("{n} more beds are not in this picture."),
    };
    let height = foot + if answered { 56.0 } else { 34.0 };
    drawing(id, height, "One square for each day", &description, &inside, &caption)
}

/// Two vessels: the water that plants needed, and the water that the bed got.
fn balance(bed: &BedMonth, (need_mm, got_mm): (f64, f64), id: &str, answered: bool) -> Markup {
    const DEEP: f64 = 150.0;
    let litres = |mm: f64| mm * bed.area_m2;
    // The height of the first must not tell how much the second is.
    let most = if answered { need_mm.max(got_mm) } else { need_mm * 1.8 };
    let most = litres(most).max(1.0);
    let vessel = |x: f64, litres: Option<f64>, word: &str| {
        let height = litres.map_or(0.0, |litres| DEEP * litres.max(0.0) / most * 0.94);
        let top = 34.0;
        html! {
            @if litres.is_some() {
                rect class="zone zone-wet" x=(short(x)) y=(short(top + DEEP - height)) width="92" height=(short(height)) {}
            } @else {
                text class="unknown" x=(short(x + 46.0)) y=(short(top + DEEP / 2.0 + 14.0)) text-anchor="middle" { "?" }
            }
            path class="vessel" d=(format!("M{} {}v{}h92v-{}", short(x), short(top), short(DEEP), short(DEEP))) {}
            text x=(short(x + 46.0)) y="22" text-anchor="middle" {
                @if let Some(litres) = litres { (spoken::litres(litres)) }
            }
            text x=(short(x + 46.0)) y=(short(top + DEEP + 20.0)) text-anchor="middle" { (word) }
        }
    };
    let inside = html! {
        (vessel(56.0, Some(litres(need_mm)), "its plants needed"))
        (vessel(212.0, answered.then(|| litres(got_mm)), "it got"))
    };
    let got = if answered { spoken::litres(litres(got_mm)) } else { "not shown yet".to_owned() };
    let description =
        format!("{}: its plants needed {}; it got: {got}.", bed.name, spoken::litres(litres(need_mm)));
    drawing(id, 212.0, &format!("Water needed and got, {}", bed.name), &description, &inside, "")
}

/// An upright axis with lines across, and days along its foot.
fn dated(dates: &[Date], axis: &Option<Scale>, unit: &str) -> Markup {
    let Some(axis) = axis else { return html! {} };
    let every = dates.len().div_ceil(7).max(1);
    let right = short(WIDTH - SIDE);
    let lines = axis.marks().fold(String::new(), |path, mark| {
        path + &format!("M{} {}H{right}", short(LEFT), short(height(axis, mark)))
    });
    let ticks = (0..dates.len()).fold(format!("M{} {}H{right}", short(LEFT), short(FOOT)), |path, at| {
        path + &format!("M{} {}v4", short(day_x(at, dates.len())), short(FOOT))
    });
    html! {
        text x="2" y="12" { (unit) }
        path class="thin" d=(lines) {}
        path class="mark" d=(ticks) {}
        g text-anchor="end" {
            @for mark in axis.marks() {
                text x=(short(LEFT - 5.0)) y=(short(height(axis, mark) + 4.0)) { (number(mark, axis.decimals)) }
            }
        }
        g text-anchor="middle" {
            @for (at, date) in dates.iter().enumerate().filter(|(at, _)| at % every == 0) {
                text x=(short(day_x(at, dates.len()))) y=(short(FOOT + 17.0)) { (date.day()) }
            }
        }
    }
}

/// Where a day stands over an axis of days.
fn day_x(at: usize, count: usize) -> f64 {
    LEFT + (at as f64 + 0.5) * (WIDTH - SIDE - LEFT) / count.max(1) as f64
}

fn height(axis: &Scale, value: f64) -> f64 {
    FOOT - axis.place(value).clamp(0.0, 1.0) * (FOOT - TOP)
}

/// A path through the values that follow each other, broken where one is missing.
fn path(axis: &Scale, values: &[Option<f64>]) -> String {
    let mut path = String::new();
    let mut before = false;
    for (at, value) in values.iter().enumerate() {
        if let Some(value) = value {
            let (x, y) = (day_x(at, values.len()), height(axis, *value));
            let alone = !before && values.get(at + 1).is_none_or(Option::is_none);
            let _ = write!(path, "{}{} {}", if before { "L" } else { "M" }, short(x), short(y));
            if alone {
                path.push_str("h0.1");
            }
        }
        before = value.is_some();
    }
    path
}

/// Each day's water in a bed between the marks of its soil, with rain and watering at its foot.
/// `asked`: only up to its cut.
pub(in crate::report) fn line(month: &Month, bed: &BedMonth, id: &str, asked: bool) -> Markup {
    const PERCENT: f64 = 100.0;
    let shown = if asked { cut(bed).unwrap_or(0) } else { usize::MAX };
    let water: Vec<Option<f64>> =
        bed.days.iter().map(|day| day.water_content.map(|it| it * PERCENT)).collect();
    let marks = [bed.wilting_point, bed.refill_point, bed.field_capacity].map(|mark| mark * PERCENT);
    let axis = Scale::covering(water.iter().flatten().copied().chain([marks[0] * 0.9, marks[2] * 1.08]));
    let Some(axis) = axis else { return html! {} };
    let edges = [axis.low, marks[0], marks[1], marks[2], axis.high];
    let zones = WaterBand::ALL.iter().zip(edges.windows(2)).map(|(band, edge)| {
        let (top, foot) = (height(&axis, edge[1]), height(&axis, edge[0]));
        html! {
            @if foot - top > 0.5 { (piece(id, *band, (LEFT, top), (WIDTH - SIDE - LEFT, foot - top))) }
        }
    });
    let zones: Vec<Markup> = zones.collect();
    let dates: Vec<Date> = bed.days.iter().map(|day| day.date).collect();
    let drawn: Vec<Option<f64>> =
        water.iter().enumerate().map(|(at, it)| it.filter(|_| at <= shown)).collect();
    let signs = bed.wettings.iter().filter_map(|it| {
        let date = month.time_zone.to_datetime(it.from).date();
        let at = dates.iter().position(|day| *day == date)?;
        Some((it.cause == WaterSource::Rain, day_x(at, dates.len())))
    });
    let signs: Vec<(bool, f64)> = signs.collect();
    let inside = html! {
        (hatchings(id))
        @for zone in &zones { (zone) }
        (dated(&dates, &Some(axis), "% water in the soil"))
        @for (mark, name) in [(marks[1], "refill point"), (marks[2], "field capacity")] {
            @let y = height(&axis, mark);
            line class="zero" x1=(short(LEFT)) x2=(short(WIDTH - SIDE)) y1=(short(y)) y2=(short(y)) {}
            text class="on-zone" x=(short(WIDTH - SIDE - 3.0)) y=(short(y - 3.0)) text-anchor="end" { (name) }
        }
        path class="drawn" d=(path(&axis, &drawn)) {}
        @if asked && shown + 1 < dates.len() {
            text class="unknown" x=(short((day_x(shown, dates.len()) + WIDTH - SIDE) / 2.0)) y=(short((TOP + FOOT) / 2.0 + 14.0))
                text-anchor="middle" { "?" }
        }
        (water_signs(&signs, FOOT + 31.0))
        (water_sign(true, LEFT + 4.0, FOOT + 50.0))
        text x=(short(LEFT + 13.0)) y=(short(FOOT + 50.0)) { "rain" }
        (water_sign(false, LEFT + 62.0, FOOT + 50.0))
        text x=(short(LEFT + 72.0)) y=(short(FOOT + 50.0)) { "watered, or cause not known" }
    };
    let ends = || drawn.iter().flatten();
    let description = format!(
        "Each day's water in percent of the soil, from {} to {}; refill point {}, field capacity {}. It grew wetter {}.",
        known(ends().next().copied(), 1, " %"),
        known(ends().next_back().copied(), 1, " %"),
        number(marks[1], 1),
        number(marks[2], 1),
        counted(bed.wettings.len(), "time", "times"),
    );
    drawing(id, FOOT + 56.0, &format!("Water in {}", bed.name), &description, &inside, "")
}

/// The marks of two sides over one axis; with the question those of the second alone.
fn compared(it: &Beside, id: &str, answered: bool) -> Markup {
    let Some(axis) = Scale::covering(it.first_values.iter().chain(&it.second_values).copied()) else {
        return html! {};
    };
    let inside = html! {
        text x=(short(SIDE)) y="14" { (fitting(&it.first_name)) }
        @if answered {
            (dots(&axis, &it.first_values, 74.0, 52.0, true))
        } @else {
            text class="unknown" x=(short(WIDTH / 2.0)) y="60" text-anchor="middle" { "?" }
        }
        line class="thin" x1=(short(SIDE)) x2=(short(WIDTH - SIDE)) y1="76" y2="76" {}
        text x=(short(SIDE)) y="92" { (fitting(&it.second_name)) }
        (dots(&axis, &it.second_values, 152.0, 52.0, false))
        (across(&axis, 154.0))
        text x=(short(SIDE)) y="190" { (it.what) ", " (it.unit) }
    };
    let list = |values: &[f64]| {
        values.iter().map(|&it| number(it, axis.decimals + 1)).collect::<Vec<_>>().join(", ")
    };
    let first = if answered { list(&it.first_values) } else { "not shown yet".to_owned() };
    let description = format!("{}: {first}. {}: {}.", it.first_name, it.second_name, list(&it.second_values));
    drawing(id, 198.0, &it.what, &description, &inside, "")
}

pub(in crate::report) fn of_rain(rain: &RainMonth, id: &str, answered: bool) -> Markup {
    let dates: Vec<Date> = rain.days.iter().map(|day| day.date).collect();
    let axis = Scale::covering(rain.days.iter().filter_map(|day| day.mm).chain([0.0, 5.0]));
    let Some(axis) = axis else { return html! {} };
    let wide = (WIDTH - SIDE - LEFT) / dates.len().max(1) as f64 * 0.7;
    let inside = html! {
        (dated(&dates, &Some(axis), "mm of rain"))
        @if answered {
            @for (at, mm) in rain.days.iter().enumerate().filter_map(|(at, day)| Some((at, day.mm?))).filter(|it| it.1 > 0.0) {
                @let top = height(&axis, mm);
                rect class="bar" x=(short(day_x(at, dates.len()) - wide / 2.0)) y=(short(top)) width=(short(wide)) height=(short(FOOT - top)) {}
            }
        } @else {
            text class="unknown" x=(short(WIDTH / 2.0)) y=(short((TOP + FOOT) / 2.0 + 14.0)) text-anchor="middle" { "?" }
        }
    };
    let description = match (answered, rain.wettest) {
        (false, _) => "Days across, millimetres of rain up. The bars are not shown yet.".to_owned(),
        (true, Some((date, mm))) => {
            format!(
                "{} mm in all; the most on {}: {} mm.",
                number(rain.total_mm, 1),
                day(date),
                number(mm, 1)
            )
        }
        (true, None) => "No rain fell.".to_owned(),
    };
    drawing(id, FOOT + 24.0, "Rain of each day, 9 am to 9 am", &description, &inside, "")
}

pub(in crate::report) fn of_tank(tank: &TankMonth, id: &str, answered: bool) -> Markup {
    let dates: Vec<Date> = tank.days.iter().map(|day| day.date).collect();
    let ends = tank.days.iter().flat_map(|day| [day.min_c, day.max_c]).flatten();
    let axis = Scale::covering(ends.chain([tank.cold_c - 1.0, tank.warm_c + 1.0]));
    let Some(axis) = axis else { return html! {} };
    let shown = if answered { usize::MAX } else { dates.len() / 3 };
    let (warm, cold) = (height(&axis, tank.warm_c), height(&axis, tank.cold_c));
    let inside = html! {
        rect class="zone zone-fine" x=(short(LEFT)) y=(short(warm)) width=(short(WIDTH - SIDE - LEFT)) height=(short(cold - warm)) {}
        text class="on-zone" x=(short(LEFT + 4.0)) y=(short(warm + 14.0)) { "between the danger limits" }
        (dated(&dates, &Some(axis), "°C, coldest to warmest of each day"))
        @for (at, low, high) in tank.days.iter().enumerate().filter_map(|(at, day)| Some((at, day.min_c?, day.max_c?))).filter(|it| it.0 < shown) {
            @let x = day_x(at, dates.len());
            (upright("interval", x, height(&axis, high), height(&axis, low).max(height(&axis, high) + 1.0)))
        }
        @if !answered {
            text class="unknown" x=(short(WIDTH * 0.68)) y=(short((TOP + FOOT) / 2.0 + 14.0)) text-anchor="middle" { "?" }
        }
    };
    let description = format!(
        "Danger begins below {} and above {} °C. {}",
        number(tank.cold_c, 1),
        number(tank.warm_c, 1),
        match (answered, tank.widest) {
            (false, _) => "Only the first days are shown.".to_owned(),
            (true, Some((date, swing))) =>
                format!("The widest swing was {} °C on {}.", number(swing, 1), day(date)),
            (true, None) => String::new(),
        }
    );
    drawing(id, FOOT + 24.0, &format!("Water of {}", tank.name), &description, &inside, "")
}

/// Empty axes to draw on by hand: for a worksheet.
pub(in crate::report) fn blank(lesson: &Lesson<'_>, id: &str, dates: &[Date]) -> Markup {
    let covering = |values: Vec<f64>| Scale::covering(values.into_iter());
    let (inside, title) = match lesson.topic {
        Topic::Days
        | Topic::Balance { .. }
        | Topic::Line(_)
        | Topic::Rain(_)
        | Topic::Tank(_)
        | Topic::Nothing => {
            let (values, unit): (Vec<f64>, &str) = match lesson.topic {
                Topic::Days => (vec![0.0, 10.0], "days"),
                Topic::Balance { bed, .. } => {
                    let of = |day: &crate::analysis::month::BedDay| {
                        let got = day.rain_mm.unwrap_or(0.0) + day.watering_mm.unwrap_or(0.0);
                        day.need_mm.unwrap_or(0.0).max(got) * bed.area_m2
                    };
                    let shown = bed.days.iter().filter(|day| dates.contains(&day.date));
                    (shown.map(of).chain([0.0]).collect(), "litres")
                }
                Topic::Line(bed) => {
                    let water = bed.days.iter().filter(|day| dates.contains(&day.date));
                    let water = water.filter_map(|day| day.water_content).map(|it| it * 100.0);
                    let ends = [bed.refill_point * 90.0, bed.field_capacity * 105.0];
                    (water.chain(ends).collect(), "% water in the soil")
                }
                Topic::Rain(rain) => {
                    (rain.days.iter().filter_map(|day| day.mm).chain([0.0, 5.0]).collect(), "mm of rain")
                }
                Topic::Tank(tank) => {
                    let ends = tank.days.iter().flat_map(|day| [day.min_c, day.max_c]).flatten();
                    (ends.chain([tank.cold_c, tank.warm_c]).collect(), "°C")
                }
                _ => (vec![0.0, 40.0], "% water in the soil"),
            };
            let axis = covering(values);
            if let (Topic::Days, Some(axis)) = (lesson.topic, &axis) {
                let beds: Vec<&BedMonth> = known_beds(lesson.month).take(4).collect();
                let each = (WIDTH - SIDE - LEFT) / beds.len().max(1) as f64;
                let inside = html! {
                    (dated(&[], &Some(*axis), unit))
                    @for (bed, at) in beds.iter().zip(0_u32..) {
                        text x=(short(LEFT + (f64::from(at) + 0.5) * each)) y=(short(FOOT + 17.0)) text-anchor="middle" {
                            (crate::text::labels::cut_name(&bed.name, 12))
                        }
                    }
                };
                (inside, "Empty axes: a bar for each bed")
            } else {
                (html! { (dated(dates, &axis, unit)) }, "Empty axes: a mark for each day")
            }
        }
        Topic::Compared(it) => {
            let axis = covering(it.first_values.iter().chain(&it.second_values).copied().collect());
            let inside = html! {
                text x=(short(SIDE)) y="14" { (fitting(&it.first_name)) }
                line class="thin" x1=(short(SIDE)) x2=(short(WIDTH - SIDE)) y1="100" y2="100" {}
                text x=(short(SIDE)) y="116" { (fitting(&it.second_name)) }
                @if let Some(axis) = &axis {
                    @for mark in axis.marks() { (upright("thin", along(axis, mark), 20.0, 196.0)) }
                    (across(axis, 196.0))
                }
                text x=(short(SIDE)) y="230" { (it.what) ", " (it.unit) }
            };
            (inside, "Empty axes: a mark for each value")
        }
    };
    drawing(id, FOOT + 46.0, title, "Nothing is drawn yet.", &inside, "")
}
