//! What is known of a tank's water: by its sensors, and by tests that people
//! wrote down.

use jiff::Timestamp;

use crate::garden::log::{LogEvent, WaterTest};
use crate::garden::sensor::state::{SensorHistory, Thermometer};
use crate::garden::site::SiteState;
use crate::model::{Place, Quantity};
use crate::tank::{
    DAY_S, Hourly, Immersed, Moves, Outside, ProbeSurroundings, Saturation, Slope, TankOutOfRange, WINDOWS,
    slope, un_ionised_mg_l,
};

/// A tank's temperature as its probes see it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TankWater {
    pub(crate) coldest_c: f64,
    pub(crate) warmest_c: f64,
    /// Largest rise and fall of any probe, in the order of [`WINDOWS`].
    pub(crate) moves: [Option<Moves>; WINDOWS.len()],
    /// Whether every thermometer had a fresh good value and is in the water.
    pub(crate) whole: bool,
    /// Whether the changes of all of them count: none was faulty within the last day.
    pub(crate) moves_whole: bool,
}

/// A thermometer that seems to be out of the water.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ProbeOut {
    pub(crate) sensor: u16,
    pub(crate) why: Outside,
    pub(crate) since: Timestamp,
}

/// Values of several probes of one kind.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Between {
    pub(crate) lowest: f64,
    pub(crate) highest: f64,
    /// Whether every probe had a fresh good value.
    pub(crate) whole: bool,
}

/// The newest test of ammonia, with what its un-ionised part needs.
#[derive(Clone, Copy, Debug)]
pub(crate) struct AmmoniaTest {
    pub(crate) at: Timestamp,
    /// Total ammonia as nitrogen, mg/L.
    pub(crate) total_mg_l: f64,
    pub(crate) ph: Option<f64>,
    pub(crate) temperature_c: Option<f64>,
    /// `None` where pH or temperature is not known.
    pub(crate) un_ionised_mg_l: Option<Result<f64, TankOutOfRange>>,
}

/// A test older than this clears nothing.
pub(super) const TEST_HOLDS_S: i64 = 14 * 86_400;
/// What is missing where no thermometer can be read.
pub(super) const NO_TEMPERATURE: &str = "no thermometer in the water has a fresh good reading";
/// From so many times its limit on, ammonia or nitrite asks for more water to be changed; this
/// project's own.
pub(super) const MUCH: f64 = 2.0;
/// How much water is changed against ammonia or nitrite, and when the next test is: a quarter
/// to a half where there is much (UF/IFAS FA-16, from memory), else a tenth to a fifth (common
/// practice).
///
/// `hour` is that of the local clock: who reads it late in the evening tests in the morning.
pub(super) fn water_change(much: bool, hour: i8) -> [&'static str; 2] {
    const LATE: i8 = 17;
    const EARLY: i8 = 5;
    if much {
        [
            "Change a quarter to a half of the water today, with water of the same temperature treated against chlorine \
             and chloramine.",
            match hour {
                ..EARLY => "Test again this morning.",
                LATE.. => "Test again tomorrow morning.",
                _ => "Test again this evening.",
            },
        ]
    } else {
        [
            "Change a tenth to a fifth of the water today, with water of the same temperature treated against chlorine \
             and chloramine.",
            "Test again tomorrow morning.",
        ]
    }
}
/// The pH of one test counts for another test this long.
const PH_HOLDS_S: i64 = 7 * 86_400;
/// The present rate is that of this long.
const RATE_S: i64 = 3 * 3600;
/// A rate is told where its readings span at least this.
const RATE_MIN_S: i64 = 3600;

impl SiteState {
    /// Keeps watch over whether the tank's thermometers are in the water; after a
    /// good reading of one of them.
    pub(crate) fn watch_immersion(&mut self, index: u16, at: Timestamp) {
        let volume_l = self.garden.tank(index).volume_l;
        let air_c = self.air_c(at);
        for i in 0..self.tanks[usize::from(index)].thermometers.len() {
            let probe = self.tanks[usize::from(index)].thermometers[i];
            let Some(own) = self.history(probe).water() else { continue };
            let Some((newest, value)) = own.kept.newest().filter(|(t, _)| *t == at) else { continue };
            let others: Vec<f64> = self.tanks[usize::from(index)]
                .thermometers
                .iter()
                .filter(|&&other| other != probe && self.immersed(other) == Immersed::In)
                .filter_map(|&other| self.fresh(other, at))
                .collect();
            let other_c = (!others.is_empty()).then(|| others.iter().sum::<f64>() / others.len() as f64);
            let around = ProbeSurroundings { volume_l, air_c, other_c };
            if let SensorHistory::Water(own) = &mut self.sensors[usize::from(probe)].history {
                own.immersion.step(newest, value, &around);
                let [.., day] = own.kept.moves(own.immersion.aside());
                let half_day_c = range(own.kept.recent(DAY_S / 2, own.immersion.aside()));
                let was_in_air = own.air.now().is_some();
                if own.air.step(newest, value, air_c, day, half_day_c, volume_l).is_none() && was_in_air {
                    // What it showed in the air is no change of the water.
                    own.kept.forget_before(newest);
                }
            }
        }
    }

