//! The state that handlers share, and the site that a request asks for.

use std::io;
use std::sync::Arc;

use axum::extract::{FromRequest, FromRequestParts, RawPathParams, Request};
use axum::http::HeaderMap;
use axum::http::request::Parts;
use jiff::{SignedDuration, Timestamp};
use tokio::sync::{Mutex, Semaphore};
use tokio_util::sync::CancellationToken;

use super::access::{Gate, Rules, Visitor};
use super::cache::CacheMoment;
use super::forms::{FormFields, TakenForms};
use super::garden_lines::GardenLines;
use super::layout::PageFrame;
use super::limits::AttemptLimit;
use super::month::{MonthCache, MonthSources, TermCache};
use super::place::WettingCache;
use super::problem::Problem;
use super::sensor_days::SensorDayCache;
use super::wait::ask;
use super::{NotPlaced, PageSource, RecordReader};
use crate::garden::plan::Garden;
use crate::garden::view::SiteView;
use crate::model::Id;
use crate::settings::GardenFile;
use crate::store::{RefusedTopic, is_refused_of};

/// Pages that may listen for changes at one time: a quarter of all connections, so
/// that others can still be read.
pub const LISTENERS_MAX: usize = 64;

/// How far back refused messages are shown.
const REFUSED_SHOWN: SignedDuration = SignedDuration::from_hours(7 * 24);

/// Topics not placed, or with refused messages, that one page lists.
pub(super) const NOT_PLACED_MAX: usize = 50;

/// Reads of the store for the interface that run at one time; the next wait a while.
const API_READS_MAX: usize = 4;

/// CSV streams that run at one time; more are refused for now.
const API_STREAMS_MAX: usize = 4;

/// Wrong links within a minute that are told what is wrong with them. It is one count
/// for all callers: behind a proxy they look alike, and right links are answered
/// however many wrong ones come.
const WRONG_LINKS_MAX: u32 = 30;

/// What the page is made from.
#[derive(Debug)]
pub struct PageSetup<V> {
    pub views: V,
    pub record: RecordReader,
    /// Who may read and who may change something.
    pub rules: Rules,
    /// A sentence at the top of every page, for instance that this is a demonstration.
    pub notice: Option<String>,
    /// The gardens' files, where the page may write how the places lie.
    pub garden_files: Vec<GardenFile>,
}

/// What every request is answered from.
pub(super) struct PageContext<V> {
    pub(super) views: V,
    pub(super) record: RecordReader,
    pub(super) notice: Option<String>,
    pub(super) gate: Gate,
    pub(super) wrong_links: AttemptLimit<()>,
    pub(super) months: MonthCache,
    pub(super) terms: TermCache,
    pub(super) month_sources: MonthSources,
    pub(super) wettings: WettingCache,
    pub(super) days: SensorDayCache,
    pub(super) garden_lines: GardenLines,
    pub(super) taken_forms: Mutex<TakenForms>,
    pub(super) garden_files: Mutex<Vec<GardenFile>>,
    pub(super) listeners: Arc<Semaphore>,
    pub(super) api_reads: Semaphore,
    pub(super) api_streams: Arc<Semaphore>,
    pub(super) stop: CancellationToken,
}

impl<V: PageSource> PageContext<V> {
    /// # Errors
    /// When the system gives no random numbers.
    pub(super) fn new(setup: PageSetup<V>, stop: CancellationToken) -> io::Result<Self> {
        Ok(Self {
            views: setup.views,
            record: setup.record,
            notice: setup.notice,
            gate: Gate::new(setup.rules)?,
            wrong_links: AttemptLimit::new(WRONG_LINKS_MAX, WRONG_LINKS_MAX),
            months: MonthCache::default(),
            terms: TermCache::default(),
            month_sources: MonthSources::default(),
            wettings: WettingCache::default(),
            days: SensorDayCache::default(),
            garden_lines: GardenLines::default(),
            taken_forms: Mutex::default(),
            garden_files: Mutex::new(setup.garden_files),
            listeners: Arc::new(Semaphore::new(LISTENERS_MAX)),
            api_reads: Semaphore::new(API_READS_MAX),
            api_streams: Arc::new(Semaphore::new(API_STREAMS_MAX)),
            stop,
        })
    }

    /// The present state of a site.
    pub(super) async fn view(&self, id: &str) -> Result<SiteView, Problem> {
        if !Id::is_valid(id) {
            return Err(Problem::NotFound);
        }
        let mut view = ask(self.views.site(id)).await?.ok_or(Problem::NotFound)?;
        // Where no reading was ever judged, the garden stands as it does at present: not known.
        if view.now == Timestamp::UNIX_EPOCH {
            view.now = self.views.now();
        }
        Ok(view)
    }

