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
//! 99 days) water was never left behind by less than 0.69, and the pan swung by 19 °C.

use std::collections::VecDeque;

use jiff::Timestamp;

use super::change::{DAY_S, Moves};

/// Heat to warm a cubic metre of water by a kelvin, J.
const WATER_J_M3_K: f64 = 4.18e6;
/// Exchange with the air in wind, by convection, radiation and evaporation: the most
/// that a sheltered tank has, W/(m² K).
const EXCHANGE_W_M2_K: f64 = 60.0;
/// A tank is at least this part as deep as a cube of its volume is high, or as deep as a
/// pan, metres: a wide one may be no deeper.
const FLATTEST: f64 = 0.4;
const PAN_M: f64 = 0.25;
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
/// One that is known to hang there stays so while it is within this many times these
/// bounds; where the air swings little, while it is left behind by no more than so many °C.
const LENIENT: f64 = 2.0;
const QUIET_APART_C: f64 = 0.7;
/// One pair is kept in so long, seconds; so many of a day's must be there.
const PAIR_S: i64 = 1800;
const PAIRS_LEAST: usize = 36;

/// Depth of the flattest tank of a volume, metres.
fn least_depth_m(volume_l: f64) -> f64 {
    (FLATTEST * (volume_l / 1000.0).cbrt()).min(PAN_M)
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
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum InAir {
    /// It is where the air's thermometer is: how far it was left behind, as part of the
    /// air's swing, and the least for water.
    WithTheAir { part: f64, least: f64 },
    /// It rose and fell by so much within a day, °C, and the most that water can.
    SwingsTooFar { by_c: f64, most_c: f64 },
}

/// A day of a probe beside the air.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
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
        let known = matches!(self.in_air, Some((_, InAir::WithTheAir { .. })));
        let found = too_far.or_else(|| self.with_the_air(volume_l, known));
        self.in_air = found.map(|why| (self.in_air.map_or(at, |(since, _)| since), why));
        self.in_air
    }

    /// Since when it is thought to hang in the air.
    pub fn now(&self) -> Option<(Timestamp, InAir)> {
        self.in_air
    }

    fn with_the_air(&self, volume_l: f64, known: bool) -> Option<InAir> {
        if self.pairs.len() < PAIRS_LEAST {
            // It was known by pairs that a silence has taken away.
            return self.in_air.map(|it| it.1).filter(|_| known);
        }
        let air: Vec<f64> = self.pairs.iter().map(|(.., air)| *air).collect();
        let apart: Vec<f64> = self.pairs.iter().map(|(_, probe, air)| probe - air).collect();
        let (low, high) =
            air.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), c| (low.min(*c), high.max(*c)));
        let times = if known { LENIENT } else { 1.0 };
        let least = left_behind(volume_l);
        let by_c = deviation(&apart);
        let part = by_c / deviation(&air);
        let alike = part <= times * (OF_MUST * least).min(OF_SWING);
        let swings = high - low >= AIR_SWING_C;
        let near = mean(&apart).abs() <= times * MEAN_C;
        match (swings, known) {
            (true, _) if alike && near => Some(InAir::WithTheAir { part, least }),
            (false, true) if by_c <= QUIET_APART_C && near => self.in_air.map(|it| it.1),
            _ => None,
        }
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

    /// tau of 500 L, 25 cm deep, is 17,417 s: w tau = 1.267.
    #[test]
    fn a_tank_is_left_behind_by_its_heat() {
        assert!((left_behind(500.0) - 0.785).abs() < 0.001, "{}", left_behind(500.0));
        // 25 MJ/m² in 25 cm.
        assert!((largest_daily_swing_c(500.0) - 23.92).abs() < 0.01);
        assert!(left_behind(5.0) < 0.4);
    }

    /// Known once, it stays known over days on which the air hardly swings.
    #[test]
    fn dull_days_do_not_bring_it_back() {
        let mut likeness = AirLikeness::default();
        let mut found = Vec::new();
        for minute in (0..6 * 1440).step_by(30) {
            let day = minute / 1440;
            let air_c = if day < 3 { air(minute) } else { 20.0 + 0.2 * (air(minute) - 20.0) };
            let probe_c = if day < 5 { air_c + 0.5 } else { 17.0 };
            found.push(likeness.step(at(minute), probe_c, Some(air_c), None, f64::INFINITY, 500.0).is_some());
        }
        let first = found.iter().position(|it| *it).expect("found");
        let last = found.iter().rposition(|it| *it).expect("found");
        assert!(found[first..=last].iter().all(|it| *it));
        // Back in the water, it is known to be there within half a day.
        assert!((5 * 48..5 * 48 + 24).contains(&last), "{last}");
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
        assert!(matches!(found(500.0, 2, swing(27.0), false), Some(InAir::SwingsTooFar { .. })));
        assert_eq!(found(500.0, 2, swing(20.0), false), None);
        // One way only may be warm water.
        assert_eq!(found(500.0, 2, |minute| if minute < 1000 { 8.0 } else { 36.0 }, false), None);
    }
}
