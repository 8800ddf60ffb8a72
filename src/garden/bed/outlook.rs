//! When a bed will be dry if no water comes, and how that is said.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::evapotranspiration::extraterrestrial_mj_m2;
use crate::garden::site::SiteState;
use crate::garden::view::Figure;
use crate::outlook::{
    AHEAD_DAYS, Ahead, BLEND, EXPONENTIAL, Forecast, HALF_LIFE, INTERVAL, LINE, OWN_CURVE, REFILL_POINT,
    RESOLUTION, STRAIGHT_DAYS, Unfit, Unknown,
};
use crate::soil::RootZone;
use crate::text::spoken;
use crate::why::Why;

const NAME: &str = "Dry, if no water comes";

impl SiteState {
    /// Follows a bed's drying by the mean of its probes, all of which are fresh.
    pub(crate) fn watch_drying(&mut self, index: u16, at: Timestamp, water_content: f64) {
        // Sun above the air: the season. The latitude is checked in the garden file;
        // without sun nothing is learned of the season.
        let latitude_deg = self.garden.site.latitude_deg;
        let field_capacity = self.garden.bed(index).field_capacity;
        let number = at.as_second().div_euclid(86_400);
        let known = self.sun.filter(|(of, _)| *of == number).map(|(_, sun)| sun);
        let sun = known.unwrap_or_else(|| {
            let day = u16::try_from(TimeZone::UTC.to_datetime(at).day_of_year()).unwrap_or(1);
            extraterrestrial_mj_m2(latitude_deg, day).unwrap_or(0.0)
        });
        self.sun = Some((number, sun));
        let state = &mut self.beds[usize::from(index)];
        state.outlook.push(at, water_content, sun);
        state.drained.push(at, water_content, field_capacity);
    }

    /// Rain fell, be it so light that no probe feels it.
    pub(crate) fn rained_on_beds(&mut self) {
        for bed in &mut self.beds {
            bed.outlook.rained();
        }
    }

    /// When the bed's readily available water is used up; `None` where the bed
    /// has no probes.
    pub(crate) fn bed_outlook(&self, index: u16, now: Timestamp) -> Option<Figure> {
        let bed = &self.beds[usize::from(index)];
        if bed.probes.is_empty() {
            return None;
        }
        let zone = self.root_zone_today(index, now);
        let threshold = zone.refill_point();
        Some(match bed.outlook.forecast(now, threshold) {
            Err(unknown) => Figure { value: unknown_words(unknown), ..Figure::unknown(NAME, "", "d") },
            Ok(forecast) => {
                let value = when_words(&forecast, now, &self.garden.site.time_zone);
                let why = why(&forecast, &zone, now);
                let days = forecast.at.map(|at| days_from(now, at));
                Figure { name: NAME.into(), value, number: days, unit: "d", why }
            }
        })
    }

    /// The water content of the next days if no water comes, every few hours; empty where
    /// nothing can be expected.
    pub(crate) fn bed_expected(&self, index: u16, now: Timestamp) -> Vec<(Timestamp, Ahead)> {
        /// As far as the bed's chart shows, and as finely as it can be seen there.
        const DAYS: u16 = 7;
        const STEP_H: u16 = 6;
        let bed = &self.beds[usize::from(index)];
        if bed.probes.is_empty() {
            Vec::new()
        } else {
            bed.outlook.fan(now, DAYS, STEP_H).unwrap_or_default()
        }
    }

    /// How the present drydown goes; `None` while it has not gone far enough to tell.
    pub(crate) fn drydown_figure(&self, index: u16) -> Option<Figure> {
        let fit = match self.beds[usize::from(index)].outlook.present() {
            Ok(fit) => fit,
            Err(
                Unfit::TooFew { .. }
                | Unfit::TooShort { .. }
                | Unfit::TooLittleDrop { .. }
                | Unfit::OutOfRange { .. }
                | Unfit::NotNumbers,
            ) => return None,
        };
        let error = fit.tau_error_d.map_or_else(String::new, |error| format!(" (+/- {error:.1})"));
        let half_life_d = fit.half_life_d();
        let why = vec![
            EXPONENTIAL.step(format!(
                "({:.3} - {:.3}) exp(-t / {:.1} days{error}) + {:.3}, fitted to this drydown after its first day; it still \
                 drains on its second",
                fit.theta0, fit.theta_w, fit.tau_d, fit.theta_w
            )),
            HALF_LIFE.step(format!("{:.1} days x {:.3} = {half_life_d:.1} days", fit.tau_d, std::f64::consts::LN_2)),
        ];
        let value = format!("{half_life_d:.1} days to lose half of what it can");
        Some(Figure::known("Half-life of this drydown", value, half_life_d, "d", why))
    }
}

/// Days from one moment to another.
fn days_from(now: Timestamp, at: Timestamp) -> f64 {
    (at.as_second() - now.as_second()) as f64 / 86_400.0
}

