//! When each bed grew wetter, by the same watch as the core's, and why: the evidence
//! of a whole month, for [`WettingEvidence::cause`] to decide on.
//!
//! The core gathers its evidence while things happen; here a later message or entry
//! of the log counts too. A gauge that lies is not found out.

use jiff::Timestamp;

use super::WaterSource;
use super::counted::Counted;
use super::span::seconds;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::plan::Garden;
use crate::garden::{
    AirMoisture, BedMotion, BedsTogether, CauseUnknown, Coldest, GAUGE_MARGIN_S, HourlyExtremes,
    LoggedWatering, MeterEvidence, ProgramRun, RAIN_EXPLAINS_MM, Replacements, RiseBegan, SAME_DEPTH_M,
    SAME_WETTING_S, SLOW_S, TOGETHER_S, WateringBasis, WateringTime, WettingAnswer, WettingCause,
    WettingEvidence, patience_s, people_about,
};
use crate::history::Point;
use crate::model::{Place, Quantity, add_seconds};
use crate::text::spoken;
use crate::watering::{SameTimeWatch, Wetting, WettingWatch, minute_of_day, probe_lag_s};

const DAY_S: i64 = 86_400;
/// A wetting with what speaks for its cause.
#[derive(Clone, Debug)]
pub(super) struct FoundWetting {
    pub(super) wetting: Wetting,
    pub(super) cause: WaterSource,
    pub(super) decided: WettingCause,
    pub(super) inferred: bool,
    pub(super) rain_mm: Option<f64>,
    pub(super) metered_l: Option<f64>,
    /// What the program of the timer gives in one run, litres, by the garden file.
    pub(super) program_l: Option<f64>,
    pub(super) logged: Option<(Timestamp, Option<f64>)>,
    pub(super) why: String,
    /// How many beds rose at about that time, this one included.
    pub(super) beds: usize,
}

/// What a bed's probes saw.
#[derive(Clone, Debug, Default)]
pub(super) struct Rises {
    /// The bed's wettings, in the order of time.
    pub(super) found: Vec<FoundWetting>,
    /// Every believed rise of any of its probes, in the order in which it was believed.
    pub(super) all: Vec<Wetting>,
}

/// The sensors' readings and what counts water.
#[derive(Debug)]
pub(super) struct MonthReadings<'a> {
    pub(super) garden: &'a Garden,
    /// In the order of the garden's file, each in order of time, none after the month's end.
    pub(super) points: Vec<&'a [Point]>,
    pub(super) log: &'a [LogEntry],
    pub(super) gauges: Vec<Counted>,
    pub(super) meters: Vec<(Place, Counted)>,
}

