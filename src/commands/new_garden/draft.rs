//! A garden that is being described, and its file.
//!
//! The draft passes the settings' own check at every moment: an answer is put in, the whole file
//! is checked, and an answer that makes a fault is taken out again with the check's own words.

use std::fmt::Write as _;

use crate::alarms::Kind;
use crate::model::Quantity;
use crate::settings::{Fault, RawMeaning, SensorDraft, SensorPlace, free_id, from_text, id_for, quoted_text};

/// Litres an hour reach the roots to this part: what the shipped garden has for drippers.
const EFFICIENCY: f64 = 0.9;
/// Seconds between two readings of a soil probe or gauge, and of a tank's thermometer.
const EVERY_S: u32 = 900;
const TANK_EVERY_S: u32 = 300;

/// A garden that is being described.
#[derive(Clone, Debug, PartialEq)]
pub struct GardenDraft {
    pub id: String,
    pub name: String,
    pub time_zone: String,
    pub latitude_deg: f64,
    pub elevation_m: f64,
    /// As the file has it: `00:00-09:00`.
    pub allowed: Vec<String>,
    pub beds: Vec<BedDraft>,
    pub tanks: Vec<TankDraft>,
    pub gauge: Option<GaugeDraft>,
    pub people: Vec<PeopleDraft>,
    /// Of the daemon's file.
    pub broker: String,
}

/// A bed that is being described.
#[derive(Clone, Debug, PartialEq)]
pub struct BedDraft {
    pub id: String,
    pub name: String,
    pub area_m2: f64,
    pub soil: String,
    pub crop: String,
    /// Of the whole bed, litres an hour; `None`: it is watered by hand.
    pub litres_per_hour: Option<f64>,
    /// Depth in cm and topic of each moisture probe; at least one.
    pub probes: Vec<(f64, String)>,
}

/// A tank that is being described.
#[derive(Clone, Debug, PartialEq)]
pub struct TankDraft {
    pub id: String,
    pub name: String,
    pub litres: f64,
    pub species: String,
    pub fish: u32,
    /// Of its thermometer.
    pub topic: String,
}

/// A rain gauge.
#[derive(Clone, Debug, PartialEq)]
pub struct GaugeDraft {
    pub topic: String,
    pub mm_per_tip: f64,
}

/// A group of people who are told.
#[derive(Clone, Debug, PartialEq)]
pub struct PeopleDraft {
    pub who: String,
    pub email: String,
}

impl Default for GardenDraft {
    fn default() -> Self {
        Self {
            id: "garden".to_owned(),
            name: "Garden".to_owned(),
            time_zone: "UTC".to_owned(),
            latitude_deg: 0.0,
            elevation_m: 0.0,
            // What holds without the section.
            allowed: vec!["00:00-09:00".to_owned(), "18:00-24:00".to_owned()],
            beds: Vec::new(),
            tanks: Vec::new(),
            gauge: None,
            people: Vec::new(),
            broker: "mqtt://127.0.0.1:1883".to_owned(),
        }
    }
}

impl GardenDraft {
    /// Puts an answer in. `change` works on a copy, which is taken where the check finds no
    /// fault with it.
    ///
    /// # Errors
    /// With what is wrong with the answer and what would be accepted, as a sentence.
    pub fn take(&mut self, change: impl FnOnce(&mut Self) -> Result<(), String>) -> Result<(), String> {
        let mut changed = self.clone();
        change(&mut changed)?;
        changed.check().map_err(|faults| faults.first().map_or_else(String::new, in_words))?;
        *self = changed;
        Ok(())
    }

    /// What the settings' check finds wrong with the two files.
    fn check(&self) -> Result<(), Vec<Fault>> {
        let (daemon, garden) = (self.daemon_file(), self.garden_file());
        let read = from_text(("trug.toml", &daemon), &[("garden.toml", &garden)], std::iter::empty());
        read.map(|_| ()).map_err(|faults| faults.as_slice().to_vec())
    }

    /// An id of its own for a bed or tank of that name.
    pub fn place_id(&self, name: &str, otherwise: &str) -> String {
        let taken = |id: &str| {
            id == self.id || self.beds.iter().any(|it| it.id == id) || self.tanks.iter().any(|it| it.id == id)
        };
        free_id(&id_for(name, otherwise), taken)
    }

    /// The daemon's file, for a computer that has none.
    pub fn daemon_file(&self) -> String {
        format!(
            "# Trug, the daemon: kept by whoever runs the computer. \"trug check\" reads this file and the\n\
             # garden files; \"trug keys\" lists every key that may stand here.\n\n\
             [broker]\nurl = {}\n# Each program at one broker needs its own.\nclient_id = \"trug\"\n\n\
             [store]\n# Relative to the folder in which trug is started.\npath = \"var/trug.db\"\n\n\
             # This computer only. Changes on the page need a password: trug password > page-password\n\
             [page]\nlisten = \"127.0.0.1:8470\"\n#password_file = \"page-password\"\n\n\
             [gardens]\n# Relative to this file; each NAME.toml in it is a garden.\nfolder = \"gardens\"\n",
            quoted_text(&self.broker)
        )
    }

