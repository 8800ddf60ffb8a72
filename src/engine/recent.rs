//! The garden as it stands by the store: what a command that answers a question
//! needs, without a daemon.

use std::fmt::Write as _;
use std::sync::Arc;

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};

use crate::engine::long_memory;
use crate::garden::plan::Garden;
use crate::garden::record::Batch;
use crate::garden::{Clock, Core};
use crate::model::Id;
use crate::model::Sample;
use crate::model::SensorIx;

use crate::settings::Settings;
use crate::store::{Reader, ReadingFilter};

/// Stored readings of this long before are enough: what the rules remember is
/// no older.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(15 * 24);

/// What a name given to a command may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlaceWanted {
    Bed,
    Tank,
    Sensor,
    /// A bed, a tank or a sensor.
    Any,
}

impl PlaceWanted {
    fn word(self) -> &'static str {
        match self {
            Self::Bed => "bed",
            Self::Tank => "tank",
            Self::Sensor => "sensor",
            Self::Any => "place",
        }
    }

    fn of(self, garden: &Garden) -> Vec<&Id> {
        let beds = garden.beds.iter().map(|b| &b.id);
        let tanks = garden.tanks.iter().map(|t| &t.id);
        let sensors = garden.sensors.iter().map(|s| &s.id);
        match self {
            Self::Bed => beds.collect(),
            Self::Tank => tanks.collect(),
            Self::Sensor => sensors.collect(),
            Self::Any => beds.chain(tanks).chain(sensors).collect(),
        }
    }
}

/// The garden that has the place.
///
/// # Errors
///
/// Plain words, when no garden has it, or several have and none was named.
pub fn place(gardens: &[Garden], site: Option<&str>, name: &str, wanted: PlaceWanted) -> Result<Id, String> {
    let named: Vec<&Garden> =
        gardens.iter().filter(|g| site.is_none_or(|id| g.site.id.as_str() == id)).collect();
    if let (Some(site), true) = (site, named.is_empty()) {
        let known: Vec<&str> = gardens.iter().map(|g| g.site.id.as_str()).collect();
        return Err(format!("no garden has the id {site:?}; the gardens are: {}", known.join(", ")));
    }
    let found: Vec<&Id> = named
        .iter()
        .filter(|g| wanted.of(g).iter().any(|id| id.as_str() == name))
        .map(|g| &g.site.id)
        .collect();
    let word = wanted.word();
    match found.as_slice() {
        [only] => Ok((*only).clone()),
        [] => {
            let known: Vec<&str> = named.iter().flat_map(|g| wanted.of(g)).map(Id::as_str).collect();
            let mut why = format!("no {word} is called {name:?}; ");
            let _ = match known.as_slice() {
                [] => write!(why, "there is none"),
                known => write!(why, "the {word}s are: {}", known.join(", ")),
            };
            Err(why)
        }
        several => {
            let several: Vec<&str> = several.iter().map(|id| id.as_str()).collect();
            Err(format!(
                "several gardens have a {word} {name:?}: {}; say which with --site",
                several.join(", ")
            ))
        }
    }
}

/// A core that has seen the site's last fortnight and its log, up to `now`.
///
/// # Errors
///
/// When the store cannot be read.
pub fn core(settings: &Settings, site: &Id, now: Timestamp) -> anyhow::Result<Core> {
    let reader = Reader::open(&settings.store.path).context("opening the store")?;
    core_of(&reader, &settings.gardens, site, now)
}

/// The same of an open store.
///
/// # Errors
///
/// When the store cannot be read.
pub fn core_of(reader: &Reader, gardens: &[Garden], site: &Id, now: Timestamp) -> anyhow::Result<Core> {
    let gardens: Vec<_> = gardens.iter().cloned().map(Arc::new).collect();
    let mut numbers = std::collections::HashMap::new();
    let mut next = 0u32;
    for garden in &gardens {
        for sensor in &garden.sensors {
            if garden.site.id == *site {
                numbers.extend(sensor.ids().map(|id| (id.to_string(), SensorIx(next))));
            }
            next += 1;
        }
    }
    let mut core = Core::new(&gardens, Clock::Readings);
    let to = now.checked_add(SignedDuration::from_secs(1)).unwrap_or(now);
    let mut scratch = Batch::default();
    let mut entries = reader.log(0).context("reading the log")?;
    entries.retain(|row| row.entry.site == *site && row.entry.at <= now);
    entries.sort_by_key(|row| row.entry.at);
    for row in &entries {
        core.restore_log(&row.entry);
    }
    long_memory::restore(&mut core, reader, |it| (it == site).then_some(to)).context("reading the store")?;
    let filter = ReadingFilter {
        site: Some(site.to_string()),
        from: now.checked_sub(LOOK_BACK).ok(),
        to: now.checked_add(SignedDuration::from_secs(1)).ok(),
        ..ReadingFilter::default()
    };
    reader
        .readings(&filter, |row| {
            if let Some(&sensor) = numbers.get(&row.series.sensor)
                && !row.late
            {
                scratch.clear();
                core.take(
                    sensor,
                    Sample { at: Some(row.at), raw: row.raw, battery: None },
                    row.at,
                    &mut scratch,
                );
            }
            std::ops::ControlFlow::Continue(())
        })
        .context("reading the store")?;
    let stored = reader.alarms_present().context("reading the alarms")?;
    // A question about the past is answered from the readings alone: the store
    // holds how the alarms stand now.
    if stored.iter().all(|row| row.record.at <= now) {
        core.restore_alarms(stored.into_iter().map(|row| row.record).collect());
    }
    Ok(core)
}
