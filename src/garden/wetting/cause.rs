//! What wetted a bed: rain, watering, both, or something that cannot be told. It is
//! decided here alone, from evidence that the live garden, a bed's page and a class
//! month gather each in its own way.
//!
//! In this order:
//!
//! 1. At least 1 mm in a gauge within the day before explains a wetting: rain, unless
//!    the soil above the probe gained clearly more than fell and no earlier wetting took;
//!    that much did not come from the sky. Rain that came when such rises keep coming, as
//!    a timer makes them, is rain and watering. A watering that was logged for the bed, that its own meter counted, or that the
//!    site's meter counted while the soil rises by water alone, explains it too: both,
//!    or watering alone. So does what somebody wrote down: rain, or the timer. So does a
//!    program of the timer that can have begun it, unless a meter says that nothing ran
//!    or the soil is near freezing.
//! 2. Soil that was near freezing within the day and peaty mixes rise without water:
//!    unknown. The site's meter does not overrule that, since its water may have gone
//!    elsewhere.
//! 3. A meter that was heard and counted nothing: unknown, for the water came past it.
//!    The bed's own meter was not heard: unknown.
//! 4. No gauge was heard, or none is believed: unknown.
//! 5. It came at a time of day at which such rises have come twice within a fortnight:
//!    a timer waters.
//! 6. The air was moist enough for rain, or the garden's hygrometer was not heard:
//!    unknown. Was it too dry for rain throughout the two hours after, the rules of 7 do
//!    not apply.
//! 7. Without a hygrometer: several beds rose at once, by however little, or two where
//!    nobody is in the garden and no water may run: unknown, since that is what rain
//!    over a gauge that has just died looks like. So is what rises within eight hours
//!    of that. Two believed gauges that agree on no rain overrule this. Where a single
//!    bed is watched nothing else could find a dead gauge out: unknown, unless the
//!    gauge has caught rain within the month.
//! 8. The rise was small or slow: unknown, for a drizzle that the gauge counts slowly
//!    and water that creeps through the soil look so too. One that goes on to rise is
//!    judged again.
//! 9. Else it is inferred that it was watering; beside rain that was too little for it,
//!    rain and watering.
//!
//! The rules were chosen on open records of probes beside gauges, where a
//! blocked gauge was by far the largest cause of false waterings.

use jiff::Timestamp;

use crate::garden::log::LogEvent;
use crate::garden::wetting::hours::WateringTime;
use crate::garden::wetting::program::ProgramRun;
use crate::garden::wetting::surroundings::{AirMoisture, Coldest};
use crate::garden::wetting::together::BedsTogether;
use crate::watering::Wetting;

/// Rain that explains a wetting, mm within a day.
pub(crate) const RAIN_EXPLAINS_MM: f64 = 1.0;
/// The soil above a probe must have gained so many times the rain that was left for it,
/// and so many mm more, before rain alone does not explain it: a gauge of tipping buckets
/// may miss a part, and water runs together unevenly. Ours, set on a simulated month
/// (`tests/trials/class_month.rs`). On an open record of eight grassland stations that nobody
/// waters, nearly five years of probes at 5 cm, none of it used for setting them, 0 to 1.2 % of
/// a station's wettings under rain pass both limits, and 2 to 4 % the first alone
/// (`tests/trials/open_record.rs`). Deeper probes are not covered by that record.
const BEYOND_RAIN: f64 = 1.25;
const BEYOND_RAIN_MM: f64 = 2.0;
/// A smaller rise is not called a watering on the gauge's word alone, m³/m³. The
/// score over simulated months chose it: with a dead gauge most false waterings
/// were of 0.010 to 0.012.
const CLEAR_RISE: f64 = 0.015;
/// Rises this close together belong to one event.
pub(crate) const TOGETHER_S: i64 = 3 * 3600;
/// What follows within this time of beds that moved as under rain may be more of
/// that rain.
pub(crate) const SAME_WEATHER_S: i64 = 8 * 3600;
/// People write down about when they watered: this far off at most, seconds. Ours.
pub(crate) const LOGGED_NEAR_S: i64 = 3 * 3600;
/// Above this a mix is peaty, m³/m³.
const PEATY: f64 = 0.55;
/// Least water that is a watering, mm over the bed: less is a drip or a cup.
pub(crate) const LEAST_MM: f64 = 0.5;
/// Least water through the site's meter, litres.
pub(crate) const LEAST_SITE_L: f64 = 5.0;

/// What wetted a bed.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) enum WettingCause {
    /// The gauges' catch in the day before, mm.
    Rain {
        mm: f64,
        /// Somebody wrote it down: the gauges caught next to nothing.
        seen: bool,
    },
    RainAndWatering {
        mm: f64,
    },
    Watering {
        basis: WateringBasis,
    },
    Unknown(CauseUnknown),
}

