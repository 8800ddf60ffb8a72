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
//! | 400 or 422 about lines | the batch is split, first by series, until the bad lines are alone; they are listed in the store with the server's words, and the rest goes on |
//! | 400 or 422 in words that are not known | if the server takes another line, as above; if not, as below |
//! | any other answer that more tries cannot mend (401, 403, 404, 400 about the request) | it waits, tries rarely, and says why once |
//! | 415 to a compressed request | it is sent plain from then on |
//! | 5xx, 408, 429, no connection, no answer in time | it waits and tries again, 1 s to 60 s apart |

mod connection_watch;
mod held_back;
mod parts;
mod resend;
mod server_answer;

use std::collections::HashMap;
use std::fmt;
use std::io::Write as _;
use std::sync::Arc;
use std::time::Duration;

use flate2::Compression;
use flate2::write::GzEncoder;
use hyper_util::client::legacy::connect::HttpInfo;
use reqwest::{Client, Url};
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use self::connection_watch::ConnectionWatch;
use self::held_back::HeldBack;
use self::parts::Suspects;
pub use self::resend::{ResendFault, Resent, resend_range, resend_refused};
use self::server_answer::{ForwardFault, ServerAnswer, judge};
use super::http::{beginning, client};
use super::line::{self, ReadingLine};
use crate::engine::error_chain::ErrorChain;
use crate::engine::forward_troubles::ForwardTroubles;
use crate::intake::Backoff;
use crate::store::{ForwardProgress, ForwardRow, Reader, RefusedRow, Series, StoreError};

/// Lines of other series that are tried, each by itself, to learn whether the server takes
/// anything.
const TRIED_MAX: usize = 8;

