//! A bed's month: its days, what came to it and how it dried.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::dryings::{DryingSoil, WholeHours, dryings};
use super::span::{DaySpan, MonthSpan, seconds};
use super::wettings::{FoundWetting, MonthReadings, Rises, is_bed, waterings};
use super::{BedDay, BedMonth, MonthWetting, MulchOn, WaterBand, WaterSource};
use crate::garden::plan::Bed;
use crate::garden::{MulchLayer, Needs, patience_s};
use crate::history::{Bin, ProbeBins, RootZoneBin, root_zone_bins};
use crate::model::add_seconds;
use crate::soil::RootZone;
use crate::text::labels::name;
use crate::text::spoken::counted;

const HOUR_S: i64 = 3600;
const DAY_S: i64 = 86_400;
/// Fewest whole hours of a day that has a mean.
const LEAST_HOURS: usize = 12;
/// Hours of a day that may be missing where it counts as heard: within two, water that
/// came still shows.
const MISSING_HOURS: i64 = 2;
/// After a soaking water drains for about two days: the definition of field capacity.
const DRAINS_S: i64 = 2 * DAY_S;
/// Within so many hours after it began a wetting's water is at its highest.
const PEAK_HOURS: i64 = 12;
/// How far before a wetting the water is looked for that it began with, hours.
const BASE_HOURS: i64 = 3;
/// Rain of a day on which what is lost is no measure of drying, mm.
const RAINY_MM: f64 = 1.0;
/// A probe heard in less than this part of its neighbours' hours is left out: else a
/// bed with one dead probe would have no day that is known.
const HEARD_PART: f64 = 0.1;
/// What a bed's month is worked out from.
#[derive(Clone, Copy, Debug)]
pub(super) struct BedInput<'a> {
    pub(super) heard: &'a MonthReadings<'a>,
    pub(super) needs: &'a Needs,
    pub(super) span: &'a MonthSpan,
    /// Hours of each sensor, from before the month on.
    pub(super) hours: &'a [Vec<Bin>],
}

/// A bed's month.
pub(super) fn bed_month(of: BedInput<'_>, index: usize, rises: &Rises) -> BedMonth {
    let BedInput { heard, needs, span, hours } = of;
    let garden = heard.garden;
    let bed = &garden.beds[index];
    let zone = RootZone {
        field_capacity: bed.field_capacity,
        wilting_point: bed.wilting_point,
        root_depth_m: bed.root_depth_m,
        depletion_fraction: bed.depletion_fraction,
    };
    let probes = probes(of, index);
    let bins: Vec<ProbeBins> = probes
        .iter()
        .map(|&(sensor, depth_m)| ProbeBins {
            depth_m,
            patience_s: patience_s(garden.sensors[sensor].every_s),
            bins: &hours[sensor],
        })
        .collect();
    let water = root_zone_bins(&bins, bed.root_depth_m);
    let water = WholeHours(&water);
    let young = young_roots(of, index, &bins);
    let mulch = mulch(of, bed);
    let soil = DryingSoil {
        wilting_point: bed.wilting_point,
        root_depth_m: bed.root_depth_m,
        latitude_deg: garden.site.latitude_deg,
        mulched_since: mulch.map(|mulch| mulch.since),
    };
    let next = rises.found.iter().skip(1).map(Some).chain([None]);
    let brought: Vec<BroughtWater> =
        rises.found.iter().zip(next).map(|(found, next)| brought(found, next, water, &zone)).collect();
    let record = BedMonthRecord {
        of,
        index,
        water,
        young: &young,
        zone: &zone,
        brought: &brought,
        rises,
        soil: &soil,
    };
    let mut need_unknown = None;
    let days: Vec<BedDay> = span
        .days
        .iter()
        .map(|day| {
            let need = needs.on(index, day.date);
            if let Err(missing) = &need
                && day.to <= span.end
            {
                need_unknown.get_or_insert_with(|| missing.clone());
            }
            record.day(*day, need.ok())
        })
        .collect();
    let got_unknown = record.unmeasured();
    let balance = if got_unknown.is_none() { balance(&days) } else { Vec::new() };
    let sum = |pick: fn(&(f64, f64)) -> f64| (!balance.is_empty()).then(|| balance.iter().map(pick).sum());
    BedMonth {
        id: bed.id.clone(),
        name: name(&bed.name),
        area_m2: bed.area_m2,
        soil: bed.soil.to_string(),
        crop: bed.crop.map(str::to_owned),
        root_depth_m: bed.root_depth_m,
        wilting_point: bed.wilting_point,
        refill_point: zone.refill_point(),
        field_capacity: bed.field_capacity,
        probes: probes
            .iter()
            .map(|&(sensor, depth_m)| (garden.sensors[sensor].id.clone(), depth_m))
            .collect(),
        mulch,
        mulch_planned: bed.mulch.and_then(|mulch| mulch.planned),
        wettings: brought
            .iter()
            .filter(|it| span.holds(it.wetting.from))
            .map(|it| it.wetting.clone())
            .collect(),
        dryings: dryings(water, &rises.all, &replacements(heard, &probes), &soil, span),
        need_mm: sum(|it| it.0),
        got_mm: sum(|it| it.1),
        balance_days: u32::try_from(balance.len()).unwrap_or(u32::MAX),
        need_unknown,
        got_unknown,
        days,
    }
}

