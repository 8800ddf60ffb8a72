//! Every alarm that a site can have, in one list.

use std::sync::OnceLock;

use crate::alarms::{AlarmKey, Kind, Life, PlaceKind};
use crate::garden::alarm::place::{AlarmPlace, AlarmSubject};
use crate::garden::alarm::slot::AlarmSlot;
use crate::garden::plan::Garden;
use crate::model::Place;

/// The alarms of a site, place by place.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct AlarmSlots {
    slots: Vec<AlarmSlot>,
    /// Where each place's begin, found when one is first asked for: each reading asks for some
    /// ten of them.
    #[serde(skip)]
    starts: OnceLock<PlaceStarts>,
}

/// The first alarm of each place, by its list and number there.
#[derive(Clone, Debug, Default)]
struct PlaceStarts([Vec<u32>; AlarmPlace::LISTS]);

impl PlaceStarts {
    /// Stands for a place without alarms.
    const NONE: u32 = u32::MAX;

    fn of(slots: &[AlarmSlot]) -> Self {
        let mut starts = Self::default();
        for (at, slot) in (0u32..).zip(slots) {
            let (list, number) = slot.subject.place.list_and_number();
            let list = &mut starts.0[list];
            if list.len() <= number {
                list.resize(number + 1, Self::NONE);
            }
            list[number] = list[number].min(at);
        }
        starts
    }

    fn get(&self, place: AlarmPlace) -> Option<usize> {
        let (list, number) = place.list_and_number();
        self.0[list].get(number).filter(|at| **at != Self::NONE).map(|at| *at as usize)
    }
}

impl AlarmSlots {
    /// Those that a garden's places can have. The system's are given by
    /// [`AlarmSlots::carry`].
    pub(crate) fn new(garden: &Garden) -> Self {
        let mut slots = Vec::new();
        let mut add = |place: AlarmPlace, kind: Kind| slots.push(AlarmSlot::new(place.alarm(kind)));
        for (index, _) in (0u16..).zip(&garden.beds) {
            let first = garden.programs.iter().any(|program| program.beds.first() == Some(&index));
            let has = |it| it == PlaceKind::Bed || (first && it == PlaceKind::FirstOfProgram);
            Kind::at(has).for_each(|kind| add(AlarmPlace::Bed(index), kind));
        }
        for (index, _) in (0u16..).zip(&garden.tanks) {
            let pump =
                garden.sensors.iter().any(|s| s.place == Place::Tank(index) && s.measures.tells_of_a_pump());
            let has = |it| it == PlaceKind::Tank || (pump && it == PlaceKind::TankWithPump);
            Kind::at(has).for_each(|kind| add(AlarmPlace::Tank(index), kind));
        }
        for (index, sensor) in (0u16..).zip(&garden.sensors) {
            let has = |it| match it {
                PlaceKind::Sensor => true,
                PlaceKind::SensorOf(quantity) => sensor.measures == quantity,
                PlaceKind::SensorWithBattery => sensor.battery.is_some(),
                PlaceKind::Bed
                | PlaceKind::FirstOfProgram
                | PlaceKind::Tank
                | PlaceKind::TankWithPump
                | PlaceKind::Gateway
                | PlaceKind::SiteWith(_)
                | PlaceKind::JobToTell
                | PlaceKind::System => false,
            };
            let mut kinds: Vec<Kind> = Kind::at(has).collect();
            // Steps of one moment are kept and told in this order: silence, what its
            // quantity has, the others.
            kinds.sort_by_key(|kind| match kind {
                Kind::SensorSilent => 0,
                Kind::WaterLeftOn | Kind::GaugeSuspect => 1,
                _ => 2,
            });
            kinds.into_iter().for_each(|kind| add(AlarmPlace::Sensor(index), kind));
        }
        for (number, _) in (0u16..).zip(0..=garden.gateways.len()) {
            Kind::at(|it| it == PlaceKind::Gateway).for_each(|kind| add(AlarmPlace::Gateway(number), kind));
        }
        // After the last gateway comes the site itself.
        let measured =
            |of| garden.sensors.iter().any(|it| it.measures == of && it.place == crate::model::Place::Site);
        Kind::at(|it| matches!(it, PlaceKind::SiteWith(of) if measured(of)))
            .for_each(|kind| add(AlarmPlace::of_site(garden), kind));
        for (index, _) in (0u16..).zip(&garden.jobs).filter(|(_, job)| job.tell) {
            Kind::at(|it| it == PlaceKind::JobToTell).for_each(|kind| add(AlarmPlace::Job(index), kind));
        }
        slots.shrink_to_fit();
        Self { slots, starts: OnceLock::new() }
    }

    /// Adds a system alarm of this kind, where there is none yet.
    pub(crate) fn carry(&mut self, kind: Kind) {
        let subject = AlarmPlace::System.alarm(kind);
        if self.get(subject).is_none() {
            self.slots.push(AlarmSlot::new(subject));
            self.starts = OnceLock::new();
        }
    }

