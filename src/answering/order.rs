//! An answer to an alarm as it comes in a message.
//!
//! ```json
//! {"alarm": "dry-bed/kitchen-bed", "since": "2026-04-17T05:30:00Z", "answer": "shelve",
//!  "for": "2h", "once": true, "note": "the tap is being mended"}
//! ```
//!
//! `since` says which occurrence is answered, so that an answer that comes twice,
//! or late, changes nothing.

use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use serde::Deserialize;

use crate::alarms::{AlarmKey, AlarmNote, Answer, Finding};
use crate::alarms::{Input, Kind};
use crate::garden::plan::Site;
use crate::model::Id;

/// Bytes of a message at most.
pub const ORDER_MAX: usize = 8 * 1024;

/// Longest time for which an alarm may be put aside, days.
pub const SHELF_MAX_DAYS: i32 = 60;

/// How answers that come in messages came.
const HOW: &str = "mqtt";

/// Characters of what was given that an error shows.
const SHOWN: usize = 80;

/// Why a message is no answer.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OrderError {
    #[error("an answer of {0} bytes is longer than {ORDER_MAX}")]
    TooLong(usize),
    #[error(
        "the answer is not the JSON that is wanted ({0}): {{\"alarm\":\"KIND/PLACE\",\"since\":\"TIME\",\
         \"answer\":\"acknowledge\"}}, with \"for\" and \"once\" beside \"shelve\", and \"note\" where there is one"
    )]
    Json(String),
    #[error("{0:?} names no alarm: accepted is KIND/PLACE, such as dry-bed/kitchen-bed")]
    Alarm(String),
    #[error("since {0:?} is no time: accepted is the alarm's own since, such as 2026-04-17T05:30:00Z")]
    Since(String),
    #[error("answer {0:?} is not known: accepted is acknowledge, reset, shelve, unshelve, off, on or note")]
    Answer(String),
    #[error("for {0:?}: {1}")]
    Length(String, &'static str),
    #[error("shelve without \"for\": {0}")]
    NoLength(&'static str),
    #[error("{0:?} beside the answer {1:?}: it goes with shelve only")]
    OnlyShelve(&'static str, String),
    #[error(
        "found {0:?}: accepted is timer, hose or no-idea, beside acknowledge of watering-hours or water-left-on"
    )]
    Found(String),
    #[error("the answer note without a \"note\"")]
    NoNote,
    #[error("{0}")]
    Note(String),
}

/// The message's form.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OrderJson {
    alarm: String,
    since: String,
    answer: String,
    r#for: Option<String>,
    once: Option<bool>,
    note: Option<String>,
    found: Option<String>,
}

/// Reads a message that came for `site` at `arrival`.
///
/// # Errors
/// When it is not an answer, and why.
pub fn read_order(payload: &[u8], site: &Site, arrival: Timestamp) -> Result<Answer, OrderError> {
    if payload.len() > ORDER_MAX {
        return Err(OrderError::TooLong(payload.len()));
    }
    let wire: OrderJson =
        serde_json::from_slice(payload).map_err(|e| OrderError::Json(shown(&e.to_string())))?;
    let key = wire
        .alarm
        .split_once('/')
        .and_then(|(kind, place)| Some((Kind::from_name(kind)?, place)))
        .filter(|(_, place)| Id::is_valid(place))
        .map(|(kind, place)| AlarmKey { site: site.id.clone(), kind, place: Id::new(place) })
        .ok_or_else(|| OrderError::Alarm(shown(&wire.alarm)))?;
    let since = wire.since.parse().map_err(|_| OrderError::Since(shown(&wire.since)))?;
    let note = wire.note.as_deref().map_or(Ok(None), note).map_err(OrderError::Note)?;
    let note = match &wire.found {
        None => note,
        Some(found) => {
            let asked = key.kind.asks_found() && wire.answer == "acknowledge";
            let known = Finding::from_name(found).filter(|_| asked);
            let whole = known.ok_or_else(|| OrderError::Found(shown(found)))?.note(note.as_deref());
            AlarmNote::check(&whole).map_err(OrderError::Note)?;
            Some(whole)
        }
    };
    let input = match wire.answer.as_str() {
        "acknowledge" => Some(Input::Acknowledge),
        "reset" => Some(Input::Reset),
        "shelve" => {
            let accepted = shelf_accepted(key.kind);
            let length = wire.r#for.as_deref().ok_or(OrderError::NoLength(accepted))?;
            let until = shelf_end(key.kind, length, arrival, &site.time_zone)
                .ok_or_else(|| OrderError::Length(shown(length), accepted))?;
            Some(Input::Shelve { until, one_shot: wire.once.unwrap_or(false) })
        }
        "unshelve" => Some(Input::Unshelve),
        "off" => Some(Input::TakeOut),
        "on" => Some(Input::PutBack),
        "note" if note.is_none() => return Err(OrderError::NoNote),
        "note" => None,
        other => return Err(OrderError::Answer(shown(other))),
    };
    let shelves = matches!(input, Some(Input::Shelve { .. }));
    if let Some((what, _)) =
        [("for", wire.r#for.is_some()), ("once", wire.once.is_some())].into_iter().find(|(_, given)| *given)
        && !shelves
    {
        return Err(OrderError::OnlyShelve(what, wire.answer));
    }
    Ok(Answer { key, at: arrival, input, how: HOW.to_owned(), since: Some(since), note })
}

/// A note as it is kept: without space at either end; `None` where nothing is left.
///
/// # Errors
/// What is wrong with it, to show to the person who wrote it.
pub fn note(text: &str) -> Result<Option<String>, String> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    AlarmNote::check(text)?;
    Ok(Some(text.to_owned()))
}

/// The times for which an alarm of a kind may be put aside, in words.
pub fn shelf_accepted(kind: Kind) -> &'static str {
    match kind.shelf_most_s() {
        Some(_) => {
            "accepted is a time such as 30m or 2h, up to 2h: fish are at stake, so only whoever answers for them may put \
             it aside, while somebody is with them"
        }
        None => "accepted is a time such as 90m, 2h or 3d, up to 60d",
    }
}

