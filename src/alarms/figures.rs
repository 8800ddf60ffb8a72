//! How the alarms of a garden do: how often people are called, whether it is too
//! often, and whether somebody comes.
//!
//! The figures are those of ANSI/ISA-18.2-2016 clause 16 (IEC 62682 has the same);
//! [`targets`](super::targets) holds what the standard wants of each. Every figure
//! counts alarms as they are raised: each step to `unacknowledged` calls for a
//! person, so a reminder and one that comes off its shelf count too. Ten-minute
//! spans begin at the whole ten minutes of UTC, which are those of the local clock
//! in nearly every zone.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::targets::{
    BUSY_ABOVE, CHANGES_ABOVE, CHANGES_WITHIN_S, CHATTER_TIMES, CHATTER_WITHIN_S, FLEETING_ALONE_S,
    FLEETING_S, FLOOD_ENDS, STANDING_S, TEN_MINUTES_S,
};
use super::{Priority, State};
use crate::alarms::AlarmKey;

/// A span of time, `[from, to)`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Period {
    pub from: Timestamp,
    pub to: Timestamp,
}

impl Period {
    /// Seconds, never below 0.
    pub fn length_s(self) -> f64 {
        (self.to.as_millisecond() as f64 - self.from.as_millisecond() as f64).max(0.0) / 1000.0
    }

    /// Whether nothing can be in it.
    pub fn is_empty(self) -> bool {
        self.to <= self.from
    }
}

/// One step of an alarm, as far as the figures need it.
#[derive(Clone, Debug, PartialEq)]
pub struct StateChange {
    pub key: AlarmKey,
    pub from: State,
    pub to: State,
    /// When the condition began.
    pub since: Timestamp,
    pub at: Timestamp,
    /// Whether a person's answer made it.
    pub by_person: bool,
    /// The groups whom it concerned.
    pub tell: Vec<String>,
}

/// What happened to the alarms of one garden in a period.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// Each alarm's last step before the period.
    pub before: Vec<StateChange>,
    /// The steps of the period, in their order.
    pub changes: Vec<StateChange>,
    /// Which alarms people have said something about, and when.
    pub notes: Vec<(AlarmKey, Timestamp)>,
}

/// The figures of one garden or of one group, over a period.
#[derive(Clone, Debug, PartialEq)]
pub struct Figures {
    pub period: Period,
    /// Alarms raised.
    pub raised: usize,
    /// The same by priority: low, medium, high.
    pub by_priority: [usize; 3],
    /// The most that were raised in any ten minutes.
    pub ten_minutes_most: usize,
    /// Ten-minute spans that the period touches.
    pub spans: usize,
    /// Spans with more than ten.
    pub spans_busy: usize,
    /// Spans that belong to a flood.
    pub spans_flood: usize,
    /// Alarms that were raised three times or more in a minute.
    pub chattering: usize,
    /// Alarms that changed more than five times in five minutes by themselves.
    pub changing: usize,
    /// Times that an alarm was over in less than ten seconds and did not come again.
    pub fleeting: usize,
    /// The most alarms that stood for more than a day, on any local day.
    pub standing_most: usize,
    /// Alarms that stand for more than a day at the end.
    pub standing_now: usize,
    /// Different alarms that were raised.
    pub different: usize,
    /// The ten raised most often, and how often.
    pub frequent: Vec<(AlarmKey, usize)>,
    /// Seconds until somebody answered, in order of length.
    pub answered_s: Vec<i64>,
    /// Alarms that wait for an answer at the end.
    pub waiting: usize,
    /// Alarms at the end that are shelved, kept quiet by the plan, out of service.
    pub hidden: [usize; 3],
    /// Alarms that a person has hidden without a word.
    pub hidden_without_reason: usize,
}

