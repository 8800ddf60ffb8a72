//! A year of a bed as a calendar: a row for each month, a small vessel for each day, as
//! full as the ground was wet, and dots over it for rain.
//!
//! Nothing is told by colour: dry ground is a vessel with a little in it, moist ground is
//! half full, wet ground is full, and a day without readings is hatched and has no vessel.

use std::fmt::Write as _;

use jiff::civil::Date;
use maud::{Markup, PreEscaped, html};

use super::svg::short;
use crate::rain::DRY_DAY_MM;
use crate::text::spoken::counted;

/// Units of the drawing: about the pixels of a phone.
const WIDTH: f64 = 352.0;
/// Room for the months' names, and of a day.
const NAMES: f64 = 38.0;
const DAY: f64 = 10.0;
const ROW: f64 = 27.0;
/// Height of the days' numbers over the first row.
const HEAD: f64 = 16.0;
/// A vessel's width and height, and where it begins below its row's top.
const VESSEL: (f64, f64) = (8.0, 14.0);
const BELOW: f64 = 9.0;
/// From so much rain on a day there are two dots, mm: a threshold of our own.
const MUCH_MM: f64 = 10.0;

/// How a bed's ground was on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DayGround {
    Dry,
    Moist,
    Wet,
    /// No probe sent a good reading.
    NotRead,
}

impl DayGround {
    const ALL: [Self; 4] = [Self::Dry, Self::Moist, Self::Wet, Self::NotRead];

    fn word(self) -> &'static str {
        match self {
            Self::Dry => "dry",
            Self::Moist => "moist",
            Self::Wet => "wet",
            Self::NotRead => "no readings",
        }
    }

    /// How high the water stands in its vessel, in units of the drawing; `None` where there
    /// is no vessel.
    fn level(self) -> Option<u8> {
        match self {
            Self::Dry => Some(2),
            Self::Moist => Some(8),
            Self::Wet => Some(14),
            Self::NotRead => None,
        }
    }
}

/// A day of the calendar.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CalendarDay {
    pub date: Date,
    pub ground: DayGround,
    /// Rain of the day, mm; `None` where it is not known.
    pub rain_mm: Option<f64>,
}

impl CalendarDay {
    fn dots(&self) -> u8 {
        match self.rain_mm {
            Some(mm) if mm >= MUCH_MM => 2,
            Some(mm) if mm >= DRY_DAY_MM => 1,
            _ => 0,
        }
    }

    /// "dry", "wet, rain 12 mm".
    fn words(&self) -> String {
        match self.rain_mm.filter(|_| self.dots() > 0) {
            Some(mm) => format!("{}, rain {mm:.0} mm", self.ground.word()),
            None => self.ground.word().to_owned(),
        }
    }
}

/// Days in a row, of at most thirteen months.
#[derive(Clone, Debug)]
pub struct YearCalendar {
    /// Unlike any other on the page; letters, digits and hyphens.
    pub id: String,
    pub title: String,
    /// In order of time.
    pub days: Vec<CalendarDay>,
}

impl YearCalendar {
    /// The days by their months.
    fn months(&self) -> impl Iterator<Item = &[CalendarDay]> {
        self.days.chunk_by(|a, b| a.date.first_of_month() == b.date.first_of_month())
    }

    /// "Of 365 days 120 were dry, 200 moist, 30 wet; 15 days without readings."
    pub fn in_words(&self) -> String {
        let of = |ground| self.days.iter().filter(|day| day.ground == ground).count();
        let rain = self.days.iter().filter(|day| day.dots() > 0).count();
        let not_read = of(DayGround::NotRead);
        let mut words = format!(
            "Of {} the bed was dry on {}, moist on {} and wet on {}.",
            counted(self.days.len(), "day", "days"),
            of(DayGround::Dry),
            of(DayGround::Moist),
            of(DayGround::Wet),
        );
        if not_read > 0 {
            let _ = write!(words, " {} had no readings.", counted(not_read, "day", "days"));
        }
        let _ = write!(words, " Rain of 1 mm or more fell on {}.", counted(rain, "day", "days"));
        words
    }

    /// The calendar with its key; the same days as a table are folded below it.
    pub fn draw(&self) -> Markup {
        let (title, about) = (format!("{}-title", self.id), format!("{}-about", self.id));
        let rows = self.months().count();
        html! {
            figure class="calendar-figure" id=(self.id) {
                figcaption id=(title) { (self.title) }
                p id=(about) { (self.in_words()) }
                svg class="calendar" viewBox=(format!("0 0 {WIDTH} {}", short(HEAD + ROW * rows as f64)))
                    role="img" aria-labelledby=(title) aria-describedby=(about) {
                    @for number in [1, 8, 15, 22, 29] {
                        text class="middle" x=(short(place(number) + VESSEL.0 / 2.0)) y="11" { (number) }
                    }
                    @for (row, month) in (0_u32..).zip(self.months()) {
                        (self::month(month, HEAD + ROW * f64::from(row)))
                    }
                }
                (key())
                (self.table())
            }
        }
    }

