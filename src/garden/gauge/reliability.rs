//! Whether the rain gauges are believed: the beds testify.
//!
//! A gauge that catches 2.5 mm which a bed feels is well. Several beds that
//! rise together while it catches less than 1 mm speak against it, where nobody is likely
//! to have watered them:
//!
//! - most of the garden's beds at one moment, outside working hours; with seven
//!   tenths of the weight where a timer may have opened them, that is where not
//!   every bed has its program written down and no hygrometer shows that the air was moist;
//! - the same in working hours, with seven tenths, where the air was moist;
//! - two beds, outside working hours and the allowed hours for water;
//! - two beds at any time, where a water meter or a second gauge shows that the
//!   water was rain.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::view::Figure;
use crate::garden::wetting::cause::{MeterEvidence, RAIN_EXPLAINS_MM, WettingEvidence};
use crate::garden::wetting::surroundings::AirMoisture;
use crate::model::add_seconds;
use crate::rain::{GaugeEvidence, GaugeVerdict};
use crate::text::spoken;
use crate::watering::minute_of_day;

const SOURCE: &str = "this project's own rule, chosen on open records of soil probes beside rain gauges";
/// Evidence about the gauges is taken once in this time.
const EVIDENCE_EVERY_S: i64 = 6 * 3600;
const DAY_S: i64 = 86_400;
/// A gauge that catches this of what the beds feel is well, mm: beds feel little
/// less, and a clogged gauge lets little more through.
pub(crate) const WELL_MM: f64 = 2.5;
/// Weight of beds that rise together where a timer or people may have watered them.
const TIMER_HOURS: f64 = 0.7;

/// What a gauge's judgement rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum GaugeNews {
    /// It caught rain that the beds felt.
    Caught,
    /// The beds rise at the same time of day.
    SameTime,
    /// Somebody wrote down what wetted the beds.
    PeopleSaid,
    /// An entry of the log was struck.
    EntryStruck,
}

impl SiteState {
    /// Lets the beds testify about the gauges.
    pub(crate) fn weigh_gauges(&mut self, evidence: &WettingEvidence, batch: &mut Batch) {
        let wetting = &evidence.wetting;
        if self.evidence_at.is_some_and(|at| wetting.onset.as_second() - at.as_second() < EVIDENCE_EVERY_S) {
            return;
        }
        let local = self.garden.site.time_zone.to_datetime(wetting.onset);
        let together = evidence.together;
        // Where a program is written down for each bed, none of them ran now.
        let beds = 0..u16::try_from(self.garden.beds.len()).unwrap_or(u16::MAX);
        let timer_known = beds
            .into_iter()
            .all(|bed| self.garden.programs.iter().any(|program| program.beds.contains(&bed)));
        let moist = matches!(evidence.air, AirMoisture::Moist { .. });
        for number in 0..self.gauges.len() {
            let index = self.gauges[number];
            // A gauge that was not heard has missed nothing.
            if self.gauge_heard(index, wetting, evidence.earliest).is_err() {
                continue;
            }
            let Some(gauge) = self.history(index).rain() else { continue };
            let mm = gauge.sum_mm(add_seconds(wetting.onset, -DAY_S), wetting.seen);
            let caught = mm >= WELL_MM;
            let another_caught = evidence.rain_mm >= RAIN_EXPLAINS_MM;
            let proven = another_caught || matches!(evidence.meter, MeterEvidence::Dry { .. });
            let weight = match evidence.meter {
                _ if caught => 1.0,
                // A clogged gauge lets a part through: neither well nor dead.
                _ if mm >= RAIN_EXPLAINS_MM => continue,
                MeterEvidence::Ran { .. } => continue,
                // A program of the timer explains the rise.
                _ if evidence.program.is_some() => continue,
                // Soil that thaws needs no rain, and air this dry had none.
                _ if evidence.rises_without_water().is_some() || evidence.air.is_dry() => continue,
                _ if together.at_once >= 2 && proven => 1.0,
                _ if evidence.two_unattended() => 1.0,
                // Timers open beds together too, in their allowed hours.
                _ if together.most() && !evidence.people_about && (timer_known || moist) => 1.0,
                _ if together.most() && (!evidence.people_about || moist) => TIMER_HOURS,
                _ => continue,
            };
            let was_suspect = self.gauge_reliability[number].suspect();
            let witness = GaugeEvidence { at: wetting.onset, minute: minute_of_day(local), caught, weight };
            self.gauge_reliability[number].beds_rose(witness);
            self.evidence_at = Some(wetting.onset);
            let input = match (self.gauge_reliability[number].suspect(), caught || was_suspect) {
                (true, _) => Input::Breach,
                (false, true) => Input::Clear,
                // An alarm from before a restart stands until there is a catch.
                (false, false) => Input::Unknown,
            };
            let news = if caught { GaugeNews::Caught } else { GaugeNews::SameTime };
            self.judge_gauge(number, wetting.seen, input, news, batch);
        }
    }

