//! Messages to people as signed JSON to a server.
//!
//! | the server answers | then |
//! | --- | --- |
//! | 2xx | it has the message |
//! | 400, 413, 422 | this message is given up: the server does not want it |
//! | 429, 503 and others with `Retry-After` | tried again, not before the server says |
//! | 5xx, 408, no connection, no answer in time | tried again |
//! | 3xx | tried again, but not where it points to: somebody has to look at the address |
//! | any other 4xx | tried again: somebody has to look at the address or the secret |
//!
//! A redirect is not followed, since what is signed for one server would go to another.
//!
//! The signature is the HMAC (RFC 2104) with SHA-256 of the time of this try, the
//! message's key and the body, with a dot after the first two, so that none of the three
//! can be changed and an old request is known as old.

use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use reqwest::header::{CONTENT_TYPE, HeaderMap, RETRY_AFTER};
use reqwest::{Client, StatusCode};
use ring::hmac;

use super::channel::{AnswerLinks, Failure, MessageChannel};
use super::http::{beginning, client};
use super::message_json::MessageJson;
use crate::engine::error_chain::ErrorChain;
use crate::settings::Webhook;
use crate::telling::Message;

/// The message's key: the same in every try.
pub const KEY_HEADER: &str = "Trug-Key";
/// When this try was made, seconds since 1970-01-01 UTC.
pub const TIME_HEADER: &str = "Trug-Time";
/// The signature, 64 hexadecimal digits.
pub const SIGNATURE_HEADER: &str = "Trug-Signature";

/// Characters of an answer that are told to people.
const ANSWER_SHOWN: usize = 200;

/// The webhooks of `trug.toml`.
pub struct Webhooks {
    by_name: HashMap<String, WebhookTarget>,
    links: Option<Arc<dyn AnswerLinks>>,
    now: fn() -> Timestamp,
}

struct WebhookTarget {
    webhook: Webhook,
    key: hmac::Key,
    client: Client,
}

impl fmt::Debug for Webhooks {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_set().entries(self.by_name.keys()).finish()
    }
}

/// Why webhooks cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("setting up HTTP for the webhook {name}")]
pub struct WebhookError {
    name: String,
    source: reqwest::Error,
}

impl Webhooks {
    /// `now` is the clock.
    ///
    /// # Errors
    /// When an HTTP client cannot be made.
    pub fn new(webhooks: &[Webhook], now: fn() -> Timestamp) -> Result<Self, WebhookError> {
        let target = |webhook: &Webhook| {
            let client = client(&webhook.url, webhook.timeout)
                .referer(false)
                .pool_max_idle_per_host(1)
                .build()
                .map_err(|source| WebhookError { name: webhook.name.clone(), source })?;
            let key = hmac::Key::new(hmac::HMAC_SHA256, webhook.secret.reveal().as_bytes());
            Ok((webhook.name.clone(), WebhookTarget { webhook: webhook.clone(), key, client }))
        };
        Ok(Self { by_name: webhooks.iter().map(target).collect::<Result<_, _>>()?, links: None, now })
    }

    /// Messages carry the addresses at which their alarms are answered.
    #[must_use]
    pub fn with_links(mut self, links: Option<Arc<dyn AnswerLinks>>) -> Self {
        self.links = links;
        self
    }
}

impl MessageChannel for Webhooks {
    async fn send(&self, message: &Message) -> Result<(), Failure> {
        let name = &message.address.to;
        let Some(target) = self.by_name.get(name) else {
            return Err(Failure::Never(format!("no [[webhook]] of trug.toml has the name {name}")));
        };
        let time = (self.now)().as_second().to_string();
        let body = MessageJson::of(message, self.links.as_deref()).json();
        let request = target
            .client
            .post(target.webhook.url.clone())
            .header(CONTENT_TYPE, "application/json")
            .header(KEY_HEADER, &message.key)
            .header(TIME_HEADER, &time)
            .header(SIGNATURE_HEADER, signature(&target.key, &time, &message.key, &body))
            .body(body);
        match request.send().await {
            Ok(response) if response.status().is_success() => Ok(()),
            Ok(response) => {
                let (status, headers) = (response.status(), response.headers().clone());
                let text = beginning(response).await;
                Err(judge(status, &headers, &text, (self.now)()))
            }
            // The URL may hold a secret, and the name says enough.
            Err(error) if error.is_timeout() => {
                let limit = target.webhook.timeout.as_secs();
                Err(Failure::Later(format!("no answer within {limit} s")))
            }
            Err(error) if error.is_builder() => {
                Err(Failure::Never(format!("it cannot be sent: {}", ErrorChain(&error.without_url()))))
            }
            Err(error) => Err(Failure::Later(ErrorChain(&error.without_url()).to_string())),
        }
    }
}

