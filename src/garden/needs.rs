//! What beds needed on past days: the same weather and crops as the core's, without
//! its judgements.

use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::evapotranspiration::crop_evapotranspiration;
use crate::garden::log::LogEntry;
use crate::garden::plan::Garden;
use crate::garden::site::SiteState;
use crate::garden::weather::days::QUANTITIES;
use crate::model::Place;

/// Follows the weather of a site for up to 35 days and answers for its beds.
#[derive(Debug)]
pub struct Needs {
    site: SiteState,
}

impl Needs {
    /// Knows the garden and what its log says was planted and mulched.
    pub fn new(garden: &Garden, log: &[LogEntry]) -> Self {
        let mut site = SiteState::new(Arc::new(garden.clone()));
        for entry in log.iter().filter(|entry| entry.site == garden.site.id) {
            site.log.add(entry);
        }
        Self { site }
    }

    /// Whether a sensor (its number in the garden's file) makes weather.
    pub fn wants(&self, sensor: usize) -> bool {
        let plan = self.site.garden.sensors.get(sensor);
        plan.is_some_and(|plan| plan.place == Place::Site && QUANTITIES.contains(&plan.measures))
    }

    /// Takes a sensor's good readings, each later than the one before.
    pub fn hear(&mut self, sensor: usize, readings: impl Iterator<Item = (Timestamp, f64)>) {
        let Ok(index) = u16::try_from(sensor) else { return };
        let mut before = None;
        for (at, value) in readings {
            if before.replace(at).is_none_or(|before| before < at) {
                self.site.weather.push(index, at, value, &self.site.garden.site.time_zone);
            }
        }
    }

    /// How deep a bed's roots reach on a local date, metres.
    pub fn root_depth_m(&self, bed: usize, date: Date) -> f64 {
        let index = u16::try_from(bed).ok().filter(|_| bed < self.site.garden.beds.len());
        index.map_or(f64::NAN, |index| self.site.root_depth_on(index, date))
    }

    /// What a bed's plants used on a local date, mm, as if they lacked nothing: the
    /// day's reference evapotranspiration times the crop's coefficient (its
    /// mid-season's where the stage is not known).
    ///
    /// # Errors
    ///
    /// What is missing, in words: the day's weather, a crop of the tables, or that its
    /// season has not begun or is over.
    pub fn on(&self, bed: usize, date: Date) -> Result<f64, String> {
        let index = u16::try_from(bed).ok().filter(|_| bed < self.site.garden.beds.len());
        let index = index.ok_or_else(|| "there is no such bed".to_owned())?;
        let reference_mm = match self.site.reference_mm_on(date) {
            Some(mm) => mm,
            None => self.site.reference_on(date)?.reference.mm,
        };
        let coefficient = self.site.coefficient(index, date).map_err(|missing| missing.to_string())?.0;
        let used = crop_evapotranspiration(reference_mm, coefficient).map_err(|out| out.to_string())?;
        Ok(used.0)
    }
}
