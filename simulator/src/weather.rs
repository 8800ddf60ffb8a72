//! Days of weather, and the minutes inside them.
//!
//! The form follows Richardson (1981), Water Resources Research 17(1):182-190:
//! wet and dry days are a two-state Markov chain of first order; the largest and
//! smallest air temperature and the radiation have means that depend on the
//! season and on whether the day is wet, and their departures carry over from
//! one day to the next (here with one coefficient each, and a share that the
//! three have in common). Rain amounts are gamma-distributed. The numbers in
//! [`Climate::default`] are invented: a Mediterranean-type climate at 35° south,
//! where summers are dry.

use std::f64::consts::PI;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma, StandardNormal};

use crate::sky;

/// Minutes in a day of weather; weather keeps standard time, so every day is as long.
pub(crate) const MINUTES: usize = 1440;

/// Weather's own climate, with a scenario's changes applied.
#[derive(Clone, Debug)]
pub(crate) struct Climate {
    /// Chance of rain after a dry day: mean over the year and seasonal swing
    /// (largest in the middle of winter).
    pub(crate) wet_after_dry: (f64, f64),
    /// Chance of rain after a wet day, the same way.
    pub(crate) wet_after_wet: (f64, f64),
    /// Mean amount of a wet day, mm.
    pub(crate) wet_day_mm: f64,
    /// Added to every temperature, °C.
    pub(crate) warmer_c: f64,
    pub(crate) spells: Vec<Spell>,
}

/// Days, counted from the first, on which a scenario has its say.
#[derive(Clone, Debug)]
pub(crate) struct Spell {
    /// `[from, to]` in days from the first day.
    pub(crate) days: (i64, i64),
    pub(crate) wet: Option<bool>,
    pub(crate) warmer_c: f64,
    /// Replaces the amount of each of the days, mm.
    pub(crate) rain_mm: Option<f64>,
}

/// Shape of the gamma distribution of a wet day's amount.
const AMOUNT_SHAPE: f64 = 0.75;
/// The least rain of a wet day, mm: one tip of a usual gauge.
pub(crate) const WET_DAY_LEAST_MM: f64 = 0.2;

impl Default for Climate {
    fn default() -> Self {
        Self {
            wet_after_dry: (0.20, 0.12),
            wet_after_wet: (0.50, 0.12),
            wet_day_mm: 4.8,
            warmer_c: 0.0,
            spells: Vec::new(),
        }
    }
}

impl Climate {
    /// Chances of rain after a dry and after a wet day in a season, where
    /// `winter` runs from -1 in the middle of summer to 1 in the middle of winter.
    pub(crate) fn chances(&self, winter: f64) -> (f64, f64) {
        let at = |(mean, swing): (f64, f64)| (mean + swing * winter).clamp(0.0, 1.0);
        (at(self.wet_after_dry), at(self.wet_after_wet))
    }
}

/// A day's own numbers.
#[derive(Clone, Copy, Debug)]
struct Daily {
    day_of_year: f64,
    rain_mm: f64,
    warmest_c: f64,
    coldest_c: f64,
    /// Largest radiation that the sky could send, MJ/m².
    sky_mj: f64,
    /// The part of it that reaches the ground.
    clearness: f64,
}

/// One day, spread over its minutes.
#[derive(Clone, Debug)]
pub(crate) struct Day {
    pub(crate) warmest_c: f64,
    pub(crate) coldest_c: f64,
    /// At the ground, MJ/m².
    pub(crate) radiation_mj: f64,
    /// Reference evapotranspiration, mm.
    pub(crate) et0_mm: f64,
    /// Mean wind at 2 m, m/s.
    pub(crate) wind_m_s: f64,
    /// Solar hour.
    pub(crate) sunrise_hour: f64,
    /// Rain of each minute, mm.
    pub(crate) rain: Vec<f64>,
    /// Each minute's share of the day's sunshine; sums to 1 (0 in polar night).
    pub(crate) sun: Vec<f64>,
}

