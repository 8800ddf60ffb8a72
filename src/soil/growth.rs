//! Which growth stage a crop is in, by the date of planting.
//!
//! FAO-56 chapter 6: the lengths of the stages are those of Table 11, of the row
//! whose planting month is nearest (months are the northern half's; south of the
//! equator they count six months on), or the garden's own. Trees begin their
//! season each year on the first day of the month that the table gives.
//!
//! # Where it stops holding
//!
//! The paper calls the lengths examples that vary with variety, climate and
//! season; the garden's own are better. Choosing the row by its month is ours.
//! After a tree's last day it is leafless, and no coefficient is given.

use jiff::civil::Date;

use super::coefficient::{Lengths, Stage};
use super::crops::{Crop, CropUse};
use super::stages::StageRow;
use crate::why::Step;

/// Above this distance from the equator the table's "high latitudes" are meant
/// (degrees); the paper gives no number, this one is ours.
const HIGH_LATITUDE_DEG: f64 = 45.0;

/// What is known of a planting.
#[derive(Clone, Copy, Debug)]
pub struct Planting {
    /// `None`: the crop is not of the table.
    pub crop: Option<&'static Crop>,
    /// Needed for all but trees.
    pub planted: Option<Date>,
    /// The garden's own lengths, in place of the table's.
    pub lengths: Option<Lengths>,
    /// Degrees north.
    pub latitude_deg: f64,
}

/// Where a crop stands in its season.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GrowthDay {
    pub stage: Stage,
    /// Day of the season, from 1.
    pub day: u16,
    pub lengths: Lengths,
    /// Where the table's lengths were seen; `None`: they are the garden's own.
    pub region: Option<&'static str>,
    pub used: &'static CropUse,
    /// Crop coefficient of the day.
    pub coefficient: f64,
}

/// A day of a crop's season.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeasonDay {
    pub stage: Stage,
    /// From 1.
    pub day: u16,
    pub lengths: Lengths,
    /// Where the table's lengths were seen; `None`: they are the garden's own.
    pub region: Option<&'static str>,
}

/// Why a growth stage or a coefficient is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum GrowthUnknown {
    #[error("nothing grows in it")]
    Fallow,
    #[error("the garden file names no crop of the table")]
    NoCrop,
    #[error("the garden file gives no date of planting (planted)")]
    NotPlanted,
    #[error("FAO-56 table 12 has no row for this crop")]
    NoCoefficients,
    #[error(
        "FAO-56 table 11 has no stage lengths for this crop; the garden file can give its own (stage_days)"
    )]
    NoLengths,
    #[error("it is planted only in {days} days")]
    Ahead { days: i32 },
    #[error("its season of {total} days ended {days} days ago")]
    Over { days: i32, total: u16 },
}

impl Planting {
    /// Where the crop stands on a day.
    ///
    /// # Errors
    ///
    /// Says what is missing, or that the day lies outside the season.
    pub fn on(&self, date: Date) -> Result<GrowthDay, GrowthUnknown> {
        let crop = self.crop.ok_or(GrowthUnknown::NoCrop)?;
        let used = crop.uses.first().ok_or(GrowthUnknown::NoCoefficients)?;
        let SeasonDay { stage, day, lengths, region } = self.season_day(date)?;
        let over = || GrowthUnknown::Over {
            days: i32::from(day) - i32::from(lengths.total_d()),
            total: lengths.total_d(),
        };
        let coefficient = used.single.on_day(day, &lengths).ok_or_else(over)?;
        Ok(GrowthDay { stage, day, lengths, region, used, coefficient })
    }