/// How it is known that a bed was watered; the first that holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(crate) enum WateringBasis {
    /// A water meter counted it.
    Meter,
    /// Somebody wrote it down.
    Log,
    /// Somebody wrote down that the timer did it.
    Timer,
    /// A program of the timer can have begun it.
    Program,
    /// Nothing but that no rain explains it.
    Inferred,
}

impl WateringBasis {
    /// Completes "watered ...": by what, where a program tells.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::Program | Self::Timer => " by the timer",
            Self::Meter | Self::Log | Self::Inferred => "",
        }
    }
}

/// Why the cause of a wetting cannot be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(crate) enum CauseUnknown {
    NoGauge,
    GaugeSilent,
    GaugeSuspect,
    SeveralBeds,
    SameWeather,
    Small,
    Slow,
    MeterDry,
    MeterSilent,
    SoilCold,
    SoilPeaty,
    AirMoist,
    AirSilent,
    GaugeUnproven,
    MoreThanFell,
}

impl CauseUnknown {
    /// Completes "so it cannot be told whether this was rain or watering: ...".
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::NoGauge => "there is no rain gauge with a day of readings before it",
            Self::GaugeSilent => "the rain gauge sent no reading at that time",
            Self::GaugeSuspect => {
                "the rain gauge has lately missed rain that wet the soil; it may be blocked"
            }
            Self::SeveralBeds => {
                "several beds grew wetter at once, which looks like rain that the gauge missed"
            }
            Self::SameWeather => {
                "several beds grew wetter a few hours before, which looks like rain that the gauge missed"
            }
            Self::Small => "it rose by too little to tell a light watering from drizzle",
            Self::Slow => {
                "it rose too slowly to tell a light watering from water that creeps through the soil"
            }
            Self::MeterDry => {
                "the water meter counted nothing, so it was rain that the gauge missed or water from elsewhere"
            }
            Self::MeterSilent => "its water meter sent no reading at that time",
            Self::SoilCold => "soil near freezing grows wetter by thawing alone",
            Self::AirMoist => {
                "the air was moist or grew moister, as it does when rain falls that the gauge missed"
            }
            Self::AirSilent => {
                "the hygrometer sent no reading at that time, so the air may have been moist enough for rain that the gauge missed"
            }
            Self::GaugeUnproven => {
                "the rain gauge has caught no rain for a month, and with a single bed nothing shows whether it works"
            }
            Self::MoreThanFell => {
                "its soil gained more water than the gauge caught: rain that the gauge missed, or watering beside the rain"
            }
            Self::SoilPeaty => "a mix this wet rises and falls without any water given",
        }
    }
}

/// What the meters say of a wetting.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) enum MeterEvidence {
    /// Neither the bed nor the site has one.
    None,
    /// It was not heard without a break. `own`: the bed's.
    Silent { own: bool },
    /// It counted next to nothing.
    Dry { litres: f64 },
    /// It counted water. `own`: the bed's.
    Ran { litres: f64, own: bool },
}

impl MeterEvidence {
    /// Of meters that counted `litres` together; `whole`: each was heard all along.
    /// `bed_m2`: the area of the bed whose own they are; `None`: they are the site's.
    pub(crate) fn of(litres: f64, whole: bool, bed_m2: Option<f64>) -> Self {
        let own = bed_m2.is_some();
        let least_l = bed_m2.map_or(LEAST_SITE_L, |area_m2| LEAST_MM * area_m2);
        match (litres >= least_l, whole) {
            (true, _) => Self::Ran { litres, own },
            (false, false) => Self::Silent { own },
            (false, true) => Self::Dry { litres },
        }
    }
}

/// Hand watering that was written down about when a bed grew wetter.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct LoggedWatering {
    pub(crate) at: Timestamp,
    /// Where somebody measured.
    pub(crate) litres: Option<f64>,
}

impl LoggedWatering {
    /// Of a bed's logged waterings, those of which a wetting can be; where there are
    /// several, the first time and all litres.
    pub(crate) fn near(
        waterings: impl Iterator<Item = (Timestamp, Option<f64>)>,
        earliest: Timestamp,
        seen: Timestamp,
    ) -> Option<Self> {
        waterings
            .filter(|(at, _)| seconds(*at, earliest) <= LOGGED_NEAR_S && *at <= seen)
            .map(|(at, litres)| Self { at, litres })
            .reduce(|a, b| Self { at: a.at.min(b.at), litres: a.litres.zip(b.litres).map(|(a, b)| a + b) })
    }
}

