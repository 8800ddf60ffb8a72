//! The questions, from flags or from somebody at a terminal.

use std::io::{BufRead, Write};

use super::draft::{BedDraft, GardenDraft, GaugeDraft, PeopleDraft, TankDraft};
use crate::commands::exit::WrongInput;
use crate::settings::id_for;
use crate::soil;
use crate::tank::SPECIES;

/// Longest answer that is read, bytes.
const ANSWER_MAX: u64 = 4096;
/// Beds and tanks that are asked for; more go into the file by hand.
const ASKED_MAX: usize = 100;

/// Somebody who answers.
pub struct Person<'p> {
    pub input: &'p mut dyn BufRead,
    pub told: &'p mut dyn Write,
}

/// What is asked for the site: flag, question, what the answer changes.
pub(super) type SiteQuestion = (&'static str, &'static str, fn(&mut GardenDraft, &str) -> Result<(), String>);

/// The site's questions in their order.
pub(super) const SITE: [SiteQuestion; 4] = [
    ("name", "What is the garden called?", |draft, answer| {
        draft.name = answer.to_owned();
        draft.id = id_for(answer, "garden");
        Ok(())
    }),
    ("time-zone", "Which time zone? (such as Australia/Adelaide)", |draft, answer| {
        draft.time_zone = answer.to_owned();
        Ok(())
    }),
    ("latitude", "How far north of the equator, in degrees? (south is negative: -34.93)", |draft, answer| {
        draft.latitude_deg = number(answer)?;
        Ok(())
    }),
    ("elevation", "How high above the sea, in metres?", |draft, answer| {
        draft.elevation_m = number(answer)?;
        Ok(())
    }),
];

/// A number as people type it: with a point or a comma.
pub(super) fn number(answer: &str) -> Result<f64, String> {
    let read = answer.trim().replace(',', ".").parse::<f64>().ok().filter(|it| it.is_finite());
    read.ok_or_else(|| format!("{answer:?} is not a number."))
}

fn whole(answer: &str) -> Result<u32, String> {
    answer.trim().parse().map_err(|_| format!("{answer:?} is not a whole number from 0 on."))
}

/// "00:00-09:00, 18:00-24:00", or never.
pub(super) fn hours(answer: &str) -> Vec<String> {
    answer.split(',').map(str::trim).filter(|it| !it.is_empty()).map(str::to_owned).collect()
}

/// What stands before and after each `=`, in the flag's order.
pub(super) type KeyValues<'a> = Vec<(&'a str, &'a str)>;

/// The parts of a flag for one place: its name, then `key=value` with commas between.
pub(super) fn parts<'a>(flag: &'a str, keys: &[&str]) -> Result<(&'a str, KeyValues<'a>), String> {
    let mut rest = flag.split(',').map(str::trim);
    let name = rest.next().unwrap_or_default();
    let mut found: Vec<(&str, &str)> = Vec::new();
    for part in rest {
        let pair = part.split_once('=').map(|(key, value)| (key.trim(), value.trim()));
        match pair.filter(|(key, _)| keys.contains(key)) {
            Some((key, _)) if found.iter().any(|(it, _)| *it == key) => {
                return Err(format!("{key} stands twice in {flag:?}."));
            }
            Some(pair) => found.push(pair),
            None => {
                return Err(format!(
                    "{part:?} is not known here. Accepted: {} with = and a value.",
                    keys.join(", ")
                ));
            }
        }
    }
    Ok((name, found))
}

/// The keys of a bed's and a tank's flag.
pub(super) const BED_KEYS: [&str; 6] = ["area", "soil", "crop", "litres-per-hour", "depth", "topic"];
pub(super) const TANK_KEYS: [&str; 4] = ["litres", "fish", "species", "topic"];

fn of<'a>(found: &[(&str, &'a str)], key: &str) -> Option<&'a str> {
    found.iter().find(|(it, _)| *it == key).map(|(_, value)| *value)
}

