//! Where an alarm stands.

use std::sync::LazyLock;

use crate::alarms::{Kind, SYSTEM_NAME, SYSTEM_PLACE};
use crate::garden::plan::Garden;
use crate::model::Id;

/// A place that can have alarms, in the order in which they are gone through. The
/// numbers are those of the garden's lists.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub(crate) enum AlarmPlace {
    Bed(u16),
    Tank(u16),
    Sensor(u16),
    /// The number after the last gateway's is the site's own way to the broker.
    Gateway(u16),
    Job(u16),
    /// The program itself.
    System,
}

static SYSTEM_ID: LazyLock<Id> = LazyLock::new(|| Id::new(SYSTEM_PLACE));

impl AlarmPlace {
    /// The places of a garden, in order, without the program itself.
    pub(crate) fn all(garden: &Garden) -> impl Iterator<Item = Self> {
        let count = |all: usize| 0..u16::try_from(all).unwrap_or(u16::MAX);
        let beds = count(garden.beds.len()).map(Self::Bed);
        let tanks = count(garden.tanks.len()).map(Self::Tank);
        let sensors = count(garden.sensors.len()).map(Self::Sensor);
        let gateways = count(garden.gateways.len() + 1).map(Self::Gateway);
        let jobs = count(garden.jobs.len()).map(Self::Job);
        beds.chain(tanks).chain(sensors).chain(gateways).chain(jobs)
    }

    /// Whether it is a place of the garden.
    pub(crate) fn is_there(self, garden: &Garden) -> bool {
        match self {
            Self::Bed(number) => usize::from(number) < garden.beds.len(),
            Self::Tank(number) => usize::from(number) < garden.tanks.len(),
            Self::Sensor(number) => usize::from(number) < garden.sensors.len(),
            Self::Gateway(number) => usize::from(number) <= garden.gateways.len(),
            Self::Job(number) => usize::from(number) < garden.jobs.len(),
            Self::System => false,
        }
    }

    /// The whole site: it has the place of its own way to the broker.
    pub(crate) fn of_site(garden: &Garden) -> Self {
        Self::Gateway(u16::try_from(garden.gateways.len()).unwrap_or(u16::MAX))
    }

    /// Its id, which the alarm's key bears.
    pub(crate) fn id(self, garden: &Garden) -> &Id {
        match self {
            Self::Bed(index) => &garden.bed(index).id,
            Self::Tank(index) => &garden.tank(index).id,
            Self::Sensor(index) => &garden.sensor(index).id,
            Self::Gateway(number) => garden.gateway(number).0,
            Self::Job(index) => &garden.job(index).id,
            Self::System => &SYSTEM_ID,
        }
    }

    /// Its name, as people say it.
    pub(crate) fn name(self, garden: &Garden) -> &str {
        match self {
            Self::Bed(index) => &garden.bed(index).name,
            Self::Tank(index) => &garden.tank(index).name,
            Self::Sensor(index) => garden.place_name(garden.sensor(index)),
            Self::Gateway(number) => garden.gateway(number).1,
            Self::Job(index) => &garden.job(index).name,
            Self::System => SYSTEM_NAME,
        }
    }

    /// Its alarm of a kind.
    pub(crate) fn alarm(self, kind: Kind) -> AlarmSubject {
        AlarmSubject { kind, place: self }
    }
}

/// What an alarm is about: a kind at a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(crate) struct AlarmSubject {
    pub(crate) kind: Kind,
    pub(crate) place: AlarmPlace,
}
