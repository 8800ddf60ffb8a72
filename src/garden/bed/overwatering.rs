//! A bed that its timer gives more than its plants use.
//!
//! It is told where in the last ten whole days the programs of a bed gave at least a
//! third more than its plants used (FAO-56), and the soil meanwhile never used up half of
//! its readily available water: the water was not stored, it ran through. The advice is
//! how the timer would have to be set:
//!
//! ```text
//! every M = RAW / ETc of the thirstiest day        days, 14 at most
//! N = M x mean ETc x area / efficiency / (litres an hour) x 60     minutes
//! ```
//!
//! so that the soil is filled when its readily available water is used up (FAO-56 chapter
//! 8). Rain is left out: with rain it needs less. The ten days, the third and the half are
//! this project's own.
//!
//! # Where it stops holding
//!
//! What ran is known from the bed's own water meter, else from the timer's program, where its
//! water has shown at the bed's probe and as long as no run is known to have failed. The
//! litres an hour are the garden file's. Of a bed whose crop the file does not name the most
//! that a crop uses is taken, so that only what is too much for any is told. Where it is known that seedlings stand there (three
//! weeks from planting), nothing is said.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::alarms::{AlarmText, Delays, Input, Kind};
use crate::evapotranspiration::crop_evapotranspiration;
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::bed::proposals::days_words;
use crate::garden::record::Batch;
use crate::garden::site::{BedWater, SiteState};
use crate::garden::wetting::cause::MeterEvidence;
use crate::model::Place;
use crate::soil::litres_to_fill;
use crate::text::spoken;
use crate::watering::{Irrigation, ProgramDays};
use crate::why::{Check, Equation, Why};

const SOURCE: &str = "FAO-56 chapter 8: water when readily available water is used up; the ten days and the third more \
                      are this project's own";
/// Whole days that are looked at.
const DAYS: i64 = 10;
/// Days of them whose weather must be known.
const NEEDS_LEAST: usize = 7;
/// Runs that make a program.
const RUNS_LEAST: usize = 3;
/// Part of readily available water that was used at most: the soil is moist throughout.
pub(crate) const NEVER_DRIER: f64 = 0.5;
/// What was given in times of what was used.
pub(crate) const MORE_THAN: f64 = 4.0 / 3.0;
/// The largest coefficient of the crops of FAO-56 table 12 that gardens grow. A bed whose
/// crop the file does not name uses no more, so that what is more than that is too much.
const THIRSTIEST: f64 = 1.2;
/// Longest time between two runs that is advised, days.
const EVERY_MOST_D: f64 = 14.0;
/// Longest run that is advised, minutes.
const RUN_LONGEST_MIN: f64 = 240.0;

/// How a timer is set by need.
pub(crate) const TIMER_SETTING: Equation = Equation {
    gives: "how the timer is set",
    form: "M = RAW / largest ETc, N = M x mean ETc x area / efficiency / (litres an hour) x 60, up to whole fives",
    source: "FAO-56 chapter 8, eq. 83; arithmetic",
    check: Check::Arithmetic,
};

/// How often and for how long a timer should run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct TimerSetting {
    pub(crate) every_d: u16,
    pub(crate) minutes: u16,
}

impl TimerSetting {
    /// From what may be used before the plants suffer and what they use in a day, mm.
    pub(crate) fn of(
        readily_mm: f64,
        (mean_mm, most_mm): (f64, f64),
        area_m2: f64,
        irrigation: &Irrigation,
    ) -> Option<Self> {
        if !(mean_mm > 0.0 && most_mm > 0.0) {
            return None;
        }
        let minutes_a_day =
            litres_to_fill(mean_mm, area_m2, irrigation.efficiency) / irrigation.litres_per_hour * 60.0;
        let every = (readily_mm / most_mm).min(EVERY_MOST_D).min(RUN_LONGEST_MIN / minutes_a_day);
        let every = every.floor().max(1.0);
        // Timers are set in fives.
        let minutes = 5.0 * (every * minutes_a_day / 5.0).ceil();
        (minutes <= 1440.0).then_some(Self { every_d: every as u16, minutes: minutes as u16 })
    }
}

/// What a bed got from its timer and what its plants used, over [`DAYS`].
#[derive(Clone, Copy, Debug, PartialEq)]
struct TimerSurplus {
    given_l: f64,
    used_l: f64,
    metered: bool,
    setting: TimerSetting,
    readily_mm: f64,
    /// Mean and largest use of a day, mm.
    use_mm: (f64, f64),
}

