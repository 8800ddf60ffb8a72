//! How often a password may be tried: guessing must be slow, and must not keep the
//! computer busy.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use tokio::time::Instant;

/// Tries from one address in one [`WINDOW`]. Behind a proxy all callers have one address.
const FROM_ONE_MAX: u32 = 10;

/// Tries from all addresses together, so that many addresses guess no faster.
const FROM_ALL_MAX: u32 = 60;

const WINDOW: Duration = Duration::from_secs(60);

/// Counts tries. A right password wipes its own address's count.
#[derive(Debug, Default)]
pub(super) struct Tries(Mutex<Counts>);

#[derive(Debug, Default)]
struct Counts {
    began: Option<Instant>,
    all: u32,
    /// Never more than [`FROM_ALL_MAX`] addresses.
    each: HashMap<IpAddr, u32>,
}

impl Tries {
    /// Counts one more; `false` when there were too many within the last minute.
    pub(super) fn may(&self, from: IpAddr, now: Instant) -> bool {
        let mut counts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if counts.began.is_none_or(|began| now.saturating_duration_since(began) >= WINDOW) {
            *counts = Counts { began: Some(now), ..Counts::default() };
        }
        if counts.all >= FROM_ALL_MAX {
            return false;
        }
        let each = counts.each.entry(from.to_canonical()).or_insert(0);
        if *each >= FROM_ONE_MAX {
            return false;
        }
        *each += 1;
        counts.all += 1;
        true
    }

    /// Forgets the tries of an address that then knew the password.
    pub(super) fn forgive(&self, from: IpAddr) {
        let mut counts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(tries) = counts.each.remove(&from.to_canonical()) {
            counts.all = counts.all.saturating_sub(tries);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_and_all_together_are_held_back() {
        let tries = Tries::default();
        let began = Instant::now();
        let address = |n: u8| IpAddr::from([10, 0, 0, n]);
        let taken = |n, at| (0..100).filter(|_| tries.may(address(n), at)).count();
        assert_eq!(taken(1, began), 10);
        assert_eq!(taken(2, began), 10, "another address has its own");
        assert_eq!((3..100).map(|n| taken(n, began)).sum::<usize>(), 40, "and all together 60");
        assert_eq!(taken(1, began + WINDOW - Duration::from_millis(1)), 0);
        assert_eq!(taken(1, began + WINDOW), 10);
        tries.forgive(address(1));
        assert_eq!(taken(1, began + WINDOW), 10, "who knew the password starts anew");
    }

    #[test]
    fn an_address_in_the_other_notation_is_the_same() {
        let tries = Tries::default();
        let now = Instant::now();
        let (four, mapped): (IpAddr, IpAddr) =
            ("192.0.2.7".parse().unwrap(), "::ffff:192.0.2.7".parse().unwrap());
        assert_eq!((0..20).filter(|n| tries.may(if n % 2 == 0 { four } else { mapped }, now)).count(), 10);
    }
}