    /// The day of the season, also of a crop that is not of the table, where the garden
    /// gives its stages.
    ///
    /// # Errors
    ///
    /// Says what is missing, or that the day lies outside the season.
    pub fn season_day(&self, date: Date) -> Result<SeasonDay, GrowthUnknown> {
        let tree = self.crop.is_some_and(|crop| crop.tree);
        if !tree && self.planted.is_none() {
            return Err(GrowthUnknown::NotPlanted);
        }
        if let Some(days) = self.planted.map(|planted| days_between(date, planted)).filter(|days| *days > 0) {
            return Err(GrowthUnknown::Ahead { days });
        }
        let row = self.crop.and_then(|crop| if crop.tree { self.tree_row(crop) } else { self.row(crop) });
        let (lengths, region) = match (self.lengths, row) {
            (Some(own), _) => (own, None),
            (None, Some(row)) => (row.lengths, Some(row.region)),
            (None, None) => return Err(GrowthUnknown::NoLengths),
        };
        let start = match (tree, self.planted, row) {
            (true, _, Some(row)) => self.season_start(row, date).ok_or(GrowthUnknown::NoLengths)?,
            (_, Some(planted), _) => planted,
            (_, None, _) => return Err(GrowthUnknown::NotPlanted),
        };
        let total = lengths.total_d();
        let mut day = days_between(start, date) + 1;
        // A season of a whole year has no gap before the next one, and a leap
        // year has a day more.
        if tree && total == 365 {
            day = day.min(365);
        }
        let over = GrowthUnknown::Over { days: day - i32::from(total), total };
        let day = u16::try_from(day).map_err(|_| over)?;
        let stage = lengths.stage(day).ok_or(over)?;
        Ok(SeasonDay { stage, day, lengths, region })
    }

    /// The row whose planting month is nearest; the crop's own before those of
    /// its family, and the first of equals.
    fn row(&self, crop: &Crop) -> Option<&'static StageRow> {
        let month = self.planted?.month();
        crop.stages.iter().flat_map(|rows| rows.iter()).min_by_key(|row| {
            row.months.iter().map(|m| months_apart(self.local_month(*m), month)).min().unwrap_or(i8::MAX)
        })
    }

    /// The row of these latitudes, else the first.
    fn tree_row(&self, crop: &Crop) -> Option<&'static StageRow> {
        let here =
            if self.latitude_deg.abs() < HIGH_LATITUDE_DEG { "low latitudes" } else { "high latitudes" };
        let rows = crop.stages.first()?;
        rows.iter().find(|row| row.region == here).or_else(|| rows.first())
    }

    /// The last first day of a tree's season on or before `date`.
    fn season_start(&self, row: &StageRow, date: Date) -> Option<Date> {
        let month = self.local_month(*row.months.first()?);
        let year = if month <= date.month() { date.year() } else { date.year() - 1 };
        Date::new(year, month, 1).ok()
    }

    /// A month of the table on this half of the earth.
    fn local_month(&self, month: i8) -> i8 {
        if self.latitude_deg < 0.0 { (month + 5) % 12 + 1 } else { month }
    }
}

impl GrowthDay {
    /// "development stage, day 48 of 165".
    pub fn words(&self) -> String {
        format!("{}, day {} of {}", self.stage.name(), self.day, self.lengths.total_d())
    }

    /// Where the lengths of the stages are from.
    pub fn lengths_source(&self) -> String {
        let l = &self.lengths;
        let days = format!("{}, {}, {} and {} days", l.initial_d, l.development_d, l.mid_d, l.late_d);
        match self.region {
            Some(region) => format!("stages of {days} (FAO-56 table 11, as in {region})"),
            None => format!("stages of {days} (the garden file's own)"),
        }
    }

    /// The step to the coefficient.
    pub fn step(&self) -> Option<Step> {
        let mut step = self.used.single.day_step(self.day, &self.lengths)?;
        step.with = format!("{}; {}", step.with, self.lengths_source());
        Some(step)
    }
}

/// Months from one to the other, the shorter way round the year.
fn months_apart(a: i8, b: i8) -> i8 {
    let apart = (a - b).abs();
    apart.min(12 - apart)
}

