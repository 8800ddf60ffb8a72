//! Sending stored readings again: those of a span of time, or those that a server refused.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;

use super::{ForwardError, ForwardTarget, Forwarder};
use crate::engine::forward_troubles::ForwardTroubles;
use crate::store::{ForwardRow, Reader, RefusedRow, StoreError, settle_refused};

/// How long a server that takes nothing is waited for.
const PATIENCE: Duration = Duration::from_secs(20);

/// How often it is looked whether the server takes something.
const LOOK: Duration = Duration::from_millis(250);

/// The result of sending again.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Resent {
    /// Readings that the server has now.
    pub taken: u64,
    /// Readings that it refused for good.
    pub refused: u64,
    /// What it said of the last of them.
    pub why: Option<Arc<str>>,
}

impl Resent {
    fn add(&mut self, rows: &[ForwardRow], refused: &[RefusedRow]) {
        self.taken += (rows.len() - refused.len()) as u64;
        self.refused += refused.len() as u64;
        self.why = refused.last().map(|row| row.why.clone()).or(self.why.take());
    }
}

/// Why sending again ended before its end. What was sent until then has been taken.
#[derive(Debug, thiserror::Error)]
pub enum ResendFault {
    #[error(transparent)]
    Http(#[from] ForwardError),
    #[error("the server {name} takes nothing: {why}")]
    Stuck { name: String, why: String },
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Sends every stored reading with a time from `from` (included) to `to` (excluded) again.
/// What is refused is counted and not listed: it stays in the store.
///
/// # Errors
///
/// When HTTP cannot be set up, the store cannot be read, or the server takes nothing for
/// twenty seconds.
pub async fn resend_range(
    target: ForwardTarget,
    reader: &Reader,
    (from, to): (Timestamp, Timestamp),
) -> Result<Resent, ResendFault> {
    let mut again = Again::new(target, reader)?;
    let mut after = None;
    loop {
        let batch = again.forwarder.target.batch;
        let rows = again.ask(move |reader| reader.forward_range((from, to), after, batch)).await?;
        let Some(last) = rows.last() else { return Ok(again.resent) };
        after = Some((last.at, last.series));
        again.send(&rows).await?;
    }
}

/// Sends every listed reading that the server refused again. What it takes now, and what is
/// no longer in the store, is taken off the list.
///
/// # Errors
///
/// As [`resend_range`], and when the store cannot be written.
pub async fn resend_refused(target: ForwardTarget, reader: &Reader) -> Result<Resent, ResendFault> {
    let mut again = Again::new(target, reader)?;
    let name = again.forwarder.target.name.clone();
    let mut after = 0;
    loop {
        let (batch, of) = (again.forwarder.target.batch, name.clone());
        let rows = again.ask(move |reader| reader.refused_rows(&of, after, batch)).await?;
        let Some(last) = rows.last().map(|row| row.seq) else {
            return Ok(again.resent);
        };
        let refused = again.send(&rows).await?;
        let (path, of) = (reader.path().to_owned(), name.clone());
        let settled =
            tokio::task::spawn_blocking(move || settle_refused(&path, &of, Some((after, last)), &refused))
                .await;
        if let Ok(settled) = settled {
            settled?;
        }
        after = last;
    }
}

struct Again {
    forwarder: Forwarder,
    reader: Reader,
    resent: Resent,
}

impl Again {
    fn new(target: ForwardTarget, reader: &Reader) -> Result<Self, ForwardError> {
        let forwarder = Forwarder::new(target, reader.clone(), Arc::new(ForwardTroubles::default()))?;
        Ok(Self { forwarder, reader: reader.clone(), resent: Resent::default() })
    }

    async fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, ResendFault> {
        let reader = self.reader.clone();
        match tokio::task::spawn_blocking(move || question(&reader)).await {
            Ok(found) => Ok(found?),
            Err(panicked) => std::panic::resume_unwind(panicked.into_panic()),
        }
    }

    async fn send(&mut self, rows: &[ForwardRow]) -> Result<Vec<RefusedRow>, ResendFault> {
        let name = self.forwarder.target.name.clone();
        let troubles = Arc::clone(&self.forwarder.troubles);
        self.forwarder.know_series(rows).await;
        let refused = tokio::select! {
            refused = self.forwarder.deliver(rows) => refused,
            why = stuck(&troubles, &name) => return Err(ResendFault::Stuck { name, why }),
        };
        self.resent.add(rows, &refused);
        Ok(refused)
    }
}

/// Returns what forwarding waits for once it has waited without a break for too long.
async fn stuck(troubles: &ForwardTroubles, name: &str) -> String {
    let mut since = None;
    loop {
        tokio::time::sleep(LOOK).await;
        match troubles.of(name) {
            None => since = None,
            Some(why) => {
                let began = *since.get_or_insert_with(tokio::time::Instant::now);
                if began.elapsed() >= PATIENCE {
                    return why;
                }
            }
        }
    }
}
