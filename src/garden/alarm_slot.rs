//! One alarm of one place as it stands, and the words that were last said.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::alarms::{AlarmKey, Answered, Values};
use crate::alarms::{Delays, Input, Kind, Life};
use crate::garden::plan::Garden;
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::site::plus;
use crate::model::Id;
use crate::watering::next_stretch;
use crate::why::Why;

/// Words of an alarm that stands are renewed after this, seconds.
const FRESH_S: i64 = 3600;

/// What an alarm says.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Said {
    pub(crate) text: String,
    pub(crate) values: Values,
    pub(crate) source: Cow<'static, str>,
    /// The equations behind the numbers.
    pub(crate) why: Why,
}

/// An alarm and its last words.
#[derive(Clone, Debug, Default)]
pub(crate) struct Standing {
    pub(crate) life: Life,
    /// When the state last changed, and the newest words.
    pub(crate) last: Option<Box<(Timestamp, Said)>>,
    /// The span in which those words are fresh; `None`: they come from the store.
    pub(crate) fresh: Option<(Timestamp, Timestamp)>,
}

impl Said {
    /// Words of a rule, with the numbers behind them.
    pub(crate) fn new(text: String, values: &[(&'static str, f64)], source: &'static str) -> Self {
        let values = values.iter().map(|&(name, value)| (Cow::Borrowed(name), value)).collect();
        Self { text, values, source: Cow::Borrowed(source), why: Why::new() }
    }

    /// The same words with the equations behind them.
    #[must_use]
    pub(crate) fn because(mut self, why: Why) -> Self {
        self.why = why;
        self
    }
}

/// Whose alarm it is.
pub(crate) struct Of<'a> {
    pub(crate) garden: &'a Garden,
    pub(crate) kind: Kind,
    pub(crate) place: &'a Id,
}

impl Standing {
    /// Why an answer to the occurrence that began at `since` is not one to this
    /// alarm as it stands; `None` where it is.
    pub(crate) fn not_of(&self, since: Timestamp, input: Option<Input>) -> Option<Answered> {
        match (self.life, self.life.since()) {
            // What is out of sight is brought back whatever its condition has done
            // meanwhile: nobody outside knows when that began.
            (Life::Hidden { .. }, _) if matches!(input, Some(Input::Unshelve | Input::PutBack)) => None,
            // A new breach that nobody has been told of is no occurrence yet.
            (Life::Pending { .. } | Life::Normal, _) | (_, None) => Some(Answered::Over),
            // The store and the links keep milliseconds.
            (_, Some(began)) if began.as_millisecond() == since.as_millisecond() => None,
            (_, Some(_)) => Some(Answered::OtherOccurrence),
        }
    }

    /// Takes one judgement. `say` is told whether the alarm is active after the
    /// step. It is asked for words when the published state changes, and now and
    /// then while the condition stands: litres and "before 9 am" grow old.
    pub(crate) fn step(
        &mut self,
        of: &Of<'_>,
        at: Timestamp,
        input: Input,
        delays: Delays,
        batch: &mut Batch,
        say: impl FnOnce(bool) -> Said,
    ) {
        let held = self.life.holds();
        let (life, step) = self.life.step(at, input, of.garden.rules.conducts.of(of.kind, delays));
        self.life = life;
        let Some(step) = step else {
            self.renew(of, at, input, held, say);
            return;
        };
        let said = match (&self.last, input) {
            // An answer repeats what was said, and so does a reminder.
            (Some(last), input) if input.is_answer() || input == Input::Time => last.1.clone(),
            _ => {
                self.fresh = Some((at, fresh_until(of, at)));
                say(step.to.is_active())
            }
        };
        batch.changes.push(AlarmChange {
            key: AlarmKey { site: of.garden.site.id.clone(), kind: of.kind, place: of.place.clone() },
            priority: of.garden.priority(of.kind),
            from: step.from,
            to: step.to,
            since: step.since,
            shelf: life.shelf(),
            at,
            text: said.text.clone(),
            values: said.values.clone(),
            source: said.source.clone(),
            why: said.why.clone(),
            how: None,
            tell: of
                .garden
                .tell
                .iter()
                .filter(|t| t.concerns(of.kind, of.place))
                .map(|t| t.who.clone())
                .collect(),
        });
        self.last = Some(Box::new((at, said)));
    }

