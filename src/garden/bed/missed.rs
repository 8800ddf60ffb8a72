//! A timer's water that does not arrive: a flat battery, a shut tap, a blocked filter.
//!
//! A run is missed where at least two of its beds, and at least half of those with a
//! probe, felt nothing although it should have shown; where one bed alone can tell, it
//! must do so twice in a row. A water meter that was heard and counted nothing proves
//! it at once. It should have shown in a bed where the program's water showed twice
//! before in soil as wet, or where its minutes by the bed's own irrigation come to what
//! must reach the probe of soil that is not near field capacity. After rain of a
//! millimetre within the day before, or near freezing, nothing is said: some timers
//! stay off by themselves then.
//!
//! It is over when a later run arrives, when somebody writes down that one of its beds was
//! watered, or when a bed's own meter counts water. The rule is this project's own.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Delays, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::bed::program_state::{MissedOver, MissedRun};
use crate::garden::log::LogEvent;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::wetting::cause::{MeterEvidence, RAIN_EXPLAINS_MM};
use crate::model::{Place, add_seconds};
use crate::soil::{enough_mm, enough_step};
use crate::text::spoken;
use crate::watering::{
    FinishedRun, RunProbe, RunTrace, SeenRise, Wetting, minute_of_day, probe_lag_s, run_shown_step,
};

const SOURCE: &str = "this project's own rule; the water that must reach a probe by FAO-56 eq. 87";
const LOG_IT: &str = " Enter water that you give by hand in the Garden log.";
const HOUR_S: i64 = 3600;
const DAY_S: i64 = 86_400;
/// Rain this long before a run may reach the probe with its water.
const RAIN_SINKS_S: i64 = 3 * HOUR_S;
/// A meter that counted nothing from so long before a run on says that it did not run.
const METER_BEFORE_S: i64 = HOUR_S;
/// Part of available water at the probe above which soil is too near field capacity for
/// more water to show. Ours.
const NEAR_CAPACITY: f64 = 0.8;

impl SiteState {
    /// Watches a good reading of a bed's probe for the runs of its timers' programs, and
    /// remembers its rises, which may show a program that nobody wrote down.
    /// `wetting`: the probe's own rise is believed.
    pub(crate) fn watch_programs(
        &mut self,
        bed: u16,
        probe: u16,
        at: Timestamp,
        value: f64,
        wetting: Option<Wetting>,
        batch: &mut Batch,
    ) {
        let garden = std::sync::Arc::clone(&self.garden);
        let is_top = self.beds[usize::from(bed)].probes.first() == Some(&probe);
        if let Some(Wetting { onset, seen, .. }) = wetting.filter(|_| is_top) {
            let rained = self.rain_mm(add_seconds(onset, -DAY_S), seen) >= RAIN_EXPLAINS_MM;
            self.remember_rise(SeenRise { bed, onset, every_s: garden.sensor(probe).every_s, rained });
        }
        for (number, plan) in garden.programs.iter().enumerate().filter(|(_, it)| it.beds.contains(&bed)) {
            let mut watch = std::mem::take(&mut self.programs[number].watch);
            if let Some(wetting) = wetting {
                watch.rose(bed, wetting.onset);
            }
            if is_top {
                watch.open(&plan.timetable, &garden.site.time_zone, at, || self.run_probes(&plan.beds));
                watch.push(bed, at, value);
            }
            let finished = watch.finished(at);
            self.programs[number].watch = watch;
            let arrived = finished.iter().fold(false, |_, run| self.run_arrived(number, run, at));
            self.judge_missed(number, at, arrived, batch);
        }
    }

    /// The top probes by which runs in these beds are followed.
    fn run_probes(&self, beds: &[u16]) -> Vec<RunProbe> {
        let of = |&bed: &u16| {
            let top = *self.beds[usize::from(bed)].probes.first()?;
            let lag_s = probe_lag_s(self.garden.sensor(top).depth_m.unwrap_or(0.0));
            Some(RunProbe { bed, lag_s, patience_s: self.patience_s(top) })
        };
        beds.iter().filter_map(of).collect()
    }