    /// The kinds of the alarms about the program itself that it has.
    pub(crate) fn of_program(&self) -> Vec<Kind> {
        let own = self.slots.iter().filter(|slot| slot.subject.place == AlarmPlace::System);
        own.map(|slot| slot.subject.kind).collect()
    }

    fn position(&self, subject: AlarmSubject) -> Option<usize> {
        let first = self.starts.get_or_init(|| PlaceStarts::of(&self.slots)).get(subject.place)?;
        let here = self.slots[first..].iter().take_while(|slot| slot.subject.place == subject.place);
        here.zip(first..).find(|(slot, _)| slot.subject.kind == subject.kind).map(|(_, at)| at)
    }

    /// An alarm, if its place can have it.
    pub(crate) fn get(&self, subject: AlarmSubject) -> Option<&AlarmSlot> {
        self.position(subject).map(|at| &self.slots[at])
    }

    /// An alarm, if its place can have it, to be changed.
    pub(crate) fn get_mut(&mut self, subject: AlarmSubject) -> Option<&mut AlarmSlot> {
        self.position(subject).map(|at| &mut self.slots[at])
    }

    /// The life of an alarm; of one that its place cannot have, normal.
    pub(crate) fn life(&self, subject: AlarmSubject) -> Life {
        self.get(subject).map_or(Life::Normal, |slot| slot.life())
    }

    /// The alarm of a key, if the garden can have it.
    pub(crate) fn of_key(&self, garden: &Garden, key: &AlarmKey) -> Option<&AlarmSlot> {
        let mut last_first = self.slots.iter().rev();
        last_first.find(|slot| slot.subject.kind == key.kind && *slot.subject.place.id(garden) == key.place)
    }

    /// All of them, in order.
    pub(crate) fn iter(&self) -> impl Iterator<Item = &AlarmSlot> {
        self.slots.iter()
    }

    /// All of them, in order, for themselves.
    pub(crate) fn into_slots(self) -> Vec<AlarmSlot> {
        self.slots
    }

    /// All of them, in order, to be changed.
    pub(crate) fn iter_mut(&mut self) -> impl Iterator<Item = &mut AlarmSlot> {
        self.slots.iter_mut()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::Priority;
    use crate::alarms::targets::PRIORITY_PARTS;

    /// The alarms that the demonstration school can have, by priority, beside the standard's
    /// proportions (their source is with [`PRIORITY_PARTS`]). More than the standard's
    /// twentieth are of high priority, and each is there by what it costs to be late: fish die
    /// within hours, water runs, or nobody can be told of anything. What is so only from a further
    /// step on (ammonia, nitrite, pH, a wrong clock) counts by its usual priority. The rest keep to the
    /// twentieth by themselves. How near is near enough is our own choice.
    #[test]
    fn the_schools_alarms_are_mostly_of_low_priority_and_rarely_of_high() {
        let (trug, school) = (
            include_str!("../../../config/trug.toml"),
            include_str!("../../../config/gardens/saltbush-gully.toml"),
        );
        let garden =
            crate::settings::from_text(("trug.toml", trug), &[("garden.toml", school)], std::iter::empty())
                .expect("no faults")
                .gardens
                .remove(0);
        let mut counts = [0_u32; 3];
        let mut high = std::collections::BTreeMap::<Kind, u32>::new();
        for slot in AlarmSlots::new(&garden).iter() {
            if garden.priority_at(slot.subject.kind, slot.subject.place.id(&garden)) == Priority::High {
                *high.entry(slot.subject.kind).or_default() += 1;
            }
            counts[match garden.priority_at(slot.subject.kind, slot.subject.place.id(&garden)) {
                Priority::Low => 0,
                Priority::Medium => 1,
                Priority::High => 2,
            }] += 1;
        }
        let all: u32 = counts.iter().sum();
        let percent = counts.map(|count| 100.0 * f64::from(count) / f64::from(all));
        println!("{counts:?}: {percent:.0?} % of low, medium and high priority; high: {high:?}");
        // Water that runs, a tank in danger, and what leaves a tank unwatched.
        let late_harms = [
            Kind::WaterLeftOn,
            Kind::TankTemperatureShock,
            Kind::TankTooWarm,
            Kind::TankTooCold,
            Kind::LowOxygen,
            Kind::SensorSilent,
            Kind::SensorFault,
            Kind::GatewaySilent,
        ];
        let other: u32 = high.iter().filter(|(kind, _)| !late_harms.contains(kind)).map(|it| it.1).sum();
        assert!(f64::from(other) <= PRIORITY_PARTS[2] * f64::from(all), "{high:?}");
        // One tank has one thermometer: of sensors and gateways only that one's are of high priority.
        for kind in [Kind::SensorSilent, Kind::SensorFault, Kind::GatewaySilent] {
            assert_eq!(high.get(&kind), Some(&1), "{high:?}");
        }
        assert!(percent[2] < 15.0, "{percent:?}");
        for (percent, part) in percent.into_iter().zip(PRIORITY_PARTS).take(2) {
            assert!((percent - 100.0 * part).abs() < 15.0, "{percent} % beside {part}");
        }
    }
}
