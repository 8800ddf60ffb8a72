//! Whether the daemon does its work, for whatever watches it.

use std::sync::Arc;

use axum::extract::State;
use axum::http::StatusCode;
use tokio::time::timeout;

use super::PageSource;
use super::context::PageContext;
use super::wait::VIEW_WAIT;

/// `/health`: 200 and "ok", or 503 and one line for each fault.
pub(super) async fn health<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
) -> (StatusCode, String) {
    let Ok(health) = timeout(VIEW_WAIT, context.views.health()).await else {
        let why = format!("the daemon did not answer within {} seconds\n", VIEW_WAIT.as_secs());
        return (StatusCode::SERVICE_UNAVAILABLE, why);
    };
    if health.faults.is_empty() {
        return (StatusCode::OK, "ok\n".to_owned());
    }
    (StatusCode::SERVICE_UNAVAILABLE, health.faults.join("\n") + "\n")
}
