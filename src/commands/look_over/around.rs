//! What is around Trug: the broker, this computer's clock, and the servers by which people are told.

use std::path::Path;
use std::time::Duration;

use jiff::Timestamp;
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::time::timeout;
use url::Url;

use super::LookFinding;
use crate::commands::shared::{folder_of, safe};
use crate::intake::{ListenFault, Overheard, listen_in};
use crate::settings::{Broker, Settings};
use crate::text::spoken::counted;

/// How long the broker may take to let us in and to answer.
const PATIENCE: Duration = Duration::from_secs(10);
/// How long another server may take to answer a call.
const CALL: Duration = Duration::from_secs(5);

/// Looks at all of it.
pub(super) async fn look(settings: &Settings, now: fn() -> Timestamp) -> Vec<LookFinding> {
    let mut found = vec![broker(&settings.broker, now).await];
    found.extend(clock());
    let mut calls = Vec::new();
    if let Some(mail) = &settings.channels.mail {
        calls.push(("telling", "The mail server", mail.host.clone(), mail.port));
    }
    for webhook in &settings.channels.webhooks {
        calls.extend(
            of_url(&webhook.url).map(|(host, port)| ("telling", "The web hook's server", host, port)),
        );
    }
    for forward in &settings.forward {
        calls.extend(
            of_url(&forward.url).map(|(host, port)| ("servers", "The server for readings", host, port)),
        );
    }
    if let Some(server) = &settings.older_readings {
        calls.extend(
            of_url(&server.url).map(|(host, port)| ("servers", "The server of older readings", host, port)),
        );
    }
    for (about, name, host, port) in calls {
        found.push(call(about, name, &host, port).await);
    }
    found.extend(settings.channels.files.iter().map(|file| message_file(&file.name, &file.path)));
    found
}

fn of_url(url: &Url) -> Option<(String, u16)> {
    Some((url.host_str()?.trim_matches(['[', ']']).to_owned(), url.port_or_known_default()?))
}

/// Whether the broker lets us in and lets us listen, with the daemon's own settings and another
/// client id, so that the daemon's session stands.
async fn broker(broker: &Broker, now: fn() -> Timestamp) -> LookFinding {
    let (hear, mut heard) = mpsc::channel(100);
    let name = format!("{}:{}", broker.host, broker.port);
    let listening = listen_in(broker, &broker.topics, "look", now, hear);
    let answers = async {
        let (mut connected, mut refused, mut left) = (false, Vec::new(), broker.topics.len().div_ceil(50));
        while left > 0 {
            match heard.recv().await {
                Some(Overheard::Connected) => connected = true,
                Some(Overheard::Subscribed { refused: more }) => {
                    refused.extend(more);
                    left -= 1;
                }
                Some(Overheard::Message(_)) => {}
                None => break,
            }
        }
        (connected, refused)
    };
    let outcome = tokio::select! {
        biased;
        answered = timeout(PATIENCE, answers) => answered.ok().map(Ok),
        ended = listening => Some(ended.map(|()| (false, Vec::new()))),
    };
    let bad = |what: String, todo: &str| LookFinding::bad("broker", what, todo);
    match outcome {
        None => bad(
            format!("The broker {name} does not answer within {} s.", PATIENCE.as_secs()),
            "Look whether it runs, and at the network and firewall between.",
        ),
        Some(Ok((true, refused))) if refused.is_empty() => {
            let safe_line = if broker.tls { "by TLS" } else { "without TLS" };
            let topics = counted(broker.topics.len(), "topic filter", "topic filters");
            LookFinding::well(
                "broker",
                format!("The broker {name} lets Trug in {safe_line} and listen to {topics}."),
            )
        }
        Some(Ok((_, refused))) => bad(
            format!("The broker {name} does not let this user listen to {}.", safe(&refused.join(", "))),
            "Let it read them in the broker's access list.",
        ),
        Some(Err(fault)) => {
            let todo = match &fault {
                ListenFault::Tls(_) => {
                    "Look at ca_file, at the days of the certificates, and whether the name in url is the one in the \
                     broker's certificate."
                }
                ListenFault::Login(_) => {
                    "Look at username and password_file in [broker], and at the broker's own list."
                }
                ListenFault::Refused(_) => "Read the broker's log: it says why.",
                ListenFault::Network(_) => {
                    "Look whether the broker runs, whether url is right, and at the network between."
                }
            };
            bad(format!("The broker {name} cannot be listened to: {}.", safe(&fault.to_string())), todo)
        }
    }
}

/// Whether this computer's clock is set by the network, as systemd-timesyncd says.
fn clock() -> Option<LookFinding> {
    const FOLDER: &str = "/run/systemd/timesync";
    if !Path::new(FOLDER).exists() {
        return Some(LookFinding::unknown(
            "clocks",
            "Whether this computer's clock is set by the network cannot be told here.",
            "Compare it with a clock that you trust: \"date\".",
        ));
    }
    Some(if Path::new(FOLDER).join("synchronized").exists() {
        LookFinding::well("clocks", "This computer's clock is set by the network.")
    } else {
        LookFinding::look(
            "clocks",
            "This computer's clock has not been set by the network since it started.",
            "Look at \"timedatectl\", and let NTP (UDP port 123) out.",
        )
    })
}

/// Whether a server takes a connection. Nothing is said to it.
async fn call(about: &'static str, name: &str, host: &str, port: u16) -> LookFinding {
    let at = format!("{}:{port}", safe(host));
    let why = match timeout(CALL, TcpStream::connect((host, port))).await {
        Ok(Ok(_)) => return LookFinding::well(about, format!("{name} {at} takes connections.")),
        Ok(Err(fault)) => fault.to_string(),
        Err(_) => format!("no answer within {} s", CALL.as_secs()),
    };
    LookFinding::look(
        about,
        format!("{name} {at} cannot be reached: {}.", safe(&why)),
        "Look whether its name and port are right, and at the network between.",
    )
}

/// Whether the file for messages can be there.
fn message_file(name: &str, path: &Path) -> LookFinding {
    let folder = folder_of(path);
    if folder.is_dir() {
        return LookFinding::well("telling", format!("The folder of the file \"{}\" is there.", safe(name)));
    }
    let what = format!("The folder {} of the file \"{}\" is not there.", folder.display(), safe(name));
    LookFinding::bad("telling", what, "Make it, and let the user trug write in it.")
}
