//! Sums over rain days, and how long it has been dry.

use jiff::civil::Date;

use super::totals::{RainDays, Total};
use crate::why::{Check, Equation};

/// A month's rain.
pub const MONTH: Equation = Equation {
    gives: "rain of a month",
    form: "P = sum of the month's rain days",
    source: "Bureau of Meteorology practice (the rain days dated in the month), from memory",
    check: Check::Table("rain_days_apalachicola.csv"),
};

/// How long it has been dry.
pub const DRY_SPELL: Equation = Equation {
    gives: "present dry spell",
    form: "days in a row with less than 1 mm, to the last 9 am",
    source: "index CDD of the Expert Team on Climate Change Detection and Indices, read in the documentation of \
             packages that compute it",
    check: Check::Table("rain_days_apalachicola.csv"),
};

/// A rain day with less is dry, mm ([`DRY_SPELL`]).
pub const DRY_DAY_MM: f64 = 1.0;

/// The rain of a span of rain days, as far as it is known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SpanRain {
    /// Of all that is known, mm. The span's rain only if `unknown_days` is 0.
    pub mm: f64,
    /// Days whose rain is in `mm` and whole.
    pub known_days: u16,
    /// Days with a gap, or without any record.
    pub unknown_days: u16,
    /// The first day from which on every day is known; `None` where not even the
    /// last one is.
    pub known_since: Option<Date>,
    /// What fell from `known_since` on, mm.
    pub known_mm: f64,
}

impl SpanRain {
    /// The span's rain, mm, where every day of it is known.
    pub fn whole_mm(&self) -> Option<f64> {
        (self.unknown_days == 0 && self.known_days > 0).then_some(self.mm)
    }
}

/// A dry spell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DrySpell {
    /// Finished rain days.
    pub days: u16,
    /// Whether it may have been longer: what was before is not known.
    pub at_least: bool,
}

impl RainDays {
    /// The rain of the days from `from` to `to`, both included. An accumulated
    /// total that reaches back before `from` is of no use here: its days count as
    /// unknown. Of a day that runs it takes what has fallen so far.
    pub fn between(&self, from: Date, to: Date) -> SpanRain {
        let mut span = SpanRain::default();
        if from > to {
            return span;
        }
        let mut next = to;
        let mut unbroken = true;
        let mut days = self.newest_first().skip_while(|day| day.date > to).peekable();
        loop {
            let found = days.next_if(|day| day.date == next);
            let mut mm = None;
            if let Some(day) = found {
                let (day_mm, of, whole) = match day.total {
                    Total::Whole(mm) => (mm, 1, true),
                    Total::Accumulated { mm, days } => (mm, days, true),
                    Total::AtLeast { mm, days } => (mm, days, false),
                    Total::InLater => (0.0, 1, false),
                };
                let mut first = next;
                let mut inside = 1;
                for _ in 1..of {
                    let Ok(before) = first.yesterday() else { break };
                    first = before;
                    if days.next_if(|day| day.date == before).is_some() && before >= from {
                        inside += 1;
                    }
                }
                if first >= from {
                    span.mm += day_mm;
                }
                if whole && first >= from {
                    span.known_days += inside;
                    mm = Some(day_mm);
                } else {
                    span.unknown_days += inside;
                }
                next = first;
            } else {
                span.unknown_days += 1;
            }
            unbroken &= mm.is_some();
            if let Some(mm) = mm.filter(|_| unbroken) {
                span.known_since = Some(next);
                span.known_mm += mm;
            }
            match next.yesterday() {
                Ok(before) if before >= from => next = before,
                _ => return span,
            }
        }
    }

    /// The dry spell that lasts until the end of the rain day `to`; `None` where
    /// that day is not known or has not ended. A day that is not known ends the
    /// count.
    pub fn dry_spell(&self, to: Date) -> Option<DrySpell> {
        let mut spell = DrySpell { days: 0, at_least: true };
        let mut next = to;
        let mut days = self.newest_first().skip_while(|day| day.date > to);
        while let Some(day) = days.next() {
            if day.date != next || (day.runs && !wet(day.total)) {
                break;
            }
            let of = match day.total {
                total if wet(total) => {
                    return Some(DrySpell { at_least: false, ..spell });
                }
                Total::Whole(_) => 1,
                // Together less than a dry day's: each of them was dry.
                Total::Accumulated { mm, days } if mm < DRY_DAY_MM => days,
                Total::Accumulated { .. } | Total::AtLeast { .. } | Total::InLater => break,
            };
            spell.days += of;
            for _ in 1..of {
                next = next.yesterday().ok()?;
                days.next();
            }
            next = next.yesterday().ok()?;
        }
        (spell.days > 0).then_some(spell)
    }
}

