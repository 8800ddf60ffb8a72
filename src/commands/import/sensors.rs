//! The sensors by name, and which column of which file is whose.

use std::collections::HashMap;
use std::path::Path;

use jiff::tz::TimeZone;

use crate::model::SensorIx;
use crate::settings::Settings;

/// The sensors by name.
pub(super) struct KnownSensors {
    by_name: HashMap<(String, String), SensorIx>,
    sites: Vec<(String, TimeZone)>,
    site_of: Vec<usize>,
}

impl KnownSensors {
    pub(super) fn new(settings: &Settings) -> Self {
        let mut known = Self { by_name: HashMap::new(), sites: Vec::new(), site_of: Vec::new() };
        for (index, garden) in settings.gardens.iter().enumerate() {
            let site = garden.site.id.to_string();
            for sensor in &garden.sensors {
                let number = SensorIx(u32::try_from(known.site_of.len()).unwrap_or(u32::MAX));
                known.by_name.insert((site.clone(), sensor.id.to_string()), number);
                known.site_of.push(index);
            }
            known.sites.push((site, garden.site.time_zone.clone()));
        }
        known
    }

    pub(super) fn sensor(&self, site: Option<&str>, id: &str) -> Result<SensorIx, String> {
        let found: Vec<SensorIx> = self
            .sites
            .iter()
            .filter(|(name, _)| site.is_none_or(|wanted| wanted == name))
            .filter_map(|(name, _)| self.by_name.get(&(name.clone(), id.to_owned())).copied())
            .collect();
        match found.as_slice() {
            [only] => Ok(*only),
            [] => {
                let mut ids: Vec<&str> = self.by_name.keys().map(|(_, id)| id.as_str()).collect();
                ids.sort_by(|a, b| {
                    strsim::jaro_winkler(b, id).total_cmp(&strsim::jaro_winkler(a, id)).then(a.cmp(b))
                });
                let near = ids.first().map_or(String::new(), |n| format!("; the nearest is {n:?}"));
                Err(format!("no sensor is called {id:?}{near}"))
            }
            _ => Err(format!("several gardens have a sensor {id:?}; say which with --site")),
        }
    }

    pub(super) fn zone(&self, sensor: SensorIx) -> &TimeZone {
        &self.sites[self.site_of[sensor.0 as usize]].1
    }
}

/// `--sensor ID`, `ID=COLUMN` or `ID=FILE:COLUMN`.
pub(super) struct SensorColumn {
    pub(super) sensor: SensorIx,
    /// As it was given.
    pub(super) given: String,
    column: String,
}

impl SensorColumn {
    pub(super) fn new(
        given: &str,
        value: &str,
        site: Option<&str>,
        known: &KnownSensors,
    ) -> Result<Self, String> {
        let (id, column) = given.split_once('=').unwrap_or((given, value));
        Ok(Self { sensor: known.sensor(site, id)?, given: given.to_owned(), column: column.to_owned() })
    }

    /// Its column in this file: the one of this name, or of the part after
    /// `FILE:` where that is this file.
    pub(super) fn find(&self, file: &Path, headers: &[String]) -> Option<usize> {
        let find = |name: &str| headers.iter().position(|header| header == name);
        find(&self.column).or_else(|| {
            self.column.match_indices(':').find_map(|(at, _)| {
                let (of, column) = (&self.column[..at], &self.column[at + 1..]);
                let this = file == Path::new(of) || file.file_name().is_some_and(|name| name == of);
                if this { find(column) } else { None }
            })
        })
    }
}
