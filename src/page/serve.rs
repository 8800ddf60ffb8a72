//! Connections: accepting, bounding, ending.

use std::future::IntoFuture;
use std::io;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service as _, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tracing::{debug, info, warn};

use super::PageSource;
use super::access::Peer;
use super::context::{PageContext, PageSetup};
use super::routes::router;

/// Connections open at one time. When they are all in use, the next caller
/// waits in the system's own queue until one ends.
pub const CONNECTIONS_MAX: usize = 256;

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
    let router = router(Arc::new(PageContext::new(setup, stop.clone())?));
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let connections = TaskTracker::new();

    loop {
        let next = async {
            let place = Arc::clone(&places).acquire_owned().await;
            let place = place.expect("the semaphore is never closed");
            (place, listener.accept().await)
        };
        let (place, accepted) = tokio::select! {
            next = next => next,
            () = stop.cancelled() => break,
        };
        match accepted {
            Ok((stream, peer)) => {
                let work = connection(stream, Peer(peer), router.clone(), stop.clone());
                connections.spawn(async move {
                    work.await;
                    drop(place);
                });
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

async fn connection(stream: TcpStream, peer: Peer, router: Router, stop: CancellationToken) {
    let router = TowerToHyperService::new(router);
    let service = service_fn(move |mut request: hyper::Request<Incoming>| {
        request.extensions_mut().insert(peer);
        router.call(request)
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
