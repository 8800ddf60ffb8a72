//! A job as people are shown it.

use jiff::civil::Date;

use crate::garden::jobs::due::JobDue;
use crate::garden::jobs::job::{Job, JobDays};
use crate::model::Id;
use crate::text::spoken;

/// A job as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct JobView {
    pub job: Job,
    /// The name of its place, as people say it.
    pub place: String,
    /// The garden's date.
    pub today: Date,
    pub last_done: Option<Date>,
    pub due: JobDue,
    /// How often it was done or struck while the program ran.
    pub changes: u32,
}

impl JobView {
    pub fn id(&self) -> &Id {
        &self.job.id
    }

    /// Days since it was due; 0: today; below 0: days until it is. `None` where no day
    /// is known.
    pub fn days_late(&self) -> Option<i64> {
        match self.due {
            JobDue::On(date) => Some(days_from(date, self.today)),
            JobDue::NotKnown | JobDue::Over => None,
        }
    }

    /// Whether it was due before today.
    pub fn is_overdue(&self) -> bool {
        self.days_late().is_some_and(|days| days > 0)
    }

    /// Whether it is to be done now.
    pub fn is_due(&self) -> bool {
        self.due == JobDue::NotKnown || self.days_late().is_some_and(|days| days >= 0)
    }

    /// Whose turn it is when it is due.
    pub fn who(&self) -> Option<&str> {
        let on = match self.due {
            JobDue::On(date) => date.max(self.today),
            JobDue::NotKnown | JobDue::Over => self.today,
        };
        self.job.turn(on)
    }

    /// "Overdue: it was due on Monday 13 April, 4 days ago."
    pub fn words(&self) -> String {
        match (self.due, self.days_late()) {
            (JobDue::On(date), Some(days)) if days > 0 => format!(
                "Overdue: it was due on {}, {} ago.",
                spoken::day(date),
                spoken::counted(days.unsigned_abs(), "day", "days")
            ),
            (JobDue::On(_), Some(0)) => "Due today.".to_owned(),
            (JobDue::On(date), Some(-1)) => format!("Due tomorrow, {}.", spoken::day(date)),
            (JobDue::On(date), _) => format!("Due on {}.", spoken::day(date)),
            (JobDue::NotKnown, _) => {
                "The Garden log does not say when it was last done. Do it, or enter when it was done."
                    .to_owned()
            }
            (JobDue::Over, _) => "Not due again.".to_owned(),
        }
    }

    /// "Last done on Monday 6 April."
    pub fn last_words(&self) -> Option<String> {
        self.last_done.map(|date| match days_from(date, self.today) {
            0 => "Last done today.".to_owned(),
            1 => "Last done yesterday.".to_owned(),
            2..=300 => format!("Last done on {}.", spoken::day(date)),
            _ => format!("Last done on {} {}.", spoken::day(date), date.year()),
        })
    }
}

/// Days from one date to another.
pub(crate) fn days_from(date: Date, to: Date) -> i64 {
    date.until(to).map_or(0, |span| i64::from(span.get_days()))
}

impl JobDays {
    /// "every 7 days", "each Monday, Wednesday and Friday", "on 3 July and 25 September".
    pub fn words(&self) -> String {
        const WEEK: [&str; 7] =
            ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"];
        match self {
            Self::Every(1) => "every day".to_owned(),
            Self::Every(7) => "every week".to_owned(),
            Self::Every(days) => format!("every {days} days"),
            Self::Week([true, true, true, true, true, true, true]) => "every day".to_owned(),
            Self::Week(days) => {
                let names: Vec<String> = WEEK
                    .iter()
                    .zip(days)
                    .filter(|(_, is)| **is)
                    .map(|(name, _)| (*name).to_owned())
                    .collect();
                format!("each {}", spoken::list(&names))
            }
            Self::Dates(dates) => {
                let dates: Vec<String> = dates
                    .iter()
                    .map(|date| format!("{} {}", date.day(), spoken::month(date.month())))
                    .collect();
                format!("on {}", spoken::list(&dates))
            }
        }
    }
}