fn why(forecast: &Forecast, zone: &RootZone, now: Timestamp) -> Why {
    let basis = &forecast.basis;
    let threshold = zone.refill_point();
    let days = |at: Option<Timestamp>| {
        at.map_or_else(|| format!("more than {AHEAD_DAYS}"), |at| format!("{:.1}", days_from(now, at)))
    };
    let result = format!("{} days", days(forecast.at));
    let refill = REFILL_POINT.step(format!(
        "{:.3} - {:.2} x ({:.3} - {:.3}) = {threshold:.3} m3/m3",
        zone.field_capacity, zone.depletion_fraction, zone.field_capacity, zone.wilting_point
    ));
    let dries = match basis.curve {
        None => vec![LINE.step(format!(
            "({:.3} - {threshold:.3}) / {:.4} m3/m3 in the last day = {result}",
            basis.theta, basis.fall_a_day
        ))],
        Some(curve) => {
            let part = curve.line_part;
            let both = (basis.fall_a_day.max(0.0) + RESOLUTION).powf(part)
                * (curve.fall_a_day + RESOLUTION).powf(1.0 - part)
                - RESOLUTION;
            vec![
                OWN_CURVE.step(format!(
                    "from {:.3} m3/m3 at {:.2} times the pace of {} past days of drying ({} drydowns) = \
                     {:.4} m3/m3 a day over the next {STRAIGHT_DAYS} days",
                    basis.theta, curve.pace, basis.days_known, basis.drydowns, curve.fall_a_day
                )),
                BLEND.step(format!(
                    "({:.4} + {RESOLUTION})^{part:.2} x ({:.4} + {RESOLUTION})^{:.2} - {RESOLUTION} = {both:.4} \
                     m3/m3 a day, the first what fell in the last day; from {:.3} to {threshold:.3} m3/m3 = {result}",
                    basis.fall_a_day.max(0.0),
                    curve.fall_a_day,
                    1.0 - part,
                    basis.theta
                )),
            ]
        }
    };
    let known = match (basis.curve, basis.drydowns_held) {
        (None, _) | (_, 0) => "stated ratios, no forecast has come due yet".to_owned(),
        (_, 1) => "forecasts of 1 drydown of this bed that have come due".to_owned(),
        (_, known) => format!("forecasts of {known} drydowns of this bed that have come due"),
    };
    let interval = INTERVAL.step(format!("{known} = {} to {} days", days(forecast.from), days(forecast.to)));
    [vec![refill], dries, vec![interval]].concat()
}

/// Why nothing is forecast, as people say it.
fn unknown_words(unknown: Unknown) -> String {
    match unknown {
        Unknown::TooEarly { .. } | Unknown::NoYesterday => format!("Too early to say: {unknown}."),
        Unknown::NoReadings | Unknown::Stale { .. } => format!("Not known: {unknown}."),
    }
}

/// "Likely dry Thursday evening without water, Wednesday midday at the earliest." When it
/// may be at the latest stands among its reasons.
fn when_words(forecast: &Forecast, now: Timestamp, zone: &TimeZone) -> String {
    let say = |at: Timestamp| part_of_day(at, now, zone);
    let Some(at) = forecast.at else {
        return match forecast.from {
            Some(from) => {
                format!("Likely moist for ten days without water; dry {} at the earliest.", say(from))
            }
            None => "Moist for ten days without water.".to_owned(),
        };
    };
    if at <= now {
        return "Dry already.".to_owned();
    }
    let about = say(at);
    let earliest = match forecast.from.map(say) {
        Some(from) if from != about => format!(", {from} at the earliest"),
        Some(_) | None => String::new(),
    };
    format!("Likely dry {about} without water{earliest}.")
}

/// "this evening", "tonight", "Thursday morning", "early on Friday"; the date alone from
/// the sixth day on, where a weekday could be this week's and no hour is known.
fn part_of_day(at: Timestamp, now: Timestamp, zone: &TimeZone) -> String {
    let (local, today) = (zone.to_datetime(at), zone.to_datetime(now));
    let part = part(local);
    let ahead = local.date().since(today.date()).map_or(i32::MAX, |span| span.get_days());
    if ahead <= 0 {
        return match part {
            None => "the small hours of today".to_owned(),
            Some("night") => "tonight".to_owned(),
            Some("midday") => "midday today".to_owned(),
            Some(part) => format!("this {part}"),
        };
    }
    let day = spoken::day(local.date());
    let day = if ahead < 6 { day.split(' ').next().unwrap_or(&day).to_owned() } else { day };
    match part {
        _ if ahead >= 6 => day,
        None => format!("early on {day}"),
        Some(part) => format!("{day} {part}"),
    }
}

/// The part of the day on the local clock; `None` in the hours after midnight,
/// which people do not call by the new day's name.
fn part(local: DateTime) -> Option<&'static str> {
    match local.hour() {
        0..5 => None,
        5..11 => Some("morning"),
        11..14 => Some("midday"),
        14..17 => Some("afternoon"),
        17..21 => Some("evening"),
        _ => Some("night"),
    }
}

