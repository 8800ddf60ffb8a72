//! Jobs that come round.

use axum::response::Response;
use serde::Serialize;

use super::call::ApiCall;
use super::fault::ApiFault;
use super::sites::zone_name;
use crate::garden::jobs::due::JobDue;
use crate::garden::jobs::view::JobView;
use crate::page::PageSource;

#[derive(Serialize)]
struct JobsJson<'a> {
    site: &'a str,
    time_zone: &'a str,
    date: String,
    jobs: Vec<JobJson<'a>>,
}

#[derive(Serialize)]
struct JobJson<'a> {
    name: &'a str,
    place: Option<&'a str>,
    who: Option<&'a str>,
    rhythm: String,
    done_by: Vec<&'a str>,
    last_done: Option<String>,
    due: Option<String>,
    days_overdue: Option<i64>,
    state: &'static str,
    words: String,
}

pub(super) async fn jobs<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let garden = call.garden()?;
    let view = call.view().await?;
    let zone = &garden.site.time_zone;
    let jobs = JobsJson {
        site: call.site(),
        time_zone: zone_name(zone),
        date: zone.to_datetime(view.now).date().to_string(),
        jobs: view.jobs.iter().map(job).collect(),
    };
    call.json(&jobs, None)
}

fn job(view: &JobView) -> JobJson<'_> {
    let days_late = view.days_late();
    JobJson {
        name: &view.job.name,
        place: view.job.place.as_ref().map(|place| place.as_str()),
        who: view.who(),
        rhythm: view.job.days.words(),
        done_by: std::iter::once("job-done").chain(view.job.done_by.iter().copied()).collect(),
        last_done: view.last_done.map(|date| date.to_string()),
        due: match view.due {
            JobDue::On(date) => Some(date.to_string()),
            JobDue::NotKnown | JobDue::Over => None,
        },
        days_overdue: days_late.map(|days| days.max(0)),
        state: match (view.due, days_late) {
            (JobDue::NotKnown, _) => "not-known",
            (JobDue::Over, _) => "over",
            (JobDue::On(_), Some(1..)) => "overdue",
            (JobDue::On(_), Some(0)) => "due",
            (JobDue::On(_), _) => "coming",
        },
        words: view.words(),
    }
}