    /// Judges a gauge's alarm.
    pub(crate) fn judge_gauge(
        &mut self,
        number: usize,
        at: Timestamp,
        input: Input,
        news: GaugeNews,
        batch: &mut Batch,
    ) {
        let index = self.gauges[number];
        let subject = AlarmPlace::Sensor(index).alarm(Kind::GaugeSuspect);
        self.judge(subject, at, input, batch, |site, active| {
            let garden = &site.garden;
            let verdict = site.gauge_reliability[number].verdict();
            let name = &garden.sensor(index).id;
            let text = if active {
                let since = verdict.since.map_or_else(String::new, |since| {
                    format!(" since {}", spoken::moment(since, &garden.site.time_zone))
                });
                format!(
                    "The rain gauge ({name}) may be blocked or stuck: {} times{since} several beds got wetter together \
                     and it caught less than {RAIN_EXPLAINS_MM:.0} mm. Clear out leaves and spiders, and free a stuck \
                     bucket, {}. See that it stands level and in the open, not under a tree or on a roof. Then pour in a \
                     cup of water slowly and watch the count go up. Until it catches rain again, Trug ignores it for now \
                     and cannot tell watering from rain. Take care: wear gloves, since spiders and wasps live in gauges. \
                     Let an adult go up ladders.",
                    verdict.missed,
                    spoken::WHEN,
                )
            } else if news == GaugeNews::Caught {
                format!("The rain gauge ({name}) caught the rain that wet the soil. Trug uses it again.")
            } else if news == GaugeNews::PeopleSaid {
                format!(
                    "Trug uses the rain gauge ({name}) again: the Garden log says that the beds were watered, so there was no \
                     rain for it to miss."
                )
            } else if news == GaugeNews::EntryStruck {
                format!(
                    "Trug uses the rain gauge ({name}) again: the entry of the Garden log that spoke against it was struck."
                )
            } else {
                format!(
                    "Trug uses the rain gauge ({name}) again: the beds get wetter at the same time of each day, so it is \
                     the timer and not rain."
                )
            };
            let values = [("missed", f64::from(verdict.missed)), ("evidence_against", verdict.against)];
            AlarmText::new(text, &values, SOURCE).because(vec![verdict.step()])
        });
    }

    /// Whether a gauge's readings are not to be believed, by its number among the gauges.
    pub(crate) fn gauge_suspected(&self, number: usize) -> bool {
        self.gauge_reliability[number].suspect()
            || self.is_active(AlarmPlace::Sensor(self.gauges[number]), Kind::GaugeSuspect)
    }

    /// How each gauge stands.
    pub(crate) fn verdicts(&self) -> Vec<GaugeVerdict> {
        self.gauge_reliability.iter().map(crate::rain::GaugeReliability::verdict).collect()
    }

    /// What is to be said of the gauges where all that are heard are suspect.
    pub(crate) fn gauges_doubted(&self) -> Option<&'static str> {
        let all =
            !self.gauges.is_empty() && (0..self.gauges.len()).all(|number| self.gauge_suspected(number));
        all.then_some(
            "The soil got wet and the gauge missed the rain. Clear out leaves and spiders, with gloves. Until it catches \
             rain again, Trug ignores it for now.",
        )
    }

    /// The evidence against each gauge as a figure that can be asked why.
    pub(crate) fn gauge_figures(&self) -> Vec<Figure> {
        (0..self.gauges.len())
            .map(|number| {
                let verdict = self.gauge_reliability[number].verdict();
                let id = &self.garden.sensor(self.gauges[number]).id;
                let word = if self.gauge_suspected(number) { "not believed" } else { "believed" };
                let value = format!("{word}; evidence against it {:.1}", verdict.against);
                Figure::known(format!("Trust in {id}"), value, verdict.against, "", vec![verdict.step()])
            })
            .collect()
    }
}