/// One alarm on its way through the period.
#[derive(Default)]
struct Track {
    state: Option<State>,
    /// When it was last hidden, and whether by a person.
    hidden: Option<(Timestamp, bool)>,
    /// Since when it stands in people's sight.
    stands: Option<Timestamp>,
    /// The last day of the stands counted so far.
    counted_to: Option<Date>,
    /// The first call that nobody has answered.
    waits: Option<Timestamp>,
    raised: Vec<Timestamp>,
    /// Steps that no person made.
    changed: Vec<Timestamp>,
    /// The end of the last stand; whether that stand was short and alone so far.
    over: Option<(Timestamp, bool)>,
}

/// Counts that the tracks share.
struct AlarmCounts<'a> {
    period: Period,
    zone: &'a TimeZone,
    raised: Vec<Timestamp>,
    fleeting: usize,
    answered_s: Vec<i64>,
    /// By how much more alarms stand for more than a day from that day on.
    standing: BTreeMap<Date, i64>,
}

impl Figures {
    /// The figures of a garden; with `who`, of what concerned that group.
    /// `priority` is what the garden gives a kind.
    pub fn of(
        history: &History,
        who: Option<&str>,
        period: Period,
        zone: &TimeZone,
        priority: impl Fn(&AlarmKey) -> Priority,
    ) -> Self {
        let concerns =
            |change: &&StateChange| who.is_none_or(|who| change.tell.iter().any(|group| group == who));
        let mut counts = AlarmCounts {
            period,
            zone,
            raised: Vec::new(),
            fleeting: 0,
            answered_s: Vec::new(),
            standing: BTreeMap::new(),
        };
        let mut tracks: BTreeMap<&AlarmKey, Track> = BTreeMap::new();
        for change in history.before.iter().filter(concerns).filter(|c| c.at < period.from) {
            tracks.insert(&change.key, Track::before(change));
        }
        let mut by_priority = [0; 3];
        let inside = |c: &&StateChange| period.from <= c.at && c.at < period.to;
        for change in history.changes.iter().filter(concerns).filter(inside) {
            if tracks.entry(&change.key).or_default().take(change, &mut counts) {
                by_priority[priority(&change.key) as usize] += 1;
            }
        }
        for track in tracks.values_mut() {
            track.end(&mut counts);
        }

        let AlarmCounts { mut raised, fleeting, mut answered_s, standing, .. } = counts;
        raised.sort_unstable();
        answered_s.sort_unstable();
        let (spans, spans_busy, spans_flood) = spans(&raised, period);
        let mut frequent: Vec<_> = tracks
            .iter()
            .filter(|(_, track)| !track.raised.is_empty())
            .map(|(key, track)| ((*key).clone(), track.raised.len()))
            .collect();
        let different = frequent.len();
        // Stable: equals stay in the order of their names.
        frequent.sort_by_key(|(_, times)| std::cmp::Reverse(*times));
        frequent.truncate(10);
        let in_state = |state: State| tracks.values().filter(|track| track.state == Some(state)).count();
        let without_reason = |(key, track): &(&&AlarmKey, &Track)| {
            let Some((at, true)) = track.hidden else { return false };
            // A word that was left a moment before counts as well.
            let from = at.saturating_sub(SignedDuration::from_mins(10)).unwrap_or(at);
            !history.notes.iter().any(|(of, when)| of == **key && from <= *when)
        };
        Self {
            period,
            raised: raised.len(),
            by_priority,
            ten_minutes_most: most_within(&raised, TEN_MINUTES_S),
            spans,
            spans_busy,
            spans_flood,
            chattering: often(&tracks, |t| happened(&t.raised, CHATTER_TIMES, CHATTER_WITHIN_S)),
            changing: often(&tracks, |t| happened(&t.changed, CHANGES_ABOVE + 1, CHANGES_WITHIN_S)),
            fleeting,
            standing_most: most_standing(&standing),
            standing_now: tracks
                .values()
                .filter_map(|track| track.stands)
                .filter(|stands| long(*stands) < period.to)
                .count(),
            different,
            frequent,
            answered_s,
            waiting: tracks.values().filter(|track| track.waits.is_some()).count(),
            hidden: [State::Shelved, State::Suppressed, State::OutOfService].map(in_state),
            hidden_without_reason: tracks.iter().filter(without_reason).count(),
        }
    }

