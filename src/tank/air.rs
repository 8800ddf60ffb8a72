//! A thermometer that hangs in the air, told from one in a tank's water.
//!
//! Water stores heat. With one temperature for the whole tank, and heat exchanged with
//! the air in proportion to the difference (a lumped heat balance),
//!
//! ```text
//! rho c h dT/dt = U (Ta - T)
//! ```
//!
//! air that swings by day and night at w = 2 pi / 86,400 s leaves the water behind by
//! w tau / sqrt(1 + (w tau)²) of its own swing, tau = rho c h / U: the smaller the tank,
//! the closer it follows. A probe beside the air's thermometer is not left behind at all.
//! And the sun cannot both heat and the night cool a tank by more in one day than a
//! whole summer day's sunshine.
//!
//! The balance is textbook physics (rho c of water 4.18 MJ/(m³ K)); the depth that a tank
//! of a volume has at least, U and the parts below are this project's own. On open records
//! (an estuary beside its air for six months; an evaporation pan of 290 L, 25 cm deep, for
//! 99 days) water was never left behind by less than 0.69, and the pan swung by 14 °C.

use std::collections::VecDeque;

use jiff::Timestamp;

use super::change::{DAY_S, Moves};

/// Heat to warm a cubic metre of water by a kelvin, J.
const WATER_J_M3_K: f64 = 4.18e6;
/// Exchange with the air in wind, by convection, radiation and evaporation: the most
/// that a sheltered tank has, W/(m² K).
const EXCHANGE_W_M2_K: f64 = 60.0;
/// A tank is at least this part as deep as a cube of its volume is high: a pan.
const FLATTEST: f64 = 0.4;
/// The sun of the longest clear day, all of it kept, J/m².
const SUNNIEST_DAY_J_M2: f64 = 25e6;
const DAY_RAD_S: f64 = std::f64::consts::TAU / 86_400.0;

/// A probe is in the air where it is left behind by less than this part of what the
/// tank must be, and by less than this part of the air's swing in any case.
const OF_MUST: f64 = 0.5;
const OF_SWING: f64 = 0.3;
/// Its mean must be this near to the air's, °C.
const MEAN_C: f64 = 2.0;
/// Air that swings less proves nothing, °C.
const AIR_SWING_C: f64 = 6.0;
/// It is back in the water where it has stayed within this part of the most that water
/// can swing, for half a day: air that swings so far does not.
const CALM_PART: f64 = 0.25;
/// One pair is kept in so long, seconds; so many of a day's must be there.
const PAIR_S: i64 = 1800;
const PAIRS_LEAST: usize = 36;

/// Depth of the flattest tank of a volume, metres.
fn least_depth_m(volume_l: f64) -> f64 {
    FLATTEST * (volume_l / 1000.0).cbrt()
}

/// How far the air's daily swing leaves a tank of `volume_l` litres behind at least, as
/// part of that swing, 0 to 1.
pub fn left_behind(volume_l: f64) -> f64 {
    let tau_s = WATER_J_M3_K * least_depth_m(volume_l) / EXCHANGE_W_M2_K;
    let lag = DAY_RAD_S * tau_s;
    lag / (1.0 + lag * lag).sqrt()
}

/// The most by which a day can warm, and its night cool, a tank of `volume_l` litres, °C.
pub fn largest_daily_swing_c(volume_l: f64) -> f64 {
    SUNNIEST_DAY_J_M2 / (WATER_J_M3_K * least_depth_m(volume_l))
}

/// Why a probe is thought to hang in the air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum InAir {
    /// It is where the air's thermometer is: how far it was left behind, as part of the
    /// air's swing, and the least for water.
    WithTheAir { part: f64, least: f64 },
    /// It rose and fell by so much within a day, °C, and the most that water can.
    SwingsTooFar { by_c: f64, most_c: f64 },
}

/// A day of a probe beside the air.
#[derive(Clone, Debug, Default)]
pub struct AirLikeness {
    /// Time (seconds), probe and air (°C); at most 49.
    pairs: VecDeque<(i64, f64, f64)>,
    in_air: Option<(Timestamp, InAir)>,
}

impl AirLikeness {
    /// Takes a reading with the air's, where that is fresh, the last day's largest changes
    /// of the probe, and highest less lowest reading of its last twelve hours, °C.
    pub fn step(
        &mut self,
        at: Timestamp,
        value_c: f64,
        air_c: Option<f64>,
        day: Option<Moves>,
        half_day_c: f64,
        volume_l: f64,
    ) -> Option<(Timestamp, InAir)> {
        let at_s = at.as_second();
        while self.pairs.front().is_some_and(|(first_s, ..)| at_s - first_s > DAY_S) {
            self.pairs.pop_front();
        }
        if let Some(air_c) = air_c
            && self.pairs.back().is_none_or(|(last_s, ..)| at_s - last_s >= PAIR_S)
        {
            self.pairs.push_back((at_s, value_c, air_c));
        }
        let too_far = swings_too_far(day, volume_l)
            .filter(|_| half_day_c > CALM_PART * largest_daily_swing_c(volume_l));
        let found = too_far.or_else(|| self.with_the_air(volume_l));
        self.in_air = found.map(|why| (self.in_air.map_or(at, |(since, _)| since), why));
        self.in_air
    }