    fn immersed(&self, probe: u16) -> Immersed {
        self.history(probe).water().map_or(Immersed::In, Thermometer::place)
    }

    /// The site's air, if a thermometer of it is fresh.
    fn air_c(&self, at: Timestamp) -> Option<f64> {
        self.air_thermometers().find_map(|(i, _)| self.fresh(i, at))
    }

    fn air_thermometers(&self) -> impl Iterator<Item = (u16, Place)> {
        let air = (0u16..).zip(&self.garden.sensors).filter(|(_, s)| s.measures == Quantity::AirTemperature);
        air.map(|(i, s)| (i, s.place))
    }

    /// The air at a tank, by its own thermometer before any other.
    pub(super) fn air_at_tank(&self, index: u16, at: Timestamp) -> Option<f64> {
        let own = self.air_thermometers().filter(|(_, place)| *place == Place::Tank(index));
        own.filter_map(|(i, _)| self.fresh(i, at)).next().or_else(|| self.air_c(at))
    }

    /// The tank's water at `at`; `None` where no probe in the water has a fresh good
    /// value.
    pub(crate) fn tank_water(&self, index: u16, at: Timestamp) -> Option<TankWater> {
        let thermometers = &self.tanks[usize::from(index)].thermometers;
        let mut water: Option<TankWater> = None;
        let mut whole = true;
        for &probe in thermometers {
            let (Some(value), Some(own), Immersed::In) =
                (self.fresh(probe, at), self.history(probe).water(), self.immersed(probe))
            else {
                whole = false;
                continue;
            };
            let moves_whole = !self.faulty_lately(probe, at);
            let moves =
                if moves_whole { own.kept.moves(own.immersion.aside()) } else { [None; WINDOWS.len()] };
            water = Some(match water {
                None => TankWater { coldest_c: value, warmest_c: value, moves, whole, moves_whole },
                Some(w) => TankWater {
                    coldest_c: w.coldest_c.min(value),
                    warmest_c: w.warmest_c.max(value),
                    moves: std::array::from_fn(|i| larger(w.moves[i], moves[i])),
                    whole,
                    moves_whole: moves_whole && w.moves_whole,
                },
            });
        }
        water.map(|w| TankWater { whole, ..w })
    }

    /// Thermometers that are heard and seem to be out of the water.
    pub(crate) fn probes_out(&self, index: u16, at: Timestamp) -> Vec<ProbeOut> {
        self.tanks[usize::from(index)]
            .thermometers
            .iter()
            .filter(|&&probe| self.fresh(probe, at).is_some())
            .filter_map(|&sensor| match self.immersed(sensor) {
                Immersed::Out { why, since, .. } => Some(ProbeOut { sensor, why, since }),
                Immersed::In => None,
            })
            .collect()
    }

    /// Whether a thermometer was out of the water within the day before `at`, and
    /// from when to when, the latest time.
    pub(crate) fn lately_out(&self, index: u16, at: Timestamp) -> Option<(Timestamp, Timestamp)> {
        self.tanks[usize::from(index)]
            .thermometers
            .iter()
            .filter_map(|&probe| self.history(probe).water()?.immersion.aside().last().copied())
            .filter(|(_, to)| at.as_second() - to.as_second() <= crate::tank::DAY_S)
            .max_by_key(|(_, to)| *to)
    }

    /// How the tank's temperature goes at present, by its first thermometer that is
    /// in the water.
    pub(crate) fn tank_rate(&self, index: u16, at: Timestamp) -> Option<Slope> {
        self.tanks[usize::from(index)].thermometers.iter().find_map(|&probe| {
            self.fresh(probe, at)?;
            let own = self.history(probe).water()?;
            if own.place() != Immersed::In {
                return None;
            }
            slope(&own.kept.recent(RATE_S, own.immersion.aside())).filter(|s| s.over_s >= RATE_MIN_S)
        })
    }

    /// The oxygen that the tank's probes measure, mg/L.
    pub(crate) fn tank_oxygen(&self, index: u16, at: Timestamp) -> Option<Between> {
        self.between(&self.tanks[usize::from(index)].oxygen_probes, at)
    }

