//! Where a list goes on: texts that only the interface reads.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use crate::export::RecordMark;

/// A place in a list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cursor {
    /// Behind a reading.
    Reading(RecordMark),
    /// At the first moment at which a bin may begin, milliseconds since 1970.
    Bin(i64),
    /// Behind so many rows of one moment, milliseconds since 1970.
    Row { at_ms: i64, given: u32 },
}

impl Cursor {
    /// The text of `after` and of links.
    pub(super) fn text(self) -> String {
        let plain = match self {
            Self::Reading(RecordMark { at_ms, series }) => format!("r.{at_ms}.{series}"),
            Self::Bin(at_ms) => format!("b.{at_ms}"),
            Self::Row { at_ms, given } => format!("e.{at_ms}.{given}"),
        };
        URL_SAFE_NO_PAD.encode(plain)
    }

    /// The place that a text names; `None` for any text that is not one of ours.
    pub(super) fn of(text: &str) -> Option<Self> {
        let plain = String::from_utf8(URL_SAFE_NO_PAD.decode(text).ok()?).ok()?;
        let mut parts = plain.split('.');
        let (kind, at_ms, number) = (parts.next()?, parts.next()?.parse().ok()?, parts.next());
        let number = number.map(str::parse::<u32>).transpose().ok()?;
        match (kind, number, parts.next()) {
            ("r", Some(series), None) => Some(Self::Reading(RecordMark { at_ms, series })),
            ("b", None, None) => Some(Self::Bin(at_ms)),
            ("e", Some(given), None) => Some(Self::Row { at_ms, given }),
            _ => None,
        }
    }
}

/// A part of rows that are in order of time: those behind `after`, at most `limit`,
/// and where it goes on. Rows of one moment keep their order, and new ones of it come
/// last.
pub(super) fn part<T>(
    rows: Vec<T>,
    at_ms: impl Fn(&T) -> i64,
    after: Option<(i64, u32)>,
    limit: usize,
) -> (Vec<T>, Option<Cursor>) {
    let mut seen = 0_usize;
    let mut rest = rows.into_iter().filter(|row| {
        let Some((moment, given)) = after else { return true };
        let at = at_ms(row);
        if at == moment {
            seen += 1;
        }
        at > moment || (at == moment && u32::try_from(seen).is_ok_and(|seen| seen > given))
    });
    let part: Vec<T> = rest.by_ref().take(limit).collect();
    let more = rest.next().is_some();
    drop(rest);
    let next = part.last().filter(|_| more).map(|last| {
        let at = at_ms(last);
        let here = part.iter().rev().take_while(|row| at_ms(row) == at).count();
        let before = after.filter(|&(moment, _)| moment == at).map_or(0, |(_, given)| given);
        Cursor::Row { at_ms: at, given: before.saturating_add(u32::try_from(here).unwrap_or(u32::MAX)) }
    });
    (part, next)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_cursor_comes_back(at_ms: i64, number: u32) {
            for it in [
                Cursor::Reading(RecordMark { at_ms, series: number }),
                Cursor::Bin(at_ms),
                Cursor::Row { at_ms, given: number },
            ] {
                prop_assert_eq!(Cursor::of(&it.text()), Some(it));
            }
        }

        #[test]
        fn no_other_text_is_one(text in ".{0,30}") {
            if let Some(cursor) = Cursor::of(&text) {
                prop_assert_eq!(Cursor::of(&cursor.text()), Some(cursor));
            }
        }

        /// Parts put together are the whole, also where many rows share a moment.
        #[test]
        fn parts_are_the_whole(mut moments in prop::collection::vec(0_i64..6, 0..40), limit in 1_usize..7) {
            moments.sort_unstable();
            let rows: Vec<(i64, usize)> = moments.into_iter().enumerate().map(|(i, at)| (at, i)).collect();
            let (mut got, mut after) = (Vec::new(), None);
            loop {
                let (part, next) = part(rows.clone(), |row| row.0, after, limit);
                prop_assert!(part.len() <= limit);
                got.extend(part);
                let Some(Cursor::Row { at_ms, given }) = next else { break };
                after = Some((at_ms, given));
            }
            prop_assert_eq!(got, rows);
        }
    }
}