/// What somebody wrote down about what wetted the beds at a time. Hand watering is
/// [`LoggedWatering`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(crate) enum WettingAnswer {
    Rain,
    Timer,
    NotKnown,
}

impl WettingAnswer {
    /// Of one entry of the log.
    pub(crate) fn of(what: &LogEvent) -> Option<Self> {
        match what {
            LogEvent::Rained => Some(Self::Rain),
            LogEvent::TimerRan => Some(Self::Timer),
            LogEvent::CauseNotKnown => Some(Self::NotKnown),
            _ => None,
        }
    }

    /// Of a garden's entries, the one about a wetting; where they contradict each other
    /// the last by its own time counts, and of one time the one written last. That
    /// nobody knows counts least.
    pub(crate) fn near<'a>(
        entries: impl Iterator<Item = (Timestamp, &'a LogEvent)>,
        earliest: Timestamp,
        seen: Timestamp,
    ) -> Option<Self> {
        entries
            .filter(|(at, _)| seconds(*at, earliest) <= LOGGED_NEAR_S && *at <= seen)
            .filter_map(|(at, what)| Some((at, Self::of(what)?)))
            .max_by_key(|(at, answer)| (*answer != Self::NotKnown, *at))
            .map(|(_, answer)| answer)
    }
}

/// What speaks for the cause of a wetting.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct WettingEvidence {
    pub(crate) wetting: Wetting,
    /// The first moment at which its water can have come.
    pub(crate) earliest: Timestamp,
    /// When it came, by the allowed hours, had it been watering.
    pub(crate) time: WateringTime,
    pub(crate) together: BedsTogether,
    /// Largest catch of the gauges in the day before, mm.
    pub(crate) rain_mm: f64,
    /// The part of it that fell after an earlier wetting of the bed was seen, mm.
    pub(crate) rain_left_mm: f64,
    /// How deep the probe is, metres.
    pub(crate) depth_m: f64,
    /// What the meter that the bed's water passes counted.
    pub(crate) meter: MeterEvidence,
    pub(crate) logged: Option<LoggedWatering>,
    /// What somebody says that it was.
    pub(crate) answer: Option<WettingAnswer>,
    /// The program of the timer that can have begun it, unless a meter says that
    /// nothing ran.
    pub(crate) program: Option<ProgramRun>,
    /// Whether people are in the garden then.
    pub(crate) people_about: bool,
    /// The least temperature of the day before.
    pub(crate) coldest: Option<Coldest>,
    /// How moist the air was about its onset.
    pub(crate) air: AirMoisture,
    /// What the probe reads, m³/m³.
    pub(crate) water_content: Option<f64>,
    /// How many believed gauges were heard that have not lately missed rain, at least
    /// one where any is believed; else why there is none.
    pub(crate) gauges: Result<usize, CauseUnknown>,
    /// Whether a gauge has caught rain within the month, so that it works.
    pub(crate) gauge_works: bool,
    /// Whether such rises keep coming at this time of day.
    pub(crate) same_time: bool,
    /// When beds last moved as under rain that no gauge caught.
    pub(crate) like_rain_at: Option<Timestamp>,
}

impl WettingCause {
    /// Whether a later rise of the same event shows more than this one did: it was too
    /// little to tell, and `grown` is not.
    pub(crate) fn outgrown_by(self, grown: &Wetting) -> bool {
        matches!(self, Self::Unknown(CauseUnknown::Small | CauseUnknown::Slow))
            && grown.rise >= CLEAR_RISE
            && !grown.slow
    }
}

impl WettingEvidence {
    /// What wetted the bed.
    pub(crate) fn cause(&self) -> WettingCause {
        let rises_without_water = self.rises_without_water();
        let metered = match self.meter {
            MeterEvidence::Ran { own, .. } => own || rises_without_water.is_none(),
            _ => false,
        };
        // People know better than a timetable.
        let rained = self.answer == Some(WettingAnswer::Rain);
        let programmed =
            self.program.is_some() && !rained && rises_without_water != Some(CauseUnknown::SoilCold);
        let basis = if metered {
            Some(WateringBasis::Meter)
        } else if self.logged.is_some() {
            Some(WateringBasis::Log)
        } else if self.answer == Some(WettingAnswer::Timer) {
            Some(WateringBasis::Timer)
        } else {
            programmed.then_some(WateringBasis::Program)
        };
        let caught = self.rain_mm >= RAIN_EXPLAINS_MM;
        match (caught || rained, basis) {
            (true, Some(_)) => WettingCause::RainAndWatering { mm: self.rain_mm },
            (true, None) if rained => WettingCause::Rain { mm: self.rain_mm, seen: !caught },
            // A timer does not wait for the rain to stop.
            (true, None) if self.same_time => WettingCause::RainAndWatering { mm: self.rain_mm },
            (true, None) if self.gained_beyond_rain() => {
                match rises_without_water.or_else(|| self.unexplained()) {
                    Some(CauseUnknown::SoilCold) => WettingCause::Unknown(CauseUnknown::SoilCold),
                    Some(_) => WettingCause::Unknown(CauseUnknown::MoreThanFell),
                    None => WettingCause::RainAndWatering { mm: self.rain_mm },
                }
            }
            (true, None) => WettingCause::Rain { mm: self.rain_mm, seen: false },
            (false, Some(basis)) => WettingCause::Watering { basis },
            (false, None) => match rises_without_water.or_else(|| self.unexplained()) {
                Some(unknown) => WettingCause::Unknown(unknown),
                None => WettingCause::Watering { basis: WateringBasis::Inferred },
            },
        }
    }