/// Returns one day after the other.
#[derive(Clone, Debug)]
pub(crate) struct Weather {
    climate: Climate,
    latitude_deg: f64,
    /// Day of the year of day 0, less one.
    first_day: i64,
    next: i64,
    was_wet: bool,
    /// Departures of yesterday: warmest, coldest, radiation; in standard deviations.
    departures: [f64; 3],
    rng: ChaCha8Rng,
    /// Showers have their own, so that they change nothing about the days.
    shower_rng: ChaCha8Rng,
    /// So has the wind.
    wind_rng: ChaCha8Rng,
}

/// Means of a day's wind at 2 m among houses and trees, m/s; invented.
const WIND_M_S: std::ops::Range<f64> = 0.8..3.2;

/// How much of yesterday's departure stays: warmest, coldest, radiation.
const PERSISTENCE: [f64; 3] = [0.60, 0.55, 0.25];
/// Standard deviations: warmest °C, coldest °C, radiation as a share of the sky's.
const SPREAD: [f64; 3] = [3.2, 2.4, 0.07];
/// The share of each day's chance that the three have in common; warm days are sunny.
const SHARED: [f64; 3] = [0.6, 0.4, 0.5];

impl Weather {
    /// Weather from a day of the year (1 to 366) on.
    pub(crate) fn new(climate: Climate, latitude_deg: f64, day_of_year: i64, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(1);
        let mut shower_rng = ChaCha8Rng::seed_from_u64(seed);
        shower_rng.set_stream(2);
        let mut wind_rng = ChaCha8Rng::seed_from_u64(seed);
        wind_rng.set_stream(3);
        Self {
            climate,
            latitude_deg,
            first_day: day_of_year - 1,
            next: 0,
            was_wet: false,
            departures: [0.0; 3],
            rng,
            shower_rng,
            wind_rng,
        }
    }

    /// -1 in the middle of summer, 1 in the middle of winter.
    fn winter(&self, day_of_year: f64) -> f64 {
        let south = -(2.0 * PI * (day_of_year - 20.0) / 365.0).cos();
        if self.latitude_deg < 0.0 { south } else { -south }
    }

    /// The next day.
    pub(crate) fn day(&mut self) -> Day {
        let day = self.daily();
        Day {
            warmest_c: day.warmest_c,
            coldest_c: day.coldest_c,
            radiation_mj: day.clearness * day.sky_mj,
            et0_mm: sky::reference_et_mm(day.warmest_c, day.coldest_c, day.sky_mj),
            wind_m_s: self.wind_rng.random_range(WIND_M_S),
            sunrise_hour: sky::sunrise_hour(self.latitude_deg, day.day_of_year),
            rain: showers(day.rain_mm, &mut self.shower_rng),
            sun: sunshine(self.latitude_deg, day.day_of_year),
        }
    }