impl SiteState {
    /// Takes a bed's water, known whole; judges at the first reading of each local day.
    pub(crate) fn watch_overwatering(
        &mut self,
        index: u16,
        at: Timestamp,
        water: &BedWater,
        batch: &mut Batch,
    ) {
        let local = self.garden.site.time_zone.to_datetime(at);
        let used = water.depletion_mm / water.readily_available_mm;
        if !self.beds[usize::from(index)].driest.push(local.date(), local.hour(), used) {
            return;
        }
        let input = match self.timer_surplus(index, at, local.date()) {
            None => Input::Unknown,
            Some(None) => Input::Clear,
            Some(Some(_)) => Input::Breach,
        };
        let delays = Delays { on_s: 0, off_s: 0, ..self.garden.rules[Kind::WateredTooMuch].delays };
        let subject = AlarmPlace::Bed(index).alarm(Kind::WateredTooMuch);
        self.judge_within(delays, subject, at, input, batch, |site, active| {
            let surplus = site.timer_surplus(index, at, local.date()).flatten();
            match surplus.filter(|_| active) {
                Some(surplus) => site.surplus_words(index, at, &surplus),
                None => {
                    let name = &site.garden.bed(index).name;
                    let text =
                        format!("{name} no longer gets clearly more water from its timer than it uses.");
                    AlarmText::new(text, &[], SOURCE)
                }
            }
        });
    }

    /// What the timer gave beyond what was used, up to the beginning of `today`: `None`
    /// where that is not known, `Some(None)` where it is not too much.
    fn timer_surplus(&self, index: u16, at: Timestamp, today: Date) -> Option<Option<TimerSurplus>> {
        let garden = &self.garden;
        let bed = garden.bed(index);
        let own = || (0usize..).zip(&garden.programs).filter(|(_, program)| program.beds.contains(&index));
        if own().next().is_none() {
            return Some(None);
        }
        let irrigation = bed.irrigation?;
        if own().any(|(number, _)| self.programs[number].missed.is_some()) {
            return None;
        }
        // Seedlings cannot wait for days.
        if self.has_seedlings(index, today) {
            return Some(None);
        }
        let zone = &garden.site.time_zone;
        let first = today.checked_sub(jiff::ToSpan::days(DAYS)).ok()?;
        let midnight = |date: Date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok();
        let (from, to) = (midnight(first)?, midnight(today)?);
        let driest = self.beds[usize::from(index)].driest.most(first, today)?;
        if driest > NEVER_DRIER {
            return Some(None);
        }
        let (mut runs, mut minutes) = (0_usize, 0.0);
        for (_, program) in own() {
            let last = to.checked_sub(jiff::SignedDuration::from_secs(1)).unwrap_or(to);
            let starts = program.timetable.starts_between(zone, from, last).len();
            runs += starts;
            minutes += starts as f64 * f64::from(program.timetable.minutes);
        }
        if runs < RUNS_LEAST {
            return Some(None);
        }
        let uses: Vec<f64> = first
            .series(jiff::ToSpan::days(1))
            .take_while(|date| *date < today)
            .filter_map(|date| self.used_at_most_mm_on(index, date))
            .collect();
        if uses.len() < NEEDS_LEAST {
            return None;
        }
        let mean_mm = uses.iter().sum::<f64>() / uses.len() as f64;
        let (given_l, metered) = match self.meter_between(Place::Bed(index), from, to) {
            MeterEvidence::Ran { litres, .. } => (litres, true),
            MeterEvidence::Dry { .. } => return Some(None),
            // A program that is written down and has never shown may not run at all.
            MeterEvidence::Silent { .. } | MeterEvidence::None
                if own().any(|(number, _)| !self.programs[number].watch.has_shown(index, 0.0)) =>
            {
                return None;
            }
            MeterEvidence::Silent { .. } | MeterEvidence::None => {
                (irrigation.litres_per_hour * minutes / 60.0, false)
            }
        };
        let use_mm = (mean_mm, uses.iter().copied().fold(0.0, f64::max));
        let used_l = litres_to_fill(mean_mm * DAYS as f64, bed.area_m2, irrigation.efficiency);
        if given_l < MORE_THAN * used_l {
            return Some(None);
        }
        let readily_mm = self.root_zone_today(index, at).readily_available_mm();
        let setting = TimerSetting::of(readily_mm, use_mm, bed.area_m2, &irrigation)?;
        Some(Some(TimerSurplus { given_l, used_l, metered, setting, readily_mm, use_mm }))
    }

