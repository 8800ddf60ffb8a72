//! Every alarm that a site can have, in one list: of those that never stood nothing is kept.

use jiff::Timestamp;

use crate::alarms::{AlarmKey, AlarmText, Delays, Input, Kind, Life, PlaceKind};
use crate::garden::alarm::place::{AlarmPlace, AlarmSubject};
use crate::garden::alarm::slot::{AlarmSlot, Telling};
use crate::garden::plan::Garden;
use crate::garden::record::Batch;
use crate::model::Place;

/// The alarms of a site that stand or stood, in the order of [`possible_subjects`], and those
/// about the program itself that it has.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct AlarmSlots {
    slots: Vec<AlarmSlot>,
}

/// Whether a place is one of a kind.
fn is_of_kind(garden: &Garden, place: AlarmPlace, kind: PlaceKind) -> bool {
    match (place, kind) {
        (AlarmPlace::Bed(_), PlaceKind::Bed)
        | (AlarmPlace::Tank(_), PlaceKind::Tank)
        | (AlarmPlace::Sensor(_), PlaceKind::Sensor)
        | (AlarmPlace::Gateway(_), PlaceKind::Gateway) => true,
        (AlarmPlace::Bed(index), PlaceKind::FirstOfProgram) => {
            garden.programs.iter().any(|program| program.beds.first() == Some(&index))
        }
        (AlarmPlace::Tank(index), PlaceKind::TankWithPump) => {
            garden.sensors.iter().any(|s| s.place == Place::Tank(index) && s.measures.tells_of_a_pump())
        }
        (AlarmPlace::Sensor(index), PlaceKind::SensorOf(quantity)) => {
            garden.sensor(index).measures == quantity
        }
        (AlarmPlace::Sensor(index), PlaceKind::SensorWithBattery) => garden.sensor(index).battery.is_some(),
        (AlarmPlace::Job(index), PlaceKind::JobToTell) => garden.job(index).tell,
        // After the last gateway comes the site itself.
        (AlarmPlace::Gateway(_), PlaceKind::SiteWith(of)) => {
            place == AlarmPlace::of_site(garden)
                && garden.sensors.iter().any(|it| it.measures == of && it.place == Place::Site)
        }
        _ => false,
    }
}

/// Whether a garden's place can have an alarm. Those about the program itself are given by
/// [`AlarmSlots::carry`].
pub(crate) fn is_possible(garden: &Garden, subject: AlarmSubject) -> bool {
    let AlarmSubject { kind, place } = subject;
    place.is_there(garden) && kind.row().places.iter().any(|it| is_of_kind(garden, place, *it))
}

/// The alarms that a garden's places can have, place by place, without those about the
/// program itself.
pub(crate) fn possible_subjects(garden: &Garden) -> Vec<AlarmSubject> {
    let mut subjects: Vec<AlarmSubject> = AlarmPlace::all(garden)
        .flat_map(|place| {
            Kind::at(move |it| is_of_kind(garden, place, it)).map(move |kind| place.alarm(kind))
        })
        .collect();
    subjects.sort_by_key(|subject| order(*subject));
    subjects
}

/// Steps of one moment are kept and told in this order: of a sensor its silence, what its
/// quantity has, the others; of a gateway its silence.
fn order(subject: AlarmSubject) -> (AlarmPlace, u8, u8) {
    let rank = match (subject.place, subject.kind) {
        (AlarmPlace::Sensor(_), Kind::SensorSilent) | (AlarmPlace::Gateway(_), Kind::GatewaySilent) => 0,
        (AlarmPlace::Sensor(_), Kind::WaterLeftOn | Kind::GaugeSuspect) => 1,
        _ => 2,
    };
    (subject.place, rank, subject.kind as u8)
}

impl AlarmSlots {
    /// Where an alarm is, or would be.
    fn find(&self, subject: AlarmSubject) -> Result<usize, usize> {
        self.slots.binary_search_by_key(&order(subject), |slot| order(slot.subject))
    }

    /// Adds a system alarm of this kind, where there is none yet.
    pub(crate) fn carry(&mut self, kind: Kind) {
        let subject = AlarmPlace::System.alarm(kind);
        if let Err(place) = self.find(subject) {
            self.slots.insert(place, AlarmSlot::new(subject));
        }
    }

    /// The kinds of the alarms about the program itself that it has.
    pub(crate) fn of_program(&self) -> Vec<Kind> {
        let own = self.slots.iter().filter(|slot| slot.subject.place == AlarmPlace::System);
        own.map(|slot| slot.subject.kind).collect()
    }

    /// An alarm, where it stands or stood.
    pub(crate) fn get(&self, subject: AlarmSubject) -> Option<&AlarmSlot> {
        self.find(subject).ok().map(|at| &self.slots[at])
    }