/// The end of a length of time such as `90m`, `2h` or `3d` that begins now; days
/// are days of the garden's clock. `None` for what is no length, is not above zero,
/// or is longer than an alarm of the kind may be put aside.
pub fn shelf_end(kind: Kind, length: &str, now: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let span: Span = length.parse().ok()?;
    let start = now.to_zoned_datetime(zone.clone());
    let end = start.checked_add(span).ok()?.timestamp();
    let last = start.checked_add(Span::new().days(SHELF_MAX_DAYS)).ok()?.timestamp();
    let short = kind.shelf_most_s().is_none_or(|most_s| end.as_second() - now.as_second() <= most_s);
    (now < end && end <= last && short).then_some(end)
}

fn shown(text: &str) -> String {
    let mut chars = text.chars();
    let mut out: String = chars.by_ref().take(SHOWN).collect();
    if chars.next().is_some() {
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::model::LocalHours;

    fn site() -> Site {
        Site {
            id: Id::new("saltbush-gully"),
            name: "Saltbush Gully Primary School".into(),
            time_zone: TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database"),
            locale: crate::text::locale::Locale::default(),
            latitude_deg: -34.93,
            elevation_m: 95.0,
            watering_rules: LocalHours::new(vec![(0, 1440)]).into(),
            working_hours: LocalHours::new(vec![(0, 1440)]),
            holidays: Vec::new(),
        }
    }

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    fn read(text: &str) -> Result<Answer, OrderError> {
        read_order(text.as_bytes(), &site(), at("2026-04-17T06:00:00Z"))
    }

    fn with(rest: &str) -> Result<Answer, OrderError> {
        read(&format!(r#"{{"alarm":"dry-bed/kitchen-bed","since":"2026-04-17T05:30:00Z",{rest}}}"#))
    }

    #[test]
    fn every_answer_is_understood() {
        let until = at("2026-04-17T08:00:00Z");
        for (rest, input) in [
            (r#""answer":"acknowledge""#, Some(Input::Acknowledge)),
            (r#""answer":"reset""#, Some(Input::Reset)),
            (r#""answer":"shelve","for":"2h""#, Some(Input::Shelve { until, one_shot: false })),
            (r#""answer":"shelve","for":"120m","once":true"#, Some(Input::Shelve { until, one_shot: true })),
            (r#""answer":"unshelve""#, Some(Input::Unshelve)),
            (r#""answer":"off""#, Some(Input::TakeOut)),
            (r#""answer":"on""#, Some(Input::PutBack)),
            (r#""answer":"note","note":"seen""#, None),
        ] {
            let order = with(rest).unwrap_or_else(|e| panic!("{rest}: {e}"));
            assert_eq!(order.input, input, "{rest}");
            assert_eq!((order.at, order.how.as_str()), (at("2026-04-17T06:00:00Z"), "mqtt"));
            assert_eq!((order.key.site.as_str(), order.key.kind), ("saltbush-gully", Kind::DryBed));
            assert_eq!(
                (order.key.place.as_str(), order.since),
                ("kitchen-bed", Some(at("2026-04-17T05:30:00Z")))
            );
        }
        let order = with(r#""answer":"on","note":"  mended ""#).expect("an answer");
        assert_eq!(order.note.as_deref(), Some("mended"));
    }

    #[test]
    fn what_is_no_answer_is_refused_with_its_reason() {
        let long = format!(r#""answer":"note","note":"{}""#, "x".repeat(501));
        for (rest, words) in [
            (r#""answer":"acknowlege""#, "answer \"acknowlege\" is not known: accepted is acknowledge,"),
            (r#""answer":"shelve""#, "shelve without \"for\""),
            (
                r#""answer":"shelve","for":"61d""#,
                "for \"61d\": accepted is a time such as 90m, 2h or 3d, up to 60d",
            ),
            (r#""answer":"shelve","for":"-2h""#, "for \"-2h\""),
            (r#""answer":"acknowledge","for":"2h""#, "\"for\" beside the answer \"acknowledge\""),
            (r#""answer":"off","once":true"#, "\"once\" beside the answer \"off\""),
            (r#""answer":"note""#, "the answer note without a \"note\""),
            (r#""answer":"note","note":"  ""#, "the answer note without a \"note\""),
            (r#""answer":"note","note":"a\nb""#, "another control character"),
            (&long, "the note has 501 characters; accepted are at most 500"),
            (r#""answer":"acknowledge","pin":1"#, "unknown field `pin`"),
            (r#""answer":"acknowledge","answer":"reset""#, "duplicate field `answer`"),
            (r#""answer":true"#, "invalid type"),
            (r#""note":"x""#, "missing field `answer`"),
        ] {
            let why = with(rest).expect_err(rest).to_string();
            assert!(why.contains(words), "{rest}: {why}");
        }
        for (text, words) in [
            ("", "EOF while parsing"),
            ("on", "is not the JSON that is wanted"),
            ("[1,2]", "is not the JSON that is wanted"),
            (
                r#"{"alarm":"dry-bed","since":"2026-04-17T05:30:00Z","answer":"on"}"#,
                "\"dry-bed\" names no alarm",
            ),
            (r#"{"alarm":"damp-bed/x","since":"2026-04-17T05:30:00Z","answer":"on"}"#, "names no alarm"),
            (r#"{"alarm":"dry-bed/../x","since":"2026-04-17T05:30:00Z","answer":"on"}"#, "names no alarm"),
            (r#"{"alarm":"dry-bed/x","since":"yesterday","answer":"on"}"#, "since \"yesterday\" is no time"),
            (r#"{"alarm":"dry-bed/x","answer":"on"}"#, "missing field `since`"),
        ] {
            let why = read(text).expect_err(text).to_string();
            assert!(why.contains(words), "{text}: {why}");
        }
        let why =
            read_order(&vec![b'x'; ORDER_MAX + 1], &site(), Timestamp::UNIX_EPOCH).expect_err("too long");
        assert_eq!(why, OrderError::TooLong(ORDER_MAX + 1));
        let name = format!(r#"{{"{}":1}}"#, "n".repeat(5000));
        let why = read(&name).expect_err("an unknown name").to_string();
        assert!(why.len() < 500, "{why}");
    }

    #[test]
    fn a_length_of_time_ends_on_the_gardens_clock() {
        let now = at("2026-04-04T05:30:00Z");
        let end =
            |length: &str| shelf_end(Kind::DryBed, length, now, &site().time_zone).map(|at| at.to_string());
        assert_eq!(end("2h").as_deref(), Some("2026-04-04T07:30:00Z"));
        assert_eq!(end("90m").as_deref(), Some("2026-04-04T07:00:00Z"));
        // The clock goes back on the night of 5 April: the day has 25 hours.
        assert_eq!(end("1d").as_deref(), Some("2026-04-05T06:30:00Z"));
        assert!(end("60d").is_some());
        for length in ["", "soon", "-2h", "0h", "61d", "3 fortnights", "9999999999h"] {
            assert_eq!(end(length), None, "{length}");
        }
        for edge in [Timestamp::MIN, Timestamp::MAX] {
            let _ = shelf_end(Kind::DryBed, "1d", edge, &site().time_zone);
        }
    }

    #[test]
    fn an_alarm_about_fish_is_put_aside_for_two_hours_at_most() {
        let tank = |length: &str| {
            read(&format!(
                r#"{{"alarm":"low-oxygen/tank","since":"2026-04-17T05:30:00Z","answer":"shelve","for":"{length}"}}"#
            ))
        };
        assert!(tank("2h").is_ok() && tank("30m").is_ok());
        for length in ["121m", "1d", "7d"] {
            let why = tank(length).expect_err(length).to_string();
            assert!(why.contains("up to 2h") && why.contains("whoever answers for them"), "{why}");
        }
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_fail(payload in prop::collection::vec(any::<u8>(), 0..300)) {
            prop_assert!(read_order(&payload, &site(), Timestamp::UNIX_EPOCH).is_err());
        }

        #[test]
        fn no_values_make_it_fail(
            alarm in "[a-z/-]{0,30}|dry-bed/[a-z-]{1,10}", since in ".{0,30}|2026-0[1-9]-1[0-9]T0[0-9]:00:00Z",
            answer in "[a-z]{0,12}|shelve|off|note", length in ".{0,10}|[0-9]{1,19}[smhdwy]", text in ".{0,600}",
            once in any::<bool>(), second in -377_705_000_000_i64..253_402_000_000,
        ) {
            let payload = serde_json::json!({
                "alarm": alarm, "since": since, "answer": answer, "for": length, "once": once, "note": text,
            });
            let arrival = Timestamp::from_second(second).expect("in range");
            if let Ok(order) = read_order(payload.to_string().as_bytes(), &site(), arrival) {
                let later = matches!(order.input, Some(Input::Shelve { until, .. }) if until > arrival);
                prop_assert!(later, "{:?}", order);
            }
        }
    }
}
