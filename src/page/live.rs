//! News for pages that are open: server-sent events (WHATWG HTML, section 9.2).
//!
//! An event says only that something changed; the page then asks for itself again, so
//! that there is one way in which it is made.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::{HeaderValue, RETRY_AFTER};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use tokio::sync::{OwnedSemaphorePermit, mpsc, watch};
use tokio::time::{Instant, sleep, sleep_until};
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;

use super::Views;
use super::routes::Desk;

/// Pages that may listen at one time: a quarter of all connections, so that others
/// can still be read.
pub(super) const LISTENERS_MAX: usize = 64;

/// Between two events at least: a busy garden commits many times a second.
const BETWEEN: Duration = Duration::from_secs(2);

/// Without news a sign of life, so that a lost connection is seen.
const HEARTBEAT: Duration = Duration::from_secs(15);

/// The life of a stream, shorter than a connection's: the browser comes back.
const LIFE: Duration = Duration::from_secs(100);

/// `/live`: an event each time that something may have changed.
pub(super) async fn live<V: Views>(State(desk): State<Arc<Desk<V>>>) -> Response {
    let Ok(place) = Arc::clone(&desk.listeners).try_acquire_owned() else {
        let text = "too many pages listen already; load the page anew to see what changed\n";
        let mut response = (StatusCode::SERVICE_UNAVAILABLE, text).into_response();
        response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("60"));
        return response;
    };
    let (news, events) = mpsc::channel(1);
    tokio::spawn(tell(desk.page.views.changed(), news, desk.stop.clone(), place));
    Sse::new(ReceiverStream::new(events)).into_response()
}

async fn tell(
    mut changed: watch::Receiver<u64>,
    news: mpsc::Sender<Result<Event, Infallible>>,
    stop: CancellationToken,
    _place: OwnedSemaphorePermit,
) {
    let end = Instant::now() + LIFE;
    changed.mark_unchanged();
    let hello = Event::default().retry(Duration::from_secs(3)).comment("listening");
    if news.send(Ok(hello)).await.is_err() {
        return;
    }
    loop {
        let event = tokio::select! {
            more = changed.changed() => {
                if more.is_err() {
                    return;
                }
                let number = *changed.borrow_and_update();
                // Browsers drop an event without data.
                Event::default().event("changed").id(number.to_string()).data("news")
            }
            () = sleep(HEARTBEAT) => Event::default().comment("still here"),
            () = sleep_until(end) => return,
            () = stop.cancelled() => return,
            () = news.closed() => return,
        };
        if news.send(Ok(event)).await.is_err() {
            return;
        }
        tokio::select! {
            () = sleep(BETWEEN) => {}
            () = stop.cancelled() => return,
            () = news.closed() => return,
        }
    }
}
