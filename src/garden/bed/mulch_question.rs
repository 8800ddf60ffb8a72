//! What became of mulch that the garden's file plans: people are asked the day after, and
//! until they say that it was laid it was not.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::garden::log::LogEvent;
use crate::garden::plan::Mulch;
use crate::garden::site::SiteState;
use crate::garden::view::MulchQuestion;
use crate::text::spoken;

/// For so many days after the day it is asked whether mulch was laid: anybody can look
/// at the bed. Ours.
const ASKED_DAYS: i32 = 60;

/// Days ahead of a mulch day at which a bed that is not moist is told.
pub(crate) const MULCH_AHEAD_DAYS: i32 = 7;

/// What became of a planned mulch day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum MulchPlan {
    /// It is still to come, in so many days; 0: today.
    Ahead(i32),
    /// Somebody wrote down that it was laid, from a week before the day on.
    Laid,
    /// Somebody wrote down that it was not.
    NotLaid,
    /// Nobody has said, so many days after.
    NotKnown(i32),
}

/// Days from one date to another; far dates count as far.
pub(crate) fn days_until(from: Date, to: Date) -> i32 {
    to.since(from).map_or(i32::MAX, |span| span.get_days())
}

impl SiteState {
    /// What became of the mulch that is planned for a bed.
    pub(crate) fn mulch_plan(&self, index: u16, planned: Date, now: Timestamp) -> MulchPlan {
        let zone = &self.garden.site.time_zone;
        let place = &self.garden.bed(index).id;
        let date_of = |at: Timestamp| zone.to_datetime(at).date();
        let last = |wanted: fn(&LogEvent) -> bool| {
            let newest = self.log.newest(place, now, |what| wanted(what).then_some(()));
            newest.map(|(at, ())| days_until(date_of(at), planned))
        };
        // Days from the entry to the planned day.
        let laid = last(|what| matches!(what, LogEvent::MulchLaid { depth_mm } if *depth_mm > 0.0));
        let not_laid = last(|what| *what == LogEvent::MulchNotLaid);
        if laid.is_some_and(|days| days <= MULCH_AHEAD_DAYS) {
            return MulchPlan::Laid;
        }
        match days_until(date_of(now), planned) {
            days @ 0.. => MulchPlan::Ahead(days),
            _ if not_laid.is_some_and(|days| days <= 0) => MulchPlan::NotLaid,
            days => MulchPlan::NotKnown(-days),
        }
    }

    /// Was it laid? Of each bed whose mulch day is over and of which nobody has said.
    pub(crate) fn mulch_questions(&self, now: Timestamp) -> Vec<MulchQuestion> {
        let zone = &self.garden.site.time_zone;
        let mut questions = Vec::new();
        for (index, bed) in (0u16..).zip(&self.garden.beds) {
            let Some(Mulch { depth_mm, planned: Some(planned), .. }) = bed.mulch else { continue };
            let MulchPlan::NotKnown(1..=ASKED_DAYS) = self.mulch_plan(index, planned, now) else { continue };
            let Ok(at) = zone.to_timestamp(planned.at(12, 0, 0, 0)) else { continue };
            questions.push(MulchQuestion {
                bed: bed.id.clone(),
                name: bed.name.clone(),
                planned,
                depth_mm,
                at,
            });
        }
        questions
    }

    /// What became of a bed's planned mulch, in words, where the day is over.
    pub(crate) fn mulch_plan_words(&self, index: u16, planned: Date, now: Timestamp) -> Option<String> {
        let day = spoken::day(planned);
        match self.mulch_plan(index, planned, now) {
            MulchPlan::Ahead(_) | MulchPlan::Laid => None,
            MulchPlan::NotLaid => Some(format!(
                "Mulch was planned for {day} and was not laid. Give it a new day in the garden's file."
            )),
            MulchPlan::NotKnown(_) => Some(format!(
                "Mulch was planned for {day}. The Garden log does not say that it was laid, so the bed counts as bare."
            )),
        }
    }
}