/// While something counts as not yet kept, a server that got nothing for so long gets the
/// last line once more: one that was started again meanwhile shows by it.
const ASK_AFTER: Duration = Duration::from_secs(10);

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
    /// Whether requests are compressed.
    pub gzip: bool,
    /// For so long what the server took counts as not yet kept: after a break, or where the
    /// server seems to have been started again (`connection_watch`), it is sent again. Above zero for a server that answers before it has written to its disk.
    pub keep_back: Duration,
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
/// `progress` takes what the forwarder's server has taken or refused; the writer commits
/// it. `wake` changes when rows are added. `troubles` is told what forwarding waits for.
///
/// # Errors
///
/// When the HTTP client cannot be made. Nothing that happens later ends it.
pub async fn run(
    target: ForwardTarget,
    reader: Reader,
    progress: mpsc::Sender<ForwardProgress>,
    mut wake: watch::Receiver<i64>,
    troubles: Arc<ForwardTroubles>,
    stop: CancellationToken,
) -> Result<(), ForwardError> {
    let mut forwarder = Forwarder::new(target, reader, troubles)?;
    let work = async {
        let mut position = forwarder.position().await;
        let mut held = HeldBack::new(position, forwarder.target.keep_back);
        loop {
            for due in held.due(Instant::now()) {
                if progress.send(due).await.is_err() {
                    // No writer any more; `stop` is on its way.
                    std::future::pending::<()>().await;
                }
            }
            wake.mark_unchanged();
            let rows = forwarder.rows(position).await;
            let Some(last) = rows.last().map(|row| row.seq) else {
                tokio::select! {
                    changed = wake.changed() => if changed.is_err() {
                        std::future::pending::<()>().await;
                    },
                    () = held.next_due() => {}
                    () = tokio::time::sleep(ASK_AFTER), if !held.is_empty() => {
                        if forwarder.lost_what_it_took().await {
                            position = held.back();
                        }
                    }
                }
                continue;
            };
            let full = rows.len() >= forwarder.target.batch as usize;
            let refused = forwarder.deliver(&rows).await;
            if forwarder.broke_off && !held.is_empty() {
                // The server may have lost what it took last: it goes once more.
                position = held.back();
                continue;
            }
            position = last;
            let name = forwarder.target.name.clone();
            held.push(ForwardProgress { name, position, refused }, Instant::now());
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
    troubles: Arc<ForwardTroubles>,
    backoff: Backoff,
    suspects: Suspects,
    /// The newest row that the server has taken.
    taken: Option<ForwardRow>,
    /// The server could not be reached, or failed, while the last rows were delivered, or it
    /// seems to have been started again.
    broke_off: bool,
    connection: ConnectionWatch,
    left_out: u64,
}

impl Forwarder {
    fn new(
        mut target: ForwardTarget,
        reader: Reader,
        troubles: Arc<ForwardTroubles>,
    ) -> Result<Self, ForwardError> {
        let client = client(&target.url, target.timeout)
            .build()
            .map_err(|source| ForwardError { name: target.name.clone(), source })?;
        target.url = in_nanoseconds(&target.url);
        target.batch = target.batch.max(1);
        let backoff = Backoff::new(target.pace.first, target.pace.most);
        Ok(Self {
            target,
            reader,
            client,
            series: HashMap::new(),
            trouble: None,
            troubles,
            backoff,
            suspects: Suspects::default(),
            taken: None,
            broke_off: false,
            connection: ConnectionWatch::default(),
            left_out: 0,
        })
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
        self.know_series(&rows).await;
        rows
    }

    /// Makes sure that the series of these rows are known.
    async fn know_series(&mut self, rows: &[ForwardRow]) {
        if rows.iter().any(|row| !self.series.contains_key(&row.series)) {
            self.series = self.ask(Reader::series).await;
        }
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
    /// refused it for good; returns those.
    async fn deliver(&mut self, rows: &[ForwardRow]) -> Vec<RefusedRow> {
        let mut refused = Vec::new();
        // A stack of what is still to send; the top goes first.
        let mut parts = self.suspects.parts(rows);
        // Whether the server has taken something of ours since this began.
        let mut sound = false;
        self.broke_off = false;
        while let Some(part) = parts.pop() {
            match self.send(&part, &mut refused).await {
                ServerAnswer::Written => {
                    self.well();
                    self.suspects.taken(&part);
                    self.taken = part.last().copied().or(self.taken);
                    sound = true;
                }
                ServerAnswer::TooLarge if part.len() == 1 => {
                    self.leave_out(&part, "the server finds one line too large", &mut refused);
                }
                ServerAnswer::TooLarge => parts.extend(parts::halves(&part)),
                ServerAnswer::Lines { why, all } => {
                    self.well();
                    if all || self.suspects.is_hopeless(&part) {
                        self.suspects.refused(&part);
                        self.leave_out(&part, &why, &mut refused);
                    } else {
                        parts.extend(parts::split(&part));
                    }
                }
                ServerAnswer::Unclear(why) => {
                    sound = sound || self.takes_another(rows).await;
                    if !sound {
                        parts.push(part);
                        self.wait(ForwardFault::Unclear, &why).await;
                    } else if self.suspects.is_hopeless(&part) {
                        self.suspects.refused(&part);
                        self.leave_out(&part, &why, &mut refused);
                    } else {
                        parts.extend(parts::split(&part));
                    }
                }
                ServerAnswer::NotCompressed => {
                    self.target.gzip = false;
                    parts.push(part);
                }
                ServerAnswer::ForwardFault(trouble, why) => {
                    parts.push(part);
                    // What was found out before may not hold any more.
                    sound = false;
                    self.broke_off |= trouble == ForwardFault::Later;
                    self.wait(trouble, &why).await;
                }
            }
        }
        refused
    }

    /// Sends the last line that the server took once more, which changes nothing; returns
    /// whether the server may have lost what it took before.
    async fn lost_what_it_took(&mut self) -> bool {
        let Some(row) = self.taken else { return false };
        self.broke_off = false;
        let answer = self.send(&[row], &mut Vec::new()).await;
        self.broke_off || matches!(answer, ServerAnswer::ForwardFault(ForwardFault::Later, _))
    }

    /// Whether the server takes any line: the last one that it has taken (a server keeps
    /// one point for each series and time, so that changes nothing), or one of another
    /// series that waits.
    async fn takes_another(&mut self, rows: &[ForwardRow]) -> bool {
        let mut tries: Vec<ForwardRow> = self.taken.into_iter().collect();
        if let Some(last) = rows.last() {
            let more = self.rows(last.seq).await;
            tries.extend(parts::one_of_each_series(rows.iter().chain(&more)).take(TRIED_MAX));
        }
        for row in tries {
            if matches!(self.send(&[row], &mut Vec::new()).await, ServerAnswer::Written) {
                self.taken = Some(row);
                return true;
            }
        }
        false
    }

    /// One request.
    async fn send(&mut self, rows: &[ForwardRow], refused: &mut Vec<RefusedRow>) -> ServerAnswer {
        let (lines, count) = self.lines(rows, refused);
        if count == 0 {
            return ServerAnswer::Written;
        }
        let request = self
            .client
            .post(self.target.url.clone())
            .header(reqwest::header::CONTENT_TYPE, "text/plain; charset=utf-8");
        let request = match self.target.gzip.then(|| compressed(&lines)) {
            Some(Ok(packed)) => request.header(reqwest::header::CONTENT_ENCODING, "gzip").body(packed),
            _ => request.body(lines),
        };
        let request = match &self.target.auth {
            Auth::None => request,
            Auth::Token(token) => request.header(reqwest::header::AUTHORIZATION, format!("Token {token}")),
            Auth::Password { username, password } => request.basic_auth(username, Some(password)),
        };
        let asked = Instant::now();
        let response = request.send().await;
        if let Ok(response) = &response
            && let Some(connection) = response.extensions().get::<HttpInfo>()
        {
            self.broke_off |= self.connection.answer(connection.local_addr(), asked, Instant::now());
        }
        match response {
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
    fn lines(&mut self, rows: &[ForwardRow], refused: &mut Vec<RefusedRow>) -> (Vec<u8>, usize) {
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
                Err(why) => self.leave_out(std::slice::from_ref(row), &why, refused),
            }
        }
        (lines, count)
    }

    /// Lists rows that will not reach the server. They stay in the store.
    fn leave_out(&mut self, rows: &[ForwardRow], why: &str, refused: &mut Vec<RefusedRow>) {
        let Some(first) = rows.first() else { return };
        self.left_out += rows.len() as u64;
        let words: Arc<str> = why.into();
        refused.extend(rows.iter().map(|row| RefusedRow {
            at: row.at,
            series: row.series,
            why: words.clone(),
        }));
        let sensor = self.series.get(&first.series).map_or_else(
            || format!("series {}", first.series),
            |series| format!("{}/{}", series.site, series.sensor),
        );
        // A server that refuses each of thousands says so in a few lines.
        if self.left_out.is_power_of_two() || rows.len() > 1 {
            warn!(
                forwarder = %self.target.name,
                left_out = rows.len(),
                left_out_since_start = self.left_out,
                "the server will not take {sensor} at {}{}: {why}",
                first.at,
                if rows.len() > 1 { " and what follows it" } else { "" },
            );
        }
    }

    /// The server answers as it should.
    fn well(&mut self) {
        self.backoff.reset();
        if self.trouble.take().is_some() {
            self.troubles.over(&self.target.name);
            info!(forwarder = %self.target.name, "forwarding goes on");
        }
    }

    /// Waits before the next try.
    async fn wait(&mut self, trouble: ForwardFault, why: &str) {
        let next = self.backoff.next();
        let wait = if matches!(trouble, ForwardFault::Settings(_)) { self.backoff.longest() } else { next };
        self.troubles.waits(&self.target.name, why);
        if self.trouble.as_ref() != Some(&trouble) {
            let name = &self.target.name;
            match &trouble {
                ForwardFault::Later => {
                    warn!(forwarder = %name, "forwarding waits, nothing is lost: {why}");
                }
                ForwardFault::Settings(status) => {
                    error!(forwarder = %name, "forwarding waits until [[forward]] or the server is put right: {status}: {why}");
                }
                ForwardFault::Unclear => {
                    error!(forwarder = %name, "forwarding waits: the server refuses every line that was tried: {why}");
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

/// Lines as the server gets them.
fn compressed(lines: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut packer = GzEncoder::new(Vec::with_capacity(lines.len() / 8), Compression::fast());
    packer.write_all(lines)?;
    packer.finish()
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

    #[test]
    fn a_secret_is_not_shown() {
        let auth = Auth::Password { username: "grounds".to_owned(), password: "s3cret".to_owned() };
        assert_eq!(format!("{auth:?} {:?}", Auth::Token("s3cret".to_owned())), "Password Token");
    }
}
