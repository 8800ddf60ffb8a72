//! What is judged at a tank: its temperature and how fast it changes, oxygen,
//! ammonia and pH. The words are in `tank_words`.

use jiff::Timestamp;

use crate::alarms::{Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Tank;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::tank::water_tests::TankWater;
use crate::garden::tank::words;
use crate::tank::{Change, RiseFall, WINDOWS, Window, drift};

/// A test older than this clears nothing.
const TEST_HOLDS_S: i64 = 14 * 86_400;
/// A test of pH stands beside the sensor's word this long.
const PH_BESIDE_S: i64 = 86_400;
/// Between heat that leaves too little oxygen and heat that does not, mg/L.
const HEAT_DEADBAND_MG_L: f64 = 0.1;
/// pH that would leave its range within so many days, at the present drift.
const DRIFT_AHEAD_DAYS: f64 = 7.0;
/// A drift below this in all is within what tests tell apart (a quarter of the
/// usual kit's step of 1, rounded up).
const DRIFT_LEAST: f64 = 0.3;
/// A change of pH within a day that troubles fish and filter: FAO Technical Paper
/// 589, chapter 7.3 (0.3 within 12 to 24 hours; 24 from memory).
pub(crate) const PH_DAY: f64 = 0.3;

/// A change beyond its limit, or the one nearest to it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Swing {
    pub(crate) window: Window,
    pub(crate) change: Change,
    pub(crate) limit_c: f64,
}

impl Swing {
    /// 1 at the limit.
    pub(crate) fn part(&self) -> f64 {
        self.change.by_c.abs() / self.limit_c
    }
}

/// What too little oxygen was judged by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum OxygenBy {
    Probe(f64),
    Test(Timestamp, f64),
    /// Only the temperature is known: what is left of saturation before dawn.
    Heat(f64),
}

/// What is wrong with pH.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum PhFault {
    OutOfRange(f64),
    /// Since yesterday.
    Jump(f64),
    Drift {
        per_day: f64,
        now: f64,
        days: f64,
    },
}

impl SiteState {
    /// Judges a tank after a good reading of one of its sensors, or after somebody
    /// has written something down about it.
    pub(crate) fn judge_tank(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        self.watch_immersion(index, at);
        self.judge_temperature(index, at, batch);
        self.judge_oxygen(index, at, batch);
        self.judge_ammonia(index, at, batch);
        self.judge_ph(index, at, batch);
    }

    fn judge_temperature(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let water = self.tank_water(index, at);
        let lately_out = self.lately_out(index, at);
        let place = AlarmPlace::Tank(index);
        let rules = self.garden.rules;
        let limits = self.garden.tanks[usize::from(index)].limits;
        // A missing thermometer may be the one that is beyond the limit: what the
        // others say can raise, and cannot clear.
        let seen = |input| match input {
            Input::Clear | Input::Deadband if water.is_none_or(|w| !w.whole) => Input::Unknown,
            other => other,
        };

        let deadband = rules[Kind::TankTemperatureShock].delays.deadband;
        let shock = seen(shock_input(&self.garden.tanks[usize::from(index)], water, deadband));
        self.judge(place.alarm(Kind::TankTemperatureShock), at, shock, batch, |site, active| {
            let tank = &site.garden.tanks[usize::from(index)];
            words::shock(tank, water, active, lately_out, &site.garden.site.time_zone)
        });

        let deadband = rules[Kind::TankTooWarm].delays.deadband;
        let warm = water.map_or(Input::Unknown, |w| Input::above(w.warmest_c, limits.warm_c, deadband));
        self.judge(place.alarm(Kind::TankTooWarm), at, seen(warm), batch, |site, active| {
            let now_c = water.map_or(f64::NAN, |w| w.warmest_c);
            words::limit(&site.garden.tanks[usize::from(index)], active, now_c, limits.warm_c, true)
        });

        let deadband = rules[Kind::TankTooCold].delays.deadband;
        let cold = water.map_or(Input::Unknown, |w| Input::below(w.coldest_c, limits.cold_c, deadband));
        self.judge(place.alarm(Kind::TankTooCold), at, seen(cold), batch, |site, active| {
            let now_c = water.map_or(f64::NAN, |w| w.coldest_c);
            words::limit(&site.garden.tanks[usize::from(index)], active, now_c, limits.cold_c, false)
        });
    }

