//! A bed's year, day by day, and its month beside others.

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::civil::Date;

use super::bed_chart::BedRecord;
use super::months_beside::{ComparedFigure, MonthPart, MonthsBeside, earlier_days};
use super::reader::PlaceReader;
use super::span::ShownSpan;
use crate::chart::Bar;
use crate::chart::calendar::{CalendarDay, DayGround, YearCalendar};
use crate::garden::patience_s;
use crate::garden::plan::Sensor;
use crate::garden::view::BedView;
use crate::history::{ProbeBins, RootZoneBin, root_zone_bins};
use crate::page::problem::Problem;

/// The calendar of the days shown that have begun, from the bed's root zone by the day and
/// the rain of each day. A day's ground is judged by its mean, between the marks that hold
/// at present.
pub(super) fn calendar(
    name: &str,
    view: &BedView,
    zone: &[RootZoneBin],
    rain: &[&Bar],
    shown: &ShownSpan,
) -> YearCalendar {
    let date_of = |at| shown.zone.to_datetime(at).date();
    let contents: BTreeMap<Date, f64> =
        zone.iter().map(|bin| (date_of(bin.start), bin.water_content)).collect();
    let mut fallen: BTreeMap<Date, f64> = BTreeMap::new();
    for bar in rain {
        *fallen.entry(date_of(bar.from)).or_default() += bar.value;
    }
    let day = |date: Date| CalendarDay {
        date,
        ground: contents.get(&date).map_or(DayGround::NotRead, |content| ground(*content, view)),
        rain_mm: fallen.get(&date).copied(),
    };
    let begun = shown.last.min(shown.today);
    let days = shown.first.series(1.day()).take_while(|date| *date <= begun).map(day).collect();
    YearCalendar { id: "calendar".to_owned(), title: format!("{name}, day by day"), days }
}

/// The bed's month beside others.
pub(super) async fn months_beside(
    reader: PlaceReader<'_>,
    bed: &BedRecord<'_>,
    zone: &[RootZoneBin],
) -> Result<MonthsBeside, Problem> {
    const WATER: ComparedFigure = ComparedFigure {
        title: "Water in the root zone",
        said: "{} of the soil's volume was water",
        unit: " %",
        words: ["more", "less", "as much as"],
    };
    let part = MonthPart::of(reader.shown);
    let sensors: Vec<&Sensor> = bed.probes.iter().map(|(sensor, _)| *sensor).collect();
    let percent =
        |bin: &RootZoneBin| (reader.shown.zone.to_datetime(bin.start).date(), bin.water_content * 100.0);
    let mut days: BTreeMap<Date, f64> = BTreeMap::new();
    for bins in earlier_days(reader, &sensors, part).await? {
        let probes: Vec<ProbeBins<'_>> = sensors
            .iter()
            .zip(&bins)
            .map(|(sensor, bins)| ProbeBins {
                depth_m: sensor.depth_m.unwrap_or(0.0),
                patience_s: patience_s(sensor.every_s),
                bins,
            })
            .collect();
        days.extend(root_zone_bins(&probes, bed.view.root_depth_m).iter().map(percent));
    }
    days.extend(zone.iter().map(percent));
    Ok(MonthsBeside::of(WATER, &days, part))
}

fn ground(content: f64, view: &BedView) -> DayGround {
    if content.is_nan() {
        DayGround::NotRead
    } else if content < view.refill_point {
        DayGround::Dry
    } else if content > view.field_capacity {
        DayGround::Wet
    } else {
        DayGround::Moist
    }
}