    /// Alarms raised an hour; `None` without a time.
    pub fn an_hour(&self) -> Option<f64> {
        let hours = self.period.length_s() / 3600.0;
        (hours > 0.0).then(|| self.raised as f64 / hours)
    }

    /// The part of all that the ten most frequent alarms make; `None` where none was
    /// raised.
    pub fn frequent_part(&self) -> Option<f64> {
        let ten: usize = self.frequent.iter().map(|(_, times)| times).sum();
        (self.raised > 0).then(|| ten as f64 / self.raised as f64)
    }

    /// Seconds within which a part (0 to 1) of the answers came, by the nearest rank.
    pub fn answered_within(&self, part: f64) -> Option<i64> {
        let rank = (part.clamp(0.0, 1.0) * self.answered_s.len() as f64).ceil() as usize;
        self.answered_s.get(rank.saturating_sub(1)).copied()
    }
}

impl Track {
    /// An alarm as it stood when the period began. Where the moment at which it was
    /// raised is not known any more, that of its condition stands for it: one on-delay
    /// before.
    fn before(change: &StateChange) -> Self {
        let mut track = Self { state: Some(change.to), ..Self::default() };
        let began = match change.to {
            State::Unacknowledged if !change.from.is_active() => change.at,
            _ => change.since.min(change.at),
        };
        track.stands = change.to.is_active().then_some(began);
        track.waits = change.to.waits().then_some(began);
        track.hidden = change.to.is_hidden().then_some((change.at, change.by_person));
        track
    }

    /// Takes a step; whether it raised the alarm.
    fn take(&mut self, change: &StateChange, counts: &mut AlarmCounts<'_>) -> bool {
        let (at, to) = (change.at, change.to);
        let from = self.state.unwrap_or(change.from);
        if self.state.is_none() && from.is_active() {
            // Its earlier steps are not kept any more.
            self.stands = Some(change.since.min(at));
        }
        if self.state.is_none() && from.waits() {
            self.waits = Some(change.since.min(at));
        }
        self.state = Some(to);
        if !change.by_person {
            self.changed.push(at);
        }
        let raised = to == State::Unacknowledged && from != State::Unacknowledged;
        if raised {
            self.raised.push(at);
            counts.raised.push(at);
        }
        if to.waits() {
            self.waits = self.waits.or(Some(at));
        }
        if to.is_active() {
            if self.stands.is_none() {
                let alone = self.over.is_none_or(|(over, _)| seconds(over, at) > FLEETING_ALONE_S);
                // What came soon before was no fleeting one, and neither is this.
                if alone && matches!(self.over, Some((_, true))) {
                    counts.fleeting += 1;
                }
                self.over = Some((at, alone));
                self.stands = Some(at);
            }
        } else if let Some(stands) = self.stands.take() {
            self.count_standing(stands, at, counts);
            let short = seconds(stands, at) < FLEETING_S && !change.by_person && !to.is_hidden();
            let alone = self.over.is_some_and(|(_, alone)| alone);
            self.over = Some((at, short && alone));
        }
        self.hidden = match (to.is_hidden(), self.hidden) {
            (false, _) => None,
            (true, _) if from == to => self.hidden,
            (true, _) => Some((at, change.by_person)),
        };
        if !to.waits() {
            let since = self.waits.take();
            // Where the plan took it out of sight nobody is asked any more.
            counts.answered_s.extend(since.filter(|_| change.by_person).map(|s| seconds(s, at).max(0)));
        }
        raised
    }

    /// The period is over.
    fn end(&mut self, counts: &mut AlarmCounts<'_>) {
        self.raised.sort_unstable();
        self.changed.sort_unstable();
        match (self.stands, self.over) {
            (Some(stands), _) => self.count_standing(stands, counts.period.to, counts),
            (None, Some((_, true))) => counts.fleeting += 1,
            (None, _) => {}
        }
    }

