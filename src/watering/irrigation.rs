//! Water for a bed: how many litres and minutes, and when they may run.
//!
//! ```text
//! litres  = depletion (mm) x area (m²) / efficiency     1 mm on 1 m² is 1 L
//! minutes = litres / (litres an hour) x 60
//! ```
//!
//! The minutes go into the allowed hours that remain, as early as they may:
//! those of today first, then the next days'. Hours are of the local clock;
//! where it changes, an edge that comes twice or not at all is taken so that no
//! water runs in a minute that may be outside.
//!
//! # Where it stops holding
//!
//! Soil takes water only so fast. Where it runs off, give it in parts.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::watering::AllowedHours;
use crate::why::{Check, Equation, Step};

/// How a bed is watered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Irrigation {
    /// Litres an hour for the whole bed, above 0.
    pub litres_per_hour: f64,
    /// Part of the water that reaches the root zone, above 0 to 1.
    pub efficiency: f64,
}

/// How far ahead allowed hours are looked for, local days with today.
pub const DAYS_AHEAD: i64 = 7;

/// Litres to field capacity.
pub(super) const LITRES: Equation = Equation {
    gives: "litres that bring the bed to field capacity",
    form: "litres = depletion x area / efficiency; 1 mm on 1 m2 is 1 L",
    source: "arithmetic; efficiency is the garden file's",
    check: Check::Arithmetic,
};

/// Minutes of watering.
pub(super) const MINUTES: Equation = Equation {
    gives: "minutes of the bed's own watering",
    form: "minutes = litres / litres an hour x 60",
    source: "arithmetic; litres an hour are the garden file's",
    check: Check::Arithmetic,
};

/// One run of a bed's watering.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlannedRun {
    pub from: Timestamp,
    pub to: Timestamp,
    pub litres: f64,
    /// The allowed stretch that it lies in ends here.
    pub allowed_to: Timestamp,
}

/// When water may run.
#[derive(Clone, Debug, PartialEq)]
pub enum Runs {
    /// The bed wants no water.
    NoneWanted,
    /// No minute of any day is allowed.
    NoAllowedHours,
    /// Runs in order of time; never empty.
    Planned {
        runs: Vec<PlannedRun>,
        /// Litres that the allowed hours of [`DAYS_AHEAD`] days do not hold; 0 if all fit.
        over_l: f64,
    },
}

/// Minutes that litres take. 1440 minutes are a day.
pub fn minutes(litres: f64, irrigation: &Irrigation) -> f64 {
    litres / irrigation.litres_per_hour * 60.0
}

/// The step to the litres that bring a bed to field capacity.
pub fn litres_step(depletion_mm: f64, area_m2: f64, efficiency: f64, litres: f64) -> Step {
    LITRES.step(if depletion_mm > 0.0 {
        format!("{depletion_mm:.1} mm x {area_m2:.1} m2 / {efficiency:.2} = {litres:.1} L")
    } else {
        "at field capacity or wetter: 0 L".to_owned()
    })
}

/// The step to the minutes of a bed's own watering.
pub fn minutes_step(litres: f64, irrigation: &Irrigation) -> Step {
    let minutes = minutes(litres, irrigation);
    MINUTES.step(format!("{litres:.1} L / {:.0} L/h x 60 = {minutes:.0} min", irrigation.litres_per_hour))
}

/// Puts `litres` at `litres_per_hour` into the allowed hours from `now` on.
pub fn runs(
    litres: f64,
    litres_per_hour: f64,
    hours: AllowedHours<'_>,
    zone: &TimeZone,
    now: Timestamp,
) -> Runs {
    if litres <= 0.0 {
        return Runs::NoneWanted;
    }
    let (mut runs, mut left_l) = (Vec::new(), litres);
    for (from, allowed_to) in stretches(hours, zone, now, usize::MAX) {
        let holds_l = hours_between(from, allowed_to) * litres_per_hour;
        let (to, litres) = if holds_l < left_l {
            (allowed_to, holds_l)
        } else {
            let ms = (left_l / litres_per_hour * 3_600_000.0).round() as i64;
            (from.saturating_add(jiff::SignedDuration::from_millis(ms)).unwrap_or(allowed_to), left_l)
        };
        runs.push(PlannedRun { from, to, litres, allowed_to });
        left_l -= litres;
        if left_l <= 0.0 {
            break;
        }
    }
    if runs.is_empty() { Runs::NoAllowedHours } else { Runs::Planned { runs, over_l: left_l.max(0.0) } }
}