    fn table(&self) -> Markup {
        html! {
            details class="chart-table" {
                summary { "The same days in words" }
                div class="scrolls" role="region" tabindex="0" aria-label={ "Days: " (self.title) } {
                    table class="days-in-words" {
                        caption { (self.title) ". Rain is named from 1 mm on." }
                        thead { tr { th scope="col" { "Month" } @for day in 1..=31 { th scope="col" { (day) } } } }
                        tbody {
                            @for month in self.months() {
                                @let (first, last) = (month[0].date, month[month.len() - 1].date);
                                tr {
                                    th scope="row" { (first.strftime("%B %Y")) }
                                    @for _ in 1..first.day() { td {} }
                                    @for day in month { td { (day.words()) } }
                                    // Each row has all columns of the head.
                                    @for _ in last.day()..31 { td {} }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Where a day of the month begins.
fn place(day: i8) -> f64 {
    NAMES + DAY * f64::from(day - 1)
}

fn month(days: &[CalendarDay], top: f64) -> Markup {
    let first = days[0].date;
    // With the year where it is another.
    let name = if first.month() == 1 { first.strftime("%b %y") } else { first.strftime("%b") }.to_string();
    let (mut vessels, mut water, mut hatched, mut dots) =
        (String::new(), String::new(), String::new(), String::new());
    let (wide, high) = VESSEL;
    // Steps are written from the vessel before: a year of places would weigh much.
    let mut before: Option<f64> = None;
    for day in days {
        let (x, y) = (place(day.date.day()), top + BELOW);
        match day.ground.level() {
            Some(depth) => {
                let (vessel, base) = match before {
                    None => {
                        (format!("M{} {}", short(x), short(y)), format!("M{} {}", short(x), short(y + high)))
                    }
                    // A vessel ends at its right, its water where it began.
                    Some(last) => {
                        (format!("m{} 0", short(x - last - wide)), format!("m{} 0", short(x - last)))
                    }
                };
                let _ = write!(vessels, "{vessel}v{high}h{wide}v-{high}");
                let _ = write!(water, "{base}v-{depth}h{wide}v{depth}z");
                before = Some(x);
            }
            None => {
                let _ = write!(hatched, "M{} {}l{wide}-{high}", short(x), short(y + high));
            }
        }
        for dot in 0..day.dots() {
            // A stroke of no length with round ends is a dot.
            let at = x + wide / 2.0 + if day.dots() == 2 { f64::from(dot) * 4.0 - 2.0 } else { 0.0 };
            let _ = write!(dots, "M{} {}h0", short(at), short(y - 4.0));
        }
    }
    html! {
        text x="0" y=(short(top + BELOW + high - 2.0)) { (name) }
        path class="water" d=(PreEscaped(water)) {}
        path class="vessel" d=(PreEscaped(vessels)) {}
        path class="not-read" d=(PreEscaped(hatched)) {}
        path class="drops" d=(PreEscaped(dots)) {}
    }
}

fn key() -> Markup {
    let (wide, high) = VESSEL;
    html! {
        ul class="key" {
            @for ground in DayGround::ALL {
                li {
                    svg class="calendar sample" width="12" height="18" viewBox="-2 -2 12 18" aria-hidden="true" {
                        @match ground.level() {
                            Some(depth) => {
                                path class="water" d=(format!("M0 {high}v-{depth}h{wide}v{depth}z")) {}
                                path class="vessel" d=(format!("M0 0v{high}h{wide}v-{high}")) {}
                            }
                            None => path class="not-read" d=(format!("M0 {high}l{wide}-{high}")) {},
                        }
                    }
                    (ground.word())
                }
            }
            @for (shape, words) in [("M4 4h0", "rain, 1 mm or more"), ("M2 4h0M6 4h0", "rain, 10 mm or more")] {
                li { svg class="calendar sample" width="12" height="10" viewBox="-2 -1 12 10" aria-hidden="true" { path class="drops" d=(shape) {} } (words) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> Date {
        text.parse().expect("a date")
    }

    fn calendar(days: &[(&str, DayGround, Option<f64>)]) -> YearCalendar {
        let day = |&(text, ground, rain_mm): &(&str, DayGround, Option<f64>)| CalendarDay {
            date: date(text),
            ground,
            rain_mm,
        };
        YearCalendar { id: "year".to_owned(), title: "Days".to_owned(), days: days.iter().map(day).collect() }
    }

    /// Each state differs by how full its vessel is, and the words hold every day.
    #[test]
    fn every_day_is_told_by_a_level_and_by_a_word() {
        let levels: std::collections::BTreeSet<_> =
            DayGround::ALL.map(DayGround::level).into_iter().collect();
        assert_eq!(levels.len(), 4);
        let year = calendar(&[
            ("2025-12-30", DayGround::Dry, Some(0.9)),
            ("2025-12-31", DayGround::Moist, Some(1.0)),
            ("2026-01-01", DayGround::Wet, Some(12.4)),
            ("2026-01-02", DayGround::NotRead, None),
        ]);
        assert_eq!(
            year.in_words(),
            "Of 4 days the bed was dry on 1, moist on 1 and wet on 1. 1 day had no readings. Rain of 1 mm or more fell on 2 days."
        );
        let drawn = year.draw().into_string();
        for cell in
            ["<td>dry</td>", "<td>moist, rain 1 mm</td>", "<td>wet, rain 12 mm</td>", "<td>no readings</td>"]
        {
            assert_eq!(drawn.matches(cell).count(), 1, "{cell} in {drawn}");
        }
        // The 30th stands in the 30th column.
        let row = drawn.split("December 2025</th>").nth(1).expect("a row");
        assert_eq!(row.split("<td>dry").next().expect("cells").matches("<td></td>").count(), 29);
        assert!(drawn.contains(">Jan 26</text>"), "{drawn}");
    }

    #[test]
    fn a_whole_year_is_light() {
        let first = date("2025-01-31");
        let days: Vec<CalendarDay> = first
            .series(jiff::ToSpan::days(1))
            .take(365)
            .map(|date| CalendarDay { date, ground: DayGround::Moist, rain_mm: Some(11.0) })
            .collect();
        let drawn = YearCalendar { id: "y".to_owned(), title: "Days".to_owned(), days }.draw().into_string();
        assert!(drawn.len() < 32_000, "{} bytes", drawn.len());
        assert_eq!(drawn.matches("<th scope=\"row\">").count(), 13);
    }
}
