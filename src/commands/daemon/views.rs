//! What the page shows, asked of the keeper and the store.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot};

use super::keeper::{Request, Signs};
use crate::garden::plan::Id;
use crate::garden::view::SiteView;
use crate::page::{Health, NotPlaced, Unavailable, Views};
use crate::store::Reader;

/// How long the keeper may take to answer: it may be waiting for the disk.
const PATIENCE: Duration = Duration::from_secs(5);

/// The page's source.
#[derive(Clone)]
pub struct Asked {
    pub requests: mpsc::Sender<Request>,
    pub reader: Reader,
    pub signs: Arc<Signs>,
}

impl Asked {
    async fn ask<T>(&self, request: impl FnOnce(oneshot::Sender<T>) -> Request) -> Result<T, Unavailable> {
        let (reply, answer) = oneshot::channel();
        let asked = async {
            self.requests
                .send(request(reply))
                .await
                .map_err(|_| Unavailable("the keeper has stopped".to_owned()))?;
            answer.await.map_err(|_| Unavailable("the keeper gave no answer".to_owned()))
        };
        tokio::time::timeout(PATIENCE, asked)
            .await
            .map_err(|_| Unavailable(format!("the keeper gave no answer within {PATIENCE:?}")))?
    }
}

impl Views for Asked {
    async fn sites(&self) -> Result<Vec<(Id, String)>, Unavailable> {
        self.ask(Request::Sites).await
    }

    async fn site(&self, id: &str) -> Result<Option<SiteView>, Unavailable> {
        let id = id.to_owned();
        Ok(self.ask(|reply| Request::Site(id, reply)).await?.map(|view| *view))
    }

    async fn not_placed(&self, limit: usize) -> Result<Vec<NotPlaced>, Unavailable> {
        let reader = self.reader.clone();
        let limit = u32::try_from(limit).unwrap_or(u32::MAX);
        let topics = tokio::task::spawn_blocking(move || reader.unplaced(limit))
            .await
            .map_err(|e| Unavailable(format!("reading topics that are not placed: {e}")))?
            .map_err(|e| Unavailable(format!("reading topics that are not placed: {e}")))?;
        Ok(topics
            .into_iter()
            .map(|t| NotPlaced { topic: t.topic, payload: t.payload, count: t.messages, last: t.last })
            .collect())
    }

    async fn health(&self) -> Health {
        Health { faults: self.signs.faults() }
    }
}
