//! `trug new-garden`: asks, or takes flags, and writes a commented garden file that passes the
//! check. Without a daemon's file it writes that one as well.

mod answers;
mod draft;

use std::fs;
use std::io::{ErrorKind, IsTerminal as _, Write};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use serde_json::json;

pub use answers::Person;
pub use draft::{BedDraft, GardenDraft, GaugeDraft, PeopleDraft, TankDraft};

use super::exit::{Exit, WrongInput};
use super::shared::{folder_of, print_json};
use crate::settings::{Fault, from_text, garden_folder, garden_texts};
use answers::SITE;

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct NewGarden {
    /// The garden's name
    #[arg(long)]
    pub name: Option<String>,
    /// Its id: small letters, digits and hyphens; made of the name where it is left out
    #[arg(long)]
    pub id: Option<String>,
    /// Its time zone, such as Australia/Adelaide
    #[arg(long, value_name = "ZONE")]
    pub time_zone: Option<String>,
    /// Degrees north of the equator; south is negative
    #[arg(long, value_name = "DEGREES", allow_hyphen_values = true)]
    pub latitude: Option<String>,
    /// Metres above the sea
    #[arg(long, value_name = "METRES", allow_hyphen_values = true)]
    pub elevation: Option<String>,
    /// The MQTT broker, for a trug.toml that is not there yet
    #[arg(long, value_name = "URL")]
    pub broker: Option<String>,
    /// Hours in which watering is allowed: "00:00-09:00, 18:00-24:00"
    #[arg(long, value_name = "HOURS")]
    pub watering: Option<String>,
    /// A bed: "Kitchen bed, area=7.2, soil=loamy sand, crop=cabbage, litres-per-hour=120,
    /// depth=15, topic=..."; may come several times
    #[arg(long, value_name = "BED")]
    pub bed: Vec<String>,
    /// A fish tank: "Perch tank, litres=500, species=silver perch, fish=12, topic=..."; may come
    /// several times
    #[arg(long, value_name = "TANK")]
    pub tank: Vec<String>,
    /// The rain gauge: its topic, and ", mm-per-tip=0.2"
    #[arg(long, value_name = "TOPIC")]
    pub gauge: Option<String>,
    /// A group that is told: "grounds=grounds@school.example"; may come several times
    #[arg(long, value_name = "WHO=ADDRESS")]
    pub tell: Vec<String>,
    /// The file to write; usually ID.toml in the folder of gardens
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Write over a file that is there
    #[arg(long)]
    pub replace: bool,
    #[arg(from_global)]
    pub json: bool,
}

/// [`run`], asking whoever sits at the terminal; where nobody does, the flags say all.
///
/// # Errors
/// As [`run`].
pub fn run_here(config: &Path, it: &NewGarden, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let stdin = std::io::stdin();
    if !stdin.is_terminal() {
        return run(config, it, None, out);
    }
    let (mut input, mut told) = (stdin.lock(), std::io::stderr());
    run(config, it, Some(&mut Person { input: &mut input, told: &mut told }), out)
}

/// Describes a garden by flags and, where somebody answers, by questions; writes its file beside
/// the daemon's file `config`.
///
/// # Errors
/// [`WrongInput`] for a flag that is wrong or missing and a file that is there already; others
/// where a file cannot be read or written.
pub fn run(
    config: &Path,
    it: &NewGarden,
    person: Option<&mut Person<'_>>,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let daemon_is_there = config.exists();
    let draft = describe(it, person, !daemon_is_there)?;
    let folder = garden_folder(config);
    let file = it.out.clone().unwrap_or_else(|| folder.join(format!("{}.toml", draft.id)));
    let text = draft.garden_file();
    beside_the_others(config, &folder, &file, &text, &draft)?;
    write_file(&file, &text, it.replace)?;
    if !daemon_is_there {
        write_file(config, &draft.daemon_file(), false)?;
    }
    if it.json {
        let daemon = (!daemon_is_there).then(|| config.display().to_string());
        let written = json!({ "written": file.display().to_string(), "daemon_file": daemon, "id": draft.id });
        print_json(&written, out)?;
        return Ok(Exit::Yes);
    }
    writeln!(out, "{} is written.", file.display())?;
    if !daemon_is_there {
        writeln!(out, "{} is written too.", config.display())?;
    } else if it.broker.is_some() {
        writeln!(out, "{} is there already and stays as it is: --broker changes nothing.", config.display())?;
    }
    writeln!(out, "Read the file, change what you like, then run: trug check --config {}", config.display())?;
    Ok(Exit::Yes)
}

/// The garden that flags and answers describe.
fn describe(
    it: &NewGarden,
    person: Option<&mut Person<'_>>,
    asks_broker: bool,
) -> anyhow::Result<GardenDraft> {
    let mut draft = GardenDraft::default();
    let flag_of = |flag: &str| match flag {
        "name" => it.name.as_deref(),
        "id" => it.id.as_deref(),
        "time-zone" => it.time_zone.as_deref(),
        "latitude" => it.latitude.as_deref(),
        "elevation" => it.elevation.as_deref(),
        _ => None,
    };
    let missing: Vec<String> = SITE
        .iter()
        .filter(|(flag, ..)| flag_of(flag).is_none())
        .map(|(flag, ..)| format!("--{flag}"))
        .collect();
    if person.is_none() && !missing.is_empty() {
        let why = format!("missing: {}. At a terminal, trug new-garden asks for each.", missing.join(", "));
        return Err(WrongInput::new(why).into());
    }
    for (flag, _, change) in &SITE {
        if let Some(answer) = flag_of(flag) {
            take_flag(&mut draft, flag, |draft| change(draft, answer))?;
        }
    }
    if let Some(id) = &it.id {
        take_flag(&mut draft, "id", |draft| {
            id.clone_into(&mut draft.id);
            Ok(())
        })?;
    }
    let mut person = person;
    if let Some(person) = &mut person {
        // Ids of places and topics are made of the site's.
        person.site(&mut draft, |flag| flag_of(flag).is_some())?;
    }
    take_flags(it, &mut draft)?;
    if let Some(person) = person {
        ask_the_rest(it, person, asks_broker, &mut draft)?;
    }
    Ok(draft)
}