    /// Judges a run whose time is over. Returns whether its water has arrived.
    fn run_arrived(&mut self, number: usize, run: &FinishedRun, at: Timestamp) -> bool {
        let rained = |since_s: i64| self.rain_mm(add_seconds(run.start, -since_s), at) >= RAIN_EXPLAINS_MM;
        let (rain_sinks, rained_before) = (rained(RAIN_SINKS_S), rained(DAY_S));
        let cold = self.may_thaw(at);
        let minutes = self.garden.programs[number].timetable.minutes;
        let (mut came, mut meter_dry) = (false, false);
        let (mut missed, mut shown) = (Vec::new(), Vec::new());
        for (bed, trace) in &run.beds {
            match (self.meter_of_run(*bed, run.start, at), *trace) {
                (MeterEvidence::Ran { own: true, .. }, _) => came = true,
                (MeterEvidence::Dry { .. }, _) => {
                    meter_dry = true;
                    missed.push((*bed, None));
                }
                (_, RunTrace::Came { .. }) if rain_sinks => {}
                (_, RunTrace::Came { before }) => {
                    came = true;
                    shown.extend(before.map(|before| (*bed, before)));
                }
                (_, RunTrace::Unfelt { .. }) if rained_before || cold => {}
                (_, RunTrace::Unfelt { before, rise }) => {
                    let watch = &self.programs[number].watch;
                    if watch.has_shown(*bed, before) || self.should_show(*bed, before, minutes) {
                        missed.push((*bed, Some((before, rise))));
                    }
                }
                (_, RunTrace::Unknown) => {}
            }
        }
        let state = &mut self.programs[number];
        for (bed, before) in shown {
            state.watch.remember(bed, before);
        }
        if came {
            state.doubtful = false;
        } else if meter_dry
            || (missed.len() >= 2 && 2 * missed.len() >= run.beds.len())
            || (missed.len() == 1 && state.doubtful)
        {
            let runs = state.missed.as_ref().map_or(0, |before| before.runs) + 1;
            let runs = runs.max(1 + u32::from(missed.len() == 1 && state.doubtful));
            state.missed = Some(MissedRun { start: run.start, found: at, runs, beds: missed, meter_dry });
            state.doubtful = true;
        } else if missed.len() == 1 {
            state.doubtful = true;
        }
        came
    }

    /// What the bed's own meter, else the site's, counted from before a run until `at`.
    fn meter_of_run(&self, bed: u16, start: Timestamp, at: Timestamp) -> MeterEvidence {
        let from = add_seconds(start, -METER_BEFORE_S);
        match self.meter_between(Place::Bed(bed), from, at) {
            MeterEvidence::None => self.meter_between(Place::Site, from, at),
            own => own,
        }
    }

    /// Whether so many minutes of the bed's own irrigation come to what must reach its top
    /// probe.
    fn should_show(&self, index: u16, before: f64, minutes: u16) -> bool {
        let bed = self.garden.bed(index);
        let top = self.beds[usize::from(index)].probes.first();
        let depth_m = top.and_then(|top| self.garden.sensor(*top).depth_m);
        let (Some(irrigation), Some(depth_m)) = (bed.irrigation, depth_m) else { return false };
        let litres = irrigation.litres_per_hour * f64::from(minutes) / 60.0;
        let mm = litres * irrigation.efficiency / bed.area_m2;
        let left = (before - bed.wilting_point) / (bed.field_capacity - bed.wilting_point);
        left < NEAR_CAPACITY && mm >= enough_mm(bed.field_capacity, before, depth_m)
    }

    /// Whether a run that was missed is over by what came since.
    fn missed_over(&self, number: usize, missed: &MissedRun, at: Timestamp) -> Option<MissedOver> {
        let beds = &self.garden.programs[number].beds;
        let watered = |seen: &LogEvent| matches!(seen, LogEvent::Watered { .. });
        let logged = |bed: &u16| {
            let entries = self.log.of(&self.garden.bed(*bed).id).iter();
            entries.clone().any(|(when, seen)| watered(seen) && (missed.start..=at).contains(when))
        };
        let metered = |bed: &u16| {
            let ran = self.meter_between(Place::Bed(*bed), missed.found, at);
            matches!(ran, MeterEvidence::Ran { .. })
        };
        if beds.iter().any(logged) {
            Some(MissedOver::Logged)
        } else if beds.iter().any(metered) {
            Some(MissedOver::Metered)
        } else {
            None
        }
    }

    /// Judges the alarm of a program; those that begin with the same bed share it.
    pub(crate) fn judge_missed(&mut self, number: usize, at: Timestamp, arrived: bool, batch: &mut Batch) {
        let garden = std::sync::Arc::clone(&self.garden);
        let Some(&first) = garden.programs[number].beds.first() else { return };
        let over = match &self.programs[number].missed {
            _ if arrived => Some(MissedOver::Arrived),
            Some(missed) => self.missed_over(number, missed, at),
            None => None,
        };
        if over.is_some() {
            self.programs[number].missed = None;
        }
        let same_place = |it: &usize| garden.programs[*it].beds.first() == Some(&first);
        let missing =
            (0..garden.programs.len()).filter(same_place).find(|it| self.programs[*it].missed.is_some());
        let input = match (missing, over) {
            (Some(_), _) => Input::Breach,
            (None, Some(_)) => Input::Clear,
            (None, None) => return,
        };
        let delays = Delays { on_s: 0, off_s: 0, ..garden.rules[Kind::WateringMissed].delays };
        let subject = AlarmPlace::Bed(first).alarm(Kind::WateringMissed);
        self.judge_within(delays, subject, at, input, batch, |site, active| {
            let said = missing.unwrap_or(number);
            match site.programs[said].missed.as_ref().filter(|_| active) {
                Some(missed) => site.missed_words(said, missed, at),
                None => AlarmText::new(site.missed_over_words(number, over), &[], SOURCE),
            }
        });
    }

