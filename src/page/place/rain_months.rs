//! Rain days put together: spells, months, years.

use jiff::civil::Date;

use crate::analysis::month::RainDayOf;
use crate::rain::DRY_DAY_MM;

/// A day with at least so much is a rain day, mm: one tip of a usual gauge.
const RAIN_DAY_MM: f64 = 0.2;
/// A part of a tip is rounding: 0.2 need not be a number that a computer holds.
const ROUNDING_MM: f64 = 1e-6;

/// Days in a row that are alike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spell {
    pub(super) first: Date,
    pub(super) days: usize,
    /// At least [`DRY_DAY_MM`] on each day, or less on each.
    pub(super) wet: bool,
    pub(super) mm: f64,
}

/// Whether a day is wet; `None` where not all of its rain is known.
fn wet(day: &RainDayOf) -> Option<bool> {
    day.whole_mm().map(|mm| mm >= DRY_DAY_MM - ROUNDING_MM)
}

/// Wet and dry spells of two days or more, in order of time. A day that is not known
/// ends a spell.
pub(super) fn spells(days: &[RainDayOf]) -> Vec<Spell> {
    let alike = |a: &RainDayOf, b: &RainDayOf| wet(a) == wet(b) && a.date.tomorrow().ok() == Some(b.date);
    let spell = |days: &[RainDayOf]| {
        let mm = days.iter().filter_map(|day| day.mm).sum();
        wet(&days[0]).map(|wet| Spell { first: days[0].date, days: days.len(), wet, mm })
    };
    days.chunk_by(alike).filter(|days| days.len() >= 2).filter_map(spell).collect()
}

/// The rain of a month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct MonthlyRain {
    pub(super) first: Date,
    /// What is known of it, mm; `None` where nothing is.
    pub(super) mm: Option<f64>,
    /// Days of which some rain may be missing.
    pub(super) unknown: usize,
    /// Days that have ended, of which the gauge's record could tell.
    pub(super) days: usize,
    pub(super) rain_days: usize,
    pub(super) days_of_1mm: usize,
    pub(super) wettest: Option<(Date, f64)>,
}

/// The months of some rain days in order of time, each day by the date it ends.
pub(super) fn months(days: &[RainDayOf]) -> Vec<MonthlyRain> {
    days.chunk_by(|a, b| a.date.first_of_month() == b.date.first_of_month()).filter_map(together).collect()
}

/// Days in order of time as if they were one month; `None` without a day.
pub(super) fn together(days: &[RainDayOf]) -> Option<MonthlyRain> {
    let known = || days.iter().filter_map(|day| Some((day.date, day.whole_mm()?)));
    let fallen: Vec<f64> = days.iter().filter_map(|day| day.mm).collect();
    let at_least = |least: f64| known().filter(|(_, mm)| *mm >= least - ROUNDING_MM).count();
    Some(MonthlyRain {
        first: days.first()?.date.first_of_month(),
        mm: (!fallen.is_empty()).then(|| fallen.iter().sum()),
        unknown: days.iter().filter(|day| day.gap).count(),
        days: days.len(),
        rain_days: at_least(RAIN_DAY_MM),
        days_of_1mm: at_least(DRY_DAY_MM),
        wettest: known().filter(|(_, mm)| *mm > 0.0).reduce(|a, b| if b.1 > a.1 { b } else { a }),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str, mm: Option<f64>, gap: bool) -> RainDayOf {
        RainDayOf { date: text.parse().expect("a date"), mm, gap }
    }

    fn some() -> Vec<RainDayOf> {
        vec![
            day("2026-03-29", Some(0.0), false),
            day("2026-03-30", Some(0.8), false),
            day("2026-03-31", Some(0.0), false),
            day("2026-04-01", Some(4.0), false),
            day("2026-04-02", Some(1.0), false),
            day("2026-04-03", Some(2.0), true),
            day("2026-04-04", None, true),
            day("2026-04-05", Some(0.0), false),
        ]
    }

    #[test]
    fn spells_end_where_the_weather_turns_or_is_not_known() {
        let spells = spells(&some());
        let told: Vec<_> = spells.iter().map(|it| (it.first.to_string(), it.days, it.wet)).collect();
        assert_eq!(told, [("2026-03-29".to_owned(), 3, false), ("2026-04-01".to_owned(), 2, true)]);
        assert!((spells[1].mm - 5.0).abs() < 1e-12);
        assert!(super::spells(&[]).is_empty());
    }

    #[test]
    fn months_count_what_is_known_and_say_what_is_not() {
        let months = months(&some());
        assert_eq!(months.len(), 2);
        let april = months[1];
        assert_eq!((april.mm, april.unknown, april.days), (Some(7.0), 2, 5));
        assert_eq!((april.rain_days, april.days_of_1mm), (2, 2));
        assert_eq!(april.wettest.map(|it| it.0.to_string()).as_deref(), Some("2026-04-01"));
        assert_eq!((months[0].rain_days, months[0].days_of_1mm), (1, 0));
        assert_eq!(super::months(&[day("2026-04-04", None, true)])[0].mm, None);
    }
}
