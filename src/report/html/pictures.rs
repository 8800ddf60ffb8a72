//! Small drawings: how complete each day is, days in each band, water needed and got,
//! two beds beside each other. Told apart by shape and hatching, not by colour, so that
//! they read in black and white.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::analysis::month::{BedMonth, Beside, Month, SensorMonth, WaterBand};
use crate::chart::scale::Scale;
use crate::chart::svg::short;
use crate::report::drawing::{SIDE, WIDTH, across, along, dots, drawing, fitting, hatchings, piece, upright};
use crate::report::words;

/// A bar for each sensor and day, as high as the day is complete.
pub(super) fn days_complete(month: &Month) -> Markup {
    const ROW: f64 = 36.0;
    const BAR: f64 = 16.0;
    let days = month.sensors.iter().map(|it| it.days.len()).max().unwrap_or(0).max(1);
    let step = (WIDTH - 2.0 * SIDE) / days as f64;
    let inside = html! {
        @for (sensor, row) in month.sensors.iter().zip(0_u32..) {
            @let foot = f64::from(row) * ROW + 18.0 + BAR;
            text x=(short(SIDE)) y=(short(foot - BAR - 4.0)) { (fitting(&words::sensor(month, sensor))) }
            line class="mark" x1=(short(SIDE)) x2=(short(WIDTH - SIDE)) y1=(short(foot)) y2=(short(foot)) {}
            path class="bar" d=(bars(sensor, step, foot, BAR)) {}
        }
    };
    let description = "One bar for each day from the first to the last of the month; a full bar is a day on which every \
                       reading came and was good, no bar a day without one.";
    let caption = "One bar for each day. A full bar: every reading came and was good. No bar: none.";
    let height = month.sensors.len() as f64 * ROW + 6.0;
    drawing("days-complete", height, "How complete each day is", description, &inside, caption)
}

/// All bars of a sensor as one outline, so that thirty days of it stay light.
fn bars(sensor: &SensorMonth, step: f64, foot: f64, height: f64) -> String {
    let width = short((step - 1.5).max(0.5));
    let days = sensor.days.iter().zip(0_u32..).map(|(day, at)| (complete(sensor, day.good), f64::from(at)));
    days.filter(|(part, _)| *part > 0.0).fold(String::new(), |mut path, (part, at)| {
        let _ = write!(
            path,
            "M{} {}v-{}h{width}V{}z",
            short(SIDE + at * step),
            short(foot),
            short(height * part),
            short(foot)
        );
        path
    })
}

/// The part of a day's readings that came and are good.
fn complete(sensor: &SensorMonth, good: u32) -> f64 {
    const DAY_S: f64 = 86_400.0;
    (f64::from(good) * f64::from(sensor.every_s) / DAY_S).clamp(0.0, 1.0)
}

/// Beds that a picture of the first page holds; all of them are in the tables.
pub(super) const BEDS_MOST: usize = 16;

/// A bar for each bed, cut by the days in each band.
pub(super) fn bands(month: &Month) -> Markup {
    let rows: Vec<BandDays<'_>> = month
        .beds
        .iter()
        .take(BEDS_MOST)
        .map(|bed| (bed.name.as_str(), bed.days_in_bands(), bed.days.len()))
        .collect();
    band_days(&rows)
}

/// A bed's name, its days in each band, and all its days.
pub(super) type BandDays<'a> = (&'a str, [(WaterBand, u32); 4], usize);

/// A bar for each bed of some days, cut by the days in each band.
pub(super) fn band_days(beds: &[BandDays<'_>]) -> Markup {
    const ROW: f64 = 50.0;
    const BAR: f64 = 24.0;
    let days = beds.iter().map(|bed| bed.2).max().unwrap_or(0).max(1) as f64;
    let step = (WIDTH - 2.0 * SIDE) / days;
    let foot = beds.len() as f64 * ROW;
    let mut said = Vec::new();
    let rows: Vec<Markup> = beds
        .iter()
        .zip(0_u32..)
        .map(|((bed_name, bands, _), row)| {
            let top = f64::from(row) * ROW + 18.0;
            let mut x = SIDE;
            let mut parts = Vec::new();
            let mut heard = Vec::new();
            for (band, count) in *bands {
                if count == 0 {
                    continue;
                }
                let width = f64::from(count) * step;
                let label = format!("{} {count}", words::band(band));
                let room = |text: &str| text.len() as f64 * 6.6 + 8.0 <= width;
                let label = if room(&label) { label } else { count.to_string() };
                heard.push(format!("{} {}", words::counted(count, "day", "days"), words::band(band)));
                parts.push(html! {
                    (piece("days-in-bands", band, (x, top), (width, BAR)))
                    text class="on-zone" x=(short(x + width / 2.0)) y=(short(top + 17.0)) text-anchor="middle" { (label) }
                });
                x += width;
            }
            said.push(format!("{}: {}", bed_name, if heard.is_empty() { "not known".into() } else { heard.join(", ") }));
            html! {
                text x=(short(SIDE)) y=(short(top - 5.0)) { (fitting(bed_name)) }
                rect class="frame" x=(short(SIDE)) y=(short(top)) width=(short(WIDTH - 2.0 * SIDE)) height=(short(BAR)) {}
                @for part in &parts { (part) }
            }
        })
        .collect();
    let key = html! {
        @for (band, at) in WaterBand::ALL.iter().zip([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)]) {
            @let (x, y) = (SIDE + at.0 * 172.0, foot + 8.0 + at.1 * 22.0);
            (piece("days-in-bands", *band, (x, y), (16.0, 14.0)))
            text x=(short(x + 22.0)) y=(short(y + 12.0)) { (words::band(*band)) }
        }
    };
    let inside = html! { (hatchings("days-in-bands")) @for row in &rows { (row) } (key) };
    let caption = "Days by band, the driest first. White at the end: not known.";
    drawing("days-in-bands", foot + 56.0, "Days in each band", &(said.join("; ") + "."), &inside, caption)
}

