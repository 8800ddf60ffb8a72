//! Who may have how many of the page's connections.
//!
//! One caller with many connections must not keep out the others: each address has a
//! bound, some places are kept for this computer, and where all are taken, one that has
//! waited for a request's head for a while gives way to a newcomer. A proxy brings many
//! people, so one that is trusted has the bound of this computer.

use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::Notify;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::access::network;

/// Connections open at one time. When they are all in use, the next caller
/// waits in the system's own queue until one ends.
pub const CONNECTIONS_MAX: usize = 256;

/// Connections of one address: a class behind one address, with two or so to each browser.
/// Our own choice, like the next two.
const EACH_MAX: usize = 64;

/// Places that only this computer and trusted proxies get.
const KEPT_HERE: usize = 32;

/// A connection that has waited so long for a request's head may be ended for another.
const GIVES_WAY: Duration = Duration::from_secs(2);

/// The connections that are open.
#[derive(Debug)]
pub(super) struct ConnectionPlaces {
    proxies: Vec<IpAddr>,
    open: Mutex<OpenPlaces>,
    freed: Notify,
}

#[derive(Debug, Default)]
struct OpenPlaces {
    next: u64,
    all: Vec<OpenPlace>,
}

#[derive(Debug)]
struct OpenPlace {
    number: u64,
    caller: IpAddr,
    /// Of this computer or a trusted proxy.
    near: bool,
    /// Since when it waits for a request; `None` while one is answered.
    waits: Option<Instant>,
    end: CancellationToken,
}

/// The result of asking for a place.
#[derive(Debug)]
pub(super) enum Admission {
    Taken(ConnectionPlace),
    /// The address, or all addresses but this computer's, have as many as they may.
    Refused,
    /// None is free; one may be soon.
    Full,
}

/// A connection's place, given back when dropped.
#[derive(Debug)]
pub(super) struct ConnectionPlace {
    places: Arc<ConnectionPlaces>,
    number: u64,
    /// Cancelled where the connection has to give way.
    pub(super) end: CancellationToken,
}

/// Marks a connection as at work until it is dropped.
#[derive(Debug)]
pub(super) struct AtWork {
    places: Arc<ConnectionPlaces>,
    number: u64,
}

impl ConnectionPlaces {
    pub(super) fn new(proxies: Vec<IpAddr>) -> Self {
        Self { proxies, open: Mutex::default(), freed: Notify::new() }
    }

    /// Asks for a place for a caller.
    pub(super) fn admit(self: &Arc<Self>, peer: SocketAddr, now: Instant) -> Admission {
        let address = peer.ip().to_canonical();
        let near = address.is_loopback() || self.proxies.contains(&address);
        let caller = network(address);
        let mut open = self.open();
        if !near && !open.room(EACH_MAX, now, |it| it.caller == caller) {
            return Admission::Refused;
        }
        if !near && !open.room(CONNECTIONS_MAX - KEPT_HERE, now, |it| !it.near) {
            return Admission::Refused;
        }
        if !open.room(CONNECTIONS_MAX, now, |_| true) {
            return Admission::Full;
        }
        let (number, end) = (open.next, CancellationToken::new());
        open.next += 1;
        open.all.push(OpenPlace { number, caller, near, waits: Some(now), end: end.clone() });
        Admission::Taken(ConnectionPlace { places: Arc::clone(self), number, end })
    }

    /// Waits until a place may have become free.
    pub(super) async fn freed(&self) {
        // One gives way without anybody's doing, after a while.
        let _ = tokio::time::timeout(Duration::from_millis(100), self.freed.notified()).await;
    }

    fn mark(&self, number: u64, waits: Option<Instant>) {
        if let Some(place) = self.open().all.iter_mut().find(|it| it.number == number) {
            place.waits = waits;
        }
    }