    fn missed_words(&self, number: usize, missed: &MissedRun, at: Timestamp) -> AlarmText {
        let garden = &self.garden;
        let zone = &garden.site.time_zone;
        let plan = &garden.programs[number];
        let names: Vec<String> = missed.beds.iter().map(|(bed, _)| garden.bed(*bed).name.clone()).collect();
        let how_known = match (missed.meter_dry, missed.runs) {
            (true, _) => "the water meter counted nothing".to_owned(),
            (false, 1) => "the soil got no wetter".to_owned(),
            (false, runs) => format!("the soil got no wetter in {runs} runs"),
        };
        let date = |at: Timestamp| zone.to_datetime(at).date();
        let today = date(at);
        // A day before the first bed is dry, since a repair may need a part.
        let (by, then) = match self.first_dry(&plan.beds, at) {
            Some((dry_at, bed)) => {
                let name = &garden.bed(bed).name;
                let before = date(dry_at).yesterday().unwrap_or(today);
                let by =
                    if before <= today { "today".to_owned() } else { format!("by {}", spoken::day(before)) };
                let then = if dry_at <= at {
                    format!(
                        "Water {name} by hand today, since it is dry already, and enter it in the Garden log."
                    )
                } else {
                    let day = spoken::day(date(dry_at));
                    format!(
                        "Without water, {name} is dry on {day}; enter what you give by hand in the Garden log."
                    )
                };
                (by, format!(" {then}"))
            }
            None => match plan.timetable.next_start(zone, at, 62) {
                Some(next) => {
                    (format!("before the next run, at {}", spoken::moment(next, zone)), LOG_IT.to_owned())
                }
                None => (spoken::WHEN.to_owned(), LOG_IT.to_owned()),
            },
        };
        let text = format!(
            "The timer's water did not reach {}. \"{}\" should have run at {} for {}, and {how_known}. If the timer \
             runs on mains power, do not open it. Check {by} that the tap is open, the battery is charged and the filter \
             is clean. Then run the timer by hand and look whether water comes.{then}",
            spoken::list(&names),
            plan.name,
            spoken::moment(missed.start, zone),
            spoken::duration(60 * i64::from(plan.timetable.minutes)),
        );
        let mut why = Vec::new();
        for (bed, shown) in &missed.beds {
            let (Some((before, rise)), bed) = (shown, garden.bed(*bed)) else { continue };
            why.push(run_shown_step(&bed.name, *before, *rise));
        }
        if let Some((bed, Some((before, _)))) = missed.beds.first()
            && !self.programs[number].watch.has_shown(*bed, *before)
        {
            let top = self.beds[usize::from(*bed)].probes.first();
            let depth_m = top.and_then(|top| garden.sensor(*top).depth_m).unwrap_or(0.0);
            why.push(enough_step(garden.bed(*bed).field_capacity, *before, depth_m));
        }
        let rise = missed.beds.iter().filter_map(|(_, shown)| Some(shown.as_ref()?.1)).fold(0.0, f64::max);
        let start = f64::from(minute_of_day(zone.to_datetime(missed.start)));
        let values = [
            ("runs", f64::from(missed.runs)),
            ("beds", missed.beds.len() as f64),
            ("start_minute", start),
            ("minutes", f64::from(plan.timetable.minutes)),
            ("rise_m3_m3", rise),
        ];
        AlarmText::new(text, &values, SOURCE).because(why)
    }

    fn missed_over_words(&self, number: usize, over: Option<MissedOver>) -> String {
        let plan = &self.garden.programs[number];
        let names: Vec<String> = plan.beds.iter().map(|bed| self.garden.bed(*bed).name.clone()).collect();
        let (name, beds) = (&plan.name, spoken::list(&names));
        match over {
            Some(MissedOver::Arrived) | None => {
                format!("The water of the timer's program \"{name}\" arrives again ({beds}).")
            }
            Some(MissedOver::Logged) => format!(
                "The Garden log says that {beds} got water. Whether the timer's program \"{name}\" runs again, its next runs \
                 will show."
            ),
            Some(MissedOver::Metered) => format!(
                "The water meter counted water for {beds}. Whether the timer's program \"{name}\" runs again, its next \
                 runs will show."
            ),
        }
    }

    /// The bed that is dry first if no water comes, and when; `None` where no forecast
    /// says so.
    fn first_dry(&self, beds: &[u16], at: Timestamp) -> Option<(Timestamp, u16)> {
        let dry_at = |&bed: &u16| {
            let threshold = self.root_zone_today(bed, at).refill_point();
            let forecast = self.beds[usize::from(bed)].outlook.forecast(at, threshold).ok()?;
            Some((forecast.at?, bed))
        };
        beds.iter().filter_map(dry_at).min()
    }
}