/// Changes the garden as a flag says; a refusal names the flag.
fn take_flag(
    draft: &mut GardenDraft,
    flag: &str,
    change: impl FnOnce(&mut GardenDraft) -> Result<(), String>,
) -> Result<(), WrongInput> {
    draft.take(change).map_err(|why| WrongInput::new(format!("--{flag}: {why}")))
}

/// What the flags say beside the site.
fn take_flags(it: &NewGarden, draft: &mut GardenDraft) -> Result<(), WrongInput> {
    if let Some(url) = &it.broker {
        take_flag(draft, "broker", |draft| {
            url.clone_into(&mut draft.broker);
            Ok(())
        })?;
    }
    if let Some(hours) = &it.watering {
        take_flag(draft, "watering", |draft| {
            draft.allowed = answers::hours(hours);
            Ok(())
        })?;
    }
    for bed in &it.bed {
        take_flag(draft, "bed", |draft| answers::add_bed(draft, bed))?;
    }
    for tank in &it.tank {
        take_flag(draft, "tank", |draft| answers::add_tank(draft, tank))?;
    }
    if let Some(gauge) = &it.gauge {
        take_flag(draft, "gauge", |draft| answers::set_gauge(draft, gauge))?;
    }
    for people in &it.tell {
        take_flag(draft, "tell", |draft| answers::add_people(draft, people))?;
    }
    Ok(())
}

/// Asks for what no flag says, beside the site.
fn ask_the_rest(
    it: &NewGarden,
    person: &mut Person<'_>,
    asks_broker: bool,
    draft: &mut GardenDraft,
) -> anyhow::Result<()> {
    if asks_broker && it.broker.is_none() {
        person.broker(draft)?;
    }
    if it.watering.is_none() {
        person.watering(draft)?;
    }
    if it.bed.is_empty() {
        person.beds(draft)?;
    }
    if it.tank.is_empty() {
        person.tanks(draft)?;
    }
    if it.gauge.is_none() {
        person.gauge(draft)?;
    }
    if it.tell.is_empty() {
        person.people(draft)?;
    }
    Ok(())
}

/// Refuses a garden that the others of the folder leave no room for: an id or a topic that one
/// of them has.
fn beside_the_others(
    config: &Path,
    folder: &Path,
    file: &Path,
    text: &str,
    draft: &GardenDraft,
) -> anyhow::Result<()> {
    let name = file.display().to_string();
    let mut others = garden_texts(folder);
    others.retain(|(other, _)| *other != name);
    let daemon = fs::read_to_string(config).unwrap_or_else(|_| draft.daemon_file());
    let read = |gardens: &[(&str, &str)]| {
        let daemon = (config.to_str().unwrap_or("trug.toml"), daemon.as_str());
        from_text(daemon, gardens, std::iter::empty())
            .err()
            .map_or_else(Vec::new, |it| it.as_slice().to_vec())
    };
    let mut gardens: Vec<(&str, &str)> =
        others.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    let before = if gardens.is_empty() { Vec::new() } else { read(&gardens) };
    gardens.push((&name, text));
    let known = |fault: &&Fault| !before.contains(fault);
    let own = |fault: &&Fault| fault.file == name || fault.given.contains(&name);
    let found = read(&gardens);
    match found.iter().filter(known).find(own) {
        None => Ok(()),
        Some(fault) => Err(WrongInput::new(format!("nothing was written. {fault}")).into()),
    }
}

/// Writes a whole file or none, with its folders. One that is there is written over only where
/// `replace` says so.
fn write_file(file: &Path, text: &str, replace: bool) -> anyhow::Result<()> {
    let folder = folder_of(file);
    fs::create_dir_all(folder).with_context(|| format!("making the folder {}", folder.display()))?;
    let mut new = tempfile::Builder::new().prefix(".trug-new-").tempfile_in(folder)?;
    new.write_all(text.as_bytes())?;
    new.as_file().sync_all()?;
    // Like any file that a person makes: who may read it is for the folder and umask to say.
    let kept = if replace { new.persist(file) } else { new.persist_noclobber(file) };
    match kept {
        Ok(written) => {
            use std::os::unix::fs::PermissionsExt as _;
            written.set_permissions(fs::Permissions::from_mode(0o644))?;
            Ok(())
        }
        Err(fault) if fault.error.kind() == ErrorKind::AlreadyExists => Err(WrongInput::new(format!(
            "{} is there already. Nothing was written. --replace writes over it.",
            file.display()
        ))
        .into()),
        Err(fault) => Err(fault.error).with_context(|| format!("writing {}", file.display())),
    }
}