    /// The pH that the tank's probes measure.
    pub(crate) fn tank_ph(&self, index: u16, at: Timestamp) -> Option<Between> {
        self.between(&self.tanks[usize::from(index)].ph_probes, at)
    }

    fn between(&self, probes: &[u16], at: Timestamp) -> Option<Between> {
        let values: Vec<f64> = probes.iter().filter_map(|&p| self.fresh(p, at)).collect();
        Some(Between {
            lowest: values.iter().copied().reduce(f64::min)?,
            highest: values.iter().copied().reduce(f64::max)?,
            whole: values.len() == probes.len(),
        })
    }

    /// Oxygen that water of this temperature holds at the site's elevation.
    pub(crate) fn saturation(&self, temperature_c: f64) -> Result<Saturation, TankOutOfRange> {
        Saturation::of(temperature_c, self.garden.site.elevation_m)
    }

    /// The newest number of the tank's water tests up to `at`.
    pub(crate) fn tested(
        &self,
        index: u16,
        at: Timestamp,
        pick: impl Fn(&WaterTest) -> Option<f64>,
    ) -> Option<(Timestamp, f64)> {
        self.log.newest(&self.garden.tank(index).id, at, |seen| match seen {
            LogEvent::WaterTest(test) => pick(test),
            _ => None,
        })
    }

    /// The newest test of ammonia. pH and temperature are the test's own, else the
    /// pH of another test of the week before, else the sensors'.
    pub(crate) fn ammonia_test(&self, index: u16, now: Timestamp) -> Option<AmmoniaTest> {
        let id = &self.garden.tank(index).id;
        let (at, test) = self.log.newest(id, now, |seen| match seen {
            LogEvent::WaterTest(test) => test.ammonia_mg_l.map(|_| *test),
            _ => None,
        })?;
        let total_mg_l = test.ammonia_mg_l?;
        let ph = test
            .ph
            .or_else(|| {
                self.tested(index, at, |t| t.ph)
                    .filter(|(of, _)| at.as_second() - of.as_second() <= PH_HOLDS_S)
                    .map(|(_, ph)| ph)
            })
            .or_else(|| self.tank_ph(index, now).map(|ph| ph.highest));
        let temperature_c = test.temperature_c.or_else(|| self.tank_water(index, now).map(|w| w.warmest_c));
        let un_ionised = ph.zip(temperature_c).map(|(ph, c)| un_ionised_mg_l(total_mg_l, ph, c));
        Some(AmmoniaTest { at, total_mg_l, ph, temperature_c, un_ionised_mg_l: un_ionised })
    }

    /// pH day by day: by the first sensor that has days enough, else by the tests of
    /// four weeks.
    pub(crate) fn ph_days(&self, index: u16, now: Timestamp) -> Vec<(Timestamp, f64)> {
        const TESTS_S: i64 = 28 * 86_400;
        for &probe in &self.tanks[usize::from(index)].ph_probes {
            let days = self.history(probe).ph().map(Hourly::days).unwrap_or_default();
            if days.len() >= 2 {
                return days;
            }
        }
        let id = &self.garden.tank(index).id;
        self.log
            .of(id)
            .iter()
            .filter(|(at, _)| *at <= now && now.as_second() - at.as_second() <= TESTS_S)
            .filter_map(|(at, seen)| match seen {
                LogEvent::WaterTest(test) => Some((*at, test.ph?)),
                _ => None,
            })
            .collect()
    }

    /// pH now less pH a day ago, by the first sensor that knows.
    pub(crate) fn ph_since_yesterday(&self, index: u16, at: Timestamp) -> Option<f64> {
        self.tanks[usize::from(index)].ph_probes.iter().find_map(|&probe| {
            self.fresh(probe, at)?;
            self.history(probe).ph()?.since_yesterday()
        })
    }
}

/// Whether a test is too old to clear anything.
pub(crate) fn is_old(tested_at: Timestamp, at: Timestamp) -> bool {
    at.as_second() - tested_at.as_second() > TEST_HOLDS_S
}

/// Highest less lowest, °C.
fn range(points: Vec<(Timestamp, f64)>) -> f64 {
    let (low, high) = points
        .into_iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, c)| (low.min(c), high.max(c)));
    high - low
}

fn larger(a: Option<Moves>, b: Option<Moves>) -> Option<Moves> {
    match (a, b) {
        (Some(a), Some(b)) => Some(Moves {
            rise: if b.rise.by_c > a.rise.by_c { b.rise } else { a.rise },
            fall: if b.fall.by_c < a.fall.by_c { b.fall } else { a.fall },
        }),
        (one, other) => one.or(other),
    }
}
