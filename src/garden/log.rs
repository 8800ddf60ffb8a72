//! The log: what people saw and did in the garden.
//!
//! A person's entry is no reading: it has no sensor, it comes late and it may be
//! put right by a later one. Rules read the newest entry of a kind by its own
//! time.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::model::Id;
use crate::tank::{NITROGEN_IN_NITRATE, NITROGEN_IN_NITRITE};
use crate::text::spoken::counted;

/// One entry.
#[derive(Clone, Debug, PartialEq)]
pub struct LogEntry {
    pub site: Id,
    /// A bed, a tank or a sensor; `None`: the whole garden.
    pub place: Option<Id>,
    /// When it was seen or done.
    pub at: Timestamp,
    pub what: LogEvent,
    /// Anything else, in the writer's words. No names of children.
    pub note: String,
}

/// What was seen or done.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum LogEvent {
    /// A test of a tank's water. What was not tested is `None`.
    WaterTest(WaterTest),
    /// Mulch went down, mm deep.
    MulchLaid {
        depth_mm: f64,
    },
    /// Mulch that lies on a bed was measured, mm deep; 0: none is left.
    MulchMeasured {
        depth_mm: f64,
    },
    /// Mulch that was planned was not laid.
    MulchNotLaid,
    /// Rain is expected within so many hours, 0: no longer.
    RainExpected {
        hours: f64,
    },
    /// A wetting agent was used, by its label.
    WettingAgent,
    /// A drop of water on dry soil took so many seconds to go in.
    WaterDrop {
        seconds: f64,
    },
    /// The weakest solution of ethanol that goes in within ten seconds, mol/L.
    EthanolDrop {
        molarity: f64,
    },
    /// A bed was watered by hand; litres where somebody measured.
    Watered {
        litres: Option<f64>,
    },
    /// Rain wetted a bed, and its neighbours with it.
    Rained,
    /// A timer watered a bed, and its neighbours with it.
    TimerRan,
    /// Nobody knows what wetted a bed.
    CauseNotKnown,
    /// Planted or sown; the crop where it is one of the table.
    Planted {
        crop: Option<String>,
    },
    /// Compost or worm castings went on a bed; litres where somebody measured.
    Compost {
        litres: Option<f64>,
    },
    WormCastings {
        litres: Option<f64>,
    },
    /// Pests or a disease; the note says which, how many and what was done.
    Pests,
    /// Harvested, kg; the crop where it is one of the table.
    Harvest {
        kg: f64,
        crop: Option<String>,
    },
    /// Fish went into a tank: how many, and grams each where known.
    FishAdded {
        count: u32,
        grams_each: Option<f64>,
    },
    /// Fish died or were taken out.
    FishLost {
        count: u32,
    },
    /// Fed, grams.
    Fed {
        grams: f64,
    },
    /// A tank is being cleaned, for so many hours.
    TankCleaning {
        hours: f64,
    },
    /// A part of a tank's water was changed; litres where somebody measured.
    WaterChange {
        litres: Option<f64>,
    },
    /// Carbonate hardness, as the kit reads it: as calcium carbonate in mg/L, or in
    /// German degrees.
    CarbonateHardness {
        mg_l: Option<f64>,
        degrees: Option<f64>,
    },
    /// A tank's filter was cleaned.
    FilterCleaned,
    /// A bag of fish that floats on the tank.
    Bag {
        temperature_c: Option<f64>,
        ph: Option<f64>,
    },
    /// A sensor was replaced by another one that measures the same.
    ProbeReplaced,
    /// A probe, gauge or other sensor was cleaned.
    SensorCleaned,
    /// A sensor's battery was changed or charged.
    BatteryChanged,
    /// A job that comes round was done, by its name in the garden's file.
    JobDone {
        job: String,
    },
    /// Only the note.
    Note,
}

/// A test of a tank's water.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct WaterTest {
    pub temperature_c: Option<f64>,
    pub ph: Option<f64>,
    /// Total ammonia as nitrogen, mg/L.
    pub ammonia_mg_l: Option<f64>,
    /// Nitrite as nitrogen, mg/L, where the kit reads that.
    pub nitrite_mg_l: Option<f64>,
    /// Nitrite as the ion, mg/L, where the kit reads that.
    pub nitrite_ion_mg_l: Option<f64>,
    /// Nitrate as nitrogen, mg/L, where the kit reads that.
    pub nitrate_mg_l: Option<f64>,
    /// Nitrate as the ion, mg/L, where the kit reads that.
    pub nitrate_ion_mg_l: Option<f64>,
    /// Dissolved oxygen, mg/L.
    pub oxygen_mg_l: Option<f64>,
}