/// When water may begin to run: the stretch of allowed time that holds `now` or
/// comes next, as (from, to). `None` where no minute is allowed.
pub fn next_stretch(
    hours: AllowedHours<'_>,
    zone: &TimeZone,
    now: Timestamp,
) -> Option<(Timestamp, Timestamp)> {
    stretches(hours, zone, now, 1).into_iter().next()
}

/// The first `most` stretches of allowed time from `now` on, intervals that meet (at
/// midnight) in one.
fn stretches(
    hours: AllowedHours<'_>,
    zone: &TimeZone,
    now: Timestamp,
    most: usize,
) -> Vec<(Timestamp, Timestamp)> {
    let mut stretches: Vec<(Timestamp, Timestamp)> = Vec::new();
    let today = zone.to_datetime(now).date();
    for day in 0..DAYS_AHEAD {
        let Ok(date) = today.checked_add(jiff::ToSpan::days(day)) else { break };
        for &(from, to) in hours.on(date).intervals() {
            let (Some(from), Some(to)) =
                (instant(zone, date, from, Edge::From), instant(zone, date, to, Edge::To))
            else {
                continue;
            };
            let from = from.max(now);
            if from >= to {
                continue;
            }
            let count = stretches.len();
            match stretches.last_mut() {
                Some(last) if last.1 >= from => last.1 = last.1.max(to),
                _ if count == most => return stretches,
                _ => stretches.push((from, to)),
            }
        }
    }
    stretches
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Edge {
    From,
    To,
}

/// The instant of a local minute (0 to 1440). Where the clock changes an edge
/// may come twice or not at all: a beginning is then the later instant and an
/// end the earlier one.
fn instant(zone: &TimeZone, date: Date, minute: u16, edge: Edge) -> Option<Timestamp> {
    let (date, minute) = if minute >= 1440 { (date.tomorrow().ok()?, 0) } else { (date, minute) };
    let local = date.at((minute / 60) as i8, (minute % 60) as i8, 0, 0);
    let ambiguous = zone.to_ambiguous_timestamp(local);
    match edge {
        Edge::From => ambiguous.later().ok(),
        Edge::To => ambiguous.earlier().ok(),
    }
}

fn hours_between(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64() / 3600.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::LocalHours;
    use crate::watering::{WateringMethod, WateringMethods, WateringRule, WateringRules, minute_of_day};

    fn adelaide() -> TimeZone {
        TimeZone::get("Australia/Adelaide").expect("bundled")
    }

    fn every_day(intervals: &[(u16, u16)]) -> WateringRules {
        LocalHours::new(intervals.to_vec()).into()
    }

    fn usual() -> WateringRules {
        every_day(&[(0, 540), (1080, 1440)])
    }

    fn at(local: &str) -> Timestamp {
        let local: jiff::civil::DateTime = local.parse().expect("a date-time");
        adelaide().to_timestamp(local).expect("unambiguous")
    }

    fn planned(litres: f64, hours: &WateringRules, now: &str) -> (Vec<(String, String, f64)>, f64) {
        match runs(litres, 120.0, hours.into(), &adelaide(), at(now)) {
            Runs::Planned { runs, over_l } => {
                let clock = |t: Timestamp| adelaide().to_datetime(t).to_string();
                (runs.iter().map(|r| (clock(r.from), clock(r.to), r.litres)).collect(), over_l)
            }
            other => panic!("{other:?}"),
        }
    }

    fn run(from: &str, to: &str, litres: f64) -> (String, String, f64) {
        (from.to_owned(), to.to_owned(), litres)
    }

    #[test]
    fn all_runs_now_where_it_may_and_fits() {
        let (runs, over_l) = planned(64.0, &usual(), "2026-04-07T07:00:00");
        assert_eq!(runs, [run("2026-04-07T07:00:00", "2026-04-07T07:32:00", 64.0)]);
        assert!(over_l.abs() < 1e-12);
    }

    #[test]
    fn what_does_not_fit_before_nine_waits_for_the_evening() {
        let (runs, _) = planned(130.0, &usual(), "2026-04-07T08:20:00");
        assert_eq!(
            runs,
            [
                run("2026-04-07T08:20:00", "2026-04-07T09:00:00", 80.0),
                run("2026-04-07T18:00:00", "2026-04-07T18:25:00", 50.0),
            ]
        );
    }

    #[test]
    fn hours_that_meet_at_midnight_are_one_stretch() {
        let (runs, _) = planned(480.0, &usual(), "2026-04-07T22:00:00");
        assert_eq!(runs, [run("2026-04-07T22:00:00", "2026-04-08T02:00:00", 480.0)]);
    }

    #[test]
    fn the_last_second_of_a_stretch_is_outside() {
        let (runs, _) = planned(64.0, &usual(), "2026-04-07T09:00:00");
        assert_eq!(runs, [run("2026-04-07T18:00:00", "2026-04-07T18:32:00", 64.0)]);
    }

    /// Sprinklers on Saturdays alone; 7 April 2026 is a Tuesday.
    #[test]
    fn water_waits_for_the_day_that_a_rule_allows() {
        let mut rules = usual();
        rules.rules.push(WateringRule {
            name: String::new(),
            methods: WateringMethods::one(WateringMethod::Sprinkler),
            days: std::array::from_fn(|day| day == 5),
            month_days: crate::watering::MonthDays::Every,
            from: None,
            to: None,
            hours: LocalHours::new(vec![(1080, 1200)]),
        });
        let next = |method| {
            let hours = rules.all(WateringMethods::one(method));
            let (from, to) = next_stretch(hours, &adelaide(), at("2026-04-07T12:00:00")).expect("hours");
            [from, to].map(|it| adelaide().to_datetime(it).to_string())
        };
        assert_eq!(next(WateringMethod::Sprinkler), ["2026-04-11T18:00:00", "2026-04-11T20:00:00"]);
        assert_eq!(next(WateringMethod::Drip), ["2026-04-07T18:00:00", "2026-04-08T09:00:00"]);
    }

    #[test]
    fn more_than_a_week_holds_is_told() {
        let minutes = every_day(&[(300, 310)]);
        let (runs, over_l) = planned(200.0, &minutes, "2026-04-07T12:00:00");
        assert_eq!(runs.len(), 6);
        assert!((over_l - (200.0 - 6.0 * 20.0)).abs() < 1e-9, "{over_l}");
    }

    #[test]
    fn no_hours_and_no_need_have_their_own_answers() {
        let none = every_day(&[]);
        let now = at("2026-04-07T12:00:00");
        assert_eq!(runs(64.0, 120.0, (&none).into(), &adelaide(), now), Runs::NoAllowedHours);
        assert_eq!(runs(0.0, 120.0, (&none).into(), &adelaide(), now), Runs::NoneWanted);
        assert_eq!(next_stretch((&none).into(), &adelaide(), now), None);
    }

    /// Adelaide's clock goes back at 3 am on 5 April 2026 and forward at 2 am on
    /// 4 October. Whatever the hours, no minute of a run is outside them, and the
    /// litres are those of the time that passes.
    #[test]
    fn across_a_clock_change_no_minute_runs_outside_the_hours() {
        let zone = adelaide();
        let some = [vec![(0, 180)], vec![(60, 150)], vec![(150, 240)], vec![(125, 170), (180, 200)]];
        for day in ["2026-04-04T20:00:00", "2026-10-03T20:00:00"] {
            for hours in some.clone().map(LocalHours::new) {
                let rules = WateringRules::from(hours.clone());
                let Runs::Planned { runs, over_l } = runs(100_000.0, 60.0, (&rules).into(), &zone, at(day))
                else {
                    panic!("no runs for {hours:?}");
                };
                let mut litres = over_l;
                for run in runs {
                    assert!(run.from < run.to && run.to <= run.allowed_to);
                    assert!((run.litres - hours_between(run.from, run.to) * 60.0).abs() < 1e-6);
                    litres += run.litres;
                    let mut t = run.from;
                    while t < run.to {
                        let local = zone.to_datetime(t);
                        assert!(hours.contains(minute_of_day(local)), "{hours:?}: {local}");
                        t += jiff::SignedDuration::from_mins(1);
                    }
                }
                assert!((litres - 100_000.0).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn the_night_with_an_hour_more_holds_an_hour_more() {
        let nights = every_day(&[(0, 240)]);
        let hours = |from: &str| {
            let (from, to) = next_stretch((&nights).into(), &adelaide(), at(from)).expect("hours");
            hours_between(from, to)
        };
        assert!((hours("2026-04-04T20:00:00") - 5.0).abs() < 1e-12);
        assert!((hours("2026-10-03T20:00:00") - 3.0).abs() < 1e-12);
        assert!((hours("2026-04-07T20:00:00") - 4.0).abs() < 1e-12);
    }
}
