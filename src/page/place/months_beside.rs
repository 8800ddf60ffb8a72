//! This month beside the last one, the same month a year ago, and the mean of the earlier
//! years: one small picture and one sentence.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use maud::{Markup, html};

use super::reader::PlaceReader;
use super::span::ShownSpan;
use crate::chart::scale::Scale;
use crate::chart::svg::short;
use crate::garden::plan::Sensor;
use crate::history::{Bin, BinWidth};
use crate::page::problem::Problem;
use crate::page::wait::ask;
use crate::text::labels::with_unit;
use crate::text::spoken;

/// Earlier years of which the same month is looked at.
pub(super) const YEARS: i16 = 4;
/// A month counts from so many days with readings on, or from half of the days that are
/// compared where these are fewer: a threshold of our own.
const DAYS_LEAST: usize = 10;
/// Earlier years that make a mean.
const YEARS_LEAST: usize = 2;

/// What is compared.
#[derive(Clone, Copy, Debug)]
pub(super) struct ComparedFigure {
    /// "{} of the soil's volume was water", with the figure in the place of the braces.
    pub(super) said: &'static str,
    /// "Water in the root zone".
    pub(super) title: &'static str,
    /// " %", with the space before it.
    pub(super) unit: &'static str,
    /// "more", "less" and "as much as", or the like.
    pub(super) words: [&'static str; 3],
}

/// The days of a month that are compared: as many as have passed of the present one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct MonthPart {
    first: Date,
    last: Date,
}

impl MonthPart {
    /// The month of the last day that is shown.
    pub(super) fn of(shown: &ShownSpan) -> Self {
        let first = shown.last.first_of_month();
        let running = first == shown.today.first_of_month();
        Self { first, last: if running { shown.today } else { first.last_of_month() } }
    }

    fn is_running(self) -> bool {
        self.last != self.first.last_of_month()
    }

    /// The same days of another month; all of it where this one is whole.
    fn same_days(self, first: Date) -> Self {
        let whole = first.last_of_month();
        let day = if self.is_running() { self.last.day().min(whole.day()) } else { whole.day() };
        Self { first, last: first.with().day(day).build().unwrap_or(whole) }
    }

    /// The same days so many years before.
    pub(super) fn years_before(self, years: i16) -> Self {
        self.same_days(self.first.saturating_sub(i64::from(years).years()).first_of_month())
    }

    fn month_before(self) -> Self {
        self.same_days(self.first.saturating_sub(1.month()).first_of_month())
    }

    /// Its first moment, and the first after it, on the garden's clock.
    pub(super) fn moments(self, shown: &ShownSpan) -> Option<(Timestamp, Timestamp)> {
        let midnight = |date: Date| shown.zone.to_timestamp(date.at(0, 0, 0, 0)).ok();
        Some((midnight(self.first)?, midnight(self.last.tomorrow().ok()?)?))
    }

    /// "April 2026".
    fn name(self) -> String {
        self.first.strftime("%B %Y").to_string()
    }

    fn figures(self, days: &BTreeMap<Date, f64>) -> Option<PartFigures> {
        let values: Vec<f64> = days
            .range(self.first..=self.last)
            .map(|(_, value)| *value)
            .filter(|value| value.is_finite())
            .collect();
        let compared = usize::try_from(self.last.day()).unwrap_or(0);
        if values.is_empty() || values.len() < DAYS_LEAST.min(compared.div_ceil(2)) {
            return None;
        }
        let ends = values
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| (low.min(*it), high.max(*it)));
        Some(PartFigures {
            mean: values.iter().sum::<f64>() / values.len() as f64,
            low: ends.0,
            high: ends.1,
        })
    }
}

/// The mean of the days' means, with the lowest and the highest of them.
#[derive(Clone, Copy, Debug, PartialEq)]
struct PartFigures {
    mean: f64,
    low: f64,
    high: f64,
}