/// Of young plants, the water above the depth (centimetres) that their roots reach on some day.
fn young_roots(of: BedInput<'_>, index: usize, bins: &[ProbeBins<'_>]) -> BTreeMap<u32, Vec<RootZoneBin>> {
    let grown_m = of.heard.garden.beds[index].root_depth_m;
    let mut young = BTreeMap::new();
    for day in &of.span.days {
        let roots_m = of.needs.root_depth_m(index, day.date);
        if roots_m < grown_m {
            young.entry(centimetres(roots_m)).or_insert_with(|| root_zone_bins(bins, roots_m));
        }
    }
    young
}

/// When one of these probes was replaced, in order.
fn replacements(heard: &MonthReadings<'_>, probes: &[(usize, f64)]) -> Vec<Timestamp> {
    let mut replaced: Vec<Timestamp> = probes
        .iter()
        .flat_map(|&(sensor, _)| heard.replacements(sensor).times().collect::<Vec<_>>())
        .collect();
    replaced.sort_unstable();
    replaced
}

/// What a bed needed and got, mm, on each day of which both are known.
fn balance(days: &[BedDay]) -> Vec<(f64, f64)> {
    let known = |day: &BedDay| {
        (day.unknown_mm <= 0.0).then_some(())?;
        Some((day.need_mm?, day.rain_mm? + day.watering_mm?))
    };
    days.iter().filter_map(known).collect()
}

/// The probes that speak for the bed: number and depth, from the top down.
fn probes(of: BedInput<'_>, index: usize) -> Vec<(usize, f64)> {
    let all = of.heard.probes(index).into_iter();
    let all: Vec<(usize, f64)> =
        all.filter_map(|sensor| Some((sensor, of.heard.garden.sensors[sensor].depth_m?))).collect();
    let heard = |sensor: usize| {
        of.hours[sensor].iter().filter(|bin| bin.good > 0 && bin.end > of.span.from).count() as f64
    };
    let most = all.iter().map(|it| heard(it.0)).fold(0.0, f64::max);
    all.into_iter().filter(|it| most <= 0.0 || heard(it.0) >= HEARD_PART * most).collect()
}

/// Mulch that covers the bed in the month, as somebody wrote down. What the garden file
/// plans is none.
fn mulch(of: BedInput<'_>, bed: &Bed) -> Option<MulchOn> {
    let span = of.span;
    let own =
        of.heard.log.iter().filter(|entry| entry.place.as_ref() == Some(&bed.id) && entry.at < span.end);
    let mut own: Vec<_> = own.map(|entry| (entry.at, &entry.what)).collect();
    own.sort_by_key(|(at, _)| *at);
    let layer = MulchLayer::of(own.into_iter()).filter(|layer| layer.covers(span.from.max(layer.laid)))?;
    Some(MulchOn { depth_mm: layer.depth_mm(), since: layer.laid })
}

/// A wetting with what it brought by hand, tap or timer.
struct BroughtWater {
    wetting: MonthWetting,
    /// How many beds rose with it.
    beds: usize,
}

