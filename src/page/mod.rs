//! The web page: what to do today, and how each bed, tank and gauge stands.
//!
//! HTML made on the server, nothing fetched from elsewhere; it works without script
//! and a little better with it. The page only lays out what [`PageSource`] and the
//! [`RecordReader`] provide; it judges nothing and reads no clock. Every time shown is the
//! site's own local time.

pub mod access;
mod alarm_card;
mod alarms;
mod all_places;
mod answer;
mod answered_by;
mod api;
mod asked;
mod assets;
mod band;
mod cache;
mod care;
mod connections;
mod context;
#[cfg(test)]
pub(crate) mod contrast;
mod drawing;
pub mod figures;
mod filled;
mod forms;
mod garden_lines;
mod gardens;
mod ground;
mod health;
mod jobs;
mod layout;
mod limits;
mod lists;
mod live;
mod log;
mod markup;
mod metrics;
pub mod month;
mod more;
mod older;
mod place;
mod places;
mod problem;
mod reasons;
pub mod record;
mod routes;
mod sensor_days;
mod serve;
mod setup;
mod spark;
mod tags;
mod tasks;
mod today;
mod wait;

use std::future::Future;

use jiff::Timestamp;
use tokio::sync::watch;

use crate::alarms::{AlarmKey, Answer, Answered, State};
use crate::answering::{Checked, Claim};
use crate::engine::daemon_health::HealthFault;
use crate::garden::system::health::{BrokerHealth, DiskHealth};
use crate::garden::view::SiteView;
use crate::garden::{Acclimatising, BagGiven, TankGiven};
use crate::model::Id;

use figures::SiteFigures;

pub use connections::CONNECTIONS_MAX;
pub use context::{LISTENERS_MAX, PageSetup};
pub use older::OlderRecord;
pub use record::RecordReader;
pub use serve::serve;

/// Where the page gets what it shows.
pub trait PageSource: Send + Sync + 'static {
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

    /// The sites from the one with the number `from` on, in the order of [`PageSource::sites`];
    /// perhaps not all at a time, and none after the last. What a line in a list does not need
    /// may be left out.
    ///
    /// # Errors
    /// [`Unavailable`] when the garden cannot be asked just now.
    fn briefs(&self, from: usize) -> impl Future<Output = Result<Vec<SiteView>, Unavailable>> + Send {
        async move {
            let mut views = Vec::new();
            for (id, _) in self.sites().await?.iter().skip(from) {
                views.extend(self.site(id.as_str()).await?);
            }
            Ok(views)
        }
    }

    /// How the alarms of a site did in the thirty days up to `to`; `None` when there is
    /// no such site. The answer may be a minute old.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be asked just now.
    fn alarm_figures(
        &self,
        site: &str,
        to: Timestamp,
    ) -> impl Future<Output = Result<Option<SiteFigures>, Unavailable>> + Send;

    /// Topics that no sensor names, the newest first, at most `limit`.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be asked just now.
    fn not_placed(&self, limit: usize) -> impl Future<Output = Result<Vec<NotPlaced>, Unavailable>> + Send;

    /// What the token of a link is now; `None` where no alarm is answered by links.
    fn check(&self, token: &str) -> Option<Checked>;

    /// The steps of one occurrence of an alarm, oldest first.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be asked just now.
    fn steps(
        &self,
        alarm: &AlarmKey,
        since: Timestamp,
    ) -> impl Future<Output = Result<Vec<AlarmStep>, Unavailable>> + Send;

    /// Takes the answer of a person who followed a link, with the name that this person gave,
    /// and waits until it is stored.
    ///
    /// # Errors
    /// [`Unavailable`] when it is not known whether it was taken.
    fn acknowledge(
        &self,
        claim: &Claim,
        name: Option<&str>,
        note: Option<String>,
    ) -> impl Future<Output = Result<Answered, Unavailable>> + Send;

    /// Takes an answer that was given on the page, and waits until it is stored.
    ///
    /// # Errors
    /// [`Unavailable`] when it is not known whether it was taken.
    fn answer(&self, answer: Answer) -> impl Future<Output = Result<Answered, Unavailable>> + Send;

    /// How fish that arrive in a bag come into a tank, at the present of the garden; `None`
    /// when there is no such tank.
    ///
    /// # Errors
    /// [`Unavailable`] when the garden cannot be asked just now.
    fn acclimatise(
        &self,
        site: &str,
        tank: &str,
        bag: BagGiven,
        given: TankGiven,
    ) -> impl Future<Output = Result<Option<Acclimatising>, Unavailable>> + Send;

    /// Grows with each commit that may change what the page shows.
    fn changed(&self) -> watch::Receiver<u64>;

    /// The present moment.
    fn now(&self) -> Timestamp;

    /// Since when nothing that comes in could be stored; `None` where it can. Views are
    /// then as they were last known.
    fn not_kept_since(&self) -> Option<Timestamp> {
        None
    }

    /// What has come in since the daemon was started, and what it measured last.
    fn figures(&self) -> DaemonFigures {
        DaemonFigures::default()
    }

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

/// One step in an alarm's life.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AlarmStep {
    pub at: Timestamp,
    pub to: State,
    /// By which way a person's answer came; `None` where no person answered.
    pub how: Option<String>,
}

/// What the daemon counts and measures, beyond the record.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DaemonFigures {
    /// Readings since the start: stored, stored already, of a time with another value, too late
    /// to be judged.
    pub stored: u64,
    pub repeated: u64,
    pub conflicting: u64,
    /// Readings of days of which only daily figures are kept; not stored.
    pub summarised: u64,
    pub late: u64,
    /// Messages since the start that could not be read, that were over a sensor's limit, and
    /// that the broker sent again.
    pub refused: u64,
    pub over_limit: u64,
    pub redelivered: u64,
    pub broker: Option<BrokerHealth>,
    /// The disk of the record at the last look.
    pub disk: Option<DiskHealth>,
    /// The size of the record with its log, bytes.
    pub store_bytes: Option<u64>,
    /// What the record may take, where that is limited.
    pub store_limit_bytes: Option<u64>,
    /// Of its bytes, those that nothing is in.
    pub store_unused_bytes: Option<u64>,
    pub store_fails: bool,
    /// What each forwarder that does not go on waits for, in its server's words.
    pub forward_waits: Vec<(String, String)>,
}

/// Whether the daemon does its work.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Health {
    /// Empty: all is well.
    pub faults: Vec<HealthFault>,
}
