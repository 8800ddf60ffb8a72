//! HTTP requests that this room makes.

use std::time::Duration;

use reqwest::{Client, ClientBuilder, Response, Url};

use crate::settings::is_loopback;

/// Bytes of an answer that are read to learn what was wrong.
const ANSWER_MAX: usize = 4096;

/// How long the words of an answer are waited for.
const WORDS_WAIT: Duration = Duration::from_secs(2);

/// A client for one address. It follows no redirect: what is meant for one server would
/// go to another.
pub(super) fn client(url: &Url, timeout: Duration) -> ClientBuilder {
    // Only the first call sets it; the others find it set.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let builder = Client::builder()
        .timeout(timeout)
        .redirect(reqwest::redirect::Policy::none())
        .user_agent(concat!("trug/", env!("CARGO_PKG_VERSION")));
    if is_loopback(url) { builder.no_proxy() } else { builder }
}

/// The beginning of an answer, on one line.
pub(super) async fn beginning(mut response: Response) -> String {
    let mut bytes = Vec::new();
    let read = async {
        while bytes.len() < ANSWER_MAX
            && let Ok(Some(more)) = response.chunk().await
        {
            bytes.extend_from_slice(&more);
        }
    };
    // Words that drip in hold nothing up: what has come by then is the beginning.
    let _ = tokio::time::timeout(WORDS_WAIT, read).await;
    bytes.truncate(ANSWER_MAX);
    String::from_utf8_lossy(&bytes).trim().replace(char::is_control, " ")
}