/// Adds the bed of a flag.
pub(super) fn add_bed(draft: &mut GardenDraft, flag: &str) -> Result<(), String> {
    let (name, found) = parts(flag, &BED_KEYS)?;
    let mut bed = new_bed(draft, name);
    let needed = |key: &str| of(&found, key).ok_or_else(|| format!("{key} is missing in {flag:?}."));
    bed.area_m2 = number(needed("area")?)?;
    needed("soil")?.clone_into(&mut bed.soil);
    needed("crop")?.clone_into(&mut bed.crop);
    bed.litres_per_hour = of(&found, "litres-per-hour").map(number).transpose()?;
    let cm = of(&found, "depth").map(number).transpose()?.unwrap_or_else(|| depth_cm(&bed.crop));
    let topic = of(&found, "topic").map_or_else(|| moisture_topic(draft, &bed, cm), str::to_owned);
    bed.probes = vec![(cm, topic)];
    draft.beds.push(bed);
    Ok(())
}

/// Adds the tank of a flag.
pub(super) fn add_tank(draft: &mut GardenDraft, flag: &str) -> Result<(), String> {
    let (name, found) = parts(flag, &TANK_KEYS)?;
    let mut tank = new_tank(draft, name);
    let needed = |key: &str| of(&found, key).ok_or_else(|| format!("{key} is missing in {flag:?}."));
    tank.litres = number(needed("litres")?)?;
    tank.fish = whole(needed("fish")?)?;
    needed("species")?.clone_into(&mut tank.species);
    if let Some(topic) = of(&found, "topic") {
        topic.clone_into(&mut tank.topic);
    }
    draft.tanks.push(tank);
    Ok(())
}

/// Sets the gauge of a flag: its topic, then `mm-per-tip=0.2`.
pub(super) fn set_gauge(draft: &mut GardenDraft, flag: &str) -> Result<(), String> {
    let (topic, found) = parts(flag, &["mm-per-tip"])?;
    let mm_per_tip = of(&found, "mm-per-tip").map(number).transpose()?.unwrap_or(0.2);
    draft.gauge = Some(GaugeDraft { topic: topic.to_owned(), mm_per_tip });
    Ok(())
}

/// Adds the group of a flag: "grounds=grounds@school.example".
pub(super) fn add_people(draft: &mut GardenDraft, flag: &str) -> Result<(), String> {
    let Some((who, email)) = flag.rsplit_once('=') else {
        return Err(format!("{flag:?} has no address. Accepted: NAME=ADDRESS."));
    };
    draft.people.push(PeopleDraft { who: who.trim().to_owned(), email: email.trim().to_owned() });
    Ok(())
}

/// A bed that passes the check as it stands.
fn new_bed(draft: &GardenDraft, name: &str) -> BedDraft {
    let id = draft.place_id(name, &format!("bed-{}", draft.beds.len() + 1));
    let mut bed = BedDraft {
        id,
        name: name.to_owned(),
        area_m2: 1.0,
        soil: "loam".to_owned(),
        crop: "cabbage".to_owned(),
        litres_per_hour: None,
        probes: Vec::new(),
    };
    let cm = depth_cm(&bed.crop);
    bed.probes = vec![(cm, moisture_topic(draft, &bed, cm))];
    bed
}

fn new_tank(draft: &GardenDraft, name: &str) -> TankDraft {
    let id = draft.place_id(name, &format!("tank-{}", draft.tanks.len() + 1));
    let topic = format!("{}/{id}/temperature", draft.id);
    let species = SPECIES.first().map_or("", |it| it.name).to_owned();
    TankDraft { id, name: name.to_owned(), litres: 100.0, species, fish: 0, topic }
}

/// A third of the depth that is watered, in steps of 5 cm: common practice.
fn depth_cm(crop: &str) -> f64 {
    let roots_m = soil::crop(crop).map_or(0.45, |it| it.root_depth_m.0);
    ((roots_m * 100.0 / 3.0 / 5.0).round() * 5.0).max(5.0)
}

fn moisture_topic(draft: &GardenDraft, bed: &BedDraft, cm: f64) -> String {
    format!("{}/{}/moisture-{cm}cm", draft.id, bed.id)
}

