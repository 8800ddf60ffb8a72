//! What people are asked where the cause of a wetting is not known, and what their
//! answers teach.

use jiff::Timestamp;

use crate::alarms::Input;
use crate::garden::gauge::reliability::GaugeNews;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::view::WettingQuestion;
use crate::garden::wetting::cause::{
    CauseUnknown, RAIN_EXPLAINS_MM, TOGETHER_S, WettingAnswer, WettingCause,
};
use crate::model::add_seconds;
use crate::watering::minute_of_day;

/// How long people remember what watered a bed, seconds: three days. Ours.
const ASKED_S: i64 = 3 * 86_400;
const DAY_S: i64 = 86_400;
/// How far an entry may lie before a gauge's last word for it to teach of the gauge,
/// seconds: the gauge's rain is known for eight days, the day before the entry included.
const GAUGE_KNOWN_S: i64 = 6 * DAY_S;

impl SiteState {
    /// What watered the beds whose last wetting has no known cause: one question for
    /// beds that grew wetter together, the newest first. Thaw and peaty mixes are not
    /// asked about, since nobody watered.
    pub(crate) fn wetting_questions(&self, now: Timestamp) -> Vec<WettingQuestion> {
        let mut asked: Vec<(Timestamp, usize)> = Vec::new();
        for (index, bed) in self.beds.iter().enumerate() {
            let Some(wetting) = bed.wetting else { continue };
            let WettingCause::Unknown(why) = wetting.cause else { continue };
            let old = now.as_second() - wetting.onset.as_second() > ASKED_S;
            let answered = bed.evidence().is_some_and(|(it, _)| it.answer.is_some());
            if !old && !answered && !matches!(why, CauseUnknown::SoilCold | CauseUnknown::SoilPeaty) {
                asked.push((wetting.onset, index));
            }
        }
        asked.sort_unstable();
        let mut questions: Vec<WettingQuestion> = Vec::new();
        for (at, index) in asked {
            let bed = &self.garden.beds[index];
            let named = (bed.id.clone(), bed.name.clone());
            match questions.last_mut() {
                Some(known) if at.as_second() - known.at.as_second() <= TOGETHER_S => known.beds.push(named),
                _ => questions.push(WettingQuestion { beds: vec![named], at }),
            }
        }
        questions.reverse();
        questions
    }

    /// What an entry of the log about a wetting teaches of timers and gauges, without
    /// telling anybody.
    pub(crate) fn learn_from(&mut self, entry: &LogEntry) {
        let Some(answer) = taught_by(&entry.what) else { return };
        let minute = minute_of_day(self.garden.site.time_zone.to_datetime(entry.at));
        let rain = answer == WettingAnswer::Rain;
        // A hose keeps no timetable.
        if WettingAnswer::of(&entry.what).is_some() {
            self.same_time.people_said(entry.at, minute, !rain);
        }
        for number in 0..self.gauges.len() {
            let missed = self.history(self.gauges[number]).rain().is_some_and(|gauge| {
                let (from, to) = (add_seconds(entry.at, -DAY_S), add_seconds(entry.at, TOGETHER_S));
                gauge.covers(from)
                    && gauge.unbroken_since(from)
                    && gauge.last_at().is_some_and(|last| {
                        last >= to && { last.as_second() - entry.at.as_second() <= GAUGE_KNOWN_S }
                    })
                    && gauge.sum_mm(from, to) < RAIN_EXPLAINS_MM
            });
            self.gauge_reliability[number].people_said(entry.at, minute, rain, missed);
        }
    }

    /// Takes back what an entry that was struck had taught.
    pub(crate) fn unlearn(&mut self, struck: &LogEntry) {
        let Some(answer) = taught_by(&struck.what) else { return };
        let rain = answer == WettingAnswer::Rain;
        if WettingAnswer::of(&struck.what).is_some() {
            self.same_time.people_unsaid(struck.at, !rain);
        }
        for gauge in &mut self.gauge_reliability {
            gauge.people_unsaid(struck.at, rain);
        }
    }

    /// Which gauges are in doubt.
    pub(crate) fn suspect_gauges(&self) -> Vec<bool> {
        self.gauge_reliability.iter().map(|it| it.suspect()).collect()
    }

    /// Says which gauges are in doubt now and were not `before`, or the other way round.
    pub(crate) fn judge_gauges_changed(
        &mut self,
        before: &[bool],
        news: GaugeNews,
        now: Timestamp,
        batch: &mut Batch,
    ) {
        for (number, was) in before.iter().enumerate() {
            let input = match (was, self.gauge_reliability[number].suspect()) {
                (false, true) => Input::Breach,
                (true, false) => Input::Clear,
                _ => continue,
            };
            self.judge_gauge(number, now, input, news, batch);
        }
    }

    /// Learns from an entry and says what has changed about the gauges.
    pub(crate) fn take_answer(&mut self, entry: &LogEntry, now: Timestamp, batch: &mut Batch) {
        let before = self.suspect_gauges();
        self.learn_from(entry);
        self.judge_gauges_changed(&before, GaugeNews::PeopleSaid, now, batch);
    }
}

/// Rain or timer, where an entry teaches of gauges.
fn taught_by(what: &LogEvent) -> Option<WettingAnswer> {
    match (WettingAnswer::of(what), what) {
        (Some(WettingAnswer::Rain), _) => Some(WettingAnswer::Rain),
        (Some(WettingAnswer::Timer), _) | (None, LogEvent::Watered { .. }) => Some(WettingAnswer::Timer),
        _ => None,
    }
}
