//! When each bed grew wetter, by the same watch as the core's, and why.
//!
//! The core judges while things happen; here the whole month is known, and what people
//! wrote down counts too. In this order:
//!
//! 1. At least 1 mm in a gauge within the day before explains a wetting: rain. A
//!    watering that was logged, or that a water meter counted, explains it too: both,
//!    or watering alone.
//! 2. Else, where a gauge was heard and caught no rain, few beds rose at once, the rise
//!    was clear and no meter speaks against it, it is inferred that the bed was watered.
//! 3. Else it is not known, and the reason is said.

use jiff::Timestamp;

use super::Cause;
use super::counted::Counted;
use super::span::seconds;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::plan::Garden;
use crate::garden::{
    CLEAR_RISE, LEAST_MM, LEAST_SITE_L, PEATY, RAIN_EXPLAINS_MM, SAME_DEPTH_M, SAME_WEATHER_S,
    SAME_WETTING_S, SLOW_S, THAW_C, TOGETHER_S, Unclear, patience_s, plus,
};
use crate::history::Point;
use crate::model::{Place, Quantity};
use crate::text::spoken;
use crate::watering::{Wetting, WettingWatch, probe_lag_s};

const DAY_S: i64 = 86_400;
/// People write down about when they watered: this far off at most, seconds. Ours.
const LOGGED_NEAR_S: i64 = 3 * 3600;
/// Water takes up to this long from a gauge to a probe beyond the probe's lag.
const GAUGE_MARGIN_S: i64 = 3600;

/// A wetting with what speaks for its cause.
#[derive(Clone, Debug)]
pub(super) struct Found {
    pub(super) wetting: Wetting,
    pub(super) cause: Cause,
    pub(super) inferred: bool,
    pub(super) rain_mm: Option<f64>,
    pub(super) metered_l: Option<f64>,
    pub(super) logged: Option<(Timestamp, Option<f64>)>,
    pub(super) why: String,
    /// How many beds rose at about that time, this one included.
    pub(super) beds: usize,
}

/// What a bed's probes saw.
#[derive(Clone, Debug, Default)]
pub(super) struct Rises {
    /// The bed's wettings, in the order of time.
    pub(super) found: Vec<Found>,
    /// Every believed rise of any of its probes, in the order in which it was believed.
    pub(super) all: Vec<Wetting>,
}

/// The sensors' readings and what counts water.
#[derive(Debug)]
pub(super) struct Heard<'a> {
    pub(super) garden: &'a Garden,
    /// In the order of the garden's file, each in order of time, none after the month's end.
    pub(super) points: Vec<&'a [Point]>,
    pub(super) log: &'a [LogEntry],
    pub(super) gauges: Vec<Counted>,
    pub(super) meters: Vec<(Place, Counted)>,
}