    fn open(&self) -> MutexGuard<'_, OpenPlaces> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl OpenPlaces {
    /// Whether fewer than `most` of those that count are open, once the one that has waited
    /// longest has given way where that is needed.
    fn room(&mut self, most: usize, now: Instant, counts: impl Fn(&OpenPlace) -> bool) -> bool {
        if self.all.iter().filter(|it| counts(it)).count() < most {
            return true;
        }
        let waited = |it: &OpenPlace| now.saturating_duration_since(it.waits.unwrap_or(now));
        let idle = self.all.iter().enumerate().filter(|(_, it)| counts(it) && waited(it) >= GIVES_WAY);
        let Some((longest, _)) = idle.max_by_key(|(_, it)| waited(it)) else { return false };
        self.all.swap_remove(longest).end.cancel();
        true
    }
}

impl ConnectionPlace {
    /// Marks that a request is answered.
    pub(super) fn work(&self) -> AtWork {
        self.places.mark(self.number, None);
        AtWork { places: Arc::clone(&self.places), number: self.number }
    }
}

impl Drop for AtWork {
    fn drop(&mut self) {
        self.places.mark(self.number, Some(Instant::now()));
    }
}

impl Drop for ConnectionPlace {
    fn drop(&mut self) {
        self.places.open().all.retain(|it| it.number != self.number);
        self.places.freed.notify_one();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn take(places: &Arc<ConnectionPlaces>, from: &str, at: Instant) -> Option<ConnectionPlace> {
        match places.admit(format!("{from}:1").parse().unwrap(), at) {
            Admission::Taken(place) => Some(place),
            Admission::Refused | Admission::Full => None,
        }
    }

    #[test]
    fn one_address_has_its_bound_and_this_computer_its_places() {
        let (places, now) =
            (Arc::new(ConnectionPlaces::new(vec!["192.0.2.1".parse().unwrap()])), Instant::now());
        let mut held: Vec<_> = (0..300).filter_map(|_| take(&places, "192.0.2.9", now)).collect();
        assert_eq!(held.len(), EACH_MAX);
        assert!(take(&places, "[::ffff:192.0.2.9]", now).is_none(), "the same in the other notation");
        let network = |n: u16| take(&places, &format!("[2001:db8:1:2::{n:x}]"), now);
        held.extend((0..300).filter_map(network));
        assert_eq!(held.len(), 2 * EACH_MAX, "a network of IPv6 counts as one");
        held.extend((0..300).filter_map(|n| take(&places, &format!("198.51.100.{}", n % 250), now)));
        assert_eq!(held.len(), CONNECTIONS_MAX - KEPT_HERE);
        let here: Vec<_> = (0..300)
            .filter_map(|n| take(&places, if n % 2 == 0 { "127.0.0.1" } else { "192.0.2.1" }, now))
            .collect();
        assert_eq!(here.len(), KEPT_HERE);
        drop(here);
        assert!(take(&places, "127.0.0.1", now).is_some(), "a place that was given back");
    }

    #[test]
    fn one_that_only_waits_gives_way_and_one_at_work_does_not() {
        let (places, began) = (Arc::new(ConnectionPlaces::new(Vec::new())), Instant::now());
        let held: Vec<_> = (0..CONNECTIONS_MAX).filter_map(|_| take(&places, "127.0.0.1", began)).collect();
        assert_eq!(held.len(), CONNECTIONS_MAX);
        let working: Vec<_> = held[1..].iter().map(ConnectionPlace::work).collect();
        assert!(take(&places, "127.0.0.1", began + GIVES_WAY / 2).is_none(), "not yet");
        let late = take(&places, "127.0.0.1", began + GIVES_WAY).expect("the first gives way");
        assert!(held[0].end.is_cancelled() && held[1..].iter().all(|it| !it.end.is_cancelled()));
        let _busy = late.work();
        assert!(take(&places, "127.0.0.1", began + 2 * GIVES_WAY).is_none(), "all the others are at work");
        drop(working);
        let last = Instant::now() + GIVES_WAY;
        assert!(take(&places, "127.0.0.1", last).is_some(), "one that has answered waits again");
    }
}