/// The signature of a try.
fn signature(key: &hmac::Key, time: &str, message_key: &str, body: &str) -> String {
    let mut signing = hmac::Context::with_key(key);
    for part in [time, ".", message_key, ".", body] {
        signing.update(part.as_bytes());
    }
    hex(signing.sign().as_ref())
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// What an answer other than 2xx means.
fn judge(status: StatusCode, headers: &HeaderMap, text: &str, now: Timestamp) -> Failure {
    let number = status.as_u16();
    let said: String = text.chars().take(ANSWER_SHOWN).collect();
    let said = if said.is_empty() { String::new() } else { format!(": {said}") };
    let reason = match number {
        300..=399 => {
            return Failure::Later(format!(
                "answered {number}, a redirect, which is not followed: put the new address into [[webhook]]"
            ));
        }
        400 | 413 | 422 => return Failure::Never(format!("refused the message with {number}{said}")),
        408 | 425 | 429 => format!("answered {number}{said}"),
        401 | 403 => format!("answered {number}: look at the secret and the address in [[webhook]]{said}"),
        _ if status.is_server_error() => format!("answered {number}{said}"),
        _ => format!("answered {number}: look at the address in [[webhook]]{said}"),
    };
    match headers.get(RETRY_AFTER).and_then(|it| retry_after(it.to_str().ok()?, now)) {
        Some(wait) => Failure::Busy { reason, wait },
        None => Failure::Later(reason),
    }
}

/// `Retry-After`: whole seconds or a date (RFC 9110, section 10.2.3).
fn retry_after(text: &str, now: Timestamp) -> Option<Duration> {
    let text = text.trim();
    if let Ok(seconds) = text.parse::<u64>() {
        return Some(Duration::from_secs(seconds));
    }
    let at = jiff::fmt::rfc2822::parse(text).ok()?.timestamp();
    Duration::try_from(at.duration_since(now)).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231, section 4.3 (test case 2) and 4.7 (test case 6: a key longer than a
    /// block), the HMAC-SHA-256 lines.
    #[test]
    fn the_primitive_gives_the_published_values() {
        let long = [0xaa; 131];
        for (key, data, printed) in [
            (
                b"Jefe".as_slice(),
                "what do ya want for nothing?",
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
            ),
            (
                long.as_slice(),
                "Test Using Larger Than Block-Size Key - Hash Key First",
                "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            ),
        ] {
            let key = hmac::Key::new(hmac::HMAC_SHA256, key);
            assert_eq!(hex(hmac::sign(&key, data.as_bytes()).as_ref()), printed);
        }
    }

    #[test]
    fn the_signature_is_of_time_key_and_body_with_dots_between() {
        let key = hmac::Key::new(hmac::HMAC_SHA256, b"0123456789abcdef");
        let whole = hmac::sign(&key, b"1776403800.a/b.{\"c\":1}");
        assert_eq!(signature(&key, "1776403800", "a/b", "{\"c\":1}"), hex(whole.as_ref()));
    }

    /// The date is the example of RFC 9110, section 5.6.7.
    #[test]
    fn a_pause_that_is_asked_for_is_seconds_or_a_date() {
        let now: Timestamp = "1994-11-06T08:48:37Z".parse().unwrap();
        for (text, seconds) in [
            ("120", Some(120)),
            (" 0 ", Some(0)),
            ("Sun, 06 Nov 1994 08:49:37 GMT", Some(60)),
            ("Sun, 06 Nov 1994 08:47:37 GMT", None),
            ("-1", None),
            ("soon", None),
            ("", None),
            ("99999999999999999999", None),
        ] {
            assert_eq!(retry_after(text, now).map(|it| it.as_secs()), seconds, "{text:?}");
        }
    }

    #[test]
    fn each_answer_has_its_meaning() {
        let busy = HeaderMap::from_iter([(RETRY_AFTER, "30".parse().unwrap())]);
        for (number, meaning, words) in [
            (301, "later", "put the new address into [[webhook]]"),
            (304, "later", "redirect"),
            (400, "never", "refused the message with 400: why"),
            (401, "later", "look at the secret"),
            (403, "later", "look at the secret"),
            (404, "later", "look at the address"),
            (405, "later", "look at the address"),
            (408, "later", "answered 408"),
            (410, "later", "look at the address"),
            (413, "never", "413"),
            (422, "never", "422"),
            (429, "later", "answered 429: why"),
            (500, "later", "answered 500: why"),
            (503, "later", "answered 503"),
        ] {
            let status = StatusCode::from_u16(number).unwrap();
            let failure = judge(status, &HeaderMap::new(), "why", Timestamp::UNIX_EPOCH);
            let found = match &failure {
                Failure::Later(_) => "later",
                Failure::Busy { .. } => "busy",
                Failure::Never(_) => "never",
            };
            assert_eq!(found, meaning, "{number}");
            assert!(failure.to_string().contains(words), "{number}: {failure}");
            let busy = judge(status, &busy, "why", Timestamp::UNIX_EPOCH);
            let asked = matches!(busy, Failure::Busy { wait, .. } if wait.as_secs() == 30);
            assert_eq!(asked, meaning == "later" && number >= 400, "{number}");
        }
    }
}