    /// Topics that no sensor names; none while the record is out of reach.
    pub(super) async fn topics_not_placed(&self) -> Result<Vec<NotPlaced>, Problem> {
        let topics = ask(self.views.not_placed(NOT_PLACED_MAX)).await;
        if self.views.not_kept_since().is_some() { Ok(topics.unwrap_or_default()) } else { topics }
    }

    /// Topics of a site that no sensor names. By the contract a site's topics begin with
    /// its id; other sites' topics are on the list of sites, or with the only site.
    pub(super) async fn not_placed(&self, view: &SiteView) -> Result<Vec<NotPlaced>, Problem> {
        let mut topics = self.topics_not_placed().await?;
        if ask(self.views.sites()).await?.len() > 1 {
            let id = view.id.as_str();
            topics.retain(|it| it.topic.strip_prefix(id).is_some_and(|rest| rest.starts_with('/')));
        }
        Ok(topics)
    }

    /// What was refused of a site's messages in the last week, topic by topic, the latest
    /// first.
    pub(super) async fn refused(&self, site: &Id) -> Result<Vec<RefusedTopic>, Problem> {
        let (Some(garden), only) = (self.record.garden(site.as_str()), self.record.gardens().len() == 1)
        else {
            return Ok(Vec::new());
        };
        let since = self.views.now().saturating_sub(REFUSED_SHOWN).unwrap_or(Timestamp::MIN);
        let read = self.record.read("refused messages", move |reader| reader.refused_topics(since));
        let mut refused = ask(read).await?;
        refused.retain(|it| is_refused_of(garden, only, &it.topic));
        refused.truncate(NOT_PLACED_MAX);
        Ok(refused)
    }

    /// What surrounds the page at a path.
    pub(super) fn frame(&self, visitor: Visitor, query: Option<&str>, path: &str) -> PageFrame {
        let held = query == Some("hold=yes");
        let not_kept = self.views.not_kept_since();
        let seen = self.record.gardens().iter().filter(|it| visitor.gardens.holds(it.site.id.as_str()));
        let several = seen.take(2).count() > 1;
        PageFrame {
            notice: self.notice.clone(),
            path: path.to_owned(),
            held,
            visitor,
            site: None,
            several,
            not_kept,
        }
    }

    /// The page's clock, and how often the record has changed.
    pub(super) fn moment(&self) -> CacheMoment {
        CacheMoment { at: self.views.now(), changed: *self.views.changed().borrow() }
    }
}

/// A request for a page of one site.
pub(super) struct SitePage<V> {
    pub(super) context: Arc<PageContext<V>>,
    pub(super) visitor: Visitor,
    pub(super) view: SiteView,
    /// What the address names below the site, such as a bed's id.
    pub(super) names: Vec<String>,
    pub(super) query: Option<String>,
    pub(super) headers: HeaderMap,
}

impl<V: PageSource> SitePage<V> {
    /// What surrounds the page at a path below the site's: `/rain`.
    pub(super) fn frame(&self, below: &str) -> PageFrame {
        let path = format!("/site/{}{below}", self.view.id);
        self.context.frame(self.visitor.clone(), self.query.as_deref(), &path).of_site(&self.view)
    }

    /// The site's plan.
    pub(super) fn garden(&self) -> Result<&Arc<Garden>, Problem> {
        self.context.record.garden(self.view.id.as_str()).ok_or(Problem::NotFound)
    }

    /// The fields of the query.
    pub(super) fn fields(&self) -> FormFields {
        FormFields::of(self.query.as_deref().unwrap_or_default())
    }
}

impl<V: PageSource> FromRequestParts<Arc<PageContext<V>>> for SitePage<V> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, context: &Arc<PageContext<V>>) -> Result<Self, Problem> {
        let path = RawPathParams::from_request_parts(parts, context).await.map_err(|_| Problem::NotFound)?;
        let mut names = path.iter().map(|(_, name)| name.to_owned());
        let view = context.view(&names.next().ok_or(Problem::NotFound)?).await?;
        Ok(Self {
            context: Arc::clone(context),
            visitor: parts.extensions.get().cloned().unwrap_or_default(),
            view,
            names: names.collect(),
            query: parts.uri.query().map(str::to_owned),
            headers: parts.headers.clone(),
        })
    }
}

/// A form that was sent to a site's page by somebody who may change something there.
pub(super) struct SiteForm<V> {
    pub(super) site: SitePage<V>,
    pub(super) form: FormFields,
}

impl<V: PageSource> FromRequest<Arc<PageContext<V>>> for SiteForm<V> {
    type Rejection = Problem;

    async fn from_request(request: Request, context: &Arc<PageContext<V>>) -> Result<Self, Problem> {
        let (mut parts, body) = request.into_parts();
        let form = FormFields::read(&parts.headers, body, FormFields::BYTES_MAX).await?;
        let visitor = parts.extensions.get::<Visitor>().cloned().unwrap_or_default();
        context.gate.allows(&visitor, &form)?;
        Ok(Self { site: SitePage::from_request_parts(&mut parts, context).await?, form })
    }
}
