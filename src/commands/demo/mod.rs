//! `trug demo`: everything in one process, nothing to install.
//!
//! An invented school with a month behind it: the simulator's readings go
//! through the same pipeline into a store in a folder of its own; then the school
//! lives on over MQTT through a broker in this process, and the daemon with its
//! page listens as it would to a real one.

mod broker;
mod school;

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use anyhow::Context as _;
use clap::builder::PossibleValuesParser;
use garden_simulator::{Scenario, School, Simulation};
use indicatif::{ProgressBar, ProgressStyle};
use ring::rand::{SecureRandom as _, SystemRandom};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

use self::broker::LocalBroker;
use super::exit::Exit;
use super::run::stop_signal;
use super::{daemon, telemetry};
use crate::alarms::State;
use crate::engine::RawMessage;
use crate::engine::{Engine, system_now};
use crate::garden::Clock;
use crate::garden::plan::Garden;
use crate::garden::record::AlarmChange;
use crate::password::PasswordHash;
use crate::settings::{Settings, from_text};
use crate::text::spoken;

/// A line on the screen. Where nobody reads the screen any more, the demonstration goes on:
/// its page is there until it is ended.
macro_rules! tell {
    ($($text:tt)*) => {{
        let _ = writeln!(std::io::stdout(), $($text)*);
    }};
}

/// The daemon's and the school's files, as they are in `config/`.
const TRUG_TOML: &str = include_str!("../../../config/trug.toml");
const GARDEN_TOML: &str = include_str!("../../../config/gardens/saltbush-gully.toml");

/// Readings in one transaction while the month is filled in.
const BATCH: usize = 2000;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct Demo {
    /// End by itself after so many seconds
    #[arg(long, value_name = "SECONDS")]
    r#for: Option<u64>,
    /// How many times faster than life the school goes on
    #[arg(long, value_name = "N", default_value_t = 600.0, value_parser = speed)]
    speed: f64,
    /// What happens in the month
    #[arg(long, value_name = "NAME", default_value = "demonstration", value_parser = scenarios())]
    scenario: String,
    /// Another seed, another weather
    #[arg(long, value_name = "NUMBER")]
    seed: Option<u64>,
    // Without it, the folder is removed at the end.
    /// Keep the data in this folder
    #[arg(long, value_name = "FOLDER")]
    keep: Option<PathBuf>,
}

fn scenarios() -> PossibleValuesParser {
    garden_simulator::SCENARIOS.map(|(name, _)| name).into()
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(n) if (0.1..=100_000.0).contains(&n) => Ok(n),
        _ => Err(format!("{text:?} is not a number from 0.1 to 100000")),
    }
}

/// Runs the demonstration until its time is over or Ctrl-C.
///
/// # Errors
/// When the scenario is unknown or a part cannot be started.
pub async fn run(it: Demo) -> anyhow::Result<Exit> {
    telemetry::start(None);
    let folder = Folder::of(it.keep.as_deref())?;
    let mut settings = own_settings()?;
    settings.store.path = folder.path().join("trug.db");
    // Of this run alone, so that changes can be tried on the page.
    let password = password().context("making a password for the page")?;
    if let Some(page) = &mut settings.page {
        page.password = Some(PasswordHash::of(&password).context("making the page's password")?);
    }

    // From here on Ctrl-C ends it in order, so that nothing is left behind.
    let stop = CancellationToken::new();
    stop_after(stop_signal(), &stop);

    let scenario = Scenario::named(&it.scenario)?;
    let school = School::parse(GARDEN_TOML).context("reading the demonstration's garden")?;
    let seed = it.seed.unwrap_or(scenario.seed);
    let simulation = Simulation::new(&school, &scenario, seed).endless();

    let broker = LocalBroker::start().await?;
    settings.broker.host = broker.address.ip().to_string();
    settings.broker.port = broker.address.port();
    let listener = page_listener(&settings).await?;
    let page = listener.local_addr().context("the page has no address")?;

    tell!("Trug: a demonstration with {}, which is invented.", settings.gardens[0].site.name);
    tell!("Its data: {}{}", folder.path().display(), folder.what_becomes_of_it());
    tell!("Its broker: mqtt://{}", broker.address);
    tell!();

    let end = simulation.end();
    let (filling, filling_stop) = (settings.clone(), stop.clone());
    let (mut keeper, simulation, filled) =
        tokio::task::spawn_blocking(move || fill(&filling, simulation, end, &filling_stop))
            .await
            .context("filling in the month")??;
    filled.print(&settings.gardens[0]);
    print_today(&keeper, &settings.gardens[0]);

    tell!("The page: http://{page}/");
    tell!("Its password, to try changes with: {password}");
    tell!(
        "The school now lives on {} times as fast as life; alarms are told here as they come. Ctrl-C ends it.",
        it.speed
    );
    tell!();
    let told = tell_changes(&mut keeper, &settings.gardens[0]);

    let living = tokio::spawn(school::live_on(simulation, end, it.speed, broker.address, stop.child_token()));
    if let Some(seconds) = it.r#for {
        stop_after(tokio::time::sleep(Duration::from_secs(seconds)), &stop);
    }
    let clock = if it.speed > 1.0 { " Its clock runs fast." } else { "" };
    let notice = format!("Demonstration: an invented school in April 2026.{clock}");
    let store = settings.store.path.clone();
    let outcome = daemon::run(settings, keeper, Some(listener), Some(notice), None, stop).await;
    let _ = living.await;
    broker.stop().await;
    outcome?;

    let reader = crate::store::Reader::open(&store).context("looking at the store")?;
    let readings = reader.count().context("counting readings")?;
    tell!();
    tell!(
        "Ended. The store holds {}. Steps of alarms told live: {}.",
        spoken::counted(readings, "reading", "readings"),
        *told.lock().expect("no panic")
    );
    folder.close()?;
    Ok(Exit::Yes)
}