    /// Counts the local days on which it stood for more than a day already, each once.
    fn count_standing(&mut self, stands: Timestamp, until: Timestamp, counts: &mut AlarmCounts<'_>) {
        let from = long(stands).max(counts.period.from);
        let until = until.min(counts.period.to);
        if until <= from {
            return;
        }
        let last = until.saturating_sub(SignedDuration::from_millis(1)).unwrap_or(until);
        let day = |at| counts.zone.to_datetime(at).date();
        let (mut first, last) = (day(from), day(last).max(day(from)));
        if let Some(counted) = self.counted_to.filter(|counted| *counted >= first) {
            first = counted.tomorrow().unwrap_or(counted);
        }
        if first <= last {
            *counts.standing.entry(first).or_default() += 1;
            *counts.standing.entry(last.tomorrow().unwrap_or(last)).or_default() -= 1;
            self.counted_to = Some(last);
        }
    }
}

/// The moment from which an alarm has stood for too long.
fn long(stands: Timestamp) -> Timestamp {
    stands.saturating_add(SignedDuration::from_secs(STANDING_S)).unwrap_or(stands)
}

/// Whole seconds from one moment to another, rounded down.
fn seconds(from: Timestamp, to: Timestamp) -> i64 {
    to.as_millisecond().saturating_sub(from.as_millisecond()).div_euclid(1000)
}

fn most_standing(days: &BTreeMap<Date, i64>) -> usize {
    let mut now = 0;
    let most = days.values().map(|more| {
        now += more;
        now
    });
    usize::try_from(most.max().unwrap_or(0)).unwrap_or(0)
}

/// The most moments of a sorted list in any stretch shorter than `within_s`.
fn most_within(sorted: &[Timestamp], within_s: i64) -> usize {
    let (mut first, mut most) = (0, 0);
    for (last, at) in sorted.iter().enumerate() {
        while at.as_millisecond() - sorted[first].as_millisecond() >= within_s * 1000 {
            first += 1;
        }
        most = most.max(last + 1 - first);
    }
    most
}

/// Whether `times` moments of a sorted list lie within `within_s` of each other.
fn happened(sorted: &[Timestamp], times: usize, within_s: i64) -> bool {
    sorted
        .windows(times.max(1))
        .any(|few| few[few.len() - 1].as_millisecond() - few[0].as_millisecond() <= within_s * 1000)
}

fn often(tracks: &BTreeMap<&AlarmKey, Track>, is: impl Fn(&Track) -> bool) -> usize {
    tracks.values().filter(|track| is(track)).count()
}

/// Ten-minute spans of the period: all, those with more than ten alarms, those in a
/// flood. A flood begins with a span of more than ten and ends with one of fewer than
/// five, which no longer belongs to it.
fn spans(sorted: &[Timestamp], period: Period) -> (usize, usize, usize) {
    let span = |at: Timestamp| at.as_second().div_euclid(TEN_MINUTES_S);
    if period.is_empty() {
        return (0, 0, 0);
    }
    let last = period.to.saturating_sub(SignedDuration::from_millis(1)).unwrap_or(period.to);
    let all = usize::try_from(span(last) - span(period.from) + 1).unwrap_or(0);
    let mut counted: BTreeMap<i64, usize> = BTreeMap::new();
    for at in sorted {
        *counted.entry(span(*at)).or_default() += 1;
    }
    let (mut busy, mut flood, mut flooded) = (0, 0, None);
    for (&number, &count) in &counted {
        let goes_on = flooded == Some(number - 1) && count >= FLOOD_ENDS;
        if count > BUSY_ABOVE || goes_on {
            flood += 1;
            flooded = Some(number);
        }
        busy += usize::from(count > BUSY_ABOVE);
    }
    (all, busy, flood)
}

#[cfg(test)]
mod tests;
