//! The web page: what to do today, and how each bed, tank and gauge stands.
//!
//! Plain HTML made on the server: no script, nothing fetched from elsewhere.
//! The page only lays out what [`Views`] gives it; it judges nothing and reads
//! no clock. Every time shown is the site's own local time.

mod band;
#[cfg(test)]
pub(crate) mod contrast;
mod errors;
mod layout;
mod lists;
mod places;
mod reasons;
mod routes;
mod serve;
mod today;
pub(crate) mod words;

use std::future::Future;

use jiff::Timestamp;

use crate::garden::plan::Id;
use crate::garden::view::SiteView;

pub use serve::{CONNECTIONS_MAX, serve};

/// Where the page gets what it shows.
pub trait Views: Send + Sync + 'static {
    /// Every site's id and name, in the order to list them.
    ///
    /// # Errors
    /// [`Unavailable`] when the garden cannot be asked just now.
    fn sites(&self) -> impl Future<Output = Result<Vec<(Id, String)>, Unavailable>> + Send;

    /// One site as it stands; `None` when there is no site of that id.
    ///
    /// # Errors
    /// [`Unavailable`] when the garden cannot be asked just now.
    fn site(&self, id: &str) -> impl Future<Output = Result<Option<SiteView>, Unavailable>> + Send;

    /// Topics that no sensor names, the newest first, at most `limit`.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be asked just now.
    fn not_placed(&self, limit: usize) -> impl Future<Output = Result<Vec<NotPlaced>, Unavailable>> + Send;

    /// Whether the daemon does its work.
    fn health(&self) -> impl Future<Output = Health> + Send;
}

/// What the page asked for cannot be had just now. The text is logged, not shown.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Unavailable(pub String);

/// A topic that speaks and that no sensor names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotPlaced {
    pub topic: String,
    /// The last payload, as it came; it may be cut and need not be text.
    pub payload: Vec<u8>,
    /// Messages since the topic was first heard.
    pub count: u64,
    /// When it was last heard.
    pub last: Timestamp,
}

/// Whether the daemon does its work.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Health {
    /// One plain sentence for each fault; empty: all is well.
    pub faults: Vec<String>,
}