/// The demonstration's own files. The school is invented, and so are its addresses: who is
/// told is said on the screen.
fn own_settings() -> anyhow::Result<Settings> {
    let mut settings = from_text(
        ("config/trug.toml", TRUG_TOML),
        &[("config/gardens/saltbush-gully.toml", GARDEN_TOML)],
        std::iter::empty(),
    )
    .map_err(|faults| anyhow::anyhow!("the demonstration's own files have faults:\n{faults}"))?;
    for group in settings.gardens.iter_mut().flat_map(|garden| &mut garden.tell) {
        group.by.clear();
        group.instead.clear();
    }
    Ok(settings)
}

/// Has everything stop in order once `over` is there.
fn stop_after(over: impl Future<Output = ()> + Send + 'static, stop: &CancellationToken) {
    let stop = stop.clone();
    tokio::spawn(async move {
        over.await;
        stop.cancel();
    });
}

/// Tells each step of an alarm on the screen. Returns their count, which goes on.
fn tell_changes(keeper: &mut Engine, garden: &Garden) -> Arc<Mutex<usize>> {
    let told = Arc::new(Mutex::new(0usize));
    let (counted, zone) = (Arc::clone(&told), garden.site.time_zone.clone());
    keeper.on_change(Box::new(move |change| {
        *counted.lock().expect("printing does not panic") += 1;
        tell!("{}", line(change, &zone));
    }));
    told
}

/// Where the demonstration's data are.
enum Folder {
    Kept(PathBuf),
    Removed(tempfile::TempDir),
}

impl Folder {
    /// The folder to keep, or else one that is removed at the end.
    fn of(keep: Option<&Path>) -> anyhow::Result<Self> {
        let Some(folder) = keep else {
            let folder = tempfile::Builder::new().prefix("trug-demo-").tempdir();
            return folder.map(Self::Removed).context("making a folder");
        };
        std::fs::create_dir_all(folder).with_context(|| format!("making {}", folder.display()))?;
        Ok(Self::Kept(folder.to_owned()))
    }

    /// Removes it, or says where it stays.
    fn close(self) -> anyhow::Result<()> {
        match self {
            Self::Kept(path) => tell!("The data stay in {}.", path.display()),
            Self::Removed(folder) => {
                let path = folder.path().to_owned();
                folder.close().with_context(|| format!("removing {}", path.display()))?;
                tell!("{} has been removed.", path.display());
            }
        }
        Ok(())
    }

    fn path(&self) -> &std::path::Path {
        match self {
            Self::Kept(path) => path,
            Self::Removed(folder) => folder.path(),
        }
    }

    fn what_becomes_of_it(&self) -> &'static str {
        match self {
            Self::Kept(_) => "",
            Self::Removed(_) => " (removed at the end; --keep FOLDER keeps it)",
        }
    }
}

/// Four groups of four letters and digits that are not mixed up when read aloud: 80 bits.
fn password() -> anyhow::Result<String> {
    const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";
    let mut random = [0u8; 16];
    SystemRandom::new()
        .fill(&mut random)
        .map_err(|_| anyhow::anyhow!("the system gives no random numbers"))?;
    let letter = |byte: &u8| char::from(LETTERS[usize::from(byte % 32)]);
    let groups: Vec<String> = random.chunks(4).map(|four| four.iter().map(letter).collect()).collect();
    Ok(groups.join("-"))
}

