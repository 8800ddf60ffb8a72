//! Water by a schedule that does not run.
//!
//! The simulator does not read what a garden's file says of its timers, so telling is
//! neither right nor wrong: a daemon that knows of the timer may tell from the first run
//! that fails until the next that does not.

use super::{DAY_S, Judge};
use crate::calendar::instant_s;
use crate::plan::Plan;
use crate::school::School;
use crate::window::Stretch;

const NOTE: &str =
    "its scheduled water does not run; it can be told where the garden's file has the timer's program";

impl Judge {
    /// Notes each time in which a schedule fails, up to the end.
    pub(super) fn schedules_that_fail(&mut self, school: &School, plan: &Plan, now_s: i64) {
        for (bed, schedule) in &plan.schedules {
            for failure in &schedule.fails {
                let mut runs = Vec::new();
                let mut day = schedule.first;
                while day <= failure.to {
                    if day >= failure.from {
                        runs.push(instant_s(&school.time_zone, day.to_datetime(schedule.at)));
                    }
                    let Ok(next) =
                        day.checked_add(jiff::Span::new().days(i64::from(schedule.every_days.max(1))))
                    else {
                        break;
                    };
                    day = next;
                }
                let (Some(&from_s), Some(&last_s)) = (runs.first(), runs.last()) else { continue };
                let to_s = (last_s + i64::from(schedule.every_days) * DAY_S).min(now_s);
                if from_s < now_s {
                    let place = school.beds[*bed].id.clone();
                    self.find("watering-missed", &place, Stretch { from_s, to_s, must: false }, NOTE);
                }
            }
        }
    }
}