    fn judge_oxygen(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let tank = &self.garden.tanks[usize::from(index)];
        let delays = self.garden.rules[Kind::LowOxygen].delays;
        let water = self.tank_water(index, at);
        let saturation = water.and_then(|w| self.saturation(w.warmest_c).ok());
        let below = |mg_l: f64| {
            let input = Input::below(mg_l, tank.limits.oxygen_mg_l, delays.deadband);
            match (tank.limits.oxygen_percent, &saturation) {
                (Some(limit), Some(s)) => {
                    let share = delays.deadband / s.mg_l * 100.0;
                    worst([input, Input::below(s.percent(mg_l), limit, share)])
                }
                (Some(_), None) => worst([input, Input::Unknown]),
                (None, _) => input,
            }
        };
        let heat = saturation.as_ref().map(|s| {
            // An alarm only where even full water holds too little; what may be left of
            // it before dawn is said in the tank's words and figures.
            let input = Input::below(s.mg_l, tank.limits.oxygen_mg_l, HEAT_DEADBAND_MG_L);
            (input, OxygenBy::Heat(s.before_dawn_mg_l()))
        });
        let probes = !self.tanks[usize::from(index)].oxygen_probes.is_empty();
        let measured = self.tank_oxygen(index, at).map(|oxygen| {
            let input = match below(oxygen.lowest) {
                Input::Clear | Input::Deadband if !oxygen.whole => Input::Unknown,
                other => other,
            };
            (input, OxygenBy::Probe(oxygen.lowest))
        });
        let tested = self.tested(index, at, |t| t.oxygen_mg_l).map(|(of, mg_l)| {
            let input = match below(mg_l) {
                // Oxygen of a fortnight ago says nothing about today.
                Input::Clear | Input::Deadband if at.as_second() - of.as_second() > TEST_HOLDS_S => {
                    Input::Unknown
                }
                other => other,
            };
            (input, OxygenBy::Test(of, mg_l))
        });
        // The probe's word stands before all; without one, a low test stands until a
        // better one, and heat can add to it. A silent probe clears nothing.
        let judged = match (measured, tested, heat) {
            (Some(measured), ..) => Some(measured),
            (None, Some(tested), _) if tested.0 == Input::Breach => Some(tested),
            (None, _, Some(heat)) if heat.0 == Input::Breach || !probes => Some(heat),
            (None, ..) => None,
        };
        let input = judged.map_or(Input::Unknown, |(input, _)| input);
        let subject = AlarmPlace::Tank(index).alarm(Kind::LowOxygen);
        self.judge(subject, at, input, batch, |site, active| {
            let tank = &site.garden.tanks[usize::from(index)];
            let by = judged.map(|(_, by)| by);
            words::oxygen(tank, active, by, saturation.as_ref(), water, &site.garden.site.time_zone)
        });
    }

    fn judge_ammonia(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let limits = self.garden.tanks[usize::from(index)].limits;
        let delays = self.garden.rules[Kind::Ammonia].delays;
        let test = self.ammonia_test(index, at);
        let nitrite = self.tested(index, at, |t| t.nitrite_mg_l);
        let old = |of: Timestamp, input| match input {
            Input::Clear | Input::Deadband if at.as_second() - of.as_second() > TEST_HOLDS_S => {
                Input::Unknown
            }
            other => other,
        };
        let ammonia = test.map_or(Input::Unknown, |test| {
            // Where the un-ionised part is not known, the total alone can raise.
            let part = match test.un_ionised_mg_l {
                Some(Ok(mg_l)) => Input::above(mg_l, limits.ammonia_mg_l, delays.deadband),
                Some(Err(_)) | None => Input::Unknown,
            };
            let total = Input::above(test.total_mg_l, limits.total_ammonia_mg_l, 0.0);
            old(test.at, worst([part, total]))
        });
        let nitrite_input = nitrite.map(|(of, mg_l)| old(of, Input::above(mg_l, limits.nitrite_mg_l, 0.0)));
        let input = match nitrite_input {
            None => ammonia,
            Some(nitrite) if test.is_none() && nitrite != Input::Breach => Input::Unknown,
            Some(nitrite) => worst([ammonia, nitrite]),
        };
        let subject = AlarmPlace::Tank(index).alarm(Kind::Ammonia);
        self.judge(subject, at, input, batch, |site, active| {
            let tank = &site.garden.tanks[usize::from(index)];
            words::ammonia(tank, active, test, nitrite, &site.garden.site.time_zone)
        });
    }