impl Heard<'_> {
    /// A sensor's last good value, if it is fresh at a moment.
    fn fresh(&self, sensor: usize, at: Timestamp) -> Option<f64> {
        let points = self.points[sensor];
        let known = &points[..points.partition_point(|point| point.at <= at)];
        let patience_s = patience_s(self.garden.sensors[sensor].every_s);
        let near = known.iter().rev().take_while(|point| seconds(point.at, at) <= patience_s);
        near.filter_map(Point::good).next()
    }

    /// A bed's moisture probes from the top down.
    pub(super) fn probes(&self, bed: usize) -> Vec<usize> {
        let mut found: Vec<usize> = (0..self.garden.sensors.len())
            .filter(|&i| {
                let plan = &self.garden.sensors[i];
                plan.measures == Quantity::SoilMoisture && is_bed(plan.place, bed)
            })
            .collect();
        found.sort_by(|&a, &b| self.depth_m(a).total_cmp(&self.depth_m(b)));
        found
    }

    fn depth_m(&self, sensor: usize) -> f64 {
        self.garden.sensors[sensor].depth_m.unwrap_or(0.0)
    }

    /// The rises and wettings of every bed.
    pub(super) fn rises(&self) -> Vec<Rises> {
        let beds: Vec<Vec<usize>> = (0..self.garden.beds.len()).map(|bed| self.probes(bed)).collect();
        let mut rises: Vec<Rises> = vec![Rises::default(); beds.len()];
        // (bed, probe, wetting), in the order in which they are believed.
        let mut believed = Vec::new();
        for (bed, probes) in beds.iter().enumerate() {
            for &probe in probes {
                let mut watch = WettingWatch::default();
                for point in self.points[probe] {
                    if let Some(value) = point.good()
                        && let Some(wetting) = watch.push(point.at, value)
                    {
                        believed.push((bed, probe, wetting));
                    }
                }
            }
        }
        believed.sort_by_key(|(_, _, wetting)| wetting.seen);
        for (bed, _, wetting) in &believed {
            rises[*bed].all.push(*wetting);
        }
        let mut like_rain_at: Option<Timestamp> = None;
        for (bed, probe, wetting) in believed {
            let known = rises[bed].found.last();
            let same =
                known.is_some_and(|it| seconds(it.wetting.onset, wetting.onset).abs() <= SAME_WETTING_S);
            let top = beds[bed].iter().find(|&&p| self.fresh(p, wetting.seen).is_some());
            let tells = top.is_some_and(|&top| self.depth_m(probe) - self.depth_m(top) < SAME_DEPTH_M);
            if same || !tells {
                continue;
            }
            let near = |it: &Wetting| seconds(it.onset, wetting.onset).abs() <= TOGETHER_S;
            let rose: Vec<bool> =
                (0..beds.len()).map(|i| i == bed || rises[i].all.iter().any(near)).collect();
            let speaks = |i: usize| beds[i].iter().any(|&p| self.fresh(p, wetting.seen).is_some());
            let watched = (0..beds.len()).filter(|&i| rose[i] || speaks(i)).count();
            let rose = rose.iter().filter(|rose| **rose).count();
            let several = rose >= 3 || (watched == 2 && rose == 2);
            let after_rain = like_rain_at
                .is_some_and(|at| (-TOGETHER_S..=SAME_WEATHER_S).contains(&seconds(at, wetting.onset)));
            let found = self.weigh(bed, probe, wetting, Together { rose, watched, several, after_rain });
            if several && !matches!(found.cause, Cause::Rain | Cause::Both | Cause::Watering) {
                like_rain_at = Some(wetting.onset);
            }
            rises[bed].found.push(found);
        }
        for bed in &mut rises {
            bed.found.sort_by_key(|found| found.wetting.onset);
        }
        rises
    }

    fn weigh(&self, bed: usize, probe: usize, wetting: Wetting, together: Together) -> Found {
        let zone = &self.garden.site.time_zone;
        let earliest = plus(wetting.onset, -probe_lag_s(self.depth_m(probe)));
        let day_before = plus(wetting.onset, -DAY_S);
        let caught_mm = self.gauges.iter().map(|it| it.sum(day_before, wetting.seen)).fold(0.0, f64::max);
        let gauge_known = self.gauges.iter().any(|it| it.whole(day_before, wetting.seen));
        let logged = self.logged(bed, earliest, wetting.seen);
        let meter = self.meter(bed, plus(earliest, -SLOW_S), wetting.seen);
        let rained = caught_mm >= RAIN_EXPLAINS_MM;
        let mut reasons = Vec::new();
        if rained {
            let least = if gauge_known { "" } else { "at least " };
            reasons.push(format!("the rain gauge caught {least}{caught_mm:.1} mm in the day before"));
        }
        if let Some((at, litres)) = logged {
            let with = litres.map_or_else(String::new, |l| format!(" with {}", spoken::litres(l)));
            reasons.push(format!("the log says it was watered{with} at {}", spoken::moment(at, zone)));
        }
        let ran = meter.as_ref().is_some_and(|meter| meter.litres >= meter.least_l);
        if let Some(meter) = meter.as_ref().filter(|_| ran) {
            let whose = if meter.own { "its" } else { "the garden's" };
            reasons.push(format!("{whose} water meter counted {} then", spoken::litres(meter.litres)));
        }
        let watered = logged.is_some() || ran;
        let (cause, inferred) = match (rained, watered) {
            (true, true) => (Cause::Both, false),
            (true, false) => (Cause::Rain, false),
            (false, true) => (Cause::Watering, false),
            (false, false) => match self.unclear(bed, probe, &wetting, earliest, meter.as_ref(), together) {
                Some(unclear) => {
                    reasons.push(unclear.words().to_owned());
                    (Cause::Unknown, false)
                }
                None => {
                    reasons.push(format!(
                        "the rain gauge was heard and caught {caught_mm:.1} mm in the day before, and {} of {} beds \
                         rose then",
                        together.rose, together.watched
                    ));
                    (Cause::Watering, true)
                }
            },
        };
        Found {
            wetting,
            cause,
            inferred,
            rain_mm: gauge_known.then_some(caught_mm),
            metered_l: meter.filter(|meter| meter.whole || ran).map(|meter| meter.litres),
            logged,
            why: spoken::list(&reasons),
            beds: together.rose,
        }
    }

    /// Why it cannot be told that a rise without rain and without a known watering was
    /// a watering; `None` where it can.
    fn unclear(
        &self,
        bed: usize,
        probe: usize,
        wetting: &Wetting,
        earliest: Timestamp,
        meter: Option<&Meter>,
        together: Together,
    ) -> Option<Unclear> {
        if self.coldest_soil_c(bed, wetting.seen).is_some_and(|c| c < THAW_C) {
            return Some(Unclear::SoilCold);
        }
        if self.fresh(probe, wetting.seen).is_some_and(|content| content > PEATY) {
            return Some(Unclear::SoilPeaty);
        }
        match meter {
            Some(meter) if meter.whole => return Some(Unclear::MeterDry),
            Some(meter) if meter.own => return Some(Unclear::MeterSilent),
            _ => {}
        }
        let since = plus(earliest, -GAUGE_MARGIN_S);
        let old = |gauge: &&Counted| gauge.heard_since(plus(wetting.onset, -DAY_S));
        let believed =
            self.gauges.iter().filter(old).filter(|gauge| gauge.whole(since, wetting.seen)).count();
        match believed {
            0 if self.gauges.iter().any(|gauge| old(&gauge)) => Some(Unclear::GaugeSilent),
            0 => Some(Unclear::NoGauge),
            1 if together.several => Some(Unclear::SeveralBeds),
            1 if together.after_rain => Some(Unclear::SameWeather),
            _ if wetting.rise < CLEAR_RISE => Some(Unclear::Small),
            _ => None,
        }
    }

    /// When the log says that a bed was watered at about that time; where it says so
    /// more than once, the first time and all litres.
    fn logged(&self, bed: usize, earliest: Timestamp, seen: Timestamp) -> Option<(Timestamp, Option<f64>)> {
        let from = plus(earliest, -LOGGED_NEAR_S);
        let mut found: Option<(Timestamp, Option<f64>)> = None;
        for (at, litres) in waterings(self.log, self.garden, bed).filter(|(at, _)| from <= *at && *at <= seen)
        {
            found = match found {
                None => Some((at, litres)),
                Some((first, sum)) => Some((first.min(at), sum.zip(litres).map(|(a, b)| a + b))),
            };
        }
        found
    }

    /// What the bed's own meters, else the site's, counted.
    fn meter(&self, bed: usize, from: Timestamp, to: Timestamp) -> Option<Meter> {
        let area_m2 = self.garden.beds[bed].area_m2;
        let of = |own: bool, least_l: f64| {
            let mut meters = self
                .meters
                .iter()
                .filter(|(place, _)| if own { is_bed(*place, bed) } else { *place == Place::Site });
            let (mut litres, mut whole) = (0.0, true);
            let first = meters.next()?;
            for (_, meter) in std::iter::once(first).chain(meters) {
                litres += meter.touching(from, to);
                whole &= meter.whole(from, to);
            }
            Some(Meter { litres, whole, own, least_l })
        };
        of(true, LEAST_MM * area_m2).or_else(|| of(false, LEAST_SITE_L))
    }

    /// The coldest fresh soil thermometer of the bed, else of the site, °C.
    fn coldest_soil_c(&self, bed: usize, at: Timestamp) -> Option<f64> {
        let coldest = |own: bool| {
            (0..self.garden.sensors.len())
                .filter(|&i| self.garden.sensors[i].measures == Quantity::SoilTemperature)
                .filter(|&i| !own || is_bed(self.garden.sensors[i].place, bed))
                .filter_map(|i| self.fresh(i, at))
                .reduce(f64::min)
        };
        coldest(true).or_else(|| coldest(false))
    }

    /// Rain of a stretch of time, mm, by the gauge that caught most of those that were
    /// heard all along; `None` where none was.
    pub(super) fn rain_mm(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        self.gauges
            .iter()
            .filter(|gauge| gauge.whole(from, to))
            .map(|gauge| gauge.sum(from, to))
            .reduce(f64::max)
    }

    /// What a bed's own meters counted in a stretch of time, litres: `None` without
    /// one, `Some(None)` where one was not heard all along.
    pub(super) fn own_meter_l(&self, bed: usize, from: Timestamp, to: Timestamp) -> Option<Option<f64>> {
        let mut own = self.meters.iter().filter(|(place, _)| is_bed(*place, bed)).peekable();
        own.peek()?;
        let litres = own.map(|(_, meter)| meter.whole(from, to).then(|| meter.sum(from, to)));
        Some(litres.sum())
    }
}

/// How the garden's beds moved together.
#[derive(Clone, Copy, Debug)]
struct Together {
    rose: usize,
    watched: usize,
    several: bool,
    /// Several beds rose without known rain a few hours before.
    after_rain: bool,
}

/// What meters counted when a wetting's water can have come.
#[derive(Clone, Copy, Debug)]
struct Meter {
    litres: f64,
    /// Whether they were heard all along.
    whole: bool,
    own: bool,
    /// Less than this is no watering.
    least_l: f64,
}

pub(super) fn is_bed(place: Place, bed: usize) -> bool {
    matches!(place, Place::Bed(index) if usize::from(index) == bed)
}

/// The waterings of a bed that were logged.
pub(super) fn waterings<'a>(
    log: &'a [LogEntry],
    garden: &'a Garden,
    bed: usize,
) -> impl Iterator<Item = (Timestamp, Option<f64>)> + 'a {
    let id = &garden.beds[bed].id;
    let of_bed = log.iter().filter(move |entry| entry.place.as_ref() == Some(id));
    of_bed.filter_map(|entry| match entry.what {
        LogEvent::Watered { litres } => Some((entry.at, litres)),
        _ => None,
    })
}
