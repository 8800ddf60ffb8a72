//! The month's charts over time.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::words;
use crate::analysis::month::{BedMonth, Month, TankMonth, WaterSource};
use crate::chart::{Bar, Chart, Event, Panel, Rule, Sign, Stroke, Trace, Zone};
use crate::history::Bin;
use crate::rain::rain_day_bounds;

/// Hours that one point of a trace stands for: a month in 4 points a day shows each
/// wetting and stays light.
const POINT_HOURS: i64 = 6;

fn chart(month: &Month, id: String, title: String, description: String, panels: Vec<Panel>) -> Chart {
    Chart {
        id,
        title,
        description,
        from: month.from,
        to: month.to,
        now: month.until,
        zone: month.time_zone.clone(),
        locale: month.local.locale(),
        panels,
        choice: None,
    }
}

/// Hours put together to stretches of `every` hours that begin with the month, each as
/// its middle and its bin.
fn stretches(hours: &[Bin], from: Timestamp, every: i64) -> Vec<(Timestamp, Bin)> {
    let length = every * 3600;
    let mut out: Vec<(i64, Bin)> = Vec::new();
    for bin in hours {
        let at = (bin.start.as_second() - from.as_second()).div_euclid(length);
        match out.last_mut() {
            Some((last, sum)) if *last == at => sum.merge(bin),
            _ => out.push((at, *bin)),
        }
    }
    let middle = |at: i64| Timestamp::from_second(from.as_second() + at * length + length / 2);
    out.into_iter().filter_map(|(at, bin)| Some((middle(at).ok()?, bin))).collect()
}

/// The means of a sensor's stretches as a trace, each number taken through `scale`.
fn trace(name: String, stroke: Stroke, hours: &[Bin], from: Timestamp, scale: f64) -> Trace {
    let stretches = stretches(hours, from, POINT_HOURS);
    let points = stretches.iter().filter_map(|(at, bin)| Some((*at, bin.mean()? * scale))).collect();
    Trace::new(name, stroke, points, SignedDuration::from_hours(POINT_HOURS * 2))
}

/// Midnight to midnight of a day, and its midday.
fn day(date: Date, zone: &TimeZone) -> Option<(Timestamp, Timestamp, Timestamp)> {
    let at = |date: Date, hour| zone.to_timestamp(date.at(hour, 0, 0, 0)).ok();
    Some((at(date, 0)?, at(date, 12)?, at(date.tomorrow().ok()?, 0)?))
}