/// Two bars for each bed: water needed and water got.
pub(super) fn balance(month: &Month) -> Markup {
    const ROW: f64 = 68.0;
    let known: Vec<&BedMonth> = month
        .beds
        .iter()
        .filter(|bed| bed.need_mm.is_some() || bed.got_mm.is_some())
        .take(BEDS_MOST)
        .collect();
    if known.is_empty() {
        return html! {};
    }
    let most = known.iter().flat_map(|bed| [bed.need_mm, bed.got_mm]).flatten().fold(1.0_f64, f64::max);
    // Room for the figure behind the longest bar.
    let scale = (WIDTH - 2.0 * SIDE - 130.0) / most;
    let mut said = Vec::new();
    let rows: Vec<Markup> = known
        .iter()
        .zip(0_u32..)
        .map(|(bed, row)| {
            let top = f64::from(row) * ROW + 18.0;
            let bars = [("needed", bed.need_mm, "bar-hollow"), ("got", bed.got_mm, "bar")];
            for (word, mm, _) in bars {
                said.push(format!("{} {word} {} mm", bed.name, words::known(mm, 1, "")));
            }
            html! {
                text x=(short(SIDE)) y=(short(top - 5.0)) { (fitting(&bed.name)) }
                @for ((word, mm, class), at) in bars.into_iter().zip(0_u32..) {
                    @let y = top + f64::from(at) * 20.0;
                    @let width = mm.map_or(0.0, |mm| (mm * scale).max(0.0));
                    @if mm.is_some() {
                        rect class=(class) x=(short(SIDE)) y=(short(y)) width=(short(width)) height="15" {}
                    }
                    text x=(short(SIDE + width + 5.0)) y=(short(y + 12.0)) {
                        @match mm {
                            Some(mm) => { (words::number(mm, 1)) " mm " (word) },
                            None => { (word) ": " (words::NOT_KNOWN) },
                        }
                    }
                }
            }
        })
        .collect();
    let inside = html! { @for row in &rows { (row) } };
    let height = known.len() as f64 * ROW;
    let caption = "Hollow: what the plants needed. Full: rain and watering. Only days of which all is known.";
    drawing("water-balance", height, "Water needed and got", &(said.join("; ") + "."), &inside, caption)
}

/// A dot plot of both sides: every value a mark.
pub(super) fn beside(it: &Beside, number: u32) -> Markup {
    let all = || it.first_values.iter().chain(&it.second_values).copied();
    let Some(axis) = Scale::covering(all()) else { return html! {} };
    let sides = [(&it.first_name, &it.first_values, true), (&it.second_name, &it.second_values, false)];
    let mean =
        |values: &[f64]| (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64);
    let inside = html! {
        @for ((label, values, first), row) in sides.into_iter().zip(0_u32..) {
            @let top = f64::from(row) * 54.0;
            text x=(short(SIDE)) y=(short(top + 14.0)) {
                (fitting(label)) ": " (words::counted(values.len(), "value", "values"))
                @if let Some(mean) = mean(values) { ", average " (words::number(mean, axis.decimals + 1)) }
            }
            (dots(&axis, values, top + 48.0, 30.0, first))
            @if let Some(mean) = mean(values) {
                (upright("mean", along(&axis, mean), top + 19.0, top + 49.0))
            }
        }
        (across(&axis, 112.0))
        text x=(short(SIDE)) y="148" { "One mark: one " (it.each.trim_start_matches("each ")) ", in " (it.unit) ". Upright line: average." }
    };
    let mut said = Vec::new();
    for (label, values, _) in sides {
        said.push(format!(
            "{label}: {} with an average of {} {}",
            words::counted(values.len(), "value", "values"),
            words::known(mean(values), 3, ""),
            it.unit
        ));
    }
    let height = 156.0;
    let title = format!("{}: {} and {}", it.what, it.first_name, it.second_name);
    drawing(&format!("beside-{number}"), height, &title, &(said.join("; ") + "."), &inside, "")
}
