//! News for pages that are open: server-sent events (WHATWG HTML, section 9.2).
//!
//! An event says only that something changed; the page then asks for itself again, so
//! that there is one way in which it is made.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::RETRY_AFTER;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use tokio::sync::{OwnedSemaphorePermit, mpsc, watch};
use tokio::time::sleep;
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;

use super::PageSource;
use super::context::PageContext;

/// Between two events at least: a busy garden commits many times a second.
const BETWEEN: Duration = Duration::from_secs(2);

/// Without news a sign of life, so that a lost connection is seen.
const HEARTBEAT: Duration = Duration::from_secs(15);

/// The life of a stream, shorter than a connection's: the browser comes back.
const LIFE: Duration = Duration::from_secs(100);

/// `/live`: an event each time that something may have changed.
pub(super) async fn live<V: PageSource>(State(context): State<Arc<PageContext<V>>>) -> Response {
    let Ok(place) = Arc::clone(&context.listeners).try_acquire_owned() else {
        let text = "too many pages listen already; load the page again to see what changed\n";
        return (StatusCode::SERVICE_UNAVAILABLE, [(RETRY_AFTER, "60")], text).into_response();
    };
    let (news, events) = mpsc::channel(1);
    tokio::spawn(tell(context.views.changed(), news, context.stop.clone(), place));
    Sse::new(ReceiverStream::new(events)).into_response()
}

async fn tell(
    changed: watch::Receiver<u64>,
    news: mpsc::Sender<Result<Event, Infallible>>,
    stop: CancellationToken,
    _place: OwnedSemaphorePermit,
) {
    tokio::select! {
        _ = send_changes(changed, &news) => {}
        () = sleep(LIFE) => {}
        () = stop.cancelled() => {}
        () = news.closed() => {}
    }
}

/// Sends until the page or the listener is gone.
async fn send_changes(
    mut changed: watch::Receiver<u64>,
    news: &mpsc::Sender<Result<Event, Infallible>>,
) -> Option<Infallible> {
    changed.mark_unchanged();
    let hello = Event::default().retry(Duration::from_secs(3)).comment("listening");
    news.send(Ok(hello)).await.ok()?;
    loop {
        let event = tokio::select! {
            more = changed.changed() => {
                more.ok()?;
                let number = *changed.borrow_and_update();
                // Browsers drop an event without data.
                Event::default().event("changed").id(number.to_string()).data("news")
            }
            // An event and no comment: scripts do not hear of comments.
            () = sleep(HEARTBEAT) => Event::default().event("beat").data("still here"),
        };
        news.send(Ok(event)).await.ok()?;
        sleep(BETWEEN).await;
    }
}

#[cfg(test)]
mod tests {
    use tokio::sync::Semaphore;
    use tokio::time::Instant;

    use super::*;

    /// Starts a listener; its place is free again when it has ended.
    fn start(
        changed: watch::Receiver<u64>,
        stop: &CancellationToken,
    ) -> (mpsc::Receiver<Result<Event, Infallible>>, Arc<Semaphore>) {
        let places = Arc::new(Semaphore::new(1));
        let place = Arc::clone(&places).try_acquire_owned().unwrap();
        let (news, events) = mpsc::channel(1);
        tokio::spawn(tell(changed, news, stop.clone(), place));
        (events, places)
    }

    /// Time passes only where the listener waits for it.
    #[tokio::test(start_paused = true)]
    async fn changes_are_gathered_and_silence_is_broken() {
        let (change, changed) = watch::channel(7_u64);
        let (mut events, places) = start(changed, &CancellationToken::new());
        let began = Instant::now();
        assert!(events.recv().await.is_some(), "it says that it listens");
        change.send_replace(8);
        change.send_replace(9);
        assert!(events.recv().await.is_some());
        assert_eq!(began.elapsed(), Duration::ZERO, "the first news is told at once");
        change.send_replace(10);
        change.send_replace(11);
        assert!(events.recv().await.is_some());
        assert_eq!(began.elapsed(), BETWEEN, "the next after a pause");
        assert!(events.recv().await.is_some());
        assert_eq!(
            began.elapsed(),
            BETWEEN * 2 + HEARTBEAT,
            "two changes were one piece of news; then a beat"
        );
        while events.recv().await.is_some() {}
        assert_eq!(began.elapsed(), LIFE);
        assert_eq!(places.available_permits(), 1);
    }

    #[tokio::test(start_paused = true)]
    async fn a_listener_that_goes_gives_its_place_back_at_once() {
        let (_change, changed) = watch::channel(0_u64);
        let (events, places) = start(changed, &CancellationToken::new());
        drop(events);
        let began = Instant::now();
        let _place = places.acquire().await.unwrap();
        assert_eq!(began.elapsed(), Duration::ZERO);
    }

    #[tokio::test(start_paused = true)]
    async fn a_listener_ends_with_the_page() {
        let stop = CancellationToken::new();
        let (_change, changed) = watch::channel(0_u64);
        let (mut events, _places) = start(changed, &stop);
        let began = Instant::now();
        stop.cancel();
        while events.recv().await.is_some() {}
        assert_eq!(began.elapsed(), Duration::ZERO);
    }
}