#[cfg(test)]
mod tests {
    use jiff::SignedDuration;

    use super::*;
    use crate::outlook::{Basis, CurveBasis, ForecastMethod};

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    fn adelaide() -> TimeZone {
        TimeZone::get("Australia/Adelaide").expect("bundled")
    }

    fn forecast(at: Option<Timestamp>, from: Option<Timestamp>, to: Option<Timestamp>) -> Forecast {
        let basis = Basis {
            method: ForecastMethod::Blend,
            theta: 0.142,
            fall_a_day: 0.0061,
            days_known: 34,
            drydowns: 9,
            curve: Some(CurveBasis { pace: 1.08, fall_a_day: 0.0075, line_part: 0.4 }),
            drydowns_held: 9,
        };
        Forecast { at, from, to, basis }
    }

    /// 1 October 2026 is a Thursday. Adelaide's clock goes forward at 2 am on
    /// Sunday 4 October: 09:00 UTC is half past six before it and half past seven
    /// after it.
    #[test]
    fn times_are_said_by_the_wall_clock_across_its_change() {
        let now = at("2026-10-01T00:00:00Z");
        let say = |text: &str| part_of_day(at(text), now, &adelaide());
        assert_eq!(say("2026-10-01T09:00:00Z"), "this evening");
        assert_eq!(say("2026-10-01T03:00:00Z"), "midday today");
        assert_eq!(say("2026-10-01T13:00:00Z"), "tonight");
        assert_eq!(say("2026-10-01T15:30:00Z"), "early on Friday");
        // 19:30 UTC: five in the morning before the change, six after it.
        assert_eq!(say("2026-10-01T19:29:00Z"), "early on Friday");
        assert_eq!(say("2026-10-03T19:29:00Z"), "Sunday morning");
        assert_eq!(say("2026-10-08T02:00:00Z"), "Thursday 8 October");
    }

    #[test]
    fn a_forecast_reads_as_spoken() {
        let now = at("2026-04-14T05:30:00Z");
        let say = |f: &Forecast| when_words(f, now, &adelaide());
        let (wed, thu, sat) =
            (at("2026-04-15T03:00:00Z"), at("2026-04-16T09:00:00Z"), at("2026-04-17T23:00:00Z"));
        assert_eq!(
            say(&forecast(Some(thu), Some(wed), Some(sat))),
            "Likely dry Thursday evening without water, Wednesday midday at the earliest."
        );
        assert_eq!(
            say(&forecast(Some(thu), Some(wed), None)),
            "Likely dry Thursday evening without water, Wednesday midday at the earliest."
        );
        assert_eq!(say(&forecast(None, None, None)), "Moist for ten days without water.");
        assert_eq!(
            say(&forecast(None, Some(sat), None)),
            "Likely moist for ten days without water; dry Saturday morning at the earliest."
        );
        assert_eq!(say(&forecast(Some(now), Some(now), Some(now))), "Dry already.");
        let soon = now.saturating_add(SignedDuration::from_hours(1)).expect("in range");
        assert_eq!(
            say(&forecast(Some(soon), Some(soon), Some(soon))),
            "Likely dry this afternoon without water."
        );
    }

    #[test]
    fn what_is_not_known_says_what_is_missing() {
        assert_eq!(
            unknown_words(Unknown::TooEarly { hours: 5 }),
            "Too early to say: only 5 hours since the last water or the first reading; a day is needed."
        );
        assert_eq!(unknown_words(Unknown::Stale { hours: 9 }), "Not known: no reading for 9 hours.");
    }

    #[test]
    fn the_steps_hold_the_numbers() {
        let zone = RootZone {
            field_capacity: 0.15,
            wilting_point: 0.065,
            root_depth_m: 0.5,
            depletion_fraction: 0.45,
        };
        let now = at("2026-04-14T05:30:00Z");
        let in_days = |d: i64| now.saturating_add(SignedDuration::from_hours(24 * d)).ok();
        let steps = why(&forecast(in_days(4), in_days(3), None), &zone, now);
        assert_eq!(steps[0].with, "0.150 - 0.45 x (0.150 - 0.065) = 0.112 m3/m3");
        assert!(steps[1].with.ends_with("= 0.0075 m3/m3 a day over the next 5 days"), "{}", steps[1].with);
        // 0.0071^0.4 x 0.0085^0.6 - 0.001 = 0.00691, by hand.
        assert_eq!(
            steps[2].with,
            "(0.0061 + 0.001)^0.40 x (0.0075 + 0.001)^0.60 - 0.001 = 0.0069 m3/m3 a day, the first what fell in \
             the last day; from 0.142 to 0.112 m3/m3 = 4.0 days"
        );
        assert_eq!(
            steps[3].with,
            "forecasts of 9 drydowns of this bed that have come due = 3.0 to more than 10 days"
        );
    }
}
