//! Sequences made by hand, each with what follows from the figure's definition:
//! nobody publishes worked examples of these figures.

use super::*;
use crate::alarms::Kind;
use crate::model::Id;
use proptest::prelude::*;

use State::{
    Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, OutOfService, ReturnedUnacknowledged,
    Shelved, Suppressed, Unacknowledged,
};

const DAY_S: i64 = 86_400;

/// 2026-04-07 at midnight in Adelaide, which is at a whole half hour of UTC.
fn t(s: i64) -> Timestamp {
    let zone = adelaide();
    let midnight = zone.to_timestamp(jiff::civil::date(2026, 4, 7).at(0, 0, 0, 0)).expect("a moment");
    midnight + SignedDuration::from_secs(s)
}

fn adelaide() -> TimeZone {
    TimeZone::get("Australia/Adelaide").expect("bundled")
}

fn key(kind: Kind, place: &str) -> AlarmKey {
    AlarmKey { site: Id::new("school"), kind, place: Id::new(place) }
}

fn step(place: &str, at_s: i64, from: State, to: State) -> StateChange {
    let key = key(Kind::DryBed, place);
    StateChange {
        key,
        from,
        to,
        since: t(at_s),
        at: t(at_s),
        by_person: false,
        tell: vec!["grounds".to_owned()],
    }
}

fn by_person(place: &str, at_s: i64, from: State, to: State) -> StateChange {
    StateChange { by_person: true, ..step(place, at_s, from, to) }
}

/// Raised at `from_s` and over at `to_s`, unanswered.
fn stand(place: &str, from_s: i64, to_s: i64) -> [StateChange; 2] {
    [step(place, from_s, Normal, Unacknowledged), step(place, to_s, Unacknowledged, ReturnedUnacknowledged)]
}

fn figures_of(history: &History, from_s: i64, to_s: i64) -> Figures {
    let period = Period { from: t(from_s), to: t(to_s) };
    Figures::of(history, None, period, &adelaide(), |key| key.kind.priority())
}

fn over_days(days: i64, changes: Vec<StateChange>) -> Figures {
    figures_of(&History { changes, ..History::default() }, 0, days * DAY_S)
}

#[test]
fn without_a_history_there_is_nothing() {
    let none = over_days(30, vec![]);
    assert_eq!((none.raised, none.ten_minutes_most, none.standing_most, none.waiting), (0, 0, 0, 0));
    assert_eq!((none.spans, none.an_hour()), (30 * 144, Some(0.0)));
    assert_eq!((none.frequent_part(), none.answered_within(0.5)), (None, None));
    // A period that ends before it begins.
    let backwards = figures_of(&History::default(), 10, 0);
    assert_eq!((backwards.spans, backwards.an_hour()), (0, None));
}

#[test]
fn each_call_for_a_person_counts() {
    let changes = vec![
        step("a", 0, Normal, Unacknowledged),
        by_person("a", 3600, Unacknowledged, Acknowledged),
        // A reminder, and one that comes off its shelf.
        step("a", 7200, Acknowledged, Unacknowledged),
        by_person("a", 9000, Unacknowledged, Shelved),
        step("a", 20_000, Shelved, Unacknowledged),
        step("a", 30_000, Unacknowledged, ReturnedUnacknowledged),
        step("a", 31_000, ReturnedUnacknowledged, Unacknowledged),
    ];
    let figures = over_days(2, changes);
    assert_eq!((figures.raised, figures.by_priority), (4, [0, 4, 0]));
    assert_eq!(figures.an_hour(), Some(4.0 / 48.0));
    // The two answers, and the two calls since that nobody has answered are one.
    assert_eq!((figures.answered_s.as_slice(), figures.waiting), (&[1800, 3600][..], 1));
    assert_eq!(figures.frequent, [(key(Kind::DryBed, "a"), 4)]);
}

#[test]
fn the_worst_ten_minutes_may_lie_across_two_spans() {
    // Eleven from minute 5 to minute 15, a second apart in two groups.
    let changes: Vec<_> = (0..11)
        .flat_map(|n| stand(&format!("p{n}"), if n < 6 { 540 + n } else { 600 + n }, 5000 + n))
        .collect();
    let figures = over_days(1, changes);
    assert_eq!((figures.ten_minutes_most, figures.spans_busy), (11, 0));
    // Exactly ten minutes apart is not within ten minutes.
    let apart = over_days(1, [stand("a", 0, 10), stand("b", 600, 610)].concat());
    assert_eq!(apart.ten_minutes_most, 1);
}

