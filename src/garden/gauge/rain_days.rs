//! The rain of days and months, as figures that can be asked why.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::calibration::{CountMode, Curve};
use crate::garden::plan::Sensor;
use crate::garden::site::SiteState;
use crate::garden::view::Figure;
use crate::rain::{
    BUCKET_MOVES_S, CLASS_WMO, DRY_DAY_MM, DRY_SPELL, GaugeMessage, INTENSITY, Intensity, MONTH,
    MONTH_LOSS_MM, RAIN_DAY, ROOF_YIELD, RainDays, RunningCount, SpanRain, TIP_INTERVAL, Total, UNDERCATCH,
    class_wmo, effective_scs_mm, effective_scs_step, rain_day, rain_day_bounds, tip_interval_s,
    undercatch_pct,
};
use crate::text::spoken;
use crate::why::Step;

/// A gauge is taken to lose rain worth a word from this part on, %.
const LOSS_WORTH_A_WORD_PCT: f64 = 1.0;

/// What a message of a gauge brings.
pub(crate) fn caught(plan: &Sensor, at: Timestamp, raw: f64, mm: f64) -> GaugeMessage {
    let count = match tips(plan, at) {
        Some((mm_per_tip, CountMode::Running { .. })) => Some(RunningCount { tips: raw, mm_per_tip }),
        _ => None,
    };
    GaugeMessage { at, mm, count }
}

/// The gauge's bucket at a time, where it has one.
fn tips(plan: &Sensor, at: Timestamp) -> Option<(f64, CountMode)> {
    let held = plan.calibrations.iter().rev().find(|c| c.from.is_none_or(|from| from <= at))?;
    match *held.calibration.curve() {
        Curve::Tips { mm_per_tip, counts } => Some((mm_per_tip, counts)),
        _ => None,
    }
}

/// A month of the calendar.
#[derive(Clone, Copy)]
struct CalendarMonthRain {
    first: Date,
    last: Date,
}

impl CalendarMonthRain {
    fn of(date: Date) -> Self {
        Self { first: date.first_of_month(), last: date.last_of_month() }
    }

    fn before(self) -> Option<Self> {
        self.first.yesterday().ok().map(Self::of)
    }

    /// "April 2026".
    fn words(self) -> String {
        format!("{} {}", spoken::month(self.first.month()), self.first.year())
    }
}

impl SiteState {
    /// The figures of the gauge whose record of this month is the most whole.
    pub(crate) fn rain_figures(&self, now: Timestamp) -> Vec<Figure> {
        let zone = &self.garden.site.time_zone;
        let today = rain_day(now, zone);
        let month = CalendarMonthRain::of(today);
        let mut best: Option<(u16, u16, RainDays)> = None;
        for &gauge in &self.gauges {
            let Some(history) = self.history(gauge).rain() else { continue };
            let days = history.days().as_of(now, self.patience_s(gauge));
            let known = days.between(month.first, today).known_days;
            if best.as_ref().is_none_or(|(_, of_best, _)| known > *of_best) {
                best = Some((gauge, known, days));
            }
        }
        let Some((gauge, _, days)) = best else { return Vec::new() };
        let plan = self.garden.sensor(gauge);
        let Some((from, to)) = today.yesterday().ok().map(|day| rain_day_bounds(day, zone)) else {
            return Vec::new();
        };
        let mut figures = vec![last_day(&days, today, (from, to))];
        figures.extend(peak(&days, today, plan, now));
        figures.push(so_far(&days, month, today));
        figures.push(dry_spell(&days, today));
        figures.extend(month.before().map(|month| effective(&days, month)));
        figures.extend(self.roof(&days, month, today));
        figures
    }