    fn daily(&mut self) -> Daily {
        let index = self.next;
        self.next += 1;
        let day_of_year = ((self.first_day + index) % 365 + 1) as f64;
        let winter = self.winter(day_of_year);
        let spells: Vec<Spell> =
            self.climate.spells.iter().filter(|s| (s.days.0..=s.days.1).contains(&index)).cloned().collect();

        let (after_dry, after_wet) = self.climate.chances(winter);
        let chance = if self.was_wet { after_wet } else { after_dry };
        let mut wet = self.rng.random::<f64>() < chance;
        let scale = self.climate.wet_day_mm / AMOUNT_SHAPE;
        let amount: f64 = Gamma::new(AMOUNT_SHAPE, scale)
            .expect("the shape is a positive constant and the scale is checked to be positive")
            .sample(&mut self.rng);
        let mut rain_mm = if wet { amount.max(WET_DAY_LEAST_MM) } else { 0.0 };

        let shared: f64 = StandardNormal.sample(&mut self.rng);
        for ((departure, stays), share) in self.departures.iter_mut().zip(PERSISTENCE).zip(SHARED) {
            let own: f64 = StandardNormal.sample(&mut self.rng);
            let fresh = share * shared + (1.0 - share * share).sqrt() * own;
            *departure = stays * *departure + (1.0 - stays * stays).sqrt() * fresh;
        }
        let mut warmer_c = self.climate.warmer_c;
        for spell in &spells {
            if let Some(forced) = spell.wet {
                wet = forced;
                rain_mm = if forced { amount.max(WET_DAY_LEAST_MM) } else { 0.0 };
            }
            if let Some(mm) = spell.rain_mm {
                wet = mm > 0.0;
                rain_mm = mm;
            }
            warmer_c += spell.warmer_c;
        }
        self.was_wet = wet;

        // Rain makes days cooler and duller.
        let wetness = if wet { 1.0 } else { 0.0 };
        let [mean_warmest, mean_coldest] = means_c(winter, wetness);
        let bounded = |d: f64| d.clamp(-2.5, 2.5);
        let coldest_c = mean_coldest + warmer_c + SPREAD[1] * bounded(self.departures[1]);
        // A day's range never closes: under cloud it is still a couple of degrees.
        let warmest_c =
            (mean_warmest + warmer_c + SPREAD[0] * bounded(self.departures[0])).max(coldest_c + 2.5);
        let sky_mj = sky::extraterrestrial_mj(self.latitude_deg, day_of_year);
        // Between heavy overcast and the clear sky of FAO-56 eq. 37 (0.75).
        let clearness = (0.66 - 0.24 * wetness + SPREAD[2] * bounded(self.departures[2])).clamp(0.15, 0.75);

        Daily { day_of_year, rain_mm, warmest_c, coldest_c, sky_mj, clearness }
    }
}

/// Means of the warmest and the coldest moment of a day, °C.
fn means_c(winter: f64, wetness: f64) -> [f64; 2] {
    [22.6 - 7.0 * winter - 2.4 * wetness, 12.4 - 4.4 * winter - 0.2 * wetness]
}

/// Spreads a day's rain over a few showers of minutes to hours.
fn showers(rain_mm: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut minutes = vec![0.0; MINUTES];
    if rain_mm <= 0.0 {
        return minutes;
    }
    let count = 1 + (rain_mm / 4.0).min(3.0) as usize + usize::from(rng.random::<f64>() < 0.4);
    for _ in 0..count {
        let weight = 0.2 + rng.random::<f64>();
        // Long showers are rarer than short ones.
        let length = (12.0 * (20.0_f64).powf(rng.random::<f64>())) as usize;
        let start = rng.random_range(0..MINUTES - length);
        let mut bursts: Vec<f64> = (0..length)
            .map(|i| {
                let envelope = (PI * (i as f64 + 0.5) / length as f64).sin();
                envelope * (0.3 - 0.7 * (1.0 - rng.random::<f64>()).ln())
            })
            .collect();
        let sum: f64 = bursts.iter().sum();
        for burst in &mut bursts {
            *burst *= weight / sum;
        }
        for (minute, burst) in minutes[start..start + length].iter_mut().zip(bursts) {
            *minute += burst;
        }
    }
    let sum: f64 = minutes.iter().sum();
    for minute in &mut minutes {
        *minute *= rain_mm / sum;
    }
    minutes
}

fn sunshine(latitude_deg: f64, day_of_year: f64) -> Vec<f64> {
    let mut minutes: Vec<f64> = (0..MINUTES)
        .map(|m| sky::sun_height_sin(latitude_deg, day_of_year, (m as f64 + 0.5) / 60.0))
        .collect();
    let sum: f64 = minutes.iter().sum();
    if sum > 0.0 {
        for minute in &mut minutes {
            *minute /= sum;
        }
    }
    minutes
}

/// Hour of the day's warmest moment.
const WARMEST_HOUR: f64 = 15.0;