impl WaterTest {
    /// Nitrite as nitrogen, mg/L, whichever the kit reads.
    pub fn nitrite_n_mg_l(&self) -> Option<f64> {
        self.nitrite_mg_l.or_else(|| self.nitrite_ion_mg_l.map(|ion| ion * NITROGEN_IN_NITRITE))
    }

    /// Nitrate as nitrogen, mg/L, whichever the kit reads.
    pub fn nitrate_n_mg_l(&self) -> Option<f64> {
        self.nitrate_mg_l.or_else(|| self.nitrate_ion_mg_l.map(|ion| ion * NITROGEN_IN_NITRATE))
    }
}

impl LogEvent {
    /// The name in commands, files and the store.
    pub fn name(&self) -> &'static str {
        match self {
            Self::WaterTest(_) => "water-test",
            Self::MulchLaid { .. } => "mulch",
            Self::MulchMeasured { .. } => "mulch-depth",
            Self::MulchNotLaid => "mulch-not-laid",
            Self::RainExpected { .. } => "rain-expected",
            Self::WettingAgent => "wetting-agent",
            Self::WaterDrop { .. } => "water-drop",
            Self::EthanolDrop { .. } => "ethanol-drop",
            Self::Watered { .. } => "watered",
            Self::Rained => "rained",
            Self::TimerRan => "timer-ran",
            Self::CauseNotKnown => "cause-not-known",
            Self::Planted { .. } => "planted",
            Self::Compost { .. } => "compost",
            Self::WormCastings { .. } => "worm-castings",
            Self::Pests => "pests",
            Self::Harvest { .. } => "harvest",
            Self::FishAdded { .. } => "fish-added",
            Self::FishLost { .. } => "fish-lost",
            Self::Fed { .. } => "fed",
            Self::TankCleaning { .. } => "tank-cleaning",
            Self::WaterChange { .. } => "water-change",
            Self::CarbonateHardness { .. } => "carbonate-hardness",
            Self::FilterCleaned => "filter-cleaned",
            Self::Bag { .. } => "bag",
            Self::ProbeReplaced => "probe",
            Self::SensorCleaned => "sensor-cleaned",
            Self::BatteryChanged => "battery",
            Self::JobDone { .. } => "job-done",
            Self::Note => "note",
        }
    }
}

impl LogEvent {
    /// What it names, with the name of that: a crop of the table, a job of the garden.
    pub fn named(&self) -> Option<(&'static str, &str)> {
        match self {
            Self::Planted { crop: Some(crop) } | Self::Harvest { crop: Some(crop), .. } => {
                Some(("crop", crop))
            }
            Self::JobDone { job } => Some(("job", job)),
            _ => None,
        }
    }

