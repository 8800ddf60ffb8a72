//! Stored readings on to a time-series server that takes line protocol.
//!
//! A forwarder walks along the store's queue from the last row that its server has
//! taken. Only when the server has answered that a batch is written does it tell
//! the writer its new position, so a crash or a night without the server repeats
//! rows and loses none.
//!
//! | the server answers | then |
//! | --- | --- |
//! | 2xx | on to the next rows |
//! | 413 | the batch is halved |
//! | 400 or 422 about lines | the batch is split until the bad line is alone; that one is logged, counted and left out |
//! | any other answer that more tries cannot mend (401, 403, 404, 400 about the request) | it waits, tries rarely, and says why once |
//! | 5xx, 408, 429, no connection, no answer in time | it waits and tries again, 1 s to 60 s apart |

use std::collections::HashMap;
use std::fmt;
use std::time::Duration;

use reqwest::{Client, StatusCode, Url};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use super::http::{beginning, client};
use super::line::{self, ReadingLine};
use crate::engine::error_chain::ErrorChain;
use crate::intake::Backoff;
use crate::store::{ForwardRow, Reader, Series, StoreError};

/// Where to send readings.
#[derive(Clone, Debug)]
pub struct ForwardTarget {
    /// Names the durable position in the store.
    pub name: String,
    /// A server's `/write` or `/api/v2/write`, with its query. A `precision` in it
    /// is replaced: times are sent in nanoseconds.
    pub url: Url,
    pub auth: Auth,
    /// Readings in one request at most, above 0.
    pub batch: u32,
    /// How long to wait for an answer.
    pub timeout: Duration,
    pub pace: ForwardPace,
}

/// How the server knows us.
#[derive(Clone)]
pub enum Auth {
    None,
    Token(String),
    Password { username: String, password: String },
}

impl fmt::Debug for Auth {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Never the secret itself.
        f.write_str(match self {
            Self::None => "None",
            Self::Token(_) => "Token",
            Self::Password { .. } => "Password",
        })
    }
}

/// How long the forwarder waits between tries. Each wait is shortened by a random
/// part of up to a half, so that many forwarders do not come back at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ForwardPace {
    /// After the first failure; doubled after each further one.
    pub first: Duration,
    /// The longest, and the one after an answer that more tries cannot mend.
    pub most: Duration,
    /// After a batch that was not full, so that a few readings go together.
    pub gather: Duration,
}

impl Default for ForwardPace {
    fn default() -> Self {
        Self {
            first: Duration::from_secs(1),
            most: Duration::from_secs(60),
            gather: Duration::from_millis(250),
        }
    }
}

/// Why a forwarder cannot begin.
#[derive(Debug, thiserror::Error)]
#[error("setting up HTTP for the forwarder {name}")]
pub struct ForwardError {
    name: String,
    source: reqwest::Error,
}

/// Sends queued rows until `stop`.
///
/// `progress` takes the forwarder's name and the number of the last row that its
/// server has; the writer commits it. `wake` changes when rows are added.
///
/// # Errors
///
/// When the HTTP client cannot be made. Nothing that happens later ends it.
pub async fn run(
    target: ForwardTarget,
    reader: Reader,
    progress: mpsc::Sender<(String, i64)>,
    mut wake: watch::Receiver<i64>,
    stop: CancellationToken,
) -> Result<(), ForwardError> {
    let mut forwarder = Forwarder::new(target, reader)?;
    let work = async {
        let mut position = forwarder.position().await;
        loop {
            wake.mark_unchanged();
            let rows = forwarder.rows(position).await;
            let Some(last) = rows.last().map(|row| row.seq) else {
                if wake.changed().await.is_err() {
                    // No writer any more; `stop` is on its way.
                    std::future::pending::<()>().await;
                }
                continue;
            };
            let full = rows.len() >= forwarder.target.batch as usize;
            forwarder.deliver(&rows).await;
            position = last;
            if progress.send((forwarder.target.name.clone(), position)).await.is_err() {
                std::future::pending::<()>().await;
            }
            if !full {
                tokio::time::sleep(forwarder.target.pace.gather).await;
            }
        }
    };
    // Whatever was under way is sent again the next time.
    tokio::select! {
        () = stop.cancelled() => Ok(()),
        never = work => never,
    }
}