/// A bed's water, and the rain and waterings below it.
pub(super) fn bed(month: &Month, bed: &BedMonth) -> Chart {
    const PERCENT: f64 = 100.0;
    let marks = [bed.wilting_point, bed.refill_point, bed.field_capacity].map(|mark| mark * PERCENT);
    let [wilting, refill, full] = marks;
    let mut water = Panel::new("Water in the soil", "%", 1);
    water.at_least = Some((wilting.min(refill) * 0.8, full * 1.1));
    let zones =
        [("below wilting", "zone-far"), ("dry", "zone-near"), ("moist", "zone-fine"), ("wet", "zone-wet")];
    water.zones = Zone::between(&marks, &zones);
    let rule = |at, name| Rule { at, label: format!("{name} {} %", words::number(at, 1)) };
    water.rules =
        vec![rule(wilting, "wilting point"), rule(refill, "refill point"), rule(full, "field capacity")];
    let days = bed.days.iter().filter_map(|it| {
        let (_, midday, _) = day(it.date, &month.time_zone)?;
        Some((midday, it.water_content? * PERCENT))
    });
    let gap = SignedDuration::from_hours(36);
    water.traces.push(Trace::new("root zone, each day's mean", Stroke::Bold, days.collect(), gap));
    let strokes = [Stroke::Fine, Stroke::Dashed, Stroke::Dotted].into_iter().cycle();
    for ((probe, depth_m), stroke) in bed.probes.iter().zip(strokes) {
        let Some(sensor) = month.sensors.iter().find(|it| it.id == *probe) else { continue };
        let name = format!("probe at {} cm", words::number(depth_m * 100.0, 0));
        water.traces.push(trace(name, stroke, &sensor.hours, month.from, PERCENT));
    }
    water.events = bed
        .wettings
        .iter()
        .filter(|wetting| month.from <= wetting.from && wetting.from < month.to)
        .map(|wetting| Event {
            at: wetting.from,
            sign: if wetting.cause == WaterSource::Rain { Sign::Rain } else { Sign::Water },
            words: format!("{}: {} wetter", words::cause(wetting.cause), words::percent(wetting.rise)),
        })
        .collect();
    let mut came = Panel::new("Water that came", "mm", 1);
    came.at_least = Some((0.0, 5.0));
    for it in &bed.days {
        let Some((from, middle, to)) = day(it.date, &month.time_zone) else { continue };
        // Two bars stand beside each other in a day.
        let mut bar = |from, to, value: f64, name: &str| {
            if value > 0.0 {
                came.bars.push(Bar { from, to, value, name: name.to_owned(), doubt: None });
            }
        };
        bar(from, middle, it.rain_mm.unwrap_or(0.0), "rain");
        bar(middle, to, it.watering_mm.unwrap_or(0.0), "watering");
    }
    let description = format!(
        "Percent of the soil's volume that is water, day by day, between wilting point {}, refill point {} and field \
         capacity {}; below it rain and watering of each day in millimetres.",
        words::number(wilting, 1),
        words::number(refill, 1),
        words::number(full, 1),
    );
    chart(
        month,
        format!("chart-bed-{}", bed.id),
        format!("Water in {}", bed.name),
        description,
        vec![water, came],
    )
}

/// The rain of each rain day.
pub(super) fn rain(month: &Month) -> Option<Chart> {
    let rain = month.rain.as_ref()?;
    let mut fell = Panel::new("Rain", "mm", 1);
    fell.at_least = Some((0.0, 5.0));
    fell.bars = rain
        .days
        .iter()
        .filter_map(|day| {
            let (from, to) = rain_day_bounds(day.date, &month.time_zone);
            Some(Bar {
                from: from.max(month.from),
                to,
                value: day.mm?,
                name: "rain".to_owned(),
                doubt: day.gap.then(|| "on some days at least so much: readings are missing".to_owned()),
            })
        })
        .collect();
    let description = format!(
        "Millimetres of rain on each rain day, 9 am to 9 am; {} mm in all.",
        words::number(rain.total_mm, 1)
    );
    Some(chart(month, "chart-rain".to_owned(), "Rain, day by day".to_owned(), description, vec![fell]))
}

/// A tank's water between what its fish bear.
pub(super) fn tank(month: &Month, tank: &TankMonth) -> Chart {
    let mut water = Panel::new("Temperature of the water", "°C", 1);
    water.at_least = Some((tank.cold_c - 1.0, tank.warm_c + 1.0));
    let zones = [("cold", "zone-wet"), ("suits them", "zone-fine"), ("warm", "zone-near")];
    water.zones = Zone::between(&[tank.cold_c, tank.warm_c], &zones);
    let thermometer = tank.thermometer.as_ref();
    if let Some(sensor) = month.sensors.iter().find(|it| Some(&it.id) == thermometer) {
        let mut it =
            trace(format!("thermometer {}", sensor.id), Stroke::Bold, &sensor.hours, month.from, 1.0);
        let stretches = stretches(&sensor.hours, month.from, POINT_HOURS);
        it.spread = stretches.iter().filter_map(|(_, bin)| bin.range()).collect();
        water.traces.push(it);
    }
    let description = format!(
        "Temperature of the water through the month; the fish want {} to {} °C.",
        words::number(tank.cold_c, 1),
        words::number(tank.warm_c, 1),
    );
    chart(
        month,
        format!("chart-tank-{}", tank.id),
        format!("Water of {}", tank.name),
        description,
        vec![water],
    )
}