impl Person<'_> {
    /// Asks until an answer is taken. An empty answer is `otherwise`, where there is one.
    fn ask(
        &mut self,
        question: &str,
        otherwise: Option<&str>,
        draft: &mut GardenDraft,
        change: impl Fn(&mut GardenDraft, &str) -> Result<(), String>,
    ) -> anyhow::Result<()> {
        loop {
            let given = self.line(question, otherwise)?;
            let answer = if given.is_empty() { otherwise.unwrap_or_default() } else { &given };
            match draft.take(|draft| change(draft, answer)) {
                Ok(()) => return Ok(()),
                Err(why) => writeln!(self.told, "  {why}")?,
            }
        }
    }

    /// Asks for the text of one field.
    fn ask_text(
        &mut self,
        question: &str,
        otherwise: Option<&str>,
        draft: &mut GardenDraft,
        field: impl Fn(&mut GardenDraft) -> &mut String,
    ) -> anyhow::Result<()> {
        self.ask(question, otherwise, draft, |draft, answer| {
            answer.clone_into(field(draft));
            Ok(())
        })
    }

    /// Asks for the number of one field.
    fn ask_number(
        &mut self,
        question: &str,
        draft: &mut GardenDraft,
        field: impl Fn(&mut GardenDraft) -> &mut f64,
    ) -> anyhow::Result<()> {
        self.ask(question, None, draft, |draft, answer| {
            *field(draft) = number(answer)?;
            Ok(())
        })
    }

    /// One line; an end of the input is an error, so that nothing is asked for ever.
    fn line(&mut self, question: &str, otherwise: Option<&str>) -> anyhow::Result<String> {
        let usual = otherwise.filter(|it| !it.is_empty()).map_or_else(String::new, |it| format!(" [{it}]"));
        write!(self.told, "{question}{usual} ")?;
        self.told.flush()?;
        let mut line = Vec::new();
        let mut limited = std::io::Read::take(&mut *self.input, ANSWER_MAX);
        if limited.read_until(b'\n', &mut line)? == 0 {
            return Err(
                WrongInput::new("the answers ended before the last question; nothing was written").into()
            );
        }
        Ok(String::from_utf8_lossy(&line).trim().to_owned())
    }

    /// The questions of the site that `given` does not answer.
    pub(super) fn site(
        &mut self,
        draft: &mut GardenDraft,
        given: impl Fn(&str) -> bool,
    ) -> anyhow::Result<()> {
        for (flag, question, change) in SITE.iter().filter(|(flag, ..)| !given(flag)) {
            self.ask(question, None, draft, change)?;
            if *flag == "name" && !given("id") {
                let id = draft.id.clone();
                self.ask_text("A short id for it, in small letters?", Some(&id), draft, |draft| {
                    &mut draft.id
                })?;
            }
        }
        Ok(())
    }

    pub(super) fn broker(&mut self, draft: &mut GardenDraft) -> anyhow::Result<()> {
        let broker = draft.broker.clone();
        self.ask_text("Where is the MQTT broker?", Some(&broker), draft, |draft| &mut draft.broker)
    }

    pub(super) fn watering(&mut self, draft: &mut GardenDraft) -> anyhow::Result<()> {
        let usual = draft.allowed.join(", ");
        self.ask(
            "When is watering allowed? Your water authority's rules come first.",
            Some(&usual),
            draft,
            |draft, answer| {
                draft.allowed = hours(answer);
                Ok(())
            },
        )
    }

    pub(super) fn beds(&mut self, draft: &mut GardenDraft) -> anyhow::Result<()> {
        let crops: Vec<&str> = soil::CROPS.iter().map(|it| it.name).collect();
        let soils: Vec<&str> = soil::TEXTURES.iter().map(|it| it.name).collect();
        writeln!(self.told, "\nBeds. Crops: {}.\nSoils: {}.", crops.join(", "), soils.join(", "))?;
        while draft.beds.len() < ASKED_MAX {
            let at = draft.beds.len();
            self.ask("Name of the next bed? (nothing: no more)", Some(""), draft, |draft, answer| {
                if !answer.is_empty() {
                    let bed = new_bed(draft, answer);
                    draft.beds.push(bed);
                }
                Ok(())
            })?;
            if draft.beds.len() == at {
                break;
            }
            self.ask_number("  Its area, in square metres?", draft, |draft| &mut draft.beds[at].area_m2)?;
            self.ask_text("  Its soil?", Some("loam"), draft, |draft| &mut draft.beds[at].soil)?;
            self.ask("  Its crop?", None, draft, |draft, answer| {
                let cm = depth_cm(answer);
                let topic = moisture_topic(draft, &draft.beds[at], cm);
                answer.clone_into(&mut draft.beds[at].crop);
                draft.beds[at].probes = vec![(cm, topic)];
                Ok(())
            })?;
            self.ask(
                "  Litres an hour of all its drippers? (nothing: watered by hand)",
                Some(""),
                draft,
                |draft, answer| {
                    draft.beds[at].litres_per_hour =
                        if answer.is_empty() { None } else { Some(number(answer)?) };
                    Ok(())
                },
            )?;
            let usual = draft.beds[at].probes.first().map_or_else(String::new, |(cm, _)| cm.to_string());
            self.ask("  How deep is its moisture probe, in cm?", Some(&usual), draft, |draft, answer| {
                let cm = number(answer)?;
                let topic = moisture_topic(draft, &draft.beds[at], cm);
                draft.beds[at].probes = vec![(cm, topic)];
                Ok(())
            })?;
            let usual = draft.beds[at].probes.first().map_or_else(String::new, |(_, topic)| topic.clone());
            self.ask("  The topic of that probe?", Some(&usual), draft, |draft, answer| {
                let cm = draft.beds[at].probes.first().map_or(10.0, |(cm, _)| *cm);
                draft.beds[at].probes = vec![(cm, answer.to_owned())];
                Ok(())
            })?;
        }
        Ok(())
    }

    pub(super) fn tanks(&mut self, draft: &mut GardenDraft) -> anyhow::Result<()> {
        let species: Vec<&str> = SPECIES.iter().map(|it| it.name).collect();
        writeln!(self.told, "\nFish tanks. Species: {}.", species.join(", "))?;
        while draft.tanks.len() < ASKED_MAX {
            let at = draft.tanks.len();
            self.ask("Name of the next tank? (nothing: no more)", Some(""), draft, |draft, answer| {
                if !answer.is_empty() {
                    let tank = new_tank(draft, answer);
                    draft.tanks.push(tank);
                }
                Ok(())
            })?;
            if draft.tanks.len() == at {
                break;
            }
            self.ask_number("  How many litres does it hold?", draft, |draft| &mut draft.tanks[at].litres)?;
            self.ask_text("  Which species?", None, draft, |draft| &mut draft.tanks[at].species)?;
            self.ask("  How many fish?", None, draft, |draft, answer| {
                draft.tanks[at].fish = whole(answer)?;
                Ok(())
            })?;
            let usual = draft.tanks[at].topic.clone();
            self.ask_text("  The topic of its thermometer?", Some(&usual), draft, |draft| {
                &mut draft.tanks[at].topic
            })?;
        }
        Ok(())
    }

    pub(super) fn gauge(&mut self, draft: &mut GardenDraft) -> anyhow::Result<()> {
        writeln!(self.told)?;
        self.ask(
            "The topic of the rain gauge? (nothing: there is none)",
            Some(""),
            draft,
            |draft, answer| {
                draft.gauge =
                    (!answer.is_empty()).then(|| GaugeDraft { topic: answer.to_owned(), mm_per_tip: 0.2 });
                Ok(())
            },
        )?;
        if draft.gauge.is_none() {
            return Ok(());
        }
        self.ask("  How many mm of rain is one tip?", Some("0.2"), draft, |draft, answer| {
            let mm = number(answer)?;
            if let Some(gauge) = &mut draft.gauge {
                gauge.mm_per_tip = mm;
            }
            Ok(())
        })
    }

    pub(super) fn people(&mut self, draft: &mut GardenDraft) -> anyhow::Result<()> {
        writeln!(self.told)?;
        while draft.people.len() < ASKED_MAX {
            let who = self.line(
                "Who is told when something is wrong? (a group, such as grounds; nothing: no more)",
                None,
            )?;
            if who.is_empty() {
                break;
            }
            self.ask("  Their e-mail address?", None, draft, |draft, answer| {
                draft.people.push(PeopleDraft { who: who.clone(), email: answer.to_owned() });
                Ok(())
            })?;
        }
        Ok(())
    }
}