    /// Its numbers by name, those that are known.
    pub fn numbers(&self) -> Vec<(&'static str, f64)> {
        let known = |numbers: &[(&'static str, Option<f64>)]| {
            numbers.iter().filter_map(|&(name, number)| Some((name, number?))).collect()
        };
        match *self {
            Self::WaterTest(test) => known(&[
                ("temperature_c", test.temperature_c),
                ("ph", test.ph),
                ("ammonia_mg_l", test.ammonia_mg_l),
                ("nitrite_mg_l", test.nitrite_mg_l),
                ("nitrite_ion_mg_l", test.nitrite_ion_mg_l),
                ("nitrate_mg_l", test.nitrate_mg_l),
                ("nitrate_ion_mg_l", test.nitrate_ion_mg_l),
                ("oxygen_mg_l", test.oxygen_mg_l),
            ]),
            Self::MulchLaid { depth_mm } => vec![("depth_mm", depth_mm)],
            Self::MulchMeasured { depth_mm } => vec![("left_mm", depth_mm)],
            Self::RainExpected { hours } => vec![("hold_hours", hours)],
            Self::WaterDrop { seconds } => vec![("seconds", seconds)],
            Self::EthanolDrop { molarity } => vec![("molarity", molarity)],
            Self::Watered { litres } | Self::WaterChange { litres } => known(&[("litres", litres)]),
            Self::Compost { litres } | Self::WormCastings { litres } => known(&[("volume_l", litres)]),
            Self::CarbonateHardness { mg_l, degrees } => {
                known(&[("carbonate_hardness_mg_l", mg_l), ("carbonate_hardness_degrees", degrees)])
            }
            Self::Harvest { kg, .. } => vec![("kg", kg)],
            Self::FishAdded { count, grams_each } => {
                known(&[("count", Some(f64::from(count))), ("grams_each", grams_each)])
            }
            Self::FishLost { count } => vec![("count", f64::from(count))],
            Self::Fed { grams } => vec![("grams", grams)],
            Self::TankCleaning { hours } => vec![("hours", hours)],
            Self::Bag { temperature_c, ph } => known(&[("temperature_c", temperature_c), ("ph", ph)]),
            Self::WettingAgent
            | Self::MulchNotLaid
            | Self::Rained
            | Self::TimerRan
            | Self::CauseNotKnown
            | Self::Planted { .. }
            | Self::Pests
            | Self::FilterCleaned
            | Self::ProbeReplaced
            | Self::SensorCleaned
            | Self::BatteryChanged
            | Self::JobDone { .. }
            | Self::Note => Vec::new(),
        }
    }

    /// What it is, in words: "mulch laid, 100 mm deep".
    pub fn words(&self) -> String {
        let listed = |parts: &[(&str, Option<f64>, &str)]| {
            let parts: Vec<String> = parts
                .iter()
                .filter_map(|(name, number, unit)| Some(format!("{name} {}{unit}", (*number)?)))
                .collect();
            parts.join(", ")
        };
        match self {
            Self::WaterTest(test) => {
                let values = listed(&[
                    ("water", test.temperature_c, " °C"),
                    ("pH", test.ph, ""),
                    ("ammonia", test.ammonia_mg_l, " mg/L"),
                    ("nitrite", test.nitrite_mg_l, " mg/L as nitrogen"),
                    ("nitrite", test.nitrite_ion_mg_l, " mg/L as the ion"),
                    ("nitrate", test.nitrate_mg_l, " mg/L as nitrogen"),
                    ("nitrate", test.nitrate_ion_mg_l, " mg/L as the ion"),
                    ("oxygen", test.oxygen_mg_l, " mg/L"),
                ]);
                format!("water test: {values}")
            }
            Self::MulchLaid { depth_mm } => format!("mulch laid, {depth_mm} mm deep"),
            Self::MulchMeasured { depth_mm: 0.0 } => "no mulch is left".to_owned(),
            Self::MulchMeasured { depth_mm } => format!("mulch measured, {depth_mm} mm deep"),
            Self::MulchNotLaid => "the planned mulch was not laid".to_owned(),
            Self::RainExpected { hours: 0.0 } => "rain is no longer expected".to_owned(),
            Self::RainExpected { hours } => {
                format!("rain expected: watering held for {}", counted(*hours, "hour", "hours"))
            }
            Self::WettingAgent => "wetting agent used".to_owned(),
            Self::WaterDrop { seconds } => format!("a drop of water went in after {seconds} s"),
            Self::EthanolDrop { molarity } => {
                format!("ethanol of {molarity} mol/L went in within ten seconds")
            }
            Self::Watered { litres: Some(litres) } => format!("watered by hand with {litres} L"),
            Self::Watered { litres: None } => "watered by hand".to_owned(),
            Self::Rained => "rain wetted it".to_owned(),
            Self::TimerRan => "the timer watered it".to_owned(),
            Self::CauseNotKnown => "nobody knows what wetted it".to_owned(),
            Self::Planted { crop: Some(crop) } => format!("planted: {crop}"),
            Self::Planted { crop: None } => "planted".to_owned(),
            Self::Compost { litres } => with_litres("compost spread", *litres),
            Self::WormCastings { litres } => with_litres("worm castings spread", *litres),
            Self::Pests => "pests or a disease".to_owned(),
            Self::Harvest { kg, crop: Some(crop) } => format!("harvested {kg} kg of {crop}"),
            Self::Harvest { kg, crop: None } => format!("harvested {kg} kg"),
            Self::FishAdded { count, grams_each: Some(grams) } => {
                format!("{count} fish of about {grams} g added")
            }
            Self::FishAdded { count, grams_each: None } => format!("{count} fish added"),
            Self::FishLost { count } => format!("{count} fish lost"),
            Self::Fed { grams } => format!("fed {grams} g"),
            Self::TankCleaning { hours } => format!("tank being cleaned, for {hours} hours"),
            Self::WaterChange { litres } => with_litres("water changed", *litres),
            Self::CarbonateHardness { mg_l, degrees } => {
                let values = listed(&[("", *mg_l, " mg/L as calcium carbonate"), ("", *degrees, " degrees")]);
                format!("carbonate hardness{values}")
            }
            Self::FilterCleaned => "filter cleaned".to_owned(),
            Self::Bag { temperature_c, ph } => {
                format!(
                    "a bag of fish floats: {}",
                    listed(&[("water", *temperature_c, " °C"), ("pH", *ph, "")])
                )
            }
            Self::ProbeReplaced => "sensor replaced by another one".to_owned(),
            Self::SensorCleaned => "sensor cleaned".to_owned(),
            Self::BatteryChanged => "battery changed or charged".to_owned(),
            Self::JobDone { job } => format!("job done: {job}"),
            Self::Note => "note".to_owned(),
        }
    }
}

fn with_litres(what: &str, litres: Option<f64>) -> String {
    litres.map_or_else(|| what.to_owned(), |litres| format!("{what}, {litres} L"))
}

/// Entries of one place that are remembered; the oldest go first. The store
/// keeps all of them.
const KEPT_MAX: usize = 400;

/// One site's log, place by place, each sorted by the entries' own times.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct SiteLog {
    places: BTreeMap<Option<Id>, Vec<(Timestamp, LogEvent)>>,
}