/// Days from one date to another; far dates count as far.
fn days_between(from: Date, to: Date) -> i32 {
    to.since(from).map_or(i32::MAX / 2, |span| span.get_days())
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::soil::crop;

    const ADELAIDE_DEG: f64 = -34.93;

    fn planting(name: &str, planted: Option<Date>, latitude_deg: f64) -> Planting {
        Planting { crop: crop(name), planted, lengths: None, latitude_deg }
    }

    #[test]
    fn the_table_turns_round_with_the_half_of_the_earth() {
        // Cabbage of the Californian desert goes in in September: in March here.
        let south = planting("cabbage", Some(date(2026, 3, 12)), ADELAIDE_DEG);
        let growth = south.on(date(2026, 4, 28)).expect("in the season");
        assert_eq!(growth.region, Some("the Californian desert"));
        assert_eq!((growth.stage, growth.day), (Stage::Development, 48));
        assert!((growth.coefficient - (0.7 + 8.0 / 60.0 * 0.35)).abs() < 1e-12);
        // In the north March is nearest to the cabbage family's April or February.
        let north = planting("cabbage", Some(date(2026, 3, 12)), 43.0);
        assert_eq!(north.on(date(2026, 4, 28)).expect("in the season").region, Some("the Mediterranean"));
    }

    #[test]
    fn the_day_of_planting_is_the_first_and_the_last_day_is_the_last() {
        let radishes = planting("radishes", Some(date(2026, 9, 1)), ADELAIDE_DEG);
        assert_eq!(radishes.on(date(2026, 8, 30)), Err(GrowthUnknown::Ahead { days: 2 }));
        let first = radishes.on(date(2026, 9, 1)).expect("planted");
        assert_eq!((first.day, first.stage, first.lengths.total_d()), (1, Stage::Initial, 35));
        let last = radishes.on(date(2026, 10, 5)).expect("last day");
        assert_eq!((last.day, last.stage), (35, Stage::Late));
        assert!((last.coefficient - 0.85).abs() < 1e-12);
        assert_eq!(radishes.on(date(2026, 10, 6)), Err(GrowthUnknown::Over { days: 1, total: 35 }));
    }

    #[test]
    fn what_is_missing_is_named() {
        let on = |p: Planting| p.on(date(2026, 4, 1));
        assert_eq!(on(planting("no such crop", None, 0.0)), Err(GrowthUnknown::NoCrop));
        assert_eq!(on(planting("cabbage", None, 0.0)), Err(GrowthUnknown::NotPlanted));
        let mint = planting("mint", Some(date(2026, 3, 1)), 0.0);
        assert_eq!(on(mint), Err(GrowthUnknown::NoLengths));
        let own = Lengths { initial_d: 20, development_d: 20, mid_d: 200, late_d: 30 };
        let growth = on(Planting { lengths: Some(own), ..mint }).expect("own lengths");
        assert_eq!((growth.stage, growth.day, growth.region), (Stage::Development, 32, None));
        assert_eq!(growth.lengths_source(), "stages of 20, 20, 200 and 30 days (the garden file's own)");
    }

    #[test]
    fn a_tree_begins_its_season_each_year_without_a_planting() {
        let apples = planting("apples cherries pears", None, ADELAIDE_DEG);
        let spring = apples.on(date(2026, 9, 1)).expect("leaf");
        assert_eq!((spring.day, spring.region), (1, Some("low latitudes")));
        assert_eq!(apples.on(date(2027, 3, 1)).expect("summer").day, 182);
        assert!(matches!(apples.on(date(2026, 7, 1)), Err(GrowthUnknown::Over { total: 270, .. })));
        let citrus = planting("citrus 50% canopy", None, ADELAIDE_DEG);
        for day in 0..800 {
            let on = date(2027, 1, 1).checked_add(jiff::ToSpan::days(day)).expect("a date");
            assert!(citrus.on(on).is_ok(), "{on}");
        }
    }

    #[test]
    fn every_crop_of_the_table_with_stages_has_a_day_in_each() {
        for crop in super::super::CROPS.iter().filter(|c| !c.stages.is_empty()) {
            for latitude_deg in [ADELAIDE_DEG, 52.0] {
                for month in 1..=12 {
                    let planted = date(2026, month, 28);
                    let p =
                        Planting { crop: Some(crop), planted: Some(planted), lengths: None, latitude_deg };
                    match p.on(planted) {
                        Ok(growth) => assert!((0.2..=1.3).contains(&growth.coefficient), "{}", crop.name),
                        Err(GrowthUnknown::Over { .. }) if crop.tree => {}
                        Err(other) => panic!("{} planted {planted}: {other}", crop.name),
                    }
                }
            }
        }
    }
}