    /// What the soil above the probe gained at least, mm: water from above has passed it,
    /// and it is seldom drier than the soil at the probe.
    pub(crate) fn gained_mm(&self) -> f64 {
        1000.0 * self.wetting.rise * self.depth_m
    }

    /// Whether it gained clearly more than fell and no earlier wetting of the bed took.
    pub(crate) fn gained_beyond_rain(&self) -> bool {
        self.gained_mm() > BEYOND_RAIN * self.rain_left_mm + BEYOND_RAIN_MM
    }

    /// Why the soil may have risen without any water.
    pub(crate) fn rises_without_water(&self) -> Option<CauseUnknown> {
        if self.coldest.is_some_and(Coldest::may_thaw) {
            Some(CauseUnknown::SoilCold)
        } else {
            self.water_content.filter(|content| *content > PEATY).map(|_| CauseUnknown::SoilPeaty)
        }
    }

    /// Why a rise that nothing explains cannot be called a watering; `None`: it can.
    fn unexplained(&self) -> Option<CauseUnknown> {
        match self.meter {
            MeterEvidence::Dry { .. } => return Some(CauseUnknown::MeterDry),
            MeterEvidence::Silent { own: true } => return Some(CauseUnknown::MeterSilent),
            // The site's meter would have told; without it the beds and the gauge do.
            MeterEvidence::Silent { own: false } | MeterEvidence::Ran { .. } | MeterEvidence::None => {}
        }
        match self.gauges {
            Err(unknown) => Some(unknown),
            Ok(_) if self.same_time => None,
            Ok(_) if matches!(self.air, AirMoisture::Moist { .. }) => Some(CauseUnknown::AirMoist),
            Ok(_) if self.air == AirMoisture::Silent => Some(CauseUnknown::AirSilent),
            Ok(1) if self.like_rain() => Some(CauseUnknown::SeveralBeds),
            // A shower does not come alone.
            Ok(1) if self.like_rain_lately() => Some(CauseUnknown::SameWeather),
            Ok(1) if self.together.watched <= 1 && !self.gauge_works && !self.air.is_dry() => {
                Some(CauseUnknown::GaugeUnproven)
            }
            Ok(_) if self.wetting.rise < CLEAR_RISE => Some(CauseUnknown::Small),
            Ok(_) => self.wetting.slow.then_some(CauseUnknown::Slow),
        }
    }

    /// Two beds at one moment, where nobody is in the garden and no water may run.
    pub(crate) fn two_unattended(&self) -> bool {
        !self.people_about && self.time != WateringTime::Within && self.together.at_once >= 2
    }

    /// Whether the beds moved as they do under rain, and neither a gauge nor a meter
    /// nor the log says what it was.
    pub(crate) fn like_rain(&self) -> bool {
        self.rain_mm < RAIN_EXPLAINS_MM
            && !self.air.is_dry()
            && !matches!(self.meter, MeterEvidence::Ran { .. })
            && self.logged.is_none()
            && self.answer != Some(WettingAnswer::Timer)
            && self.program.is_none()
            && (self.together.several() || self.two_unattended())
    }

    /// Whether no gauge's catch, no thaw, no peaty mix and no program explains it.
    pub(crate) fn unexplained_by_rain(&self) -> bool {
        let explained = self.rain_mm >= RAIN_EXPLAINS_MM && !self.gained_beyond_rain();
        !explained && self.rises_without_water().is_none() && self.program.is_none()
    }

    /// Whether the beds moved as under rain within the eight hours before.
    fn like_rain_lately(&self) -> bool {
        !self.air.is_dry()
            && self
                .like_rain_at
                .is_some_and(|at| (-TOGETHER_S..=SAME_WEATHER_S).contains(&seconds(at, self.wetting.onset)))
    }
}

fn seconds(from: Timestamp, to: Timestamp) -> i64 {
    to.as_second() - from.as_second()
}

#[cfg(test)]
mod tests;