/// The comparison.
#[derive(Clone, Debug)]
pub(super) struct MonthsBeside {
    figure: ComparedFigure,
    part: MonthPart,
    this: Option<PartFigures>,
    before: Option<PartFigures>,
    year_before: Option<PartFigures>,
    /// Of how many earlier years the mean is, and the mean with the lowest and the highest.
    years: Option<(usize, PartFigures)>,
    /// Other months of which there are readings, be they few.
    begun: Vec<MonthPart>,
}

impl MonthsBeside {
    /// From the mean of each day, of the last year and of the same month in the years
    /// before.
    pub(super) fn of(figure: ComparedFigure, days: &BTreeMap<Date, f64>, part: MonthPart) -> Self {
        let earlier: Vec<PartFigures> =
            (1..=YEARS).filter_map(|years| part.years_before(years).figures(days)).collect();
        let mean = || PartFigures {
            mean: earlier.iter().map(|it| it.mean).sum::<f64>() / earlier.len() as f64,
            low: earlier.iter().map(|it| it.low).fold(f64::INFINITY, f64::min),
            high: earlier.iter().map(|it| it.high).fold(f64::NEG_INFINITY, f64::max),
        };
        Self {
            figure,
            part,
            this: part.figures(days),
            before: part.month_before().figures(days),
            year_before: part.years_before(1).figures(days),
            years: (earlier.len() >= YEARS_LEAST).then(|| (earlier.len(), mean())),
            begun: [part.month_before(), part.years_before(1)]
                .into_iter()
                .filter(|part| days.range(part.first..=part.last).next().is_some())
                .collect(),
        }
    }

    fn value(&self, value: f64) -> String {
        with_unit(value, 1, self.figure.unit)
    }

    /// "April 2026".
    fn this_name(&self) -> String {
        let so_far = if self.part.is_running() { " so far" } else { "" };
        format!("{}{so_far}", self.part.name())
    }