fn brought(
    found: &FoundWetting,
    next: Option<&FoundWetting>,
    water: WholeHours<'_>,
    zone: &RootZone,
) -> BroughtWater {
    let onset = found.wetting.onset;
    let until = add_seconds(onset, PEAK_HOURS * HOUR_S);
    let until = next.map_or(until, |next| until.min(next.wetting.onset));
    let base =
        water.within(add_seconds(onset, -BASE_HOURS * HOUR_S), onset).last().map(|bin| bin.water_content);
    let peak: Option<&RootZoneBin> = water
        .within(add_seconds(onset, -HOUR_S), until)
        .reduce(|a, b| if b.water_content > a.water_content { b } else { a });
    let gain = base
        .zip(peak)
        .map(|(base, peak)| (1000.0 * zone.root_depth_m * (peak.water_content - base)).max(0.0));
    BroughtWater {
        wetting: MonthWetting {
            from: onset,
            to: peak.map_or(found.wetting.seen, |peak| peak.end),
            rise: found.wetting.rise,
            gain_mm: gain,
            cause: found.cause,
            inferred: found.inferred,
            rain_mm: found.rain_mm,
            metered_l: found.metered_l,
            program_l: found.program_l,
            logged: found.logged,
            why: found.why.clone(),
        },
        beds: found.beds,
    }
}

/// What a bed's days are made from.
struct BedMonthRecord<'a> {
    of: BedInput<'a>,
    index: usize,
    water: WholeHours<'a>,
    /// While roots are young, the water within their reach, by their depth.
    young: &'a BTreeMap<u32, Vec<RootZoneBin>>,
    zone: &'a RootZone,
    brought: &'a [BroughtWater],
    rises: &'a Rises,
    soil: &'a DryingSoil,
}