    /// What ran off the roof this month, where the garden has one.
    fn roof(&self, days: &RainDays, month: CalendarMonthRain, today: Date) -> Option<Figure> {
        let tank = self.garden.roof?;
        let name = format!("Water off the roof in {} so far", month.words());
        let rain = days.between(month.first, today);
        let Some(mm) = rain.whole_mm() else {
            return Some(Figure::unknown(name, &missing(&rain, "this month"), "L"));
        };
        let litres = match tank.roof.litres(mm, MONTH_LOSS_MM) {
            Ok(litres) => litres,
            Err(out_of_range) => return Some(Figure::unknown(name, &out_of_range.to_string(), "L")),
        };
        let mut value = spoken::litres(litres);
        if let Some(holds) = tank.tank_l {
            let _ = if litres > holds {
                write!(value, ", more than the tank holds ({})", spoken::litres(holds))
            } else {
                write!(value, ", {} of a full tank", spoken::percent(litres / holds))
            };
        }
        let step = ROOF_YIELD.step(if mm > MONTH_LOSS_MM {
            format!(
                "{} x ({mm:.1} - {MONTH_LOSS_MM:.1}) mm x {} m2 = {litres:.0} L",
                tank.roof.runoff, tank.roof.area_m2
            )
        } else {
            format!("{mm:.1} mm does not exceed the {MONTH_LOSS_MM:.1} mm that wet the roof = 0 L")
        });
        Some(Figure::known(name, value, litres, "L", vec![sum(month, &rain), step]))
    }
}

/// The rain day that ended last.
fn last_day(days: &RainDays, today: Date, (from, to): (Timestamp, Timestamp)) -> Figure {
    let date = today.yesterday().unwrap_or(today);
    let name = format!("Rain in the day to 9 am on {}", spoken::day(date));
    let hours = (to.as_second() - from.as_second()) as f64 / 3600.0;
    let known = |mm: f64, value: String, of: &str| {
        let step = RAIN_DAY.step(format!("sum of what the gauge read in {of} = {mm:.1} mm"));
        Figure::known(name.clone(), value, mm, "mm", vec![step])
    };
    match days.day(date).map(|day| day.total) {
        Some(Total::Whole(mm)) => known(mm, format!("{mm:.1} mm"), &format!("{hours} hours")),
        // No daily total, so no number.
        Some(Total::Accumulated { mm, days }) => Figure::unknown(
            name.clone(),
            &format!("{mm:.1} mm fell in {days} days together, read after a pause"),
            "mm",
        ),
        Some(Total::AtLeast { mm, days: 1 }) if mm > 0.0 => Figure::unknown(
            name.clone(),
            &format!("the gauge's record has a gap; at least {mm:.1} mm fell"),
            "mm",
        ),
        Some(Total::AtLeast { mm, days }) if mm > 0.0 => Figure::unknown(
            name.clone(),
            &format!("the gauge's record has a gap; at least {mm:.1} mm fell in {days} days together"),
            "mm",
        ),
        Some(Total::AtLeast { .. } | Total::InLater) => {
            Figure::unknown(name.clone(), "the gauge's record has a gap", "mm")
        }
        None => Figure::unknown(name.clone(), "the gauge sent no reading that day", "mm"),
    }
}

/// The largest intensity since 9 am, and what the bucket may have lost in it.
fn peak(days: &RainDays, today: Date, plan: &Sensor, now: Timestamp) -> Vec<Figure> {
    const NAME: &str = "Largest intensity since 9 am";
    let Some(most) = days.day(today).and_then(|day| day.peak) else {
        return vec![Figure::unknown(
            NAME,
            "the gauge has not yet sent readings for half an hour without a break",
            "mm/h",
        )];
    };
    let Intensity { mm_h, over_s } = most;
    let class = class_wmo(mm_h).ok().flatten();
    let minutes = over_s / 60;
    let mut why =
        vec![INTENSITY.step(format!("3600 x {:.1} mm / {over_s} s = {mm_h:.1} mm/h", most.depth_mm()))];
    let value = match class {
        Some(class) => {
            why.push(CLASS_WMO.step(format!("{mm_h:.1} mm/h = {class}")));
            format!("{mm_h:.1} mm/h over {minutes} minutes, {class} (WMO)")
        }
        None => "no rain".to_owned(),
    };
    let mut figures = vec![Figure::known(NAME, value, mm_h, "mm/h", why)];
    if let Some((mm_per_tip, _)) = tips(plan, now)
        && let (Ok(every_s), Ok(lost)) =
            (tip_interval_s(mm_h, mm_per_tip), undercatch_pct(mm_h, mm_per_tip, BUCKET_MOVES_S))
        && lost >= LOSS_WORTH_A_WORD_PCT
    {
        let with =
            format!("100 x {BUCKET_MOVES_S} s x {mm_h:.1} mm/h / (3600 x {mm_per_tip} mm) = {lost:.1} %");
        let why = vec![
            TIP_INTERVAL.step(format!("3600 x {mm_per_tip} mm / {mm_h:.1} mm/h = {every_s:.0} s")),
            UNDERCATCH.step(with),
        ];
        let value = format!("about {lost:.0} %");
        figures.push(Figure::known("Rain the bucket may lose at that intensity", value, lost, "%", why));
    }
    figures
}