/// Air temperature at an hour of `today`, °C: half waves between the coldest
/// moment at sunrise and the warmest in the afternoon.
pub(crate) fn air_c(yesterday: &Day, today: &Day, tomorrow: &Day, hour: f64) -> f64 {
    let wave = |from: f64, to: f64, part: f64| {
        f64::midpoint(from, to) - 0.5 * (to - from) * (PI * part.clamp(0.0, 1.0)).cos()
    };
    if hour < today.sunrise_hour {
        let night = 24.0 - WARMEST_HOUR + today.sunrise_hour;
        wave(yesterday.warmest_c, today.coldest_c, (hour + 24.0 - WARMEST_HOUR) / night)
    } else if hour < WARMEST_HOUR {
        let morning = WARMEST_HOUR - today.sunrise_hour;
        wave(today.coldest_c, today.warmest_c, (hour - today.sunrise_hour) / morning)
    } else {
        let night = 24.0 - WARMEST_HOUR + tomorrow.sunrise_hour;
        wave(today.warmest_c, tomorrow.coldest_c, (hour - WARMEST_HOUR) / night)
    }
}

/// Wind at an hour of `today`, m/s: strongest in the afternoon, least before
/// sunrise, and without a jump at midnight.
pub(crate) fn wind_m_s(today: &Day, tomorrow: &Day, hour: f64) -> f64 {
    let mean = today.wind_m_s + (tomorrow.wind_m_s - today.wind_m_s) * hour / 24.0;
    mean * (1.0 + 0.6 * (PI * (hour - WARMEST_HOUR) / 12.0).cos())
}

#[cfg(test)]
mod tests {
    use super::*;

    const YEARS: usize = 300;

    fn years() -> (Weather, Vec<Daily>) {
        let mut weather = Weather::new(Climate::default(), -35.0, 1, 7);
        let days = (0..YEARS * 365).map(|_| weather.daily()).collect();
        (weather, days)
    }

    fn is_wet(day: &Daily) -> bool {
        day.rain_mm > 0.0
    }

    /// Days of one season: within 15 days of a day of the year.
    fn near(day: &Daily, middle: f64) -> bool {
        (day.day_of_year - middle).abs() <= 15.0
    }

    /// Frequencies against the chain's own chances, within four standard errors
    /// of a binomial count and the season's drift over the month.
    #[test]
    fn wet_and_dry_days_follow_each_other_as_the_chain_says() {
        let (weather, days) = years();
        for middle in [20.0, 110.0, 202.0, 290.0] {
            let winter = weather.winter(middle);
            let (after_dry, after_wet) = Climate::default().chances(winter);
            for (before, expected) in [(false, after_dry), (true, after_wet)] {
                let pairs = days.windows(2).filter(|w| near(&w[1], middle) && is_wet(&w[0]) == before);
                let (mut all, mut wet) = (0.0, 0.0);
                for pair in pairs {
                    all += 1.0;
                    wet += f64::from(u8::from(is_wet(&pair[1])));
                }
                let error = (expected * (1.0 - expected) / all).sqrt();
                let got = wet / all;
                assert!((got - expected).abs() < 4.0 * error + 0.004, "{middle} {before}: {got} {expected}");
            }
        }
    }

    /// Mean and spread of a gamma distribution of shape k and mean m: spread m / sqrt(k).
    #[test]
    fn rain_amounts_have_the_gamma_distributions_mean_and_spread() {
        let (_, days) = years();
        let amounts: Vec<f64> = days.iter().filter(|d| is_wet(d)).map(|d| d.rain_mm).collect();
        let count = amounts.len() as f64;
        let mean = amounts.iter().sum::<f64>() / count;
        let spread = (amounts.iter().map(|a| (a - mean).powi(2)).sum::<f64>() / count).sqrt();
        let expected = Climate::default().wet_day_mm;
        let expected_spread = expected / AMOUNT_SHAPE.sqrt();
        // Raising the least amounts to one tip adds less than 0.03 mm to the mean.
        assert!((mean - expected).abs() < 4.0 * expected_spread / count.sqrt() + 0.03, "{mean}");
        assert!((spread / expected_spread - 1.0).abs() < 0.05, "{spread}");
        assert!(amounts.iter().all(|a| *a >= WET_DAY_LEAST_MM));
    }

