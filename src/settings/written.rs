//! Lines of a garden's file as they are written for people: to paste, or to begin with.

use std::fmt::Write as _;

use super::fault::{Fault, Faults};
use super::{Settings, from_text};
use crate::garden::plan::{Garden, Sensor};
use crate::model::{Id, MeasuredIn, Place, Quantity};

/// Longest id, bytes.
const ID_MAX: usize = 64;

/// A daemon's file with nothing in it but what is needed.
const DAEMON: &str = "[broker]\nurl = \"mqtt://127.0.0.1:1883\"\n[store]\npath = \"trug.db\"\n";

/// A text as TOML has it, in quotes.
pub fn quoted_text(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// An id for something of that name: its letters and digits, with hyphens between words.
/// `otherwise` where the name has none of the letters that an id takes.
pub fn id_for(name: &str, otherwise: &str) -> String {
    let mut id = String::new();
    for c in name.chars() {
        match c.to_ascii_lowercase() {
            c if c.is_ascii_alphanumeric() => id.push(c),
            '\'' | '\u{2019}' => {}
            _ if !id.is_empty() && !id.ends_with('-') => id.push('-'),
            _ => {}
        }
    }
    id.truncate(ID_MAX - 4);
    let id = id.trim_matches('-');
    if Id::is_valid(id) { id.to_owned() } else { otherwise.to_owned() }
}

/// The same id, or the first with a number behind it that `taken` does not hold.
pub fn free_id(id: &str, taken: impl Fn(&str) -> bool) -> String {
    if !taken(id) {
        return id.to_owned();
    }
    (2..).map(|number| format!("{id}-{number}")).find(|it| !taken(it)).unwrap_or_default()
}

/// Where a new sensor stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SensorPlace {
    /// The bed of that id.
    Bed(String),
    /// The tank of that id.
    Tank(String),
    Site,
}

/// What a new sensor's number means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RawMeaning {
    /// It is the value, in the quantity's own unit.
    Value,
    /// Per cent of the soil's volume.
    Percent,
    /// Volume of water in a volume of soil, m3/m3.
    WaterContent,
    /// Two raw numbers, each with its value.
    Points([(f64, f64); 2]),
    /// Tips of a rain gauge's bucket since the last message, mm for each.
    Tips(f64),
}

/// A sensor that is to be written.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorDraft {
    pub id: String,
    pub measures: Quantity,
    pub place: SensorPlace,
    /// Centimetres below the surface, of a soil sensor.
    pub depth_cm: Option<f64>,
    pub topic: String,
    /// As the file has it, quotes and all: `"number"`.
    pub payload: String,
    /// Seconds between two readings.
    pub every_s: u32,
    pub meaning: RawMeaning,
}

impl SensorDraft {
    /// Its `[[sensor]]` in the garden's file.
    pub fn lines(&self) -> String {
        let mut lines = String::from("[[sensor]]\n");
        let mut put = |key: &str, value: String| {
            let _ = writeln!(lines, "{key} = {value}");
        };
        put("id", quoted_text(&self.id));
        put("measures", quoted_text(self.measures.name()));
        match &self.place {
            SensorPlace::Bed(id) => put("bed", quoted_text(id)),
            SensorPlace::Tank(id) => put("tank", quoted_text(id)),
            SensorPlace::Site => {}
        }
        if let Some(cm) = self.depth_cm {
            put("depth_cm", cm.to_string());
        }
        put("topic", quoted_text(&self.topic));
        put("payload", self.payload.clone());
        put("every_s", self.every_s.to_string());
        match self.meaning {
            RawMeaning::Value => {}
            RawMeaning::Percent => put("unit", quoted_text("percent")),
            RawMeaning::WaterContent => put("unit", quoted_text("m3/m3")),
            RawMeaning::Points([(raw_1, value_1), (raw_2, value_2)]) => {
                put("calibration", format!("{{ points = [[{raw_1}, {value_1}], [{raw_2}, {value_2}]] }}"))
            }
            RawMeaning::Tips(mm) => put("calibration", format!("{{ mm_per_tip = {mm} }}")),
        }
        lines
    }
}

/// Reads a garden's file beside a daemon's with nothing in it but what is needed.
pub(super) fn read_alone(garden: &str) -> Result<Settings, Faults> {
    from_text(("trug.toml", DAEMON), &[("garden.toml", garden)], std::iter::empty())
}

/// Whether a garden's file takes the lines of one more sensor.
///
/// # Errors
/// With everything that its check would find fault with in those lines.
pub fn check_new_sensor(garden: &Garden, lines: &str) -> Result<(), Vec<Fault>> {
    let text = format!("{}\n{lines}", outline_of(garden));
    read_alone(&text).map(|_| ()).map_err(|faults| faults.as_slice().to_vec())
}

/// What of a garden another sensor must fit: places, ids and topics.
fn outline_of(garden: &Garden) -> String {
    let mut text = format!(
        "[site]\nid = {}\nname = \"site\"\ntime_zone = \"UTC\"\nlatitude_deg = {}\nelevation_m = {}\n",
        quoted_text(garden.site.id.as_str()),
        garden.site.latitude_deg,
        garden.site.elevation_m
    );
    for bed in &garden.beds {
        let _ = write!(
            text,
            "[[bed]]\nid = {}\narea_m2 = 1\nfield_capacity = {}\nwilting_point = {}\nroot_depth_m = {}\n\
             depletion_fraction = 0.5\npotting_mix = {}\n",
            quoted_text(bed.id.as_str()),
            bed.field_capacity,
            bed.wilting_point,
            bed.root_depth_m,
            bed.potting_mix
        );
    }
    for tank in &garden.tanks {
        let id = quoted_text(tank.id.as_str());
        let _ = write!(
            text,
            "[[tank]]\nid = {id}\nvolume_l = 100\nlimits = {{ cold_c = 1, warm_c = 40, change_hour_c = 2, change_day_c = 5 }}\n"
        );
    }
    for sensor in &garden.sensors {
        text.push_str(&known_sensor(garden, sensor).lines());
    }
    text
}

fn known_sensor(garden: &Garden, sensor: &Sensor) -> SensorDraft {
    SensorDraft {
        id: sensor.id.to_string(),
        measures: sensor.measures,
        place: match sensor.place {
            Place::Bed(at) => SensorPlace::Bed(garden.bed(at).id.to_string()),
            Place::Tank(at) => SensorPlace::Tank(garden.tank(at).id.to_string()),
            Place::Site => SensorPlace::Site,
        },
        depth_cm: (sensor.measures.measured_in() == MeasuredIn::Bed).then_some(10.0),
        topic: sensor.topic.clone(),
        payload: quoted_text("number"),
        every_s: sensor.every_s,
        meaning: RawMeaning::Value,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_made_of_what_a_name_has() {
        for (name, id) in [
            ("Kitchen bed", "kitchen-bed"),
            ("  The children's  bed, No. 2! ", "the-childrens-bed-no-2"),
            ("---", "bed-1"),
            ("\u{5d2}\u{5d9}\u{5e0}\u{5d4}", "bed-1"),
            ("<b>\"Peas\"</b>", "b-peas-b"),
        ] {
            assert_eq!(id_for(name, "bed-1"), id, "{name}");
        }
        assert!(Id::is_valid(&id_for(&"wattle ".repeat(40), "x")));
        let taken = |id: &str| ["peas", "peas-2"].contains(&id);
        assert_eq!((free_id("peas", taken), free_id("beans", taken)), ("peas-3".into(), "beans".into()));
    }
}