impl MonthReadings<'_> {
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

    /// When a sensor was replaced or calibrated again.
    pub(super) fn replacements(&self, sensor: usize) -> Replacements {
        Replacements::of(&self.garden.sensors[sensor], self.log)
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
                let mut replaced = self.replacements(probe);
                for point in self.points[probe] {
                    if !point.late && replaced.take_until(point.at).is_some() {
                        watch = WettingWatch::default();
                    }
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
        let mut same_time = SameTimeWatch::default();
        for (bed, probe, wetting) in believed {
            let known = rises[bed].found.last();
            let same = known.filter(|it| seconds(it.wetting.onset, wetting.onset).abs() <= SAME_WETTING_S);
            let (known_onset, outgrown) =
                (same.map(|it| it.wetting.onset), same.is_some_and(|it| it.decided.outgrown_by(&wetting)));
            let top = beds[bed].iter().find(|&&p| self.fresh(p, wetting.seen).is_some());
            let tells = top.is_some_and(|&top| self.depth_m(probe) - self.depth_m(top) < SAME_DEPTH_M);
            if (known_onset.is_some() && !outgrown) || !tells {
                continue;
            }
            let wetting =
                Wetting { onset: known_onset.map_or(wetting.onset, |it| it.min(wetting.onset)), ..wetting };
            if outgrown {
                rises[bed].found.pop();
            }
            let motions = (0..beds.len()).map(|other| {
                let near = |it: &&Wetting| seconds(it.onset, wetting.onset).abs() <= TOGETHER_S;
                let began = if other == bed {
                    Some(wetting.onset)
                } else {
                    rises[other].all.iter().filter(near).map(|it| it.onset).min()
                };
                let top = beds[other].iter().find(|&&p| self.fresh(p, wetting.seen).is_some());
                let lag_s = probe_lag_s(top.map_or(0.0, |&top| self.depth_m(top)));
                let by_program = !self.site_dry(bed, probe, &wetting)
                    && top.zip(began).is_some_and(|(&top, at)| self.program(other, top, at).is_some());
                BedMotion {
                    fresh: top.is_some(),
                    began: began.map(|onset| RiseBegan {
                        onset,
                        lag_s,
                        every_s: top.map_or(0, |&top| self.garden.sensors[top].every_s),
                    }),
                    stirred: false,
                    by_program,
                }
            });
            let known = rises[bed].found.last();
            let earlier =
                known.map(|it| it.wetting).filter(|it| seconds(it.onset, wetting.onset) > SAME_WETTING_S);
            let earlier = earlier.map(|it| it.seen);
            let together = BedsTogether::of(motions);
            let evidence = self.evidence(bed, probe, wetting, together, earlier, (like_rain_at, &same_time));
            if evidence.unexplained_by_rain() {
                same_time.add(wetting.onset, self.minute(wetting.onset));
            }
            if evidence.like_rain() {
                like_rain_at = Some(wetting.onset);
            }
            rises[bed].found.push(self.explained(bed, &evidence));
        }
        for bed in &mut rises {
            bed.found.sort_by_key(|found| found.wetting.onset);
        }
        rises
    }

    fn evidence(
        &self,
        bed: usize,
        probe: usize,
        wetting: Wetting,
        together: BedsTogether,
        earlier_seen: Option<Timestamp>,
        (like_rain_at, same_time): (Option<Timestamp>, &SameTimeWatch),
    ) -> WettingEvidence {
        let site = &self.garden.site;
        let earliest = add_seconds(wetting.onset, -probe_lag_s(self.depth_m(probe)));
        let day_before = add_seconds(wetting.onset, -DAY_S);
        let meter = self.meter(bed, add_seconds(earliest, -SLOW_S), wetting.seen);
        let program =
            self.program(bed, probe, wetting.onset).filter(|_| !matches!(meter, MeterEvidence::Dry { .. }));
        let logged = LoggedWatering::near(waterings(self.log, self.garden, bed), earliest, wetting.seen);
        let caught = |from| self.gauges.iter().map(|it| it.sum(from, wetting.seen)).fold(0.0, f64::max);
        WettingEvidence {
            wetting,
            earliest,
            time: WateringTime::of_rise(
                self.garden,
                u16::try_from(bed).unwrap_or(u16::MAX),
                logged.is_some(),
                program,
                (earliest, wetting.onset),
            ),
            together,
            rain_mm: caught(day_before),
            // What an earlier wetting took is not there for this one.
            rain_left_mm: caught(earlier_seen.map_or(day_before, |seen| seen.max(day_before))),
            depth_m: self.depth_m(probe),
            meter,
            logged,
            answer: WettingAnswer::near(
                self.log.iter().filter(|it| it.site == site.id).map(|it| (it.at, &it.what)),
                earliest,
                wetting.seen,
            ),
            program,
            people_about: people_about(site, site.time_zone.to_datetime(wetting.onset)),
            coldest: Coldest::of(self.garden, u16::try_from(bed).unwrap_or(u16::MAX), |sensor| {
                self.good(sensor, day_before, wetting.seen).reduce(f64::min)
            }),
            air: AirMoisture::of(self.garden, wetting.onset, |sensor| Some(self.extremes(sensor, &wetting))),
            water_content: self.fresh(probe, wetting.seen),
            gauges: self.gauges_heard(&wetting, earliest),
            // Before the month nothing is known of it here.
            gauge_works: true,
            same_time: same_time.is_timer(wetting.onset, self.minute(wetting.onset)),
            like_rain_at,
        }
    }

    /// The program of the timer that can have begun a rise of a bed's probe.
    fn program(&self, bed: usize, probe: usize, onset: Timestamp) -> Option<ProgramRun> {
        ProgramRun::of(self.garden, u16::try_from(bed).ok()?, &self.garden.sensors[probe], onset)
    }

    /// Whether the site's meter says that no program ran: no water when a bed without a
    /// meter of its own rose.
    fn site_dry(&self, bed: usize, probe: usize, wetting: &Wetting) -> bool {
        let from = add_seconds(wetting.onset, -probe_lag_s(self.depth_m(probe)) - SLOW_S);
        !self.meters.iter().any(|(place, _)| is_bed(*place, bed))
            && matches!(self.meter(bed, from, wetting.seen), MeterEvidence::Dry { .. })
    }

    /// How many gauges were heard all along; else why none can tell.
    fn gauges_heard(&self, wetting: &Wetting, earliest: Timestamp) -> Result<usize, CauseUnknown> {
        let since = add_seconds(earliest, -GAUGE_MARGIN_S);
        let old = |gauge: &&Counted| gauge.heard_since(add_seconds(wetting.onset, -DAY_S));
        match self.gauges.iter().filter(old).filter(|gauge| gauge.whole(since, wetting.seen)).count() {
            0 if self.gauges.iter().any(|gauge| old(&gauge)) => Err(CauseUnknown::GaugeSilent),
            0 => Err(CauseUnknown::NoGauge),
            heard => Ok(heard),
        }
    }

    /// A wetting with its cause and the words for it.
    fn explained(&self, bed: usize, evidence: &WettingEvidence) -> FoundWetting {
        let WettingEvidence { wetting, rain_mm, meter, logged, program, together, .. } = *evidence;
        let day_before = add_seconds(wetting.onset, -DAY_S);
        let gauge_known = self.gauges.iter().any(|it| it.whole(day_before, wetting.seen));
        let mut reasons = Vec::new();
        if rain_mm >= RAIN_EXPLAINS_MM {
            let least = if gauge_known { "" } else { "at least " };
            reasons.push(format!("the rain gauge caught {least}{rain_mm:.1} mm in the day before"));
        }
        if let Some(LoggedWatering { at, litres }) = logged {
            let with = litres.map_or_else(String::new, |l| format!(" with {}", spoken::litres(l)));
            let when = spoken::moment(at, &self.garden.site.time_zone);
            reasons.push(format!("the log says it was watered{with} at {when}"));
        }
        match evidence.answer {
            Some(WettingAnswer::Rain) => reasons.push("somebody wrote down that it rained".to_owned()),
            Some(WettingAnswer::Timer) => reasons.push("somebody wrote down that the timer ran".to_owned()),
            Some(WettingAnswer::NotKnown) | None => {}
        }
        if let MeterEvidence::Ran { litres, own } = meter {
            let whose = if own { "its" } else { "the garden's" };
            reasons.push(format!("{whose} water meter counted {} then", spoken::litres(litres)));
        }
        if let Some(program) = program {
            reasons.push(program.words(self.garden));
        }
        if evidence.same_time && program.is_none() {
            reasons.push("such rises keep coming at this time of day, as a timer makes them".to_owned());
        }
        let cause = evidence.cause();
        let beyond = evidence.gained_beyond_rain() && rain_mm >= RAIN_EXPLAINS_MM;
        if beyond && matches!(cause, WettingCause::RainAndWatering { .. }) {
            reasons.push(format!(
                "the soil above the probe gained at least {:.1} mm, more than that rain gives",
                evidence.gained_mm()
            ));
        }
        let told = logged.is_some()
            || program.is_some()
            || evidence.answer == Some(WettingAnswer::Timer)
            || matches!(meter, MeterEvidence::Ran { .. });
        let inferred = cause == WettingCause::Watering { basis: WateringBasis::Inferred }
            || (!told && matches!(cause, WettingCause::RainAndWatering { .. }));
        match cause {
            WettingCause::Unknown(unknown) => reasons.push(unknown.words().to_owned()),
            WettingCause::Watering { .. } if inferred => reasons.push(format!(
                "the rain gauge caught {rain_mm:.1} mm in the day before, and {} of {} beds rose then",
                together.beds, together.watched
            )),
            _ => {}
        }
        FoundWetting {
            wetting,
            cause: cause.into(),
            decided: cause,
            inferred,
            rain_mm: gauge_known.then_some(rain_mm),
            metered_l: match meter {
                MeterEvidence::Ran { litres, .. } | MeterEvidence::Dry { litres } => Some(litres),
                MeterEvidence::Silent { .. } | MeterEvidence::None => None,
            },
            program_l: program.and_then(|it| {
                let hours = seconds(it.run.start, it.run.end) as f64 / 3600.0;
                Some(self.garden.beds[bed].irrigation?.litres_per_hour * hours)
            }),
            logged: logged.map(|it| (it.at, it.litres)),
            why: spoken::list(&reasons),
            beds: together.beds,
        }
    }

    /// What the bed's own meters, else the site's, counted.
    fn meter(&self, bed: usize, from: Timestamp, to: Timestamp) -> MeterEvidence {
        let of = |own: bool| {
            let meters = self
                .meters
                .iter()
                .filter(|(place, _)| if own { is_bed(*place, bed) } else { *place == Place::Site });
            meters
                .map(|(_, meter)| (meter.touching(from, to), meter.whole(from, to)))
                .reduce(|(litres, whole), (more, too)| (litres + more, whole && too))
        };
        let area_m2 = self.garden.beds[bed].area_m2;
        match (of(true), of(false)) {
            (Some((litres, whole)), _) => MeterEvidence::of(litres, whole, Some(area_m2)),
            (None, Some((litres, whole))) => MeterEvidence::of(litres, whole, None),
            (None, None) => MeterEvidence::None,
        }
    }

    /// A sensor's good values from one moment to another.
    fn good(&self, sensor: u16, from: Timestamp, to: Timestamp) -> impl Iterator<Item = f64> {
        let points = self.points[usize::from(sensor)];
        let first = points.partition_point(|point| point.at < from);
        points[first..].iter().take_while(move |point| point.at <= to).filter_map(Point::good)
    }

    /// A sensor's least and highest values about a wetting's onset, hour by hour.
    fn extremes(&self, sensor: u16, wetting: &Wetting) -> HourlyExtremes {
        let mut extremes = HourlyExtremes::default();
        let points = self.points[usize::from(sensor)];
        let first = points.partition_point(|point| seconds(point.at, wetting.onset) > 2 * 3600);
        for point in points[first..].iter().take_while(|point| point.at <= wetting.seen) {
            if let Some(value) = point.good() {
                extremes.push(point.at, value);
            }
        }
        extremes
    }

    fn minute(&self, at: Timestamp) -> u16 {
        minute_of_day(self.garden.site.time_zone.to_datetime(at))
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