struct Forwarder {
    target: ForwardTarget,
    reader: Reader,
    client: Client,
    series: HashMap<u32, Series>,
    trouble: Option<ForwardFault>,
    backoff: Backoff,
    left_out: u64,
}

/// What keeps the forwarder from its work; said once for each change.
#[derive(Clone, Debug, PartialEq, Eq)]
enum ForwardFault {
    /// It may mend itself.
    Later,
    /// Somebody has to change something.
    Settings(StatusCode),
    Store,
}

/// The result of one request.
enum ServerAnswer {
    Written,
    TooLarge,
    /// Lines were refused; `all` when the server says that it kept none.
    Lines {
        why: String,
        all: bool,
    },
    ForwardFault(ForwardFault, String),
}

impl Forwarder {
    fn new(mut target: ForwardTarget, reader: Reader) -> Result<Self, ForwardError> {
        let client = client(&target.url, target.timeout)
            .build()
            .map_err(|source| ForwardError { name: target.name.clone(), source })?;
        target.url = in_nanoseconds(&target.url);
        target.batch = target.batch.max(1);
        let backoff = Backoff::new(target.pace.first, target.pace.most);
        Ok(Self { target, reader, client, series: HashMap::new(), trouble: None, backoff, left_out: 0 })
    }

    /// The durable position.
    async fn position(&mut self) -> i64 {
        let name = self.target.name.clone();
        self.ask(move |reader| reader.forward_position(&name)).await
    }

    /// The next rows. Their series are known afterwards.
    async fn rows(&mut self, after: i64) -> Vec<ForwardRow> {
        let batch = self.target.batch;
        let rows = self.ask(move |reader| reader.forward_rows(after, batch)).await;
        if rows.iter().any(|row| !self.series.contains_key(&row.series)) {
            self.series = self.ask(Reader::series).await;
        }
        rows
    }