/// Eleven in the first span, then 5, 9, 4 and 9: the flood is the first three spans.
#[test]
fn a_flood_begins_above_ten_and_ends_below_five() {
    let mut changes = vec![];
    for (span, count) in [11, 5, 9, 4, 9].into_iter().enumerate() {
        for n in 0..count {
            changes.push(step(&format!("p{span}-{n}"), span as i64 * 600 + n, Normal, Unacknowledged));
        }
    }
    let figures = over_days(1, changes);
    assert_eq!((figures.spans, figures.spans_busy, figures.spans_flood), (144, 1, 3));
    // Ten is no flood, and one span without any ends it.
    let ten = (0..10).map(|n| step(&format!("p{n}"), n, Normal, Unacknowledged)).collect();
    assert_eq!(over_days(1, ten).spans_flood, 0);
    let gap: Vec<_> = (0..11)
        .map(|n| step(&format!("p{n}"), n, Normal, Unacknowledged))
        .chain((0..9).map(|n| step(&format!("q{n}"), 1200 + n, Normal, Unacknowledged)))
        .collect();
    assert_eq!(over_days(1, gap).spans_flood, 1);
}

#[test]
fn three_times_in_a_minute_is_chattering() {
    let thrice = |second_s, third_s| {
        [stand("a", 0, 12), stand("a", second_s, second_s + 12), stand("a", third_s, third_s + 12)].concat()
    };
    assert_eq!(over_days(1, thrice(30, 60)).chattering, 1);
    assert_eq!(over_days(1, thrice(30, 61)).chattering, 0);
    // Three alarms once each do not chatter.
    assert_eq!(over_days(1, [stand("a", 0, 1), stand("b", 1, 2), stand("c", 2, 3)].concat()).chattering, 0);
}

#[test]
fn more_than_five_changes_in_five_minutes() {
    let three = [stand("a", 0, 60), stand("a", 120, 180), stand("a", 240, 300)].concat();
    assert_eq!(over_days(1, three.clone()).changing, 1);
    assert_eq!(over_days(1, three[..5].to_vec()).changing, 0);
    let answered = three.into_iter().map(|c| StateChange { by_person: true, ..c }).collect();
    assert_eq!(over_days(1, answered).changing, 0);
}

#[test]
fn short_and_alone_is_fleeting() {
    let fleeting = |changes: &[[StateChange; 2]]| over_days(1, changes.concat()).fleeting;
    assert_eq!(fleeting(&[stand("a", 0, 9)]), 1);
    assert_eq!(fleeting(&[stand("a", 0, 10)]), 0);
    // Two within a minute of each other are a repeat, whichever was short.
    assert_eq!(fleeting(&[stand("a", 0, 9), stand("a", 69, 75)]), 0);
    assert_eq!(fleeting(&[stand("a", 0, 9), stand("a", 71, 75)]), 2);
    assert_eq!(fleeting(&[stand("a", 0, 9), stand("b", 20, 25)]), 2);
    // Taken out of sight by a person: nothing is known of its length.
    let shelved = [step("a", 0, Normal, Unacknowledged), by_person("a", 5, Unacknowledged, Shelved)];
    assert_eq!(fleeting(&[shelved]), 0);
}

#[test]
fn what_stands_longer_than_a_day_is_counted_by_the_local_day() {
    // Raised at midday; on the next day it has stood for a day at midday.
    let noon = DAY_S / 2;
    let one = |to_s| over_days(5, stand("a", noon, to_s).to_vec());
    assert_eq!(one(noon + DAY_S).standing_most, 0);
    assert_eq!(one(noon + DAY_S + 1).standing_most, 1);
    // Two that are never too long on the same day.
    let apart = [stand("a", noon, noon + DAY_S + 60), stand("b", noon + DAY_S, noon + 2 * DAY_S + 60)];
    assert_eq!(over_days(5, apart.concat()).standing_most, 1);
    let together = [stand("a", noon, noon + DAY_S + 60), stand("b", noon + 600, noon + 3 * DAY_S)];
    assert_eq!(over_days(5, together.concat()).standing_most, 2);
    // One that comes twice on a day counts once.
    let again = [stand("a", 0, DAY_S + 60), stand("a", DAY_S + 90, 2 * DAY_S + 100)];
    assert_eq!(over_days(5, again.concat()).standing_most, 1);
    // Marked as seen it goes on standing; put aside it does not.
    let seen = vec![
        step("a", 0, Normal, Unacknowledged),
        by_person("a", 60, Unacknowledged, Acknowledged),
        step("b", 0, Normal, Unacknowledged),
        by_person("b", 60, Unacknowledged, Shelved),
    ];
    let seen = over_days(3, seen);
    assert_eq!((seen.standing_most, seen.standing_now), (1, 1));
}

