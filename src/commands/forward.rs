//! `trug forward`: how sending readings on to other servers goes, what they refused, and
//! sending it again.

use std::io::Write;

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::daemon::target;
use super::exit::{Exit, WrongInput};
use super::shared::{only_daily, print_json, safe, span};
use crate::deliver::forward::{ResendFault, Resent, resend_range, resend_refused};
use crate::settings::{Forward, Settings};
use crate::store::{Reader, Refusals, settle_refused};
use crate::text::spoken::{self, counted};

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
#[command(group = clap::ArgGroup::new("again").args(["refused", "let_go", "from"]))]
pub struct ForwardArgs {
    /// One of the servers, by the name of its [[forward]]; without it, all are listed
    #[arg(value_name = "SERVER", requires = "again")]
    server: Option<String>,
    /// Send what the server refused once more; what it takes now is off the list
    #[arg(long, requires = "server")]
    refused: bool,
    /// Let what the server refused go: it stays in the store and is not sent again
    #[arg(long, requires = "server")]
    let_go: bool,
    /// Send the readings from here on again: a date or a date and time on the garden's clock,
    /// or RFC 3339. A server keeps one point for each sensor and time, so nothing doubles there
    #[arg(long, value_name = "TIME", requires = "server")]
    from: Option<String>,
    /// Up to here; without it, up to now
    #[arg(long, value_name = "TIME", requires = "from")]
    to: Option<String>,
    #[arg(from_global)]
    json: bool,
}

/// Lists servers, or sends again: no where something was refused or waits for longer than
/// the limits of `[watch]`.
///
/// # Errors
/// When the store cannot be read or written, the server takes nothing, or `out` cannot be
/// written, or [`WrongInput`].
pub async fn run(
    settings: &Settings,
    reader: &Reader,
    it: &ForwardArgs,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let Some(name) = it.server.as_deref() else { return list(settings, reader, it, now, out) };
    let forward = named(settings, name)?;
    if it.let_go {
        let path = reader.path();
        let refusals = reader.refusals().context("reading what the server refused")?;
        let before = refusals.iter().find(|it| it.forwarder == name).map_or(0, |it| it.rows + it.unlisted);
        settle_refused(path, name, None, &[]).context("taking readings off the list")?;
        if it.json {
            print_json(&serde_json::json!({ "server": name, "let_go": before }), out)?;
        } else {
            writeln!(out, "{} let go; {} in Trug's own record.", readings(before), stays(before))?;
        }
        return Ok(Exit::Yes);
    }
    let mut said = Vec::new();
    let resent = if it.refused {
        resend_refused(target(forward), reader).await
    } else {
        let (from, to) = span(&settings.gardens, None, it.from.as_deref(), it.to.as_deref())?;
        let (from, to) = (from.unwrap_or(Timestamp::MIN), to.unwrap_or(now));
        if to <= from {
            return Err(WrongInput::new(format!(
                "--to {} is not after --from {}",
                it.to.as_deref().unwrap_or("now"),
                it.from.as_deref().unwrap_or_default()
            ))
            .into());
        }
        said = only_daily(reader, &settings.gardens, None, Some(from))?;
        resend_range(target(forward), reader, (from, to)).await
    };
    let resent = match resent {
        Ok(resent) => resent,
        Err(ResendFault::Stuck { name, why }) => anyhow::bail!(
            "the server {} takes nothing: {}. What it took until then is off the list; try again when it is put right",
            safe(&name),
            safe(&why)
        ),
        Err(fault) => return Err(anyhow::Error::new(fault).context("sending readings again")),
    };
    show(name, &resent, &said, it, out)
}

fn named<'s>(settings: &'s Settings, name: &str) -> Result<&'s Forward, WrongInput> {
    settings.forward.iter().find(|it| it.name == name).ok_or_else(|| {
        let names: Vec<_> = settings.forward.iter().map(|it| it.name.as_str()).collect();
        let known = if names.is_empty() {
            "there is no [[forward]] in the configuration".to_owned()
        } else {
            format!("there is {}", names.join(", "))
        };
        WrongInput::new(format!("no [[forward]] is called {}: {known}", safe(name)))
    })
}