    /// An alarm, where it stands or stood, to be changed.
    pub(crate) fn get_mut(&mut self, subject: AlarmSubject) -> Option<&mut AlarmSlot> {
        self.find(subject).ok().map(|at| &mut self.slots[at])
    }

    /// The life of an alarm; of one that never stood or that its place cannot have, normal.
    pub(crate) fn life(&self, subject: AlarmSubject) -> Life {
        self.get(subject).map_or(Life::Normal, |slot| slot.life())
    }

    /// The alarm of a key, if the garden can have it.
    pub(crate) fn of_key(&self, garden: &Garden, key: &AlarmKey) -> Option<AlarmSlot> {
        let own = self.of_program().into_iter().map(|kind| AlarmPlace::System.alarm(kind));
        let mut all: Vec<AlarmSubject> = possible_subjects(garden);
        all.extend(own);
        let is_it = |it: &AlarmSubject| it.kind == key.kind && *it.place.id(garden) == key.place;
        let subject = all.into_iter().rev().find(is_it)?;
        Some(self.get(subject).cloned().unwrap_or_else(|| AlarmSlot::new(subject)))
    }

    /// Lets what a rule made of a condition move an alarm, if its place can have it
    /// ([`AlarmSlot::advance`]).
    pub(crate) fn advance(
        &mut self,
        garden: &Garden,
        subject: AlarmSubject,
        (at, input): (Timestamp, Input),
        delays: Delays,
        severity: u16,
    ) -> Option<Telling> {
        let place = match self.find(subject) {
            Ok(place) => place,
            Err(_) if AlarmSlot::is_nothing_new(input) => return None,
            Err(place) if is_possible(garden, subject) => {
                self.slots.insert(place, AlarmSlot::new(subject));
                place
            }
            Err(_) => return None,
        };
        let telling = self.slots[place].advance(garden, at, input, delays, severity);
        self.let_go(place);
        telling
    }

    /// The same, and tells what is to be told.
    pub(crate) fn step(
        &mut self,
        garden: &Garden,
        subject: AlarmSubject,
        (at, input): (Timestamp, Input),
        batch: &mut Batch,
        words: impl FnOnce(bool) -> AlarmText,
    ) {
        let Some(telling) = self.advance(garden, subject, (at, input), Delays::NONE, 0) else { return };
        let Some(slot) = self.get_mut(subject) else { return };
        let text = slot.repeated(&telling).unwrap_or_else(|| words(telling.active));
        slot.tell(garden, &telling, text, batch);
    }

    /// Changes an alarm, whether it stands or not.
    pub(crate) fn change<T>(&mut self, subject: AlarmSubject, change: impl FnOnce(&mut AlarmSlot) -> T) -> T {
        let place = self.find(subject).unwrap_or_else(|place| {
            self.slots.insert(place, AlarmSlot::new(subject));
            place
        });
        let changed = change(&mut self.slots[place]);
        self.let_go(place);
        changed
    }

    /// Lets go of an alarm that does not stand.
    fn let_go(&mut self, place: usize) {
        let slot = &self.slots[place];
        if slot.never_stood() && slot.subject.place != AlarmPlace::System {
            self.slots.remove(place);
        }
    }

    /// Takes the place of what stands, but for the alarms about the program itself that `kept`
    /// does not have or that are not this site's. Returns the first that the garden cannot
    /// have.
    pub(crate) fn go_on_from(&mut self, garden: &Garden, kept: Self) -> Result<(), AlarmSubject> {
        self.slots.retain(|slot| slot.subject.place == AlarmPlace::System);
        for slot in kept.slots {
            match self.find(slot.subject) {
                Ok(place) => self.slots[place] = slot,
                Err(place) if is_possible(garden, slot.subject) => self.slots.insert(place, slot),
                Err(_) if slot.subject.place == AlarmPlace::System => {}
                Err(_) => return Err(slot.subject),
            }
        }
        self.slots.shrink_to_fit();
        Ok(())
    }

    /// All that stand or stood, in order.
    pub(crate) fn iter(&self) -> impl Iterator<Item = &AlarmSlot> {
        self.slots.iter()
    }

    /// Those about the program itself, to be changed.
    pub(crate) fn of_program_mut(&mut self) -> impl Iterator<Item = &mut AlarmSlot> {
        self.slots.iter_mut().filter(|slot| slot.subject.place == AlarmPlace::System)
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
        for AlarmSubject { kind, place } in possible_subjects(&garden) {
            if garden.priority_at(kind, place.id(&garden)) == Priority::High {
                *high.entry(kind).or_default() += 1;
            }
            counts[match garden.priority_at(kind, place.id(&garden)) {
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
