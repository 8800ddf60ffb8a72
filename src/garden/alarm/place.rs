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
    /// Of how many kinds places are.
    pub(crate) const LISTS: usize = 6;

    /// Its list, in the order in which they are gone through, and its number there.
    pub(crate) fn list_and_number(self) -> (usize, usize) {
        let (list, number) = match self {
            Self::Bed(number) => (0, number),
            Self::Tank(number) => (1, number),
            Self::Sensor(number) => (2, number),
            Self::Gateway(number) => (3, number),
            Self::Job(number) => (4, number),
            Self::System => (5, 0),
        };
        (list, usize::from(number))
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