    fn judge_ph(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let delays = self.garden.rules[Kind::Ph].delays;
        let (low, high) = self.garden.tanks[usize::from(index)].limits.ph;
        let outside = |value: f64| {
            worst([Input::below(value, low, delays.deadband), Input::above(value, high, delays.deadband)])
        };
        let farthest = |a: f64, b: f64| if high - b < a - low { b } else { a };
        let probes = !self.tanks[usize::from(index)].ph_probes.is_empty();
        let sensor = self.tank_ph(index, at);
        let tested = self.tested(index, at, |t| t.ph);
        let age_s = tested.map_or(i64::MAX, |(of, _)| at.as_second() - of.as_second());

        let mut inputs = Vec::with_capacity(4);
        let mut fault = None;
        let mut note = |input, what| {
            if input == Input::Breach && fault.is_none() {
                fault = Some(what);
            }
            inputs.push(input);
        };
        match sensor {
            Some(ph) => {
                let input = match worst([outside(ph.lowest), outside(ph.highest)]) {
                    Input::Clear | Input::Deadband if !ph.whole => Input::Unknown,
                    other => other,
                };
                note(input, PhFault::OutOfRange(farthest(ph.lowest, ph.highest)));
                if let Some((_, value)) = tested.filter(|_| age_s <= PH_BESIDE_S) {
                    note(outside(value), PhFault::OutOfRange(value));
                }
            }
            None => {
                let input = match tested {
                    Some((_, value)) if outside(value) == Input::Breach => Input::Breach,
                    // A silent probe and an old test say nothing.
                    Some((_, value)) if !probes && age_s <= TEST_HOLDS_S => outside(value),
                    Some(_) | None => Input::Unknown,
                };
                note(input, PhFault::OutOfRange(tested.map_or(f64::NAN, |(_, value)| value)));
            }
        }
        if let Some(by) = self.ph_since_yesterday(index, at) {
            note(Input::above(by.abs(), PH_DAY, delays.deadband), PhFault::Jump(by));
        }
        if let Some(drift) = drift(&self.ph_days(index, at)) {
            let edge = if drift.per_day < 0.0 { low } else { high };
            let days = (edge - drift.now) / drift.per_day;
            let goes =
                drift.clear && drift.total.abs() >= DRIFT_LEAST && (0.0..=DRIFT_AHEAD_DAYS).contains(&days);
            let input = if goes { Input::Breach } else { Input::Clear };
            note(input, PhFault::Drift { per_day: drift.per_day, now: drift.now, days });
        }
        let input = worst(inputs);
        let subject = AlarmPlace::Tank(index).alarm(Kind::Ph);
        self.judge(subject, at, input, batch, |site, active| {
            words::ph(&site.garden.tanks[usize::from(index)], active, fault)
        });
    }
}

/// The change nearest to its limit, or farthest beyond it.
pub(crate) fn worst_swing(tank: &Tank, water: &TankWater) -> Option<Swing> {
    swings(tank, water).max_by(|a, b| a.part().total_cmp(&b.part()))
}

fn swings<'a>(tank: &'a Tank, water: &'a TankWater) -> impl Iterator<Item = Swing> + 'a {
    WINDOWS.iter().zip(&water.moves).zip(&tank.limits.change).flat_map(|((&window, moves), limit)| {
        let both = moves.zip(*limit).map(|(moves, RiseFall { rise_c, fall_c })| {
            [
                Swing { window, change: moves.rise, limit_c: rise_c },
                Swing { window, change: moves.fall, limit_c: fall_c },
            ]
        });
        both.into_iter().flatten()
    })
}

fn shock_input(tank: &Tank, water: Option<TankWater>, deadband_c: f64) -> Input {
    let Some(water) = water else { return Input::Unknown };
    let known = WINDOWS.iter().zip(&water.moves).zip(&tank.limits.change);
    // A window that is judged and has no two readings.
    let blind = known.filter(|((_, moves), limit)| limit.is_some() && moves.is_none()).count();
    let unknown = (blind > 0).then_some(Input::Unknown);
    worst(
        swings(tank, &water)
            .map(|swing| Input::above(swing.change.by_c.abs(), swing.limit_c, deadband_c))
            .chain(unknown),
    )
}

/// A breach of any is a breach; clear only where all are. Of nothing, nothing is
/// known.
fn worst(inputs: impl IntoIterator<Item = Input>) -> Input {
    // What people do is no judgement.
    const RANKED: [Input; 4] = [Input::Clear, Input::Deadband, Input::Unknown, Input::Breach];
    let rank = |input: &Input| RANKED.iter().position(|r| r == input);
    inputs.into_iter().max_by_key(rank).unwrap_or(Input::Unknown)
}
