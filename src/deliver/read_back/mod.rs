//! Readings back from the time-series server to which they were forwarded, for times of
//! which the own store keeps only daily figures.
//!
//! The form of the address says how the server is asked, so that nothing is tried out:
//!
//! | the address ends in | the server is asked | by |
//! | --- | --- | --- |
//! | `/query` | in InfluxQL (InfluxDB 1.x, and 2.x by its 1.x compatible interface) | [`influx`] |
//! | `/api/v1/export` | for single samples by series selectors (VictoriaMetrics) | [`victoria`] |
//!
//! Measurement, tags and fields are those of [`super::line`]. A question is asked once and
//! bounded in time and bytes; what to do without an answer is the caller's to say.

mod influx;
mod victoria;

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::Timestamp;
use reqwest::header::{AUTHORIZATION, CONTENT_TYPE};
use reqwest::{Client, Url};
use tokio::time::{Instant, timeout_at};

use super::forward::Auth;
use super::http::{beginning, client};
use super::line;
use crate::engine::error_chain::ErrorChain;
use crate::history::Point;
use crate::quality::Flag;

/// Bytes of one answer that are read at most: some two hundred thousand readings.
const ANSWER_MAX: usize = 16 << 20;

/// How long a connection may take to be made. The question itself is bounded by its asker.
const CONNECT: Duration = Duration::from_secs(2);

/// Where readings can be read back, and how the server knows us.
#[derive(Clone, Debug)]
pub struct ReadBackTarget {
    /// Ends in `/query` or `/api/v1/export`, with its query.
    pub url: Url,
    pub auth: Auth,
}

/// How a server is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Dialect {
    Influx,
    Victoria,
}

/// A server that is asked for readings.
#[derive(Clone, Debug)]
pub struct ReadBack {
    target: ReadBackTarget,
    dialect: Dialect,
    client: Client,
}

/// Which readings are asked for: those of the sensors with `from` <= time < `to`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadBackQuestion<'a> {
    pub site: &'a str,
    /// At least one.
    pub sensors: &'a [&'a str],
    pub from: Timestamp,
    pub to: Timestamp,
}

/// The readings of a sensor while it measured one thing, oldest first, one for a time.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadBackSeries {
    pub sensor: String,
    pub quantity: String,
    pub points: Vec<Point>,
}

/// Why there are no readings.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReadBackFault {
    /// It cannot be reached, does not answer in time, or is not well.
    #[error("no answer: {0}")]
    NoAnswer(String),
    /// It answers something else than readings: to ask again would not help.
    #[error("it answers: {0}")]
    Refused(String),
    #[error("its answer is longer than {ANSWER_MAX} bytes")]
    TooMuch,
}