    #[test]
    fn temperatures_keep_their_means_spreads_and_memory() {
        let (weather, days) = years();
        for (middle, wet) in [(20.0, false), (202.0, false), (20.0, true)] {
            let some: Vec<&Daily> = days.iter().filter(|d| near(d, middle) && is_wet(d) == wet).collect();
            let mean = some.iter().map(|d| d.warmest_c).sum::<f64>() / some.len() as f64;
            let [expected, _] = means_c(weather.winter(middle), f64::from(u8::from(wet)));
            // Days hang together, so a month counts for some ten of them.
            let error = SPREAD[0] / (some.len() as f64 / 3.0).sqrt();
            assert!((mean - expected).abs() < 4.0 * error + 0.25, "{middle} {wet}: {mean} {expected}");
        }
        let departures: Vec<f64> = days
            .iter()
            .map(|d| d.warmest_c - means_c(weather.winter(d.day_of_year), f64::from(u8::from(is_wet(d))))[0])
            .collect();
        let count = departures.len() as f64;
        let square = departures.iter().map(|d| d * d).sum::<f64>() / count;
        let carried = departures.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / count / square;
        assert!((square.sqrt() / SPREAD[0] - 1.0).abs() < 0.06, "{}", square.sqrt());
        assert!((carried - PERSISTENCE[0]).abs() < 0.03, "{carried}");
    }

    #[test]
    fn rain_days_are_cooler_and_duller_and_bounds_hold() {
        let (_, days) = years();
        let mean = |wet: bool, of: fn(&Daily) -> f64| {
            let some: Vec<f64> = days.iter().filter(|d| near(d, 110.0) && is_wet(d) == wet).map(of).collect();
            some.iter().sum::<f64>() / some.len() as f64
        };
        assert!(mean(true, |d| d.warmest_c) < mean(false, |d| d.warmest_c) - 1.5);
        assert!(mean(true, |d| d.clearness) < mean(false, |d| d.clearness) - 0.15);
        for day in &days {
            assert!(day.warmest_c >= day.coldest_c + 2.5);
            assert!((-5.0..=45.0).contains(&day.coldest_c) && day.warmest_c <= 48.0);
            assert!((0.15..=0.75).contains(&day.clearness));
        }
    }

    #[test]
    fn minutes_add_up_to_their_day() {
        let mut weather = Weather::new(Climate::default(), -35.0, 150, 3);
        for _ in 0..60 {
            let mut copy = weather.clone();
            let daily = copy.daily();
            let day = weather.day();
            assert!((day.rain.iter().sum::<f64>() - daily.rain_mm).abs() < 1e-9);
            assert!((day.sun.iter().sum::<f64>() - 1.0).abs() < 1e-9);
            assert!(day.rain.iter().all(|mm| (0.0..10.0).contains(mm)));
            let rainy = day.rain.iter().filter(|mm| **mm > 0.0).count();
            assert!(rainy <= 5 * 240);
        }
    }

    #[test]
    fn air_goes_from_the_coldest_at_sunrise_to_the_warmest_in_the_afternoon() {
        let mut weather = Weather::new(Climate::default(), -35.0, 90, 4);
        let [a, b, c] = [weather.day(), weather.day(), weather.day()];
        assert!((air_c(&a, &b, &c, b.sunrise_hour) - b.coldest_c).abs() < 1e-9);
        assert!((air_c(&a, &b, &c, WARMEST_HOUR) - b.warmest_c).abs() < 1e-9);
        // No jump at midnight.
        let mut weather_after = weather;
        let d = weather_after.day();
        assert!((air_c(&a, &b, &c, 24.0) - air_c(&b, &c, &d, 0.0)).abs() < 1e-9);
        assert!((wind_m_s(&b, &c, 24.0) - wind_m_s(&c, &d, 0.0)).abs() < 1e-9);
    }
}
