//! How a bed dries, by the core's own outlook.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Drying;
use super::span::{MonthSpan, seconds};
use crate::evapotranspiration::extraterrestrial_mj_m2;
use crate::history::RootZoneBin;
use crate::model::add_seconds;
use crate::outlook::{Drydown, DryingLimits, Outlook};
use crate::watering::Wetting;

const DAY_S: i64 = 86_400;
/// After a soaking water drains for about two days: the definition of field capacity.
const DRAINS_S: i64 = 2 * DAY_S;
const HOUR_S: i64 = 3600;

/// A bed's hours in which every probe was heard, oldest first.
#[derive(Clone, Copy, Debug)]
pub(super) struct WholeHours<'a>(pub(super) &'a [RootZoneBin]);

impl WholeHours<'_> {
    /// Mean of the hours that lie within `from` to `to`.
    pub(super) fn mean(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let (sum, count) = self
            .within(from, to)
            .fold((0.0, 0_u32), |(sum, count), bin| (sum + bin.water_content, count + 1));
        (count > 0).then(|| sum / f64::from(count))
    }

    /// The hours that lie within `from` to `to`.
    pub(super) fn within(&self, from: Timestamp, to: Timestamp) -> impl Iterator<Item = &RootZoneBin> {
        let first = self.0.partition_point(|bin| bin.start < from);
        self.0[first..].iter().take_while(move |bin| bin.end <= to).filter(|bin| bin.whole)
    }

    /// The water about a moment: mean of what lies within an hour and a half of it.
    pub(super) fn about(&self, at: Timestamp) -> Option<f64> {
        self.mean(add_seconds(at, -HOUR_S * 3 / 2), add_seconds(at, HOUR_S * 3 / 2))
    }
}

/// What the dryings of a bed are found with.
#[derive(Clone, Copy, Debug)]
pub(super) struct DryingSoil {
    pub(super) wilting_point: f64,
    pub(super) root_depth_m: f64,
    pub(super) latitude_deg: f64,
    pub(super) mulched_since: Option<Timestamp>,
}

/// The dryings of the month: those that reach into it. A drying that goes on at the
/// end of the record counts up to there. It takes two days and 0.008 m³/m³ to count,
/// the outlook's own measure. One ends where a probe was `replaced`, in order of time.
pub(super) fn dryings(
    hours: WholeHours<'_>,
    rises: &[Wetting],
    replaced: &[Timestamp],
    soil: &DryingSoil,
    span: &MonthSpan,
) -> Vec<Drying> {
    // Soil dries by itself to half its wilting point (FAO-56 chapter 7).
    let mut outlook =
        Outlook::new(DryingLimits { floor: 0.5 * soil.wilting_point, ..DryingLimits::default() });
    let mut found: Vec<Drydown> = Vec::new();
    let take = |outlook: &Outlook, found: &mut Vec<Drydown>| {
        if let Some(last) = outlook.finished()
            && found.last().is_none_or(|known| known.from < last.from)
        {
            found.push(last);
        }
    };
    let mut rises = rises.iter().peekable();
    let mut replaced = replaced.iter().peekable();
    for bin in hours.0.iter().filter(|bin| bin.whole) {
        while let Some(rise) = rises.next_if(|rise| rise.seen <= bin.start) {
            outlook.wetted(rise.onset);
            take(&outlook, &mut found);
        }
        while let Some(at) = replaced.next_if(|at| **at < bin.end) {
            outlook.wetted(*at);
            take(&outlook, &mut found);
        }
        let day = u16::try_from(TimeZone::UTC.to_datetime(bin.start).day_of_year()).unwrap_or(1);
        let sun = extraterrestrial_mj_m2(soil.latitude_deg, day).unwrap_or(0.0);
        // Hours of clocks that are half an hour off lie half in each of two hours of UTC.
        outlook.push(add_seconds(bin.start, HOUR_S / 2), bin.water_content, sun);
        take(&outlook, &mut found);
    }
    for rise in rises {
        outlook.wetted(rise.onset);
        take(&outlook, &mut found);
    }
    if let Some(last) = hours.0.iter().rev().find(|bin| bin.whole) {
        // Another hour completes the last; a far one ends what goes on.
        outlook.push(add_seconds(last.start, HOUR_S * 3 / 2), last.water_content, 0.0);
        outlook.wetted(add_seconds(last.start, 3 * HOUR_S));
        take(&outlook, &mut found);
    }
    found
        .into_iter()
        .filter(|it| it.to > span.from && it.from < span.end)
        .map(|it| drying(&it, hours, soil))
        .collect()
}

fn drying(it: &Drydown, hours: WholeHours<'_>, soil: &DryingSoil) -> Drying {
    let settled = add_seconds(it.from, DRAINS_S);
    let loss_days = (seconds(settled, it.to) / DAY_S).max(0);
    let end = add_seconds(settled, loss_days * DAY_S);
    let lost = hours.about(settled).zip(hours.about(end)).map(|(a, b)| a - b).filter(|_| loss_days > 0);
    let fit = it.fit.as_ref().ok();
    Drying {
        from: it.from,
        to: it.to,
        start: it.theta.0,
        end: it.theta.1,
        loss_mm_day: lost.map(|lost| 1000.0 * soil.root_depth_m * lost / loss_days as f64),
        loss_days: u32::try_from(loss_days).unwrap_or(0),
        time_constant_days: fit.map(|fit| fit.tau_d),
        time_constant_error_days: fit.and_then(|fit| fit.tau_error_d),
        dries_towards: fit.map(|fit| fit.theta_w),
        error: fit.map(|fit| fit.rms),
        unfit: it.fit.as_ref().err().map(ToString::to_string),
        mulched: soil.mulched_since.is_some_and(|since| since <= it.from),
    }
}