/// The HTTP client cannot be made.
#[derive(Debug, thiserror::Error)]
#[error("setting up HTTP for older readings")]
pub struct ReadBackError(#[source] reqwest::Error);

impl ReadBack {
    /// # Errors
    ///
    /// When the HTTP client cannot be made.
    pub fn new(target: ReadBackTarget) -> Result<Self, ReadBackError> {
        let dialect = if target.url.path().ends_with("/query") { Dialect::Influx } else { Dialect::Victoria };
        // Each question has its own end; this is only the last resort.
        let client = client(&target.url, Duration::from_secs(60))
            .connect_timeout(CONNECT)
            .build()
            .map_err(ReadBackError)?;
        Ok(Self { target, dialect, client })
    }

    /// Asks once; the answer has to be there at `until`.
    ///
    /// # Errors
    ///
    /// See [`ReadBackFault`].
    pub async fn ask(
        &self,
        question: &ReadBackQuestion<'_>,
        until: Instant,
    ) -> Result<Vec<ReadBackSeries>, ReadBackFault> {
        let late = |_| ReadBackFault::NoAnswer("the time for it is over".to_owned());
        let bytes = timeout_at(until, self.fetch(question)).await.map_err(late)??;
        let (dialect, from, to) = (self.dialect, question.from, question.to);
        // An answer of megabytes takes some tenths of a second to be understood.
        let parsed = tokio::task::spawn_blocking(move || match dialect {
            Dialect::Influx => influx::samples(&bytes),
            Dialect::Victoria => victoria::samples(&bytes),
        });
        let parsed = timeout_at(until, parsed).await.map_err(late)?;
        let samples = parsed.map_err(|fault| ReadBackFault::NoAnswer(fault.to_string()))??;
        Ok(samples.series(question.sensors, from, to))
    }

    async fn fetch(&self, question: &ReadBackQuestion<'_>) -> Result<Vec<u8>, ReadBackFault> {
        let no_answer = |fault: reqwest::Error| {
            // The URL may hold a secret in its query.
            ReadBackFault::NoAnswer(ErrorChain(&fault.without_url()).to_string())
        };
        let fields = match self.dialect {
            Dialect::Influx => influx::fields(question),
            Dialect::Victoria => victoria::fields(question),
        };
        let body = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
        let request = self
            .client
            .post(self.target.url.clone())
            .header(CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(body);
        let request = match (&self.target.auth, self.dialect) {
            (Auth::None, _) => request,
            (Auth::Token(token), Dialect::Influx) => request.header(AUTHORIZATION, format!("Token {token}")),
            (Auth::Token(token), Dialect::Victoria) => request.bearer_auth(token),
            (Auth::Password { username, password }, _) => request.basic_auth(username, Some(password)),
        };
        let mut response = request.send().await.map_err(no_answer)?;
        let status = response.status();
        if !status.is_success() {
            let words = format!("{status} {}", beginning(response).await);
            let passes = status.is_server_error() || matches!(status.as_u16(), 408 | 429);
            return Err(if passes { ReadBackFault::NoAnswer(words) } else { ReadBackFault::Refused(words) });
        }
        let mut bytes = Vec::new();
        while let Some(more) = response.chunk().await.map_err(no_answer)? {
            if bytes.len() + more.len() > ANSWER_MAX {
                return Err(ReadBackFault::TooMuch);
            }
            bytes.extend_from_slice(&more);
        }
        Ok(bytes)
    }
}

/// One time of one series, as far as its fields have come.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct ServerSample {
    raw: Option<f64>,
    value: Option<f64>,
    flag: Option<u8>,
}

/// What an answer holds: by sensor and quantity, as the tags say them, and milliseconds.
#[derive(Clone, Debug, Default, PartialEq)]
struct ServerSamples(BTreeMap<(String, String), BTreeMap<i64, ServerSample>>);

impl ServerSamples {
    fn of(&mut self, sensor: &str, quantity: &str) -> &mut BTreeMap<i64, ServerSample> {
        self.0.entry((sensor.to_owned(), quantity.to_owned())).or_default()
    }

    /// The readings of the sensors that were asked for. A line always carries a raw number and
    /// a flag, so what lacks one is no reading of ours.
    fn series(&self, sensors: &[&str], from: Timestamp, to: Timestamp) -> Vec<ReadBackSeries> {
        let point = |(ms, sample): (&i64, &ServerSample)| {
            let at = Timestamp::from_millisecond(*ms).ok().filter(|at| from <= *at && *at < to)?;
            let flag = Flag::from_number(sample.flag?)?;
            Some(Point { at, raw: sample.raw?, value: sample.value, flag, late: false })
        };
        let mut found = Vec::new();
        for sensor in sensors {
            let tag = line::tag(sensor);
            let of = self.0.iter().filter(|((sensor, _), _)| *sensor == *tag);
            found.extend(of.map(|((_, quantity), samples)| ReadBackSeries {
                sensor: (*sensor).to_owned(),
                quantity: quantity.clone(),
                points: samples.iter().filter_map(point).collect(),
            }));
        }
        found
    }
}

/// A flag as servers give numbers back.
fn flag(number: f64) -> Option<u8> {
    (0.0..=255.0).contains(&number).then_some(number).filter(|it| it.fract() == 0.0).map(|it| it as u8)
}

/// A text between two `quotes`, with what would end it early escaped by a backslash. Both
/// InfluxQL's strings and a selector's know that way, and control characters are in no tag.
fn quoted(text: &str, quotes: char) -> String {
    let mut quoted = String::from(quotes);
    for letter in line::tag(text).chars() {
        if letter == quotes || letter == '\\' {
            quoted.push('\\');
        }
        quoted.push(letter);
    }
    quoted.push(quotes);
    quoted
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whatever is in a name, the quotes end where it ends.
    #[test]
    fn a_name_cannot_end_its_quotes() {
        for name in [
            "kitchen-15cm",
            "a' or 'b' = 'b",
            "a\\' or 1=1 --",
            "a\"} or {site=~\".*",
            "\\",
            "a\nb",
            "'\"\\'\"\\",
            "",
        ] {
            for quotes in ['\'', '"'] {
                let text = quoted(name, quotes);
                let inner: Vec<char> = text.chars().collect();
                assert!(text.starts_with(quotes) && text.ends_with(quotes) && inner.len() > 2, "{text}");
                let (mut at, mut read) = (1, String::new());
                while at < inner.len() - 1 {
                    assert_ne!(inner[at], quotes, "{text} ends early");
                    if inner[at] == '\\' {
                        at += 1;
                        assert!(at < inner.len() - 1, "{text} escapes its own end");
                    }
                    assert!(!inner[at].is_control(), "{text}");
                    read.push(inner[at]);
                    at += 1;
                }
                assert_eq!(read, line::tag(name), "{text}");
            }
        }
    }

    #[test]
    fn only_whole_readings_of_the_time_and_the_sensors_count() {
        let t = |ms: i64| Timestamp::from_millisecond(ms).expect("in range");
        let mut samples = ServerSamples::default();
        let whole = ServerSample { raw: Some(1.0), value: None, flag: Some(9) };
        let of = samples.of("probe", "rain");
        of.extend([(10, whole), (19, whole), (20, whole), (9, whole)]);
        of.extend([
            (11, ServerSample { flag: None, ..whole }),
            (12, ServerSample { raw: None, ..whole }),
            (13, ServerSample { flag: Some(77), ..whole }),
        ]);
        samples.of("other", "rain").insert(15, whole);
        let found = samples.series(&["probe"], t(10), t(20));
        assert_eq!(found.len(), 1);
        let times: Vec<i64> = found[0].points.iter().map(|point| point.at.as_millisecond()).collect();
        assert_eq!(times, [10, 19]);
        assert_eq!(found[0].points[0].flag, Flag::Missing);
        assert_eq!([4.0, 4.5, -1.0, 300.0, f64::NAN].map(flag), [Some(4), None, None, None, None]);
    }
}
