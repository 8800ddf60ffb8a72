//! What a person is shown of a site, in words.

use std::cmp::Reverse;

use jiff::Timestamp;

use crate::alarms::{AlarmCondition, Kind, State};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Sensor;
use crate::garden::sensor::state::LastReading;
use crate::garden::site::SiteState;
use crate::garden::view::{AlarmView, PendingAlarm, RainView, SensorView, SiteView, ToDo, look_later};
use crate::model::{Condition, add_seconds};
use crate::rain::nine_am_before;
use crate::text::locale::LocalText;
use crate::text::spoken;
use crate::why::Why;

impl SiteState {
    /// The site as it stands at its own latest time.
    pub(crate) fn view(&self) -> SiteView {
        self.view_in(true)
    }

    /// The same for a line in a list: conditions, alarms, questions and jobs, without the
    /// figures, the weather and the sensors, which take most of the time.
    pub(crate) fn brief_view(&self) -> SiteView {
        self.view_in(false)
    }

    fn view_in(&self, whole: bool) -> SiteView {
        let garden = &self.garden;
        let now = self.latest().unwrap_or(Timestamp::UNIX_EPOCH);
        let alarms = self.alarm_views(now);
        let to_do = alarms
            .iter()
            .filter(|a| a.record.state.is_active() || a.record.state == State::LatchedUnacknowledged)
            .map(|a| {
                let text = if a.record.state == State::LatchedUnacknowledged {
                    let said = &a.record.said.text;
                    format!("{said} {} Then mark this as seen.", look_later(a.record.key.kind))
                } else {
                    a.record.said.text.clone()
                };
                ToDo { priority: a.priority, place: a.place_name.clone(), text }
            })
            .collect();
        SiteView {
            id: garden.site.id.clone(),
            name: garden.site.name.clone(),
            time_zone: garden.site.time_zone.clone(),
            local: if whole { garden.local_text() } else { LocalText::default() },
            now,
            to_do,
            questions: self.wetting_questions(now),
            mulch_questions: self.mulch_questions(now),
            change_questions: self.change_questions(now),
            rain_holds: self.rain_holds(now),
            alarms,
            pending: self.pending_alarms(),
            jobs: self.job_views(now),
            beds: (0u16..).zip(&garden.beds).map(|(i, _)| self.bed_view(i, now, whole)).collect(),
            tanks: (0u16..).zip(&garden.tanks).map(|(i, _)| self.tank_view(i, now, whole)).collect(),
            rain: self.rain_view(now, whole),
            weather: if whole { self.weather_figures(now) } else { Vec::new() },
            proposed_programs: if whole { self.proposed_programs(now) } else { Vec::new() },
            sensors: garden
                .sensors
                .iter()
                .take(if whole { usize::MAX } else { 0 })
                .zip(&self.sensors)
                .zip(0u16..)
                .map(|((plan, state), index)| SensorView {
                    id: plan.id.clone(),
                    place_name: garden.place_name(plan).to_owned(),
                    measures: plan.measures,
                    last_at: state.last().map(|l| l.at),
                    last_value: state.last().and_then(|l| l.value),
                    last_flag: state.last().map(|l| l.flag),
                    why: state.last().map_or_else(Why::new, |last| value_why(plan, last)),
                    silent: self.is_active(AlarmPlace::Sensor(index), Kind::SensorSilent)
                        || self.is_silent_with_gateway(index, now),
                    faulty: self.is_active(AlarmPlace::Sensor(index), Kind::SensorFault),
                    battery: state.battery.last,
                    battery_low: self.battery_was_low(index),
                })
                .collect(),
        }
    }

    /// Alarms that are not normal: those of now, then those that have been over for a day;
    /// most urgent first, then newest first.
    fn alarm_views(&self, now: Timestamp) -> Vec<AlarmView> {
        let (garden, mut views) = (&self.garden, Vec::new());
        for slot in self.alarms.iter().filter(|slot| slot.life().state() != State::Normal) {
            let Some(record) = self.alarm_record(slot) else { continue };
            views.push(AlarmView {
                place_name: slot.subject.place.name(garden).to_owned(),
                priority: garden.priority_of(&record),
                record,
            });
        }
        views.sort_by_key(|it| (it.is_long_over(now), Reverse((it.priority, it.record.at))));
        views
    }

    /// Conditions that have not held for long enough yet, most urgent first, then by when
    /// they are due. What is out of sight stays there.
    fn pending_alarms(&self) -> Vec<PendingAlarm> {
        let garden = &self.garden;
        let mut pending: Vec<PendingAlarm> = self
            .alarms
            .iter()
            .filter(|slot| !slot.life().state().is_hidden())
            .filter_map(|slot| {
                let AlarmCondition::Pending { since } = slot.life().condition() else { return None };
                let key = slot.key(garden);
                Some(PendingAlarm {
                    place_name: slot.subject.place.name(garden).to_owned(),
                    priority: garden.priority_at(key.kind, &key.place),
                    since,
                    due: add_seconds(since, i64::from(garden.rules[key.kind].delays.on_s)),
                    key,
                })
            })
            .collect();
        pending.sort_by(|a, b| b.priority.cmp(&a.priority).then(a.due.cmp(&b.due)));
        pending
    }

    /// `None` where the site has no gauge.
    fn rain_view(&self, now: Timestamp, whole: bool) -> Option<RainView> {
        let (&first, _) = self.gauges.split_first()?;
        let nine = nine_am_before(now, &self.garden.site.time_zone);
        let heard = self.gauges.iter().any(|&g| self.fresh(g, now).is_some());
        let covers = |from| {
            self.gauges
                .iter()
                .filter_map(|&gauge| self.history(gauge).rain())
                .any(|it| it.is_whole_since(from))
        };
        let week = add_seconds(now, -7 * 86_400);
        let since_9am_mm = (heard && covers(nine)).then(|| self.rain_mm(nine, now));
        let week_mm = (heard && covers(week)).then(|| self.rain_mm(week, now));
        let (condition, words) = if !heard {
            let last = self.sensors[usize::from(first)].good().map_or_else(
                || "It has sent no reading yet".to_owned(),
                |(at, _)| {
                    let when = spoken::moment_seen_from(at, now, &self.garden.site.time_zone);
                    format!("Its last reading came at {when}")
                },
            );
            (Condition::Unknown, format!("{last}, so today's rain is not known."))
        } else if let Some(doubted) = self.gauges_doubted() {
            (Condition::Watch, doubted.to_owned())
        } else {
            match since_9am_mm {
                None => (
                    Condition::Unknown,
                    "Its readings have a gap since 9 am, so today's rain is not known.".to_owned(),
                ),
                Some(mm) if mm > 0.0 => (Condition::Well, format!("{mm:.1} mm since 9 am.")),
                Some(_) => (Condition::Well, "No rain since 9 am.".to_owned()),
            }
        };
        let figures = if whole {
            self.rain_figures(now).into_iter().chain(self.gauge_figures()).collect()
        } else {
            Vec::new()
        };
        Some(RainView { condition, words, since_9am_mm, week_mm, figures })
    }
}

/// How a sensor's last raw number became its value.
fn value_why(plan: &Sensor, last: LastReading) -> Why {
    let held = plan.calibrations.iter().rev().find(|c| c.from.is_none_or(|from| from <= last.at));
    match (held, last.value) {
        (Some(held), Some(value)) => held.calibration.why(last.raw, value),
        _ => Why::new(),
    }
}