/// It has rained on this one day, whatever else fell.
fn wet(total: Total) -> bool {
    matches!(total, Total::Whole(mm) | Total::AtLeast { mm, days: 1 } if mm >= DRY_DAY_MM)
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::super::totals::Follows;
    use super::super::totals::tests::{adelaide, dry, t};
    use super::*;

    /// Dry from the 10th, 6 mm on the 13th, a pause with 11 mm to the 15th.
    fn days() -> RainDays {
        let mut days = RainDays::default();
        days.push(t("09T09:00"), 0.0, Follows::Broken, &adelaide());
        dry(&mut days, "09T09:00", "12T09:00");
        days.push(t("12T10:00"), 6.0, Follows::At, &adelaide());
        dry(&mut days, "12T10:00", "13T10:00");
        days.push(t("15T08:00"), 11.0, Follows::Catching, &adelaide());
        dry(&mut days, "15T08:00", "18T09:00");
        days.as_of(t("18T09:15"), 3600)
    }

    #[test]
    fn a_span_is_known_where_each_of_its_days_is() {
        let days = days();
        let span = days.between(date(2026, 4, 10), date(2026, 4, 18));
        assert_eq!(span.whole_mm(), Some(17.0));
        assert_eq!((span.known_days, span.unknown_days), (9, 0));
        // The 9th was heard from its end on only; the 8th not at all.
        let span = days.between(date(2026, 4, 8), date(2026, 4, 18));
        assert_eq!(span.whole_mm(), None);
        assert_eq!((span.known_days, span.unknown_days, span.mm), (9, 2, 17.0));
        assert_eq!((span.known_since, span.known_mm), (Some(date(2026, 4, 10)), 17.0));
    }

    #[test]
    fn an_accumulated_total_belongs_to_its_days_together() {
        let days = days();
        // It begins before the span.
        let span = days.between(date(2026, 4, 15), date(2026, 4, 18));
        assert_eq!((span.mm, span.known_days, span.unknown_days), (0.0, 3, 1));
        assert_eq!(span.known_since, Some(date(2026, 4, 16)));
        // It ends after the span.
        let span = days.between(date(2026, 4, 10), date(2026, 4, 14));
        assert_eq!((span.mm, span.known_days, span.unknown_days), (6.0, 4, 1));
        assert_eq!(span.known_since, None);
        assert_eq!(days.between(date(2026, 4, 18), date(2026, 4, 10)).whole_mm(), None);
    }

    #[test]
    fn a_dry_spell_ends_at_a_wet_day() {
        let days = days();
        let spell = |day| days.dry_spell(date(2026, 4, day));
        assert_eq!(spell(12), Some(DrySpell { days: 3, at_least: true }));
        assert_eq!(spell(13), Some(DrySpell { days: 0, at_least: false }));
        // Of the 11 mm nobody knows on which day they fell.
        assert_eq!(spell(15), None);
        assert_eq!(spell(18), Some(DrySpell { days: 3, at_least: true }));
        assert_eq!(spell(20), None, "not heard of");
    }

    #[test]
    fn a_pause_without_rain_was_dry_and_one_that_is_not_known_was_not() {
        for (follows, expected) in [
            (Follows::Catching, Some(DrySpell { days: 4, at_least: false })),
            (Follows::Broken, Some(DrySpell { days: 1, at_least: true })),
        ] {
            let mut days = RainDays::default();
            days.push(t("09T09:00"), 0.0, Follows::Broken, &adelaide());
            days.push(t("09T10:00"), 3.0, Follows::At, &adelaide());
            dry(&mut days, "09T10:00", "10T12:00");
            days.push(t("12T12:00"), 0.8, follows, &adelaide());
            dry(&mut days, "12T12:00", "14T09:00");
            assert_eq!(days.dry_spell(date(2026, 4, 14)), None, "the day may yet be wet");
            let days = days.as_of(t("14T09:15"), 3600);
            assert_eq!(days.dry_spell(date(2026, 4, 14)), expected, "{follows:?}");
        }
    }
}