    /// Since when it is thought to hang in the air.
    pub fn now(&self) -> Option<(Timestamp, InAir)> {
        self.in_air
    }

    fn with_the_air(&self, volume_l: f64) -> Option<InAir> {
        if self.pairs.len() < PAIRS_LEAST {
            return None;
        }
        let air = self.pairs.iter().map(|(.., air)| *air);
        let apart: Vec<f64> = self.pairs.iter().map(|(_, probe, air)| probe - air).collect();
        let (low, high) =
            air.clone().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), c| (low.min(c), high.max(c)));
        if high - low < AIR_SWING_C || mean(&apart).abs() > MEAN_C {
            return None;
        }
        let part = deviation(&apart) / deviation(&air.collect::<Vec<_>>());
        let least = left_behind(volume_l);
        (part <= (OF_MUST * least).min(OF_SWING)).then_some(InAir::WithTheAir { part, least })
    }
}

fn swings_too_far(day: Option<Moves>, volume_l: f64) -> Option<InAir> {
    let day = day?;
    let by_c = day.rise.by_c.min(-day.fall.by_c);
    let most_c = largest_daily_swing_c(volume_l);
    (by_c > most_c).then_some(InAir::SwingsTooFar { by_c, most_c })
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn deviation(values: &[f64]) -> f64 {
    let middle = mean(values);
    (values.iter().map(|v| (v - middle).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tank::TemperatureRecord;

    fn at(minute: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + 60 * minute).expect("in range")
    }

    fn air(minute: i64) -> f64 {
        20.0 + 6.0 * (minute as f64 / 1440.0 * std::f64::consts::TAU).sin()
    }

    /// Whether a probe is thought to hang in the air after `days`, every ten minutes.
    fn found(volume_l: f64, days: i64, probe: impl Fn(i64) -> f64, knows_air: bool) -> Option<InAir> {
        let (mut likeness, mut kept) = (AirLikeness::default(), TemperatureRecord::default());
        let mut found = None;
        for minute in (0..days * 1440).step_by(10) {
            kept.push(at(minute), probe(minute));
            let day = kept.moves(&[])[4];
            let air_c = knows_air.then(|| air(minute));
            let value_c = probe(minute);
            found = found
                .or(likeness.step(at(minute), value_c, air_c, day, f64::INFINITY, volume_l).map(|it| it.1));
        }
        assert!(likeness.pairs.len() <= 49);
        found
    }

    /// tau of 500 L is 22,100 s: w tau = 1.61.
    #[test]
    fn a_tank_is_left_behind_by_its_heat() {
        assert!((left_behind(500.0) - 0.849).abs() < 0.001, "{}", left_behind(500.0));
        assert!((largest_daily_swing_c(500.0) - 18.84).abs() < 0.01);
        // A pan of 290 L was 25 cm deep and swung by 14 °C: the bound lies above.
        assert!(largest_daily_swing_c(290.0) > 14.0);
        assert!(left_behind(5.0) < 0.4 && left_behind(20_000.0) > 0.98);
    }

    #[test]
    fn a_probe_beside_the_airs_thermometer_is_found() {
        let beside = |minute: i64| air(minute - 10) + 0.8 + (minute % 7) as f64 * 0.1;
        assert!(matches!(found(500.0, 2, beside, true), Some(InAir::WithTheAir { .. })));
        assert_eq!(found(500.0, 2, beside, false), None, "the air is not known");
    }

    /// What the lumped balance makes of the tanks, and a pan that lags by two hours.
    #[test]
    fn water_is_not() {
        for volume_l in [20.0_f64, 200.0, 500.0, 5000.0] {
            let lag = {
                let part = left_behind(volume_l);
                part / (1.0 - part * part).sqrt()
            };
            let share = 1.0 / (1.0 + lag * lag).sqrt();
            let late_min = lag.atan() / std::f64::consts::TAU * 1440.0;
            let water = |minute: i64| 20.0 + share * (air(minute - late_min.round() as i64) - 20.0);
            assert_eq!(found(volume_l, 3, water, true), None, "{volume_l} L");
        }
        let pan = |minute: i64| 1.1 * air(minute - 120) - 2.0;
        assert_eq!(found(290.0, 3, pan, true), None);
        // Calm indoor air and calm water are alike.
        assert_eq!(found(500.0, 3, |minute| 20.0 + 0.1 * (air(minute) - 20.0), true), None);
    }

    #[test]
    fn a_swing_beyond_any_summers_day_is_found_without_the_air() {
        let swing = |by_c: f64| {
            move |minute: i64| 25.0 + by_c / 2.0 * (minute as f64 / 720.0 * std::f64::consts::TAU).sin()
        };
        assert!(matches!(found(500.0, 2, swing(22.0), false), Some(InAir::SwingsTooFar { .. })));
        assert_eq!(found(500.0, 2, swing(17.0), false), None);
        // One way only may be warm water.
        assert_eq!(found(500.0, 2, |minute| if minute < 1000 { 12.0 } else { 34.0 }, false), None);
    }
}
