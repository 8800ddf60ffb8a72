//! Whether the daemon does its work, for whatever watches it.

use std::sync::Arc;

use axum::Extension;
use axum::extract::State;
use axum::http::StatusCode;
use tokio::time::timeout;

use super::PageSource;
use super::access::{GardensSeen, Visitor};
use super::context::PageContext;
use super::wait::VIEW_WAIT;
use crate::engine::daemon_health::HealthFault;

/// What is told of a fault that names a garden to who may not read of any.
const OF_A_GARDEN: &str = "Something is the matter with a garden. Sign in on the page, then look here again.";

/// `/health`: 200 and "ok", or 503 and one line for each fault. It is open to everybody, so
/// what names a garden is for who may read of it.
pub(super) async fn health<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    Extension(visitor): Extension<Visitor>,
) -> (StatusCode, String) {
    let Ok(health) = timeout(VIEW_WAIT, context.views.health()).await else {
        let why = format!("the daemon did not answer within {} seconds\n", VIEW_WAIT.as_secs());
        return (StatusCode::SERVICE_UNAVAILABLE, why);
    };
    let mut lines: Vec<String> = health.faults.iter().filter_map(|it| line(it, &visitor)).collect();
    lines.dedup();
    if lines.is_empty() {
        return (StatusCode::OK, "ok\n".to_owned());
    }
    (StatusCode::SERVICE_UNAVAILABLE, lines.join("\n") + "\n")
}

/// What a visitor is told of a fault; `None` where it is of a garden that the visitor does
/// not see.
fn line(fault: &HealthFault, visitor: &Visitor) -> Option<String> {
    match &fault.garden {
        Some(_) if !visitor.may_read => Some(OF_A_GARDEN.to_owned()),
        Some(garden) => visitor.gardens.holds(garden.as_str()).then(|| fault.whole()),
        None if visitor.may_read && visitor.gardens == GardensSeen::All => Some(fault.whole()),
        None => Some(fault.words.clone()),
    }
}