    fn month_word(&self) -> &'static str {
        spoken::month(self.part.first.month())
    }

    /// "1.3 % more than in March 2026".
    fn beside(&self, this: f64, other: f64, than: &str) -> String {
        let by = this - other;
        let [more, less, as_much] = self.figure.words;
        if by.abs() < 0.05 {
            return format!("{as_much} {than}");
        }
        let word = if by > 0.0 { more } else { less };
        format!("{} {word} than {than}", self.value(by.abs()))
    }

    /// The comparison in a sentence, and what is missing for it.
    pub(super) fn in_words(&self) -> String {
        let name = self.this_name();
        let Some(this) = self.this else {
            return format!("{name} has too few readings to be compared.");
        };
        let in_month = |part: MonthPart| format!("in {}", part.name());
        let (before, year_before) = (self.part.month_before(), self.part.years_before(1));
        let mut beside = Vec::new();
        beside.extend(self.before.map(|it| self.beside(this.mean, it.mean, &in_month(before))));
        beside.extend(self.year_before.map(|it| self.beside(this.mean, it.mean, &in_month(year_before))));
        beside.extend(self.years.map(|(count, it)| {
            self.beside(this.mean, it.mean, &format!("the mean of {count} earlier {}s", self.month_word()))
        }));
        let figure = self.figure.said.replace("{}", &self.value(this.mean));
        let mut words = if beside.is_empty() {
            format!("In {name} {figure}.")
        } else {
            format!("In {name} {figure}: {}.", spoken::list(&beside))
        };
        let missing = [(self.before, before), (self.year_before, year_before)];
        for (_, part) in missing.into_iter().filter(|(figures, _)| figures.is_none()) {
            words.push(' ');
            words.push_str(&if self.begun.contains(&part) {
                format!("{} has too few readings.", part.name())
            } else {
                format!("There is no {} in the record.", part.name())
            });
        }
        if self.years.is_none() && self.year_before.is_some() {
            words.push_str(&format!(" There are too few earlier {}s for a mean.", self.month_word()));
        }
        words
    }

    /// The picture with its sentence.
    pub(super) fn draw(&self) -> Markup {
        const ROW: f64 = 30.0;
        const NAMES: f64 = 128.0;
        const PLOT: (f64, f64) = (136.0, 292.0);
        let years = self
            .years
            .map_or_else(|| "earlier years".to_owned(), |(count, _)| format!("mean of {count} years"));
        const FEW: &str = "too few readings";
        let (before, year_before) = (self.part.month_before(), self.part.years_before(1));
        let lacks = |part| if self.begun.contains(&part) { FEW } else { "not in the record" };
        let rows = [
            (self.this_name(), self.this, FEW),
            (before.name(), self.before, lacks(before)),
            (year_before.name(), self.year_before, lacks(year_before)),
            (years, self.years.map(|it| it.1), "too few years"),
        ];
        let numbers = rows.iter().filter_map(|row| row.1).flat_map(|it| [it.low, it.high]);
        let scale = Scale::covering(numbers);
        let x = |value: f64| {
            PLOT.0 + (PLOT.1 - PLOT.0) * scale.map_or(0.0, |scale| scale.place(value)).clamp(0.0, 1.0)
        };
        let words = self.in_words();
        html! {
            section {
                h2 { (self.figure.title) ": this month beside others" }
                p { (words) }
                figure class="beside-figure" {
                    svg class="beside" viewBox=(format!("0 0 352 {}", short(ROW * 4.0 + 4.0))) role="img" aria-label=(words) {
                        @for (number, (name, figures, lack)) in rows.iter().enumerate() {
                            @let y = ROW * number as f64 + 18.0;
                            text class="name" x=(short(NAMES)) y=(short(y + 4.0)) { (name) }
                            @match figures {
                                Some(it) => {
                                    line x1=(short(x(it.low))) x2=(short(x(it.high))) y1=(short(y)) y2=(short(y)) {}
                                    @for end in [it.low, it.high] {
                                        line x1=(short(x(end))) x2=(short(x(end))) y1=(short(y - 5.0)) y2=(short(y + 5.0)) {}
                                    }
                                    circle class=(if number == 0 { "this" } else { "other" }) cx=(short(x(it.mean))) cy=(short(y)) r="5.5" {}
                                    text x="300" y=(short(y + 4.0)) { (self.value(it.mean)) }
                                },
                                None => text class="missing" x=(short(PLOT.0)) y=(short(y + 4.0)) { (lack) },
                            }
                        }
                    }
                    figcaption {
                        "The mark is the mean, the line runs from the lowest to the highest day."
                        @if self.part.is_running() { " Of each month the first " (spoken::counted(usize::try_from(self.part.last.day()).unwrap_or(0), "day", "days")) "." }
                    }
                }
            }
        }
    }
}