#[test]
fn alarms_that_stand_at_the_beginning_count_on() {
    let raised = step("a", -10 * DAY_S, Normal, Unacknowledged);
    let history = History {
        before: vec![raised.clone()],
        changes: vec![by_person("a", 3600, Unacknowledged, Acknowledged)],
        notes: vec![],
    };
    let figures = figures_of(&history, 0, 2 * DAY_S);
    assert_eq!((figures.raised, figures.standing_most, figures.standing_now), (0, 1, 1));
    assert_eq!(figures.answered_s, [10 * DAY_S + 3600]);
    // Its earlier steps may be gone: the step itself tells since when it stood.
    let gone = History { before: vec![], ..history };
    let mut changes = gone.changes.clone();
    changes[0].since = t(-10 * DAY_S);
    let figures = figures_of(&History { changes, ..gone }, 0, 2 * DAY_S);
    assert_eq!((figures.standing_most, figures.answered_s.as_slice()), (1, &[10 * DAY_S + 3600][..]));
    // Nothing happened in the period at all.
    let still = History { before: vec![raised], ..History::default() };
    let figures = figures_of(&still, 0, DAY_S);
    assert_eq!((figures.standing_now, figures.waiting, figures.raised), (1, 1, 0));
}

#[test]
fn the_ten_most_frequent() {
    let mut changes = vec![];
    for place in 0..12 {
        for n in 0..=place {
            changes.extend(stand(
                &format!("p{place:02}"),
                place * 4000 + n * 200,
                place * 4000 + n * 200 + 100,
            ));
        }
    }
    let figures = over_days(1, changes);
    // 12 + 11 + ... + 3 of 12 + 11 + ... + 1.
    assert_eq!((figures.raised, figures.different, figures.frequent.len()), (78, 12, 10));
    assert_eq!(figures.frequent_part(), Some(75.0 / 78.0));
    assert_eq!(figures.frequent[0], (key(Kind::DryBed, "p11"), 12));
}

#[test]
fn half_and_nine_tenths_of_the_answers() {
    let changes = (0..10)
        .flat_map(|n| {
            let place = format!("p{n}");
            [
                step(&place, 0, Normal, Unacknowledged),
                by_person(&place, (n + 1) * 60, Unacknowledged, Acknowledged),
            ]
        })
        .collect();
    let figures = over_days(1, changes);
    assert_eq!(figures.answered_within(0.5), Some(300));
    assert_eq!(figures.answered_within(0.9), Some(540));
    assert_eq!(figures.answered_within(1.0), Some(600));
}

#[test]
fn an_answer_after_its_end_counts_and_the_plans_silence_does_not() {
    let changes = vec![
        step("a", 0, Normal, Unacknowledged),
        step("a", 100, Unacknowledged, LatchedUnacknowledged),
        by_person("a", 500, LatchedUnacknowledged, LatchedAcknowledged),
        step("b", 0, Normal, Unacknowledged),
        step("b", 50, Unacknowledged, Suppressed),
    ];
    let figures = over_days(1, changes);
    assert_eq!((figures.answered_s.as_slice(), figures.waiting), (&[500][..], 0));
}

#[test]
fn hidden_ones_want_a_word() {
    let changes = vec![
        step("plan", 0, Normal, Suppressed),
        by_person("word", 100, Normal, OutOfService),
        by_person("silent", 100, Normal, Shelved),
        by_person("back", 100, Normal, Shelved),
        step("back", 200, Shelved, Normal),
    ];
    let notes = vec![(key(Kind::DryBed, "word"), t(90)), (key(Kind::DryBed, "silent"), t(-5000))];
    let figures = figures_of(&History { changes, notes, ..History::default() }, 0, DAY_S);
    assert_eq!((figures.hidden, figures.hidden_without_reason), ([1, 1, 1], 1));
}