impl SiteLog {
    /// Adds an entry in its place. One that is there already changes nothing.
    pub(crate) fn add(&mut self, entry: &LogEntry) {
        let kept = self.places.entry(entry.place.clone()).or_default();
        let end = kept.partition_point(|(at, _)| *at <= entry.at);
        if kept[..end].iter().rev().take_while(|(at, _)| *at == entry.at).any(|(_, what)| *what == entry.what)
        {
            return;
        }
        kept.insert(end, (entry.at, entry.what.clone()));
        if kept.len() > KEPT_MAX {
            kept.remove(0);
        }
    }

    /// Takes out an entry that was struck. One that is not there changes nothing.
    pub(crate) fn strike(&mut self, entry: &LogEntry) {
        if let Some(kept) = self.places.get_mut(&entry.place) {
            kept.retain(|(at, what)| *at != entry.at || *what != entry.what);
        }
    }

    /// The entries of a place, oldest first.
    pub(crate) fn of(&self, place: &Id) -> &[(Timestamp, LogEvent)] {
        if self.places.is_empty() {
            return &[];
        }
        self.places.get(&Some(place.clone())).map_or(&[], Vec::as_slice)
    }

    /// The entries of every place, in the order of the places' ids.
    pub(crate) fn of_all(&self) -> impl Iterator<Item = (Option<&Id>, &(Timestamp, LogEvent))> {
        self.places.iter().flat_map(|(place, entries)| entries.iter().map(move |it| (place.as_ref(), it)))
    }

    /// The newest entry of a place up to `now` of which `pick` makes something.
    pub(crate) fn newest<T>(
        &self,
        place: &Id,
        now: Timestamp,
        pick: impl Fn(&LogEvent) -> Option<T>,
    ) -> Option<(Timestamp, T)> {
        Self::newest_in(self.of(place), now, pick)
    }

    /// The same of the entries about the whole garden.
    pub(crate) fn newest_of_garden<T>(
        &self,
        now: Timestamp,
        pick: impl Fn(&LogEvent) -> Option<T>,
    ) -> Option<(Timestamp, T)> {
        Self::newest_in(self.places.get(&None).map_or(&[], Vec::as_slice), now, pick)
    }

    fn newest_in<T>(
        entries: &[(Timestamp, LogEvent)],
        now: Timestamp,
        pick: impl Fn(&LogEvent) -> Option<T>,
    ) -> Option<(Timestamp, T)> {
        entries
            .iter()
            .rev()
            .filter(|(at, _)| *at <= now)
            .find_map(|(at, what)| pick(what).map(|picked| (*at, picked)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(at_s: i64, what: LogEvent) -> LogEntry {
        LogEntry {
            site: Id::new("school"),
            place: Some(Id::new("bed")),
            at: Timestamp::from_second(at_s).expect("in range"),
            what,
            note: String::new(),
        }
    }

    /// Of several places, the order must not change from run to run.
    #[test]
    fn entries_of_all_places_come_in_one_order() {
        let mut log = SiteLog::default();
        for bed in ["pea", "herb", "kitchen", "bean", "orchard"] {
            log.add(&LogEntry { place: Some(Id::new(bed)), ..entry(100, LogEvent::Rained) });
        }
        let places: Vec<_> = log.of_all().filter_map(|(place, _)| place.map(Id::as_str)).collect();
        assert_eq!(places, ["bean", "herb", "kitchen", "orchard", "pea"]);
    }

    #[test]
    fn the_newest_by_its_own_time_counts_and_twice_is_once() {
        let mut log = SiteLog::default();
        let drop = |seconds| LogEvent::WaterDrop { seconds };
        for it in [entry(200, drop(70.0)), entry(100, drop(3.0)), entry(200, drop(70.0))] {
            log.add(&it);
        }
        let bed = Id::new("bed");
        assert_eq!(log.of(&bed).len(), 2);
        let pick = |seen: &LogEvent| match seen {
            LogEvent::WaterDrop { seconds } => Some(*seconds),
            _ => None,
        };
        let at = |s| Timestamp::from_second(s).expect("in range");
        assert_eq!(log.newest(&bed, at(300), pick), Some((at(200), 70.0)));
        assert_eq!(log.newest(&bed, at(150), pick), Some((at(100), 3.0)));
        assert_eq!(log.newest(&bed, at(50), pick), None);
    }
}