/// The page's usual address, or a free port where that is taken.
async fn page_listener(settings: &Settings) -> anyhow::Result<TcpListener> {
    if let Some(page) = &settings.page
        && let Ok(listener) = TcpListener::bind(page.listen).await
    {
        return Ok(listener);
    }
    TcpListener::bind("127.0.0.1:0").await.context("opening a port for the page")
}

/// What the month came to.
struct Filled {
    readings: usize,
    refused: usize,
    changes: Vec<AlarmChange>,
    took: Duration,
}

/// Sends the scenario's month through the pipeline.
fn fill(
    settings: &Settings,
    mut simulation: Simulation,
    end: jiff::Timestamp,
    stop: &CancellationToken,
) -> anyhow::Result<(Engine, Simulation, Filled)> {
    let began = std::time::Instant::now();
    let mut keeper = Engine::open(settings, Clock::Readings).context("opening the store")?;
    let changes = Arc::new(Mutex::new(Vec::new()));
    let kept = Arc::clone(&changes);
    keeper
        .on_change(Box::new(move |change| kept.lock().expect("pushing does not panic").push(change.clone())));
    let start = simulation.start();
    let days = u64::try_from((end.as_second() - start.as_second()) / 86_400).unwrap_or(0);
    let bar = ProgressBar::new(days);
    bar.set_style(
        ProgressStyle::with_template("filling in a month {bar:40} day {pos} of {len}")
            .unwrap_or_else(|_| ProgressStyle::default_bar()),
    );
    let mut filled = Filled { readings: 0, refused: 0, changes: vec![], took: Duration::ZERO };
    while simulation.now() < end && !stop.is_cancelled() {
        let Some(emission) = simulation.next() else { break };
        keeper.open_message(RawMessage {
            topic: emission.topic.as_bytes(),
            payload: &emission.payload,
            retained: false,
            arrival: emission.send_at,
        });
        if keeper.waiting() >= BATCH {
            filled.readings += keeper.commit(system_now()).context("storing the month")?.stored;
            let day = (emission.send_at.as_second() - start.as_second()) / 86_400;
            bar.set_position(u64::try_from(day).unwrap_or(0));
        }
    }
    filled.refused = keeper.refused();
    filled.readings += keeper.commit(system_now()).context("storing the month")?.stored;
    bar.finish_and_clear();
    keeper.on_change(Box::new(|_| {}));
    filled.changes = std::mem::take(&mut *changes.lock().expect("nobody else has it"));
    filled.took = began.elapsed();
    Ok((keeper, simulation, filled))
}

impl Filled {
    fn print(&self, garden: &Garden) {
        tell!(
            "A month filled in: {} in {:.1} s, {} refused. Alarms raised in it:",
            spoken::counted(self.readings, "reading", "readings"),
            self.took.as_secs_f64(),
            self.refused
        );
        let mut kinds: BTreeMap<&str, (usize, &AlarmChange)> = BTreeMap::new();
        for change in self.changes.iter().filter(|c| c.record.state == State::Unacknowledged) {
            kinds.entry(change.record.key.kind.name()).and_modify(|(n, _)| *n += 1).or_insert((1, change));
        }
        for (kind, (count, first)) in kinds {
            tell!();
            tell!(
                "  {kind}: {count}. The first, at {}:",
                spoken::moment(first.record.at, &garden.site.time_zone)
            );
            tell!("{}", indented(&first.record.said.text));
        }
        tell!();
    }
}

/// What a person should look at now.
fn print_today(keeper: &Engine, garden: &Garden) {
    let Some(view) = keeper.router.core.view(garden.site.id.as_str()) else { return };
    tell!("To do, as of {}:", spoken::moment(view.now, &view.time_zone));
    if view.to_do.is_empty() {
        tell!("  nothing");
    }
    for item in view.to_do {
        tell!("{}", indented(&item.text));
    }
    tell!();
}

/// One alarm change on the screen, with the groups that it concerns.
fn line(change: &AlarmChange, zone: &jiff::tz::TimeZone) -> String {
    let whom =
        if change.tell.is_empty() { String::new() } else { format!(", for {}", spoken::list(&change.tell)) };
    format!("{}{whom}: {}", spoken::moment(change.record.at, zone), change.record.said.text)
}

/// A paragraph in lines of about a hundred letters, four spaces in.
fn indented(text: &str) -> String {
    let mut lines = vec![String::from("   ")];
    for word in text.split_whitespace() {
        if lines.last().is_some_and(|l| l.len() + word.len() > 100) {
            lines.push(String::from("   "));
        }
        if let Some(last) = lines.last_mut() {
            last.push(' ');
            last.push_str(word);
        }
    }
    lines.join("\n")
}