    /// Renews the words where the published state stays. Nothing is told or kept,
    /// and the time of the last change stays. A hidden alarm's words follow its
    /// condition, so that they are true when it is shown again.
    fn renew(
        &mut self,
        of: &Of<'_>,
        at: Timestamp,
        input: Input,
        held: bool,
        say: impl FnOnce(bool) -> Said,
    ) {
        let holds = self.life.holds();
        let old = held != holds || self.fresh.is_none_or(|(from, until)| at < from || until <= at);
        let speaks = match input {
            Input::Breach => holds,
            Input::Deadband => holds && words_know_the_deadband(of.kind),
            Input::Clear => held && !holds,
            _ => false,
        };
        if !(old && speaks) {
            return;
        }
        let Some(last) = self.last.as_deref_mut() else { return };
        last.1 = say(holds);
        self.fresh = Some((at, fresh_until(of, at)));
    }
}

/// Kinds whose words are still right when the value is back inside its limit and
/// not yet past the deadband.
fn words_know_the_deadband(kind: Kind) -> bool {
    matches!(kind, Kind::DryBed | Kind::MulchOnDrySoil)
}

/// Until when words of `at` are fresh: an hour, and no longer than the local day
/// and the present stretch of hours in which water may or may not run.
fn fresh_until(of: &Of<'_>, at: Timestamp) -> Timestamp {
    let zone = &of.garden.site.time_zone;
    let midnight = zone
        .to_datetime(at)
        .date()
        .tomorrow()
        .ok()
        .and_then(|date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok());
    let edge = next_stretch(of.garden.watering_hours(of.place), zone, at)
        .map(|(from, to)| if from > at { from } else { to });
    [midnight, edge].into_iter().flatten().fold(plus(at, FRESH_S), Timestamp::min)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garden::plan::{RuleSettings, Site};
    use crate::model::LocalHours;
    use jiff::tz::TimeZone;

    /// A probe that speaks every second for a day: words are made 24 times for the
    /// hours, and for the three edges of the day that fall between them, at most.
    #[test]
    fn words_are_seldom_made() {
        let garden = Garden {
            site: Site {
                id: Id::new("school"),
                name: "School".to_owned(),
                time_zone: TimeZone::get("Australia/Adelaide").expect("bundled"),
                latitude_deg: -34.9,
                elevation_m: 50.0,
                watering_allowed: LocalHours::new(vec![(0, 540), (1080, 1440)]),
                working_hours: LocalHours::new(vec![]),
                holidays: vec![],
            },
            beds: vec![],
            tanks: vec![],
            sensors: vec![],
            gateways: Vec::new(),
            tell: vec![],
            rules: RuleSettings::default(),
            roof: None,
        };
        let place = Id::new("bed");
        let of = Of { garden: &garden, kind: Kind::DryBed, place: &place };
        let delays = Delays { deadband: 0.0, on_s: 0, off_s: 0 };
        let (mut standing, mut batch, mut made) = (Standing::default(), Batch::default(), 0);
        let start: Timestamp = "2026-04-07T01:10:00Z".parse().expect("a time");
        for second in 0..86_400 {
            standing.step(&of, plus(start, second), Input::Breach, delays, &mut batch, |active| {
                assert!(active);
                made += 1;
                Said::new(String::new(), &[], "")
            });
        }
        assert_eq!(batch.changes.len(), 1);
        assert!((24..=27).contains(&made), "{made}");
    }
}
