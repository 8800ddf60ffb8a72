//! The tanks' days.

use super::span::MonthSpan;
use super::{SensorMonth, TankDay, TankMonth};
use crate::garden::plan::{Garden, Tank};
use crate::model::{Place, Quantity};

/// A tank's month, by the thermometer of it that was heard best. `sensors` are in the
/// order of the garden's file.
pub(super) fn tank_month(
    garden: &Garden,
    index: usize,
    tank: &Tank,
    sensors: &[SensorMonth],
    span: &MonthSpan,
) -> TankMonth {
    let own = garden.sensors.iter().zip(sensors).filter(|(plan, _)| {
        plan.measures == Quantity::WaterTemperature
            && matches!(plan.place, Place::Tank(place) if usize::from(place) == index)
    });
    let best = own.map(|(_, month)| month).reduce(|a, b| if b.complete() > a.complete() { b } else { a });
    let (cold_c, warm_c) = (tank.limits.cold_c, tank.limits.warm_c);
    let mut days: Vec<TankDay> = span
        .days
        .iter()
        .enumerate()
        .map(|(i, day)| {
            let of = best.and_then(|sensor| sensor.days.get(i));
            TankDay {
                date: day.date,
                mean_c: of.and_then(|day| day.mean),
                min_c: of.and_then(|day| day.min),
                max_c: of.and_then(|day| day.max),
                hours_cold: 0,
                hours_warm: 0,
                hours_known: 0,
            }
        })
        .collect();
    for (bin, mean_c) in best.iter().flat_map(|it| &it.hours).filter_map(|bin| Some((bin, bin.mean()?))) {
        if let Some(day) = span.day_of(bin.start.max(span.from)).and_then(|day| days.get_mut(day)) {
            day.hours_known += 1;
            day.hours_cold += u32::from(mean_c < cold_c);
            day.hours_warm += u32::from(mean_c > warm_c);
        }
    }
    let widest = days
        .iter()
        .filter_map(|day| Some((day.date, day.swing_c()?)))
        .reduce(|a, b| if b.1 > a.1 { b } else { a });
    TankMonth {
        id: tank.id.clone(),
        name: crate::text::labels::name(&tank.name),
        fish: tank.fish_name().to_owned(),
        cold_c,
        warm_c,
        thermometer: best.map(|sensor| sensor.id.clone()),
        days,
        widest,
    }
}