/// The days of some sensors in the same month of earlier years, as far as they reach back:
/// one list for each, in the order of `sensors`.
pub(super) async fn earlier_days(
    reader: PlaceReader<'_>,
    sensors: &[&Sensor],
    part: MonthPart,
) -> Result<Vec<Vec<Vec<Bin>>>, Problem> {
    let Some(first) = reader.first_reading(sensors).await? else { return Ok(Vec::new()) };
    let mut years = Vec::new();
    for years_before in 1..=YEARS {
        let Some((from, to)) = part.years_before(years_before).moments(reader.shown) else { break };
        if to <= first {
            break;
        }
        let ids = sensors.iter().map(|it| it.id.as_str().to_owned()).collect();
        years.push(ask(reader.record.bins_in_halves(reader.site, ids, from, to, BinWidth::Day)).await?);
    }
    Ok(years)
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::super::span::SpanLength;
    use super::*;

    const WATER: ComparedFigure = ComparedFigure {
        said: "{} of the soil was water",
        title: "Water",
        unit: " %",
        words: ["more", "less", "as much as"],
    };

    fn date(text: &str) -> Date {
        text.parse().expect("a date")
    }

    fn part(last: &str, now: &str) -> MonthPart {
        let now = now.parse().expect("a time");
        MonthPart::of(&ShownSpan::new(SpanLength::Year, date(last), now, &TimeZone::UTC))
    }

    /// Each day of a month with one value, up to its `last` day.
    fn month(days: &mut BTreeMap<Date, f64>, first: &str, last: i8, value: f64) {
        let first = date(first);
        days.extend(first.series(1.day()).take(usize::try_from(last).expect("a day")).map(|it| (it, value)));
    }

    #[test]
    fn the_same_days_are_compared_while_a_month_runs() {
        let running = part("2026-03-30", "2026-03-30T05:00:00Z");
        assert_eq!(running.last, date("2026-03-30"));
        assert_eq!(running.month_before().last, date("2026-02-28"), "no month has more days than it has");
        assert_eq!(running.years_before(2).last, date("2024-03-30"));
        let over = part("2026-02-10", "2026-04-17T05:00:00Z");
        assert_eq!((over.last, over.month_before().last), (date("2026-02-28"), date("2026-01-31")));
        assert_eq!(over.years_before(2).last, date("2024-02-29"));
    }

    #[test]
    fn one_sentence_says_how_it_stands_beside_the_others() {
        let mut days = BTreeMap::new();
        for (first, value) in [
            ("2026-04-01", 14.0),
            ("2026-03-01", 12.7),
            ("2025-04-01", 14.0),
            ("2024-04-01", 17.0),
            ("2023-04-01", 17.0),
        ] {
            // What comes after the 17th is not compared.
            month(&mut days, first, 17, value);
            if first != "2026-04-01" {
                days.insert(date(first).with().day(20).build().expect("a date"), 99.0);
            }
        }
        let beside = MonthsBeside::of(WATER, &days, part("2026-04-17", "2026-04-17T05:00:00Z"));
        assert_eq!(
            beside.in_words(),
            "In April 2026 so far 14.0 % of the soil was water: 1.3 % more than in March 2026, as much as in April 2025 and \
             2.0 % less than the mean of 3 earlier Aprils."
        );
        let drawn = beside.draw().into_string();
        assert!(drawn.contains("mean of 3 years") && !drawn.contains("class=\"missing\""), "{drawn}");
        assert!(drawn.contains("first 17 days"), "{drawn}");
    }

    #[test]
    fn a_month_that_is_not_there_is_said_to_be_missing() {
        let mut days = BTreeMap::new();
        month(&mut days, "2026-04-01", 30, 14.0);
        month(&mut days, "2025-04-01", 3, 9.0);
        let beside = MonthsBeside::of(WATER, &days, part("2026-04-30", "2026-06-01T05:00:00Z"));
        assert_eq!(
            beside.in_words(),
            "In April 2026 14.0 % of the soil was water. There is no March 2026 in the record. April 2025 has too few readings."
        );
        let drawn = beside.draw().into_string();
        for lack in ["not in the record", "too few readings", "too few years"] {
            assert_eq!(drawn.matches(&format!("{lack}</text>")).count(), 1, "{lack} in {drawn}");
        }
        month(&mut days, "2026-03-01", 31, 14.0);
        month(&mut days, "2025-04-01", 30, 13.0);
        let beside = MonthsBeside::of(WATER, &days, part("2026-04-30", "2026-06-01T05:00:00Z"));
        assert!(
            beside.in_words().ends_with("There are too few earlier Aprils for a mean."),
            "{}",
            beside.in_words()
        );
        let none = MonthsBeside::of(WATER, &BTreeMap::new(), part("2026-04-30", "2026-06-01T05:00:00Z"));
        assert_eq!(none.in_words(), "April 2026 has too few readings to be compared.");
        none.draw();
    }
}