impl BedMonthRecord<'_> {
    fn day(&self, day: DaySpan, need_mm: Option<f64>) -> BedDay {
        let Self { of, water, zone, .. } = self;
        let hours: Vec<f64> = water.within(day.from, day.to).map(|bin| bin.water_content).collect();
        let roots_m = of.needs.root_depth_m(self.index, day.date);
        let today = RootZone { root_depth_m: roots_m, ..**zone };
        let reached: Vec<f64> = match self.young.get(&centimetres(roots_m)) {
            Some(bins) => WholeHours(bins).within(day.from, day.to).map(|bin| bin.water_content).collect(),
            None => hours.clone(),
        };
        let mean = (reached.len() >= LEAST_HOURS).then(|| reached.iter().sum::<f64>() / reached.len() as f64);
        let end = day.to.min(of.span.end);
        let rain_mm = of.heard.rain_mm(day.from, end);
        let wetted = self
            .rises
            .all
            .iter()
            .any(|rise| rise.onset < day.to && add_seconds(rise.onset, DRAINS_S) > day.from);
        // A day of which not every hour is known may have had water.
        let missing = seconds(day.from, end) / HOUR_S - i64::try_from(hours.len()).unwrap_or(i64::MAX);
        let heard = missing <= MISSING_HOURS;
        let no_rain = match rain_mm {
            Some(mm) => mm < RAINY_MM,
            None => of.heard.gauges.is_empty(),
        };
        let dry = !wetted && heard && no_rain && day.to <= of.span.end;
        let lost = water.about(day.from).zip(water.about(day.to)).filter(|_| dry);
        let (watering_mm, unknown_mm) = self.given(day.from, end, heard);
        BedDay {
            date: day.date,
            hours_known: u32::try_from(hours.len()).unwrap_or(u32::MAX),
            water_content: mean,
            roots_m,
            water_mm: mean.map(|mean| 1000.0 * roots_m * mean),
            available: mean.map(|mean| today.available_left(mean)),
            band: mean.map(|mean| band(&today, mean)),
            loss_mm: lost.map(|(before, after)| 1000.0 * zone.root_depth_m * (before - after)),
            need_mm,
            rain_mm,
            watering_mm,
            unknown_mm,
            mulched: self.soil.mulched_since.is_some_and(|since| since <= day.from),
        }
    }

    /// What the water of a wetting was, mm: by the log, by the site's meter where no
    /// other bed had it, or by the timer's program. A probe cannot tell.
    fn measured_mm(&self, BroughtWater { wetting, beds }: &BroughtWater) -> Option<f64> {
        let bed = &self.of.heard.garden.beds[self.index];
        let by_hand = wetting.logged.and_then(|(_, litres)| litres).map(|litres| litres / bed.area_m2);
        // The site's meter cannot tell which of several beds had the water.
        let metered = wetting.metered_l.filter(|litres| *litres > 0.0 && *beds == 1);
        let through = || {
            // What somebody gave by hand comes on top of the program, by an amount not known.
            metered.or(wetting.program_l.filter(|_| wetting.logged.is_none()))
        };
        by_hand.or_else(|| through().map(|litres| litres * bed.efficiency() / bed.area_m2))
    }

    /// Why what the bed got in the month is not known; `None`: it is.
    fn unmeasured(&self) -> Option<String> {
        let Self { of, index, .. } = self;
        if of.heard.meters.iter().any(|(place, _)| is_bed(*place, *index)) {
            return None;
        }
        if self.water.0.is_empty() {
            return Some("no probe and no meter show when it was watered".to_owned());
        }
        let own = || self.brought.iter().filter(|it| of.span.holds(it.wetting.from));
        let watered = |it: &&BroughtWater| {
            matches!(it.wetting.cause, WaterSource::Watering | WaterSource::Both)
                && self.measured_mm(it).is_none()
        };
        let unknown = own().filter(|it| it.wetting.cause == WaterSource::Unknown).count();
        match (own().filter(watered).count(), unknown) {
            (0, 0) => None,
            (0, unknown) => {
                Some(format!("of {} the cause is not known", counted(unknown, "wetting", "wettings")))
            }
            (watered, _) => Some(format!(
                "of {} the litres are not known: put them in the Garden log, meter them, or put the timer's program and its litres an hour into the garden file",
                counted(watered, "watering", "waterings")
            )),
        }
    }

    /// What waterings that began within `from` to `to` brought, mm, and what the probes
    /// saw of wettings of unknown cause. `heard`: the probes would have shown a watering.
    fn given(&self, from: Timestamp, to: Timestamp, heard: bool) -> (Option<f64>, f64) {
        let (of, index) = (self.of, self.index);
        let bed = &of.heard.garden.beds[index];
        let efficiency = bed.efficiency();
        let within = |at: Timestamp| from <= at && at < to;
        let own = self.brought.iter().filter(|it| within(it.wetting.from));
        let unknown = own.clone().filter(|it| it.wetting.cause == WaterSource::Unknown);
        let unknown_mm = unknown.filter_map(|it| it.wetting.gain_mm).fold(0.0, |sum, mm| sum + mm);
        if let Some(litres) = of.heard.own_meter_l(index, from, to) {
            return (litres.map(|litres| litres * efficiency / bed.area_m2), unknown_mm);
        }
        let mut sum = heard.then_some(0.0);
        let mut add = |mm: Option<f64>| sum = sum.zip(mm).map(|(a, b)| a + b);
        for it in own.filter(|it| matches!(it.wetting.cause, WaterSource::Watering | WaterSource::Both)) {
            add(self.measured_mm(it));
        }
        // What was written down and no probe felt.
        let felt = |at: Timestamp| {
            self.brought.iter().any(|it| {
                let near = seconds(it.wetting.from, at);
                it.wetting.logged.is_some() && near.abs() <= PEAK_HOURS * HOUR_S
            })
        };
        for (_, litres) in
            waterings(of.heard.log, of.heard.garden, index).filter(|it| within(it.0) && !felt(it.0))
        {
            add(litres.map(|litres| litres / bed.area_m2));
        }
        (sum, unknown_mm)
    }
}

fn centimetres(m: f64) -> u32 {
    (100.0 * m).round() as u32
}

fn band(zone: &RootZone, water_content: f64) -> WaterBand {
    if water_content < zone.wilting_point {
        WaterBand::BelowWilting
    } else if water_content < zone.refill_point() {
        WaterBand::Dry
    } else if water_content <= zone.field_capacity {
        WaterBand::Moist
    } else {
        WaterBand::Wet
    }
}