    /// Asks the store, as often as it takes.
    async fn ask<T: Send + 'static>(
        &mut self,
        question: impl Fn(&Reader) -> Result<T, StoreError> + Clone + Send + 'static,
    ) -> T {
        loop {
            let (reader, question) = (self.reader.clone(), question.clone());
            let why = match tokio::task::spawn_blocking(move || question(&reader)).await {
                Ok(Ok(found)) => {
                    if self.trouble == Some(ForwardFault::Store) {
                        self.well();
                    }
                    return found;
                }
                Ok(Err(error)) => ErrorChain(&error).to_string(),
                Err(error) => error.to_string(),
            };
            self.wait(ForwardFault::Store, &why).await;
        }
    }

    /// Sends rows, as often as it takes, until the server has each of them or has
    /// refused it for good.
    async fn deliver(&mut self, rows: &[ForwardRow]) {
        // A stack of what is still to send; its top holds the oldest rows.
        let mut parts = vec![rows];
        while let Some(part) = parts.pop() {
            match self.send(part).await {
                ServerAnswer::Written => self.well(),
                ServerAnswer::TooLarge if part.len() == 1 => {
                    self.leave_out(part, "the server finds one line too large");
                }
                ServerAnswer::Lines { why, all } if all || part.len() == 1 => {
                    self.well();
                    self.leave_out(part, &why);
                }
                ServerAnswer::TooLarge | ServerAnswer::Lines { .. } => {
                    self.well();
                    let (older, newer) = part.split_at(part.len() / 2);
                    parts.extend([newer, older]);
                }
                ServerAnswer::ForwardFault(trouble, why) => {
                    parts.push(part);
                    self.wait(trouble, &why).await;
                }
            }
        }
    }

    /// One request.
    async fn send(&mut self, rows: &[ForwardRow]) -> ServerAnswer {
        let (lines, count) = self.lines(rows);
        if count == 0 {
            return ServerAnswer::Written;
        }
        let request = self
            .client
            .post(self.target.url.clone())
            .header(reqwest::header::CONTENT_TYPE, "text/plain; charset=utf-8")
            .body(lines);
        let request = match &self.target.auth {
            Auth::None => request,
            Auth::Token(token) => request.header(reqwest::header::AUTHORIZATION, format!("Token {token}")),
            Auth::Password { username, password } => request.basic_auth(username, Some(password)),
        };
        match request.send().await {
            Ok(response) if response.status().is_success() => ServerAnswer::Written,
            Ok(response) => {
                let status = response.status();
                let text = beginning(response).await;
                judge(status, &text, count)
            }
            // The URL may hold a secret in its query, and the name says enough.
            Err(error) => {
                ServerAnswer::ForwardFault(ForwardFault::Later, ErrorChain(&error.without_url()).to_string())
            }
        }
    }

    /// The rows as lines, and how many there are. What cannot be a line is left out.
    fn lines(&mut self, rows: &[ForwardRow]) -> (Vec<u8>, usize) {
        let mut lines = Vec::with_capacity(rows.len() * 160);
        let mut count = 0;
        for row in rows {
            let written = match self.series.get(&row.series) {
                Some(series) => {
                    line::append(&mut lines, &line_of(row, series)).map_err(|why| why.to_string())
                }
                None => Err(format!("its series {} is not in the store", row.series)),
            };
            match written {
                Ok(()) => count += 1,
                Err(why) => self.leave_out(std::slice::from_ref(row), &why),
            }
        }
        (lines, count)
    }

    /// Says that rows will not reach the server. They stay in the store.
    fn leave_out(&mut self, rows: &[ForwardRow], why: &str) {
        let Some(first) = rows.first() else { return };
        self.left_out += rows.len() as u64;
        let sensor = self.series.get(&first.series).map_or_else(
            || format!("series {}", first.series),
            |series| format!("{}/{}", series.site, series.sensor),
        );
        warn!(
            forwarder = %self.target.name,
            left_out = rows.len(),
            left_out_since_start = self.left_out,
            "the server will not take {sensor} at {}{}: {why}",
            first.at,
            if rows.len() > 1 { " and what follows it" } else { "" },
        );
    }

    /// The server answers as it should.
    fn well(&mut self) {
        self.backoff.reset();
        if self.trouble.take().is_some() {
            info!(forwarder = %self.target.name, "forwarding goes on");
        }
    }

    /// Waits before the next try.
    async fn wait(&mut self, trouble: ForwardFault, why: &str) {
        let next = self.backoff.next();
        let wait = if matches!(trouble, ForwardFault::Settings(_)) { self.backoff.longest() } else { next };
        if self.trouble.as_ref() != Some(&trouble) {
            let name = &self.target.name;
            match &trouble {
                ForwardFault::Later => {
                    warn!(forwarder = %name, "forwarding waits, nothing is lost: {why}");
                }
                ForwardFault::Settings(status) => {
                    error!(forwarder = %name, "forwarding waits until [[forward]] or the server is put right: {status}: {why}");
                }
                ForwardFault::Store => warn!(forwarder = %name, "forwarding cannot read the database: {why}"),
            }
            self.trouble = Some(trouble);
        }
        tokio::time::sleep(wait).await;
    }
}

fn line_of<'a>(row: &ForwardRow, series: &'a Series) -> ReadingLine<'a> {
    ReadingLine {
        site: &series.site,
        place: &series.place,
        sensor: &series.sensor,
        quantity: &series.quantity,
        at: row.at,
        raw: row.raw,
        value: row.value,
        flag: row.flag,
    }
}

