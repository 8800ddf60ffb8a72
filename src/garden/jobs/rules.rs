//! What the log says of the jobs, and who is told that one is overdue.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::alarms::{AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::jobs::due::JobDue;
use crate::garden::jobs::job::Job;
use crate::garden::jobs::view::{JobView, days_from};
use crate::garden::log::LogEntry;
use crate::garden::plan::place_called;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::text::spoken;
use crate::watering::minute_of_day;

const SOURCE: &str = "[[job]] of the garden's file and the log";
/// Nobody is told before this minute of the day where the garden has no working hours.
const MORNING_MIN: u16 = 8 * 60;

impl SiteState {
    /// Notes an entry of the log that does a job.
    pub(crate) fn note_job(&mut self, entry: &LogEntry) {
        for (job, state) in self.garden.jobs.iter().zip(&mut self.jobs) {
            if job.is_done_by(entry) {
                state.note(entry.at);
            }
        }
    }

    /// Takes out an entry that was struck.
    pub(crate) fn strike_job(&mut self, struck: &LogEntry) {
        for (job, state) in self.garden.jobs.iter().zip(&mut self.jobs) {
            if job.is_done_by(struck) {
                state.strike(struck.at);
            }
        }
    }

    /// The jobs as they stand: what is overdue longest first, what is due last at the end.
    pub(crate) fn job_views(&self, now: Timestamp) -> Vec<JobView> {
        let mut views: Vec<JobView> = (0..self.garden.jobs.len()).map(|it| self.job_view(it, now)).collect();
        views.sort_by_key(|view| match view.due {
            JobDue::NotKnown => (0, view.today),
            JobDue::On(date) => (0, date),
            JobDue::Over => (1, view.today),
        });
        views
    }

    fn job_view(&self, number: usize, now: Timestamp) -> JobView {
        let garden = &self.garden;
        let (job, zone) = (&garden.jobs[number], &garden.site.time_zone);
        let today = zone.to_datetime(now).date();
        let last_done = self.jobs[number].last().map(|at| zone.to_datetime(at).date());
        let place =
            job.place.as_ref().map_or_else(|| garden.site.name.clone(), |it| place_called(garden, it));
        let changes = self.jobs[number].changes();
        JobView { place, today, last_done, due: job.due(last_done, today), changes, job: job.clone() }
    }

    /// Judges the jobs of which somebody wants to be told.
    pub(crate) fn judge_jobs(&mut self, now: Timestamp, batch: &mut Batch) {
        if !self.garden.jobs.iter().any(|job| job.tell) {
            return;
        }
        let local = self.garden.site.time_zone.to_datetime(now);
        let first_hour = self.garden.site.working_hours.intervals().first().map(|(from, _)| *from);
        let is_morning = minute_of_day(local) >= first_hour.unwrap_or(MORNING_MIN);
        for (index, number) in (0u16..).zip(0..self.garden.jobs.len()) {
            if !self.garden.jobs[number].tell {
                continue;
            }
            let view = self.job_view(number, now);
            let late = view.days_late().unwrap_or(i64::MIN);
            let patience = i64::from(view.job.late_after_days);
            let subject = AlarmPlace::Job(index).alarm(Kind::JobOverdue);
            let input = if late <= patience {
                Input::Clear
            } else if is_morning || late > patience + 1 || self.alarms.life(subject).holds() {
                Input::Breach
            } else {
                continue;
            };
            self.judge(subject, now, input, batch, |site, active| {
                let place = view.job.place.as_ref();
                let of_fish = place.is_some_and(|id| site.garden.tanks.iter().any(|tank| tank.id == *id));
                words(&view, active, local.date(), of_fish)
            });
        }
    }
}

/// What is said beside where a job of fish is late (common practice).
fn fish_words(job: &Job) -> &'static str {
    if job.done_by.contains(&"fed") {
        " Look at the fish first. Give one feed only: never make up for a missed one."
    } else {
        " Look at the fish first."
    }
}

/// What is told of a job. The words name their days.
fn words(view: &JobView, active: bool, today: Date, of_fish: bool) -> AlarmText {
    let job = &view.job;
    let place = if job.place.is_some() { format!(" ({})", view.place) } else { String::new() };
    let text = match (active, view.due, view.last_done) {
        (true, JobDue::On(due), _) => {
            let turn = job.turn(today).filter(|_| job.who.len() > 1);
            let turn = turn.map_or_else(String::new, |who| format!(" It is {who}'s turn."));
            let fish = if of_fish { fish_words(job) } else { "" };
            let how = job.how.as_ref().map_or_else(String::new, |how| format!(" {how}"));
            format!(
                "{}{place} was due on {} and is not in the Garden log. Do it today, or enter the day on which it was \
                 done.{fish}{turn}{how}",
                job.name,
                spoken::day(due),
            )
        }
        (_, _, Some(last)) => format!("{}{place} was done on {}.", job.name, spoken::day(last)),
        _ => format!("{}{place} is not due any more.", job.name),
    };
    let days = match view.due {
        JobDue::On(due) => days_from(due, today),
        JobDue::NotKnown | JobDue::Over => 0,
    };
    AlarmText::new(text, &[("days_overdue", days.max(0) as f64)], SOURCE)
}