fn so_far(days: &RainDays, month: CalendarMonthRain, today: Date) -> Figure {
    let name = format!("Rain in {} so far", month.words());
    let rain = days.between(month.first, today);
    match rain.whole_mm() {
        Some(mm) => Figure::known(name, format!("{mm:.1} mm"), mm, "mm", vec![sum(month, &rain)]),
        None => Figure::unknown(name, &missing(&rain, "this month"), "mm"),
    }
}

/// The month's rain as a step.
fn sum(month: CalendarMonthRain, rain: &SpanRain) -> Step {
    MONTH.step(format!("{} rain days of {} = {:.1} mm", rain.known_days, month.words(), rain.mm))
}

/// What is missing from a span, and what is known of it all the same.
fn missing(rain: &SpanRain, span: &str) -> String {
    let days = match rain.unknown_days {
        1 => "1 day".to_owned(),
        n => format!("{n} days"),
    };
    let mut text = format!("{days} of {span} are missing from the gauge's record or have a gap");
    if rain.unknown_days == 1 {
        text = text.replace(" are missing", " is missing").replace(" have a gap", " has a gap");
    }
    if let Some(since) = rain.known_since {
        let _ = write!(text, "; since {} it has been {:.1} mm", spoken::day(since), rain.known_mm);
    }
    text
}

fn dry_spell(days: &RainDays, today: Date) -> Figure {
    const NAME: &str = "Present dry spell";
    let running = days.dry_spell(today).filter(|spell| !spell.at_least);
    let date = today.yesterday().unwrap_or(today);
    let Some(spell) = running.or_else(|| days.dry_spell(date)) else {
        return Figure::unknown(NAME, "the last day is missing from the gauge's record or has a gap", "d");
    };
    let count = match spell.days {
        1 => "1 day".to_owned(),
        n => format!("{n} days"),
    };
    let (value, said) = match (spell.days, spell.at_least) {
        (0, _) => {
            ("none: it has rained".to_owned(), format!("the last day had {DRY_DAY_MM} mm or more = 0 days"))
        }
        (_, true) => (
            format!("at least {count}; what was before is not known"),
            format!("each of the last {count} had less than {DRY_DAY_MM} mm = at least {count}"),
        ),
        (_, false) => {
            (count.clone(), format!("each of the last {count} had less than {DRY_DAY_MM} mm = {count}"))
        }
    };
    let step = DRY_SPELL.step(said);
    if spell.at_least {
        // A lower bound is no number to compute with.
        return Figure { number: None, ..Figure::known(NAME, value, 0.0, "d", vec![step]) };
    }
    Figure::known(NAME, value, spell.days.into(), "d", vec![step])
}

/// Effective rain is a figure of whole months only.
fn effective(days: &RainDays, month: CalendarMonthRain) -> Figure {
    let name = format!("Effective rain of {}", month.words());
    let rain = days.between(month.first, month.last);
    let Some(mm) = rain.whole_mm() else {
        return Figure::unknown(name, &missing(&rain, "that month"), "mm");
    };
    match effective_scs_mm(mm) {
        Ok(effective) => {
            let why = vec![sum(month, &rain), effective_scs_step(mm, effective)];
            Figure::known(name, format!("{effective:.1} mm of {mm:.1} mm"), effective, "mm", why)
        }
        Err(out_of_range) => Figure::unknown(name, &out_of_range.to_string(), "mm"),
    }
}
