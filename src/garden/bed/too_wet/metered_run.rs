//! What a water meter's run says of a tap that was left on.

use jiff::Timestamp;

use super::{HOUR_S, stop_it};
use crate::alarms::{AlarmText, Input};
use crate::garden::bed::outside_hours::OutsideFlow;
use crate::garden::plan::{Bed, Garden, Sensor};
use crate::garden::wetting::rules::FIND_OUT;
use crate::model::Place;
use crate::text::spoken;
use crate::watering::{FlowRun, METERED, MOST_A_BED_HOLDS, WateringMethods};
use crate::why::Why;

const SOURCE_METER: &str = "this project's own rule; the most that a bed holds by FAO-56 eq. 82";
const SOURCE_OUTSIDE: &str = "this project's own rule; the hours are the garden file's, else common practice: before 9 am or \
                              after 6 pm";

/// The longest that one watering runs, seconds: half a day. Ours.
const RUN_LONGEST_S: i64 = 12 * HOUR_S;
/// Less than this through a meter without a break is a leak rather than an open tap, litres an
/// hour: a litre a minute. Ours.
const DRIBBLE_L_H: f64 = 60.0;

/// The run of a water meter, beside what its beds can hold.
pub(super) struct MeteredRun<'g> {
    pub(super) garden: &'g Garden,
    pub(super) meter: &'g Sensor,
    /// The bed that it feeds, or all of the garden.
    pub(super) beds: Vec<&'g Bed>,
    pub(super) at: Timestamp,
    /// The run that goes on.
    pub(super) now: Option<FlowRun>,
    /// The same, else the last one that ended.
    pub(super) last: Option<FlowRun>,
    /// What of it went outside the allowed hours, where it is enough to be told.
    pub(super) outside: Option<OutsideFlow>,
}

impl MeteredRun<'_> {
    /// The most that the beds can use at once, litres.
    fn most_l(&self) -> f64 {
        self.beds.iter().map(|bed| most_litres(bed)).sum()
    }

    fn litres(&self) -> f64 {
        self.now.map_or(0.0, |run| run.litres)
    }

    fn seconds(&self) -> i64 {
        self.now.map_or(0, |run| seconds(&run))
    }

    /// Of one that is over, too: it is as urgent as it was.
    fn litres_an_hour(&self) -> f64 {
        self.last.map_or(0.0, |run| run.litres * 3600.0 / seconds(&run).max(1) as f64)
    }

    fn is_too_long(&self) -> bool {
        let (litres, most_l) = (self.litres(), self.most_l());
        self.now.is_some() && ((litres > most_l && most_l > 0.0) || self.seconds() > RUN_LONGEST_S)
    }

    /// What went outside the allowed hours, where nothing else is wrong yet.
    fn early(&self) -> Option<&OutsideFlow> {
        self.outside.as_ref().filter(|_| !self.is_too_long())
    }

    pub(super) fn input(&self) -> Input {
        match self.now {
            None => Input::Clear,
            Some(_) if self.is_too_long() || self.outside.is_some() => Input::Breach,
            Some(_) => Input::Deadband,
        }
    }

    /// A leak can wait for the day; what runs cannot.
    pub(super) fn severity(&self) -> u16 {
        let leaks =
            self.outside.is_none() && self.litres() <= self.most_l() && self.litres_an_hour() < DRIBBLE_L_H;
        u16::from(!leaks)
    }

    pub(super) fn words(&self, active: bool) -> AlarmText {
        let values = [
            ("run_l", self.litres()),
            ("most_l", self.most_l()),
            ("run_s", self.seconds() as f64),
            ("litres_an_hour", self.litres_an_hour()),
        ];
        let source = if self.early().is_some() { SOURCE_OUTSIDE } else { SOURCE_METER };
        AlarmText::new(self.text(active), &values, source).because(self.why())
    }

    fn why(&self) -> Why {
        let most_l = self.most_l();
        if let Some(early) = self.early() {
            return vec![METERED.step(format!(
                "{:.0} L within {} min outside the allowed hours, by no program of the timer",
                early.litres,
                early.seconds / 60
            ))];
        }
        if let [bed] = self.beds.as_slice() {
            let zone = bed.root_zone();
            return vec![
                zone.total_available_step(),
                MOST_A_BED_HOLDS.step(format!(
                    "{:.1} mm x {:.1} m2 / {:.2} = {most_l:.0} L",
                    zone.total_available_mm(),
                    bed.area_m2,
                    bed.efficiency()
                )),
            ];
        }
        let each: Vec<String> = self.beds.iter().map(|bed| format!("{:.0} L", most_litres(bed))).collect();
        vec![MOST_A_BED_HOLDS.step(format!("{} = {most_l:.0} L", each.join(" + ")))]
    }

    fn text(&self, active: bool) -> String {
        let zone = &self.garden.site.time_zone;
        let name = match self.meter.place {
            Place::Bed(_) => self.beds[0].name.clone(),
            Place::Tank(_) | Place::Site => format!("the meter {}", self.meter.id),
        };
        if !active {
            let ran = self.last.map_or_else(String::new, |run| {
                format!(": {} from {}", spoken::litres(run.litres), spoken::moment(run.from, zone))
            });
            return format!("Water was left on at {name}{ran}, and has stopped. {FIND_OUT}");
        }
        let stop = stop_it();
        let counted = spoken::litres(self.litres());
        let from = self.now.map_or_else(String::new, |run| spoken::moment(run.from, zone));
        if self.early().is_some() {
            return format!(
                "Water is running at {name} outside the allowed hours: {counted} since {from}. {stop} If somebody is \
                 watering, ask them to stop.{}",
                self.allowed_hours(),
            );
        }
        let ran = spoken::duration(self.seconds());
        let rate = spoken::litres(self.litres_an_hour());
        if self.litres() > self.most_l() {
            let holds = if self.beds.len() == 1 { "the bed can hold" } else { "all beds can hold" };
            format!(
                "Water has been running at {name} for {ran}: {counted} since {from}, and {holds} {} at most. {stop}",
                spoken::litres(self.most_l()),
            )
        } else if self.litres_an_hour() < DRIBBLE_L_H {
            let through = match self.meter.place {
                Place::Bed(_) => format!("the meter of {name}"),
                Place::Tank(_) | Place::Site => name,
            };
            format!(
                "A little water has run through {through} for {ran} without a break: about {rate} an hour since {from}, \
                 {counted} in all. Shut every tap, hose and timer {}, and look whether the meter still counts. If \
                 it does, tell the site manager: a pipe, a valve or a cistern leaks.",
                spoken::WHEN,
            )
        } else {
            format!(
                "Water has been running at {name} for {ran} without a break: about {rate} an hour since {from}, \
                 {counted} in all. {stop}"
            )
        }
    }

    /// A bed's own hours; no other alarm tells of them while this one stands.
    fn allowed_hours(&self) -> String {
        let [bed] = self.beds.as_slice() else { return String::new() };
        let methods = bed.method.map_or(WateringMethods::ANY, WateringMethods::one);
        let hours = self.garden.watering_rules(bed).any(methods);
        format!(" {}", spoken::may_run(hours, self.garden.site.time_zone.to_datetime(self.at).date()))
    }
}

fn seconds(run: &FlowRun) -> i64 {
    run.to.as_second() - run.from.as_second()
}

/// The most that a bed can use at once, litres: all of its available water.
fn most_litres(bed: &Bed) -> f64 {
    1000.0 * (bed.field_capacity - bed.wilting_point) * bed.root_depth_m * bed.area_m2 / bed.efficiency()
}