    /// What a bed's plants used on a local date, mm, where its weather is known; of a bed
    /// whose crop is not known, what the thirstiest of the table would have used.
    fn used_at_most_mm_on(&self, index: u16, date: Date) -> Option<f64> {
        let reference_mm = self.reference_mm_on(date)?;
        let coefficient = match self.coefficient(index, date) {
            Ok((coefficient, ..)) => coefficient,
            Err(_) if self.is_of_unknown_crop(index) => THIRSTIEST,
            Err(_) => return None,
        };
        crop_evapotranspiration(reference_mm, coefficient).ok().map(|(mm, _)| mm)
    }

    /// Whether the garden's file names no crop of the table.
    fn is_of_unknown_crop(&self, index: u16) -> bool {
        self.garden.bed(index).crop.is_none()
    }

    fn surplus_words(&self, index: u16, at: Timestamp, it: &TimerSurplus) -> AlarmText {
        let garden = &self.garden;
        let (bed, zone) = (garden.bed(index), &garden.site.time_zone);
        let every =
            days_words(&ProgramDays::Every { days: it.setting.every_d, from: jiff::civil::date(2024, 1, 1) });
        let next = garden
            .programs
            .iter()
            .filter(|program| program.beds.contains(&index))
            .filter_map(|program| program.timetable.next_start(zone, at, 31))
            .min();
        let by = next.map_or_else(
            || spoken::WHEN.to_owned(),
            |next| format!("before its next run, at {}", spoken::moment(next, zone)),
        );
        let how = if it.metered { "its water meter counted" } else { "its timer gave" };
        let most = if self.is_of_unknown_crop(index) { "at most " } else { "" };
        let others = garden.programs.iter().filter(|it| it.beds.contains(&index)).any(|it| it.beds.len() > 1);
        let others = if others { " Look first what the other beds on it need." } else { "" };
        let text = format!(
            "{} gets more water than it uses: in {DAYS} days {how} about {}, its plants used {most}about {}, and the rest ran past \
             their roots.{others} Set the timer to {} {every}, {by}. Leave it as it is while seedlings or new plants \
             stand there. That saves about {} a week. Trug tells if the bed gets too dry.",
            bed.name,
            spoken::litres(it.given_l),
            spoken::litres(it.used_l),
            spoken::duration(60 * i64::from(it.setting.minutes)),
            spoken::litres((it.given_l - it.used_l) * 7.0 / DAYS as f64),
        );
        let values = [
            ("given_l", it.given_l),
            ("used_l", it.used_l),
            ("days", DAYS as f64),
            ("minutes", f64::from(it.setting.minutes)),
            ("every_days", f64::from(it.setting.every_d)),
        ];
        let zone_today = self.root_zone_today(index, at);
        let litres_per_hour = bed.irrigation.map_or(f64::NAN, |irrigation| irrigation.litres_per_hour);
        let why: Why = vec![
            zone_today.total_available_step(),
            zone_today.readily_available_step(),
            TIMER_SETTING.step(format!(
                "{:.1} mm / {:.1} mm a day = every {} days; {} x {:.1} mm x {:.1} m2 / {:.2} / {litres_per_hour:.0} L/h x 60 = \
                 {} min",
                it.readily_mm,
                it.use_mm.1,
                it.setting.every_d,
                it.setting.every_d,
                it.use_mm.0,
                bed.area_m2,
                bed.efficiency(),
                it.setting.minutes
            )),
        ];
        AlarmText::new(text, &values, SOURCE).because(why)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_crop_of_the_table_uses_more_than_the_thirstiest() {
        let most =
            crate::soil::CROPS.iter().flat_map(|crop| crop.uses).map(|it| it.single.mid).fold(0.0, f64::max);
        assert!((most - THIRSTIEST).abs() < 1e-9, "{most}");
    }

    /// 120 L an hour at nine tenths on 7.2 m²: each millimetre is 8 L, 4 minutes.
    #[test]
    fn a_timer_is_set_by_need_and_by_what_the_soil_holds() {
        let irrigation = Irrigation { litres_per_hour: 120.0, efficiency: 0.9 };
        let set = |readily_mm, use_mm| {
            TimerSetting::of(readily_mm, use_mm, 7.2, &irrigation).map(|it| (it.minutes, it.every_d))
        };
        // 19.1 / 4.5 is 4 days; 4 x 3.0 mm x 4 minutes.
        assert_eq!(set(19.1, (3.0, 4.5)), Some((50, 4)));
        // Seedlings hold less than a day's use.
        assert_eq!(set(3.0, (3.0, 4.5)), Some((15, 1)));
        // 240 minutes hold 60 mm, 20 days of 3 mm; a fortnight at most.
        assert_eq!(set(100.0, (3.0, 3.0)), Some((170, 14)));
        assert_eq!(set(19.1, (0.0, 0.0)), None);
    }
}
