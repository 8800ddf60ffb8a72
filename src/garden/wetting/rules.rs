//! What follows from a probe's rise: its bed's last wetting, evidence about the
//! gauges, and whether it was watered outside the allowed hours.

use jiff::civil::DateTime;

use crate::alarms::{AlarmText, Delays, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Site;
use crate::garden::record::Batch;
use crate::garden::site::{LastWetting, PackedEvidence, SiteState};
use crate::garden::view::Figure;
use crate::garden::wetting::cause::{MeterEvidence, WettingCause, WettingEvidence};
use crate::garden::wetting::hours::{WateringTime, methods_of};
use crate::garden::wetting::surroundings::AirMoisture;
use crate::text::spoken;
use crate::watering::{METERED, RAIN_BEFORE, Wetting, minute_of_day};
use crate::why::Why;

/// Source of the watering hours.
pub(crate) const SOURCE_HOURS: &str = "the garden file's hours and rules, else common practice: before 9 am or after 6 pm; the water supplier's and the \
     council's rules come first";
/// Asked of whoever reads that water ran which should not have, and is over.
pub(crate) const FIND_OUT: &str = "Find out what it was, and answer: timer set right, hose, or not found.";
/// Probes of one bed that rise within this of each other tell of one wetting.
pub(crate) const SAME_WETTING_S: i64 = 6 * 3600;
/// Probes within this of the top one are as good as it, metres.
pub(crate) const SAME_DEPTH_M: f64 = 0.10;

impl SiteState {
    /// Whether a rise of this probe tells of its bed.
    ///
    /// Water from above passes the top probe first; those far below go on rising
    /// for hours as it sinks, and would tell a wrong time. Several near the top
    /// see more than one does: water runs unevenly.
    fn tells(&self, bed: u16, probe: u16, wetting: &Wetting) -> bool {
        let depth = |p: u16| self.garden.sensor(p).depth_m.unwrap_or(0.0);
        let top = self.beds[usize::from(bed)].probes.iter().find(|&&p| self.fresh(p, wetting.seen).is_some());
        top.is_some_and(|&top| depth(probe) - depth(top) < SAME_DEPTH_M)
    }

    /// Takes a believed rise of a probe: finds its cause and judges the hours.
    pub(crate) fn judge_wetting(&mut self, index: u16, probe: u16, wetting: Wetting, batch: &mut Batch) {
        let same = self.beds[usize::from(index)]
            .wetting
            .filter(|known| (known.onset.as_second() - wetting.onset.as_second()).abs() <= SAME_WETTING_S);
        if same.is_some_and(|known| !known.cause.outgrown_by(&wetting)) || !self.tells(index, probe, &wetting)
        {
            return;
        }
        // What was too small to judge has grown: its water came when it began.
        let onset = same.map_or(wetting.onset, |known| known.onset.min(wetting.onset));
        let wetting = Wetting { onset, ..wetting };
        let evidence = self.wetting_evidence(index, probe, wetting);
        self.weigh_gauges(&evidence, batch);
        // The bed's own meter has told of this water, and when it ran.
        if let MeterEvidence::Ran { own: true, .. } = evidence.meter {
            return;
        }
        // The beds have just testified about the gauges.
        let gauges = self.gauges_believed(&wetting, evidence.earliest);
        let evidence = WettingEvidence { gauges, ..evidence };
        if evidence.unexplained_by_rain() {
            let local = self.garden.site.time_zone.to_datetime(wetting.onset);
            self.same_time.add(wetting.onset, minute_of_day(local));
        }
        if evidence.like_rain() {
            self.like_rain_at = Some(wetting.onset);
        }
        self.note_wetting(index, probe, &evidence);
        if !matches!(evidence.cause(), WettingCause::Watering { .. })
            || evidence.time != WateringTime::Outside
        {
            return;
        }
        let garden = std::sync::Arc::clone(&self.garden);
        let bed = garden.bed(index);
        let methods = methods_of(&garden, index, evidence.logged.is_some(), evidence.program);
        let hours = garden.watering_rules(bed).any(methods);
        let ran = evidence.program.map_or(wetting.onset, |it| it.run.start);
        let date = garden.site.time_zone.to_datetime(ran).date();
        let delays = Delays { on_s: 0, ..garden.rules[Kind::WateringHours].delays };
        let why = self.last_wetting_why(index);
        let subject = AlarmPlace::Bed(index).alarm(Kind::WateringHours);
        self.judge_within(delays, subject, wetting.seen, Input::Breach, batch, |_, _| {
            let when = spoken::moment(wetting.onset, &garden.site.time_zone);
            let how_sure = match (evidence.meter, evidence.logged, evidence.program) {
                (MeterEvidence::Ran { litres, .. }, ..) => {
                    format!("the garden's water meter counted {} at that time", spoken::litres(litres))
                }
                (_, Some(_), _) => "the Garden log says that it was watered then".to_owned(),
                (.., Some(program)) => format!("{}; set the timer's clock", program.words(&garden)),
                _ => "the rain gauge caught no rain to explain it".to_owned(),
            };
            let amount = match (evidence.meter, evidence.logged.and_then(|it| it.litres)) {
                (MeterEvidence::Ran { .. }, _) | (_, Some(_)) => "",
                _ => " A probe cannot tell how many litres ran.",
            };
            let text = format!(
                "{} was watered outside the allowed hours: its soil began to get wetter at about {when}, and \
                 {how_sure}. {} Find out what watered it (a hose, a timer), and set it right {}.{amount}",
                bed.name,
                spoken::may_run(hours, date),
                spoken::WHEN
            );
            let values = [("rise_m3_m3", wetting.rise), ("rain_24h_mm", evidence.rain_mm)];
            AlarmText::new(text, &values, SOURCE_HOURS).because(why)
        });
    }

    /// The words of a watering outside the hours that is over.
    pub(crate) fn forbidden_watering_over(&self, index: u16) -> AlarmText {
        let bed = self.garden.bed(index);
        let wetting = self.beds[usize::from(index)].wetting.filter(|it| it.time == WateringTime::Outside);
        let when = wetting.map_or_else(String::new, |it| {
            format!(", at about {}", spoken::moment(it.onset, &self.garden.site.time_zone))
        });
        let litres = wetting
            .and_then(|it| it.litres)
            .map_or_else(String::new, |litres| format!(": {} ran", spoken::litres(litres)));
        let text = format!(
            "{} was watered outside the allowed hours{when}, and has stopped{litres}. {FIND_OUT}",
            bed.name
        );
        AlarmText::new(text, &[], SOURCE_HOURS)
    }

    /// Decides the cause of the bed's last wetting again after somebody wrote down that
    /// it was watered. It raises nothing about the past.
    pub(crate) fn explain_wetting(&mut self, index: u16) {
        let known = self.beds[usize::from(index)].evidence();
        let Some((known, probe)) = known else { return };
        let logged = self.logged_watering(index, known.earliest, known.wetting.seen);
        let answer = self.wetting_answer(known.earliest, known.wetting.seen);
        if logged != known.logged || answer != known.answer {
            let from_to = (known.earliest, known.wetting.onset);
            let time = WateringTime::of_rise(&self.garden, index, logged.is_some(), known.program, from_to);
            self.note_wetting(index, probe, &WettingEvidence { logged, answer, time, ..known });
        }
    }

    fn note_wetting(&mut self, index: u16, probe: u16, evidence: &WettingEvidence) {
        let cause = evidence.cause();
        let metered = match evidence.meter {
            // More than one bed may have had a share of it.
            MeterEvidence::Ran { litres, .. } if evidence.together.beds == 1 => Some(litres),
            _ => None,
        };
        let verdicts: Why = if self.gauges.is_empty() {
            Why::new()
        } else {
            self.verdicts().into_iter().map(|verdict| verdict.step()).collect()
        };
        let state = &mut self.beds[usize::from(index)];
        state.wetting = Some(LastWetting {
            onset: evidence.wetting.onset,
            cause,
            time: evidence.time,
            litres: evidence.logged.and_then(|it| it.litres).or(metered),
        });
        state.wetting_evidence = Some(PackedEvidence::new(evidence, probe));
        state.wetting_why = verdicts.into();
    }

    /// The steps to the last wetting's cause; none where there was no wetting.
    fn last_wetting_why(&self, index: u16) -> Why {
        let state = &self.beds[usize::from(index)];
        let kept = state.wetting_why.steps();
        match (state.wetting, state.evidence()) {
            (Some(wetting), Some((evidence, probe))) => {
                let depth_m = self.garden.sensor(probe).depth_m.unwrap_or(0.0);
                self.why_wetting(&evidence, depth_m, wetting.cause, kept)
            }
            _ => kept,
        }
    }

    /// The steps to a wetting's cause; `verdicts`: those to what was thought of the gauges.
    fn why_wetting(
        &self,
        evidence: &WettingEvidence,
        depth_m: f64,
        cause: WettingCause,
        verdicts: Why,
    ) -> Why {
        let mut why = evidence.wetting.steps(depth_m);
        if !self.gauges.is_empty() {
            why.push(RAIN_BEFORE.step(format!("{:.1} mm", evidence.rain_mm)));
            why.extend(verdicts);
        }
        match evidence.meter {
            MeterEvidence::Ran { litres, .. } => {
                why.push(METERED.step(format!("{litres:.1} L at that time")));
            }
            MeterEvidence::Dry { .. } => why.push(METERED.step("0 L at that time".to_owned())),
            MeterEvidence::Silent { .. } | MeterEvidence::None => {}
        }
        if let Some(last) = why.last_mut() {
            let decision = match cause {
                WettingCause::Rain { seen: true, .. } => "somebody saw that it was rain".to_owned(),
                WettingCause::Rain { seen: false, .. } => "so it was rain".to_owned(),
                WettingCause::RainAndWatering { .. } => "so it was rain and watering".to_owned(),
                WettingCause::Watering { .. } => "so it was watered".to_owned(),
                WettingCause::Unknown(unknown) => format!("so it is not known: {}", unknown.words()),
            };
            let mut known = String::new();
            if evidence.logged.is_some() {
                known.push_str("the log says that it was watered; ");
            }
            if let Some(program) = evidence.program {
                known = format!("{known}{}; ", program.words(&self.garden));
            }
            match evidence.air {
                AirMoisture::Dry { percent } => {
                    known =
                        format!("{known}the air was too dry for rain, at most {percent:.0} % of humidity; ");
                }
                AirMoisture::Moist { percent } => {
                    known = format!("{known}the air had up to {percent:.0} % of humidity; ");
                }
                AirMoisture::Silent | AirMoisture::NotMeasured => {}
            }
            if evidence.gained_beyond_rain() && evidence.rain_mm > 0.0 {
                known = format!(
                    "{known}the soil above the probe gained at least {:.1} mm, of {:.1} mm of rain that no earlier \
                     wetting took; ",
                    evidence.gained_mm(),
                    evidence.rain_left_mm
                );
            }
            if evidence.same_time {
                known.push_str("such rises keep coming at this time of day, as a timer makes them; ");
            }
            let beds = match (evidence.together.beds, evidence.together.watched) {
                (1, 1) => "the only bed that is watched rose".to_owned(),
                (beds, watched) => format!("{beds} of {watched} beds that are watched rose at that time"),
            };
            last.with = format!("{}; {beds}; {known}{decision}", last.with);
        }
        why
    }

    /// The last wetting as a figure that can be asked why.
    pub(crate) fn wetting_figure(&self, index: u16) -> Option<Figure> {
        let state = &self.beds[usize::from(index)];
        let wetting = state.wetting?;
        let why = self.last_wetting_why(index);
        if why.is_empty() {
            return None;
        }
        let when = spoken::moment(wetting.onset, &self.garden.site.time_zone);
        let name = "Last wetting";
        Some(match (wetting.cause, wetting.litres) {
            (WettingCause::Rain { mm, seen: true }, _) => {
                let value = format!("rain at {when}, as the Garden log says; the gauge caught {mm:.1} mm");
                Figure::known(name, value, mm, "mm", why)
            }
            (WettingCause::Rain { mm, seen: false }, _) => {
                Figure::known(name, format!("rain at {when}, {mm:.1} mm in the day before"), mm, "mm", why)
            }
            (WettingCause::RainAndWatering { mm }, _) => {
                let value = format!("rain at {when}, {mm:.1} mm in the day before, and watering");
                Figure::known(name, value, mm, "mm", why)
            }
            (WettingCause::Watering { .. }, Some(litres)) => Figure::known(
                name,
                format!("watered at {when}, {}", spoken::litres(litres)),
                litres,
                "L",
                why,
            ),
            (WettingCause::Watering { basis }, None) => Figure {
                name: name.into(),
                value: format!(
                    "watered{} at about {when}; how much is not known without a water meter",
                    basis.words()
                ),
                number: None,
                unit: "L",
                why,
            },
            (WettingCause::Unknown(unknown), _) => {
                Figure { why, ..Figure::unknown(name, &format!("at {when}, {}", unknown.words()), "L") }
            }
        })
    }
}

/// Whether people are in the garden at a local time: working hours of a weekday.
pub(crate) fn people_about(site: &Site, local: DateTime) -> bool {
    let weekend = local.weekday().to_monday_zero_offset() >= 5;
    !weekend && site.working_hours.contains(minute_of_day(local))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Id, LocalHours};
    use jiff::tz::TimeZone;

    #[test]
    fn nobody_works_at_the_weekend() {
        let site = Site {
            id: Id::new("saltbush-gully"),
            name: "Saltbush Gully Primary School".to_owned(),
            time_zone: TimeZone::UTC,
            locale: crate::text::locale::Locale::default(),
            latitude_deg: -34.93,
            elevation_m: 95.0,
            watering_rules: LocalHours::new(vec![(0, 540)]).into(),
            working_hours: LocalHours::new(vec![(480, 960)]),
            holidays: Vec::new(),
        };
        let about = |text: &str| people_about(&site, text.parse().expect("a date-time"));
        assert!(about("2026-04-17T10:00:00"), "a Friday");
        assert!(!about("2026-04-18T10:00:00"), "a Saturday");
        assert!(!about("2026-04-19T10:00:00"), "a Sunday");
        assert!(about("2026-04-20T08:00:00"), "a Monday");
        assert!(!about("2026-04-20T16:00:00"));
    }
}