#[test]
fn a_group_has_its_own_figures() {
    let mut fish = stand("tank", 0, 100);
    for change in &mut fish {
        change.tell = vec!["teacher".to_owned()];
    }
    let changes = [stand("a", 0, 10), fish].concat();
    let history = History { changes, ..History::default() };
    let period = Period { from: t(0), to: t(DAY_S) };
    let of = |who| Figures::of(&history, who, period, &adelaide(), |key| key.kind.priority()).raised;
    assert_eq!((of(None), of(Some("teacher")), of(Some("grounds")), of(Some("nobody"))), (2, 1, 1, 0));
}

fn any_history() -> impl Strategy<Value = Vec<StateChange>> {
    let one = (0usize..4, 0i64..20_000, 0usize..9, 0usize..9, any::<bool>());
    prop::collection::vec(one, 0..120).prop_map(|steps| {
        let mut at_s = 0;
        let mut states = [Normal; 4];
        steps
            .into_iter()
            .map(|(place, wait_s, to, other, by_person)| {
                // Mostly a life that goes on from where it was, now and then a gap in it.
                at_s += if wait_s % 3 == 0 { wait_s % 40 } else { wait_s };
                let from = if other == 0 { State::ALL[other] } else { states[place] };
                states[place] = State::ALL[to];
                StateChange { by_person, ..step(&format!("p{place}"), at_s, from, State::ALL[to]) }
            })
            .collect()
    })
}

proptest! {
    /// What is a count of moments is the same in one period and in its two halves,
    /// wherever a whole ten minutes divides it.
    #[test]
    fn figures_add_up(changes in any_history(), cut in 0i64..2000) {
        let end_s = 2000 * 600;
        let cut_s = cut * 600;
        let whole = figures_of(&History { changes: changes.clone(), ..History::default() }, 0, end_s);
        let mut last: BTreeMap<AlarmKey, StateChange> = BTreeMap::new();
        for change in changes.iter().filter(|c| c.at < t(cut_s)) {
            last.insert(change.key.clone(), change.clone());
        }
        let before = last.into_values().collect();
        let first = figures_of(&History { changes: changes.clone(), ..History::default() }, 0, cut_s);
        let second = figures_of(&History { before, changes, notes: vec![] }, cut_s, end_s);
        prop_assert_eq!(whole.raised, first.raised + second.raised);
        prop_assert_eq!(whole.spans, first.spans + second.spans);
        prop_assert_eq!(whole.spans_busy, first.spans_busy + second.spans_busy);
        prop_assert_eq!(whole.answered_s.len(), first.answered_s.len() + second.answered_s.len());
        prop_assert_eq!(whole.waiting, second.waiting);
        prop_assert_eq!(whole.hidden, second.hidden);
        for p in 0..3 {
            prop_assert_eq!(whole.by_priority[p], first.by_priority[p] + second.by_priority[p]);
        }
        prop_assert!(whole.ten_minutes_most >= first.ten_minutes_most.max(second.ten_minutes_most));
        prop_assert!(whole.spans_flood >= whole.spans_busy && whole.spans_flood <= whole.spans);
        prop_assert!(whole.by_priority.iter().sum::<usize>() == whole.raised);
    }

    /// Any order, any period, any times: an answer and no panic.
    #[test]
    fn no_history_is_too_odd(
        changes in any_history(),
        shift in prop::collection::vec(prop_oneof![Just(i64::MIN), Just(i64::MAX), -1_000_000i64..1_000_000], 120),
        from in any::<i64>(),
        to in any::<i64>(),
    ) {
        let at = |s: i64| Timestamp::from_second(s.clamp(-377_705_023_200, 253_402_207_199)).expect("in range");
        let changes: Vec<_> = changes
            .into_iter()
            .zip(shift)
            .map(|(c, s)| StateChange { at: at(t(0).as_second().saturating_add(s)), since: at(s), ..c })
            .collect();
        let history = History { before: changes.clone(), changes, notes: vec![] };
        let figures =
            Figures::of(&history, None, Period { from: at(from), to: at(to) }, &adelaide(), |key| key.kind.priority());
        prop_assert!(figures.raised <= history.changes.len());
    }
}
