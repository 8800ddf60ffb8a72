//! A job as the garden's file says it.

use jiff::civil::{Date, Weekday};

use crate::garden::log::{LogEntry, LogEvent};
use crate::model::Id;

/// A job that comes round.
#[derive(Clone, Debug, PartialEq)]
pub struct Job {
    /// In the alarm that tells that it is overdue.
    pub id: Id,
    pub name: String,
    /// A bed, a tank or a sensor; `None`: the whole garden.
    pub place: Option<Id>,
    /// Who does it; several take turns week by week from `from` on.
    pub who: Vec<String>,
    pub days: JobDays,
    /// The first day on which it is due, or of the first one's week.
    pub from: Option<Date>,
    /// The last day on which it can be due.
    pub to: Option<Date>,
    /// Its season: the months in which it is due, January first.
    pub months: [bool; 12],
    /// Kinds of entries of its place that do it, beside its own.
    pub done_by: Vec<&'static str>,
    /// What is to be done, in a few words.
    pub how: Option<String>,
    /// Whether whoever does it is told that it is overdue.
    pub tell: bool,
    /// Days after the due one from which it counts as overdue.
    pub late_after_days: u16,
}

/// On which days a job is due.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JobDays {
    /// So many days after it was last done, above 0.
    Every(u16),
    /// On these days of the week, Monday first; at least one.
    Week([bool; 7]),
    /// On these dates, sorted; at least one.
    Dates(Vec<Date>),
}

impl Job {
    /// Whether a text is its name, in whatever letters.
    pub fn is_called(&self, text: &str) -> bool {
        self.name.to_lowercase() == text.trim().to_lowercase()
    }

    /// Whether an entry of the log does it.
    pub fn is_done_by(&self, entry: &LogEntry) -> bool {
        match &entry.what {
            LogEvent::JobDone { job } => self.is_called(job),
            what => self.place.is_some() && entry.place == self.place && self.done_by.contains(&what.name()),
        }
    }

    /// The kind of entry that its button writes.
    pub fn entry_kind(&self) -> &'static str {
        self.done_by.first().copied().unwrap_or("job-done")
    }

    /// Whose turn it is on a day.
    pub fn turn(&self, date: Date) -> Option<&str> {
        let week = |date: Date| {
            let days = date.weekday().since(Weekday::Monday);
            date.checked_sub(jiff::Span::new().days(i64::from(days))).unwrap_or(date)
        };
        let weeks = match self.from {
            Some(from) if self.who.len() > 1 => {
                week(from).until(week(date)).map_or(0, |span| i64::from(span.get_days()).div_euclid(7))
            }
            _ => 0,
        };
        let turn = usize::try_from(weeks.rem_euclid(self.who.len().max(1) as i64)).unwrap_or(0);
        self.who.get(turn).map(String::as_str)
    }
}
