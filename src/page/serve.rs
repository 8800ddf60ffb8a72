//! Connections: accepting, bounding, ending.

use std::future::IntoFuture;
use std::io;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use axum::body::Body as PageBody;
use hyper::body::{Body, Frame, Incoming, SizeHint};
use hyper::server::conn::http1;
use hyper::service::{Service as _, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{Instant, sleep, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tracing::{debug, info, warn};

use super::PageSource;
use super::access::Peer;
use super::connections::{Admission, AtWork, ConnectionPlace, ConnectionPlaces};
use super::context::{PageContext, PageSetup};
use super::routes::router;

/// How long a caller may take over a request's head, and how long it may idle.
const HEAD_WAIT: Duration = Duration::from_secs(15);

/// The life of a connection: one that reads too slowly cannot stay for ever.
const CONNECTION_LIFE: Duration = Duration::from_secs(120);

/// Bytes of a request's head that are read before it is refused.
const HEAD_MAX: usize = 16 * 1024;

/// How long answers under way may take after `stop`.
const GRACE: Duration = Duration::from_secs(5);

/// How long to wait after a failed accept, which is mostly a lack of file
/// handles and would else repeat at once.
const ACCEPT_WAIT: Duration = Duration::from_secs(1);

/// What a caller gets whose address has as many connections as it may.
const TOO_MANY: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 10\r\nConnection: close\r\n\
    Content-Type: text/plain; charset=utf-8\r\nContent-Length: 75\r\n\r\n\
    too many connections from your address are open here; try again in 10 s.\r\n\n";

/// Serves the page on `listener` until `stop`; then answers what is under way
/// and returns.
///
/// # Errors
/// When the listener is not bound to an address, or the system gives no random numbers.
pub async fn serve(
    listener: TcpListener,
    setup: PageSetup<impl PageSource>,
    stop: CancellationToken,
) -> io::Result<()> {
    info!("the page is at http://{}/", listener.local_addr()?);
    let proxies = setup.rules.trusted_proxies.clone();
    let router = router(Arc::new(PageContext::new(setup, stop.clone())?));
    let places = Arc::new(ConnectionPlaces::new(proxies));
    let connections = TaskTracker::new();

    'page: loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = stop.cancelled() => break,
        };
        match accepted {
            Ok((stream, peer)) => {
                let place = loop {
                    match places.admit(peer, Instant::now()) {
                        Admission::Taken(place) => break place,
                        Admission::Refused => {
                            debug!(%peer, "too many connections to the page from this address");
                            // It is told if it takes it at once.
                            let _ = stream.try_write(TOO_MANY);
                            continue 'page;
                        }
                        Admission::Full => tokio::select! {
                            () = places.freed() => {}
                            () = stop.cancelled() => break 'page,
                        },
                    }
                };
                connections.spawn(connection(stream, Peer(peer), router.clone(), stop.clone(), place));
            }
            Err(fault) => {
                warn!("accepting a connection to the page: {fault}");
                tokio::select! {
                    () = sleep(ACCEPT_WAIT) => {}
                    () = stop.cancelled() => break,
                }
            }
        }
    }

    drop(listener);
    connections.close();
    if timeout(GRACE, connections.wait()).await.is_err() {
        warn!("{} connections to the page still open after {GRACE:?}", connections.len());
    }
    Ok(())
}

async fn connection(
    stream: TcpStream,
    peer: Peer,
    router: Router,
    stop: CancellationToken,
    place: ConnectionPlace,
) {
    let router = TowerToHyperService::new(router);
    let service = service_fn(|mut request: hyper::Request<Incoming>| {
        request.extensions_mut().insert(peer);
        let (answer, work) = (router.call(request), place.work());
        async move { answer.await.map(|answer| answer.map(|body| AnswerBody { body, _work: work })) }
    });
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WAIT)
        .max_buf_size(HEAD_MAX)
        .serve_connection(TokioIo::new(stream), service);
    let work = async {
        let mut served = pin!(served.into_future());
        tokio::select! {
            ended = served.as_mut() => return ended,
            // It waits for a request, and another caller needs its place.
            () = place.end.cancelled() => return Ok(()),
            () = stop.cancelled() => {}
        }
        served.as_mut().graceful_shutdown();
        served.await
    };
    match timeout(CONNECTION_LIFE, work).await {
        Ok(Ok(())) => {}
        // A caller that hangs up or speaks nonsense is everyday.
        Ok(Err(fault)) => debug!("a connection to the page ended: {fault}"),
        Err(_) => debug!("a connection to the page was ended after {CONNECTION_LIFE:?}"),
    }
}

/// An answer on its way: the connection is at work until the last of it has gone.
struct AnswerBody {
    body: PageBody,
    _work: AtWork,
}

impl Body for AnswerBody {
    type Data = <PageBody as Body>::Data;
    type Error = <PageBody as Body>::Error;

    fn poll_frame(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        Pin::new(&mut self.get_mut().body).poll_frame(context)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}