fn readings(count: u64) -> String {
    counted(count, "reading", "readings")
}

fn stays(count: u64) -> &'static str {
    if count == 1 { "it stays" } else { "they stay" }
}

/// `said`: of which days there is nothing to send.
fn show(
    name: &str,
    resent: &Resent,
    said: &[String],
    it: &ForwardArgs,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let why = resent.why.as_deref();
    if it.json {
        let answer = serde_json::json!({
            "server": name, "taken": resent.taken, "refused": resent.refused, "why": why, "only_daily": said
        });
        print_json(&answer, out)?;
    } else {
        writeln!(out, "{} took {}.", safe(name), readings(resent.taken))?;
        for said in said {
            writeln!(out, "{said} No reading of them was sent.")?;
        }
        if resent.refused > 0 {
            let why = safe(why.unwrap_or("no reason given"));
            writeln!(out, "It refused {}: {why}", readings(resent.refused))?;
        }
    }
    Ok(Exit::yes_if(resent.refused == 0))
}

/// One server as it is listed.
#[derive(Debug, Serialize)]
struct ListedServer {
    server: String,
    /// Readings that wait.
    waiting: u64,
    /// The time of the oldest of them.
    oldest: Option<String>,
    /// Readings that it refused for good and has not taken since.
    refused: u64,
    refused_last: Option<String>,
    refused_why: Option<String>,
}

fn list(
    settings: &Settings,
    reader: &Reader,
    it: &ForwardArgs,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let queues = reader.queues().context("reading what waits")?;
    let refusals = reader.refusals().context("reading what servers refused")?;
    let oldest = |name: &str| queues.iter().find(|it| it.name == name).and_then(|it| it.oldest);
    let listed: Vec<ListedServer> = settings
        .forward
        .iter()
        .map(|forward| {
            let queue = queues.iter().find(|it| it.name == forward.name);
            let refused: Option<&Refusals> = refusals.iter().find(|it| it.forwarder == forward.name);
            let last = refused.and_then(|it| it.last.as_ref());
            ListedServer {
                server: forward.name.clone(),
                waiting: queue.map_or(0, |it| it.rows),
                oldest: queue.and_then(|it| it.oldest).map(|at| at.to_string()),
                refused: refused.map_or(0, |it| it.rows + it.unlisted),
                refused_last: last.map(|(at, _)| at.to_string()),
                refused_why: last.map(|(_, why)| why.clone()),
            }
        })
        .collect();
    let limits = settings.watch.limits;
    let late = |it: &ListedServer| {
        let age = oldest(&it.server).map_or(SignedDuration::ZERO, |oldest| now.duration_since(oldest));
        it.waiting > limits.forward_rows || age.as_secs() > i64::from(limits.forward_age_s)
    };
    let well = !listed.iter().any(|it| it.refused > 0 || late(it));
    if it.json {
        print_json(&listed, out)?;
    } else if listed.is_empty() {
        writeln!(out, "Readings are sent on to no other server: the configuration has no [[forward]].")?;
    }
    for server in listed.iter().filter(|_| !it.json) {
        write!(out, "{}: ", safe(&server.server))?;
        match oldest(&server.server) {
            _ if server.waiting == 0 => writeln!(out, "it has everything")?,
            Some(oldest) => {
                let age = spoken::duration(now.duration_since(oldest).as_secs().max(0));
                writeln!(out, "{} wait, the oldest from {age} ago", readings(server.waiting))?;
            }
            None => writeln!(out, "{} wait", readings(server.waiting))?,
        }
        if server.refused > 0 {
            let why = safe(server.refused_why.as_deref().unwrap_or("no reason given"));
            writeln!(out, "  refused {}: {why}", readings(server.refused))?;
            writeln!(out, "  send them again: trug forward {} --refused", safe(&server.server))?;
        }
    }
    Ok(Exit::yes_if(well))
}
