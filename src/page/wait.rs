//! Waiting for the garden and its record, and giving up in time.

use std::future::Future;
use std::time::Duration;

use tokio::time::timeout;
use tracing::warn;

use super::Unavailable;
use super::problem::Problem;

/// How long the garden may take to answer before the page gives up.
pub(super) const VIEW_WAIT: Duration = Duration::from_secs(10);

/// Why a question got no answer.
pub(super) enum NoAnswer {
    Failed,
    Late,
}

/// Waits for an answer, at most [`VIEW_WAIT`]; logs `failed` or `late` where there is none.
pub(super) async fn answered<T>(
    failed: &str,
    late: &str,
    question: impl Future<Output = Result<T, Unavailable>>,
) -> Result<T, NoAnswer> {
    match timeout(VIEW_WAIT, question).await {
        Ok(Ok(answer)) => Ok(answer),
        Ok(Err(fault)) => {
            warn!("{failed}: {fault}");
            Err(NoAnswer::Failed)
        }
        Err(_) => {
            warn!("{late} within {VIEW_WAIT:?}");
            Err(NoAnswer::Late)
        }
    }
}

/// Waits for what a page is made from.
pub(super) async fn ask<T>(question: impl Future<Output = Result<T, Unavailable>>) -> Result<T, Problem> {
    let answer = answered("the page cannot be made", "the page cannot be made: no answer", question);
    answer.await.map_err(|_| Problem::Unavailable)
}

/// Waits until a person's answer to an alarm is stored.
pub(super) async fn confirm<T>(answer: impl Future<Output = Result<T, Unavailable>>) -> Result<T, Problem> {
    const FAILED: &str = "an answer could not be confirmed";
    answered(FAILED, FAILED, answer).await.map_err(|_| Problem::NotConfirmed)
}