/// What an answer other than 2xx means for a batch of `count` lines.
fn judge(status: StatusCode, text: &str, count: usize) -> ServerAnswer {
    let why = || if text.is_empty() { "no reason given".to_owned() } else { text.to_owned() };
    match status {
        StatusCode::PAYLOAD_TOO_LARGE => ServerAnswer::TooLarge,
        StatusCode::BAD_REQUEST | StatusCode::UNPROCESSABLE_ENTITY if is_about_lines(text) => {
            ServerAnswer::Lines { why: why(), all: dropped(text).is_some_and(|dropped| dropped >= count) }
        }
        StatusCode::REQUEST_TIMEOUT | StatusCode::TOO_MANY_REQUESTS => ServerAnswer::ForwardFault(
            ForwardFault::Later,
            format!("the server answered {status}: {}", why()),
        ),
        _ if status.is_server_error() => ServerAnswer::ForwardFault(
            ForwardFault::Later,
            format!("the server answered {status}: {}", why()),
        ),
        _ => ServerAnswer::ForwardFault(ForwardFault::Settings(status), why()),
    }
}

/// Whether a refusal is about what the lines say, not about the request. The words
/// are those of InfluxDB 1.x and 2.x; any other refusal is taken to be about the
/// request, so that a wrong URL never costs a reading.
fn is_about_lines(text: &str) -> bool {
    ["partial write", "unable to parse", "field type conflict", "retention policy", "max-values-per-tag"]
        .iter()
        .any(|words| text.contains(words))
}

/// How many points the server says that it dropped (`... dropped=12`).
fn dropped(text: &str) -> Option<usize> {
    let (_, after) = text.rsplit_once("dropped=")?;
    let digits = after.find(|c: char| !c.is_ascii_digit()).map_or(after, |end| &after[..end]);
    digits.parse().ok()
}

fn in_nanoseconds(url: &Url) -> Url {
    let mut changed = url.clone();
    let others: Vec<_> = url.query_pairs().filter(|(key, _)| key != "precision").collect();
    changed.query_pairs_mut().clear().extend_pairs(others).append_pair("precision", "ns");
    changed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_server_is_told_that_times_are_nanoseconds() {
        let url = Url::parse("http://localhost:8086/write?db=garden&precision=s&rp=year").unwrap();
        assert_eq!(
            in_nanoseconds(&url).as_str(),
            "http://localhost:8086/write?db=garden&rp=year&precision=ns"
        );
    }

    /// The texts are what influxd 1.6.7 answered to such writes.
    #[test]
    fn a_refusal_of_lines_is_told_from_one_of_the_request() {
        let partial = r#"{"error":"partial write: field type conflict: input field \"raw\" on measurement \"garden_reading\" is type float, already exists as type string dropped=2"}"#;
        assert!(matches!(judge(StatusCode::BAD_REQUEST, partial, 3), ServerAnswer::Lines { all: false, .. }));
        assert!(matches!(judge(StatusCode::BAD_REQUEST, partial, 2), ServerAnswer::Lines { all: true, .. }));
        let parse = r#"{"error":"unable to parse 'garden_reading x': missing fields"}"#;
        assert!(matches!(judge(StatusCode::BAD_REQUEST, parse, 1), ServerAnswer::Lines { all: false, .. }));
        let request = r#"{"error":"database is required"}"#;
        let answer = judge(StatusCode::BAD_REQUEST, request, 1);
        assert!(matches!(
            answer,
            ServerAnswer::ForwardFault(ForwardFault::Settings(StatusCode::BAD_REQUEST), _)
        ));
    }

    #[test]
    fn a_secret_is_not_shown() {
        let auth = Auth::Password { username: "grounds".to_owned(), password: "s3cret".to_owned() };
        assert_eq!(format!("{auth:?} {:?}", Auth::Token("s3cret".to_owned())), "Password Token");
    }
}