    /// The garden's file.
    pub fn garden_file(&self) -> String {
        let mut text = String::from(
            "# Made by \"trug new-garden\". Change what you like, then run \"trug check\".\n\
             # \"trug keys\" lists every key that may stand here.\n\n",
        );
        let allowed: Vec<String> = self.allowed.iter().map(|it| quoted_text(it)).collect();
        let _ = write!(
            text,
            "[site]\nid = {}\nname = {}\ntime_zone = {}\n# Degrees, south is negative.\nlatitude_deg = {}\n\
             # Metres above sea level.\nelevation_m = {}\n\n\
             # Hours in which watering is allowed, by the local clock. Your water authority's rules come first.\n\
             [watering]\nallowed = [{}]\n",
            quoted_text(&self.id),
            quoted_text(&self.name),
            quoted_text(&self.time_zone),
            self.latitude_deg,
            self.elevation_m,
            allowed.join(", "),
        );
        for bed in &self.beds {
            bed.write(&mut text);
        }
        for tank in &self.tanks {
            tank.write(&mut text);
        }
        self.write_sensors(&mut text);
        self.write_people(&mut text);
        text
    }

    fn write_sensors(&self, text: &mut String) {
        let mut taken: Vec<String> = Vec::new();
        let mut put = |text: &mut String, comment: &str, mut sensor: SensorDraft| {
            sensor.id = free_id(&sensor.id, |id| taken.iter().any(|it| it == id));
            taken.push(sensor.id.clone());
            let _ = write!(text, "\n{comment}{}", sensor.lines());
        };
        let sensor = |id: String, measures, place, topic: &str, every_s| SensorDraft {
            id,
            measures,
            place,
            depth_cm: None,
            topic: topic.to_owned(),
            payload: quoted_text("number"),
            every_s,
            meaning: RawMeaning::Value,
        };
        for bed in &self.beds {
            for (cm, topic) in &bed.probes {
                let place = SensorPlace::Bed(bed.id.clone());
                let id = id_for(&format!("{} {cm}cm", bed.id), "probe");
                put(
                    text,
                    "# Say what its number means: unit = \"percent\" or \"m3/m3\", or a calibration for a raw number:\n\
                     # calibration = { points = [[2900, 0.02], [1450, 0.40]] }. See \"Check a probe\" on the page.\n",
                    SensorDraft {
                        depth_cm: Some(*cm),
                        meaning: RawMeaning::WaterContent,
                        ..sensor(id, Quantity::SoilMoisture, place, topic, EVERY_S)
                    },
                );
            }
        }
        for tank in &self.tanks {
            let place = SensorPlace::Tank(tank.id.clone());
            let id = id_for(&format!("{} water", tank.id), "tank-water");
            put(
                text,
                "# Its number is degrees C.\n",
                sensor(id, Quantity::WaterTemperature, place, &tank.topic, TANK_EVERY_S),
            );
        }
        if let Some(GaugeDraft { topic, mm_per_tip }) = &self.gauge {
            put(
                text,
                "# Its number is the tips since the last message; counts = \"running\" for a count that goes on.\n",
                SensorDraft {
                    meaning: RawMeaning::Tips(*mm_per_tip),
                    ..sensor("rain-gauge".to_owned(), Quantity::Rain, SensorPlace::Site, topic, EVERY_S)
                },
            );
        }
    }

    fn write_people(&self, text: &mut String) {
        if self.people.is_empty() {
            text.push_str(
                "\n# Who is told, and of what. E-mail needs a section [mail] in trug.toml.\n#[[tell]]\n#who = \"grounds\"\n\
                 #alarms = [\"dry-bed\", \"waterlogged\"]\n#email = [\"grounds@school.example\"]\n",
            );
            return;
        }
        let mut kinds = String::new();
        for (at, kind) in Kind::ALL.into_iter().enumerate() {
            kinds.push_str(if at % 5 == 0 { "\n  " } else { " " });
            let _ = write!(kinds, "{},", quoted_text(kind.name()));
        }
        for (at, people) in self.people.iter().enumerate() {
            let comment = if at == 0 {
                "# Who is told. E-mail needs a section [mail] in trug.toml. Take out what does not concern them.\n"
            } else {
                ""
            };
            let _ = write!(
                text,
                "\n{comment}[[tell]]\nwho = {}\nemail = [{}]\nalarms = [{kinds}\n]\n",
                quoted_text(&people.who),
                quoted_text(&people.email),
            );
        }
    }
}

impl BedDraft {
    fn write(&self, text: &mut String) {
        let _ = write!(
            text,
            "\n[[bed]]\nid = {}\nname = {}\narea_m2 = {}\n\
             # A texture, or what the soil is made of. \"Soil test in a jar\" on the page finds it.\nsoil = {}\n\
             # A crop of the table; \"planted\" counts its growth from a day.\ncrop = {}\n#planted = 2026-09-01\n",
            quoted_text(&self.id),
            quoted_text(&self.name),
            self.area_m2,
            quoted_text(&self.soil),
            quoted_text(&self.crop),
        );
        match self.litres_per_hour {
            Some(litres) => {
                let _ = writeln!(
                    text,
                    "# All drippers of the bed together, and the part of the water that reaches the roots.\n\
                     irrigation = {{ litres_per_hour = {litres}, efficiency = {EFFICIENCY} }}"
                );
            }
            None => text.push_str("# Without irrigation the bed is watered by hand.\n"),
        }
    }
}

impl TankDraft {
    fn write(&self, text: &mut String) {
        let _ = write!(
            text,
            "\n[[tank]]\nid = {}\nname = {}\nvolume_l = {}\n\
             # Of the table; ask whoever supplied the fish, and set limits = {{ cold_c = 14, warm_c = 28 }} of your own.\n\
             species = {}\nfish = {}\n",
            quoted_text(&self.id),
            quoted_text(&self.name),
            self.litres,
            quoted_text(&self.species),
            self.fish,
        );
    }
}

/// A fault as people read it who have just answered a question.
fn in_words(fault: &Fault) -> String {
    let near = fault.nearest.as_ref().map_or_else(String::new, |near| format!(" The nearest is {near}."));
    format!("{} is not taken.{near} Accepted: {}.", fault.given, fault.accepted)
}
