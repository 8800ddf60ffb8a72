//! A sensor's own limits for the quality tests, over its quantity's.

use super::document::Want;
use super::range::Range;
use super::resistance::SoilWater;
use super::table::SettingsTable;
use super::value::SettingsItem;
use crate::model::Quantity;
use crate::quality::{Flat, Limits, Rate, Spike, SpikeMethod};

/// Thresholds, in the quantity's unit or per second of it.
const THRESHOLD: Range = Range::above_to(0.0, 1e9, "in the sensor's unit");
/// Times.
const SECONDS: Range = Range::above_to(0.0, 366.0 * 86_400.0, "seconds, at most a year");

/// The limits of a sensor: those of its quantity in the soil of its bed, changed by what
/// `table` says.
pub(super) fn limits(
    table: Option<SettingsTable<'_>>,
    measures: Quantity,
    every_s: u32,
    soil: Option<SoilWater>,
) -> Option<Limits> {
    let mut limits = Limits::default_for(measures, every_s);
    let moist = soil.filter(|_| measures == Quantity::SoilMoisture);
    if moist.is_some_and(|soil| soil.potting_mix) {
        limits = limits.in_potting_mix();
    }
    let Some(table) = table else { return Some(limits) };
    let before = table.faults();

    if let Some(item) = table.get("gross_fail", Want::List)
        && let Some(range) = item.pair("the lowest and the highest value that can be")
    {
        holds_field_capacity(&item, range, moist);
        limits.gross_fail = range;
        // The quantity's own suspect range gives way where it lies outside.
        limits.gross_suspect = limits
            .gross_suspect
            .map(|(low, high)| (low.max(range.0), high.min(range.1)))
            .filter(|(low, high)| low < high);
    }
    if let Some(item) = table.get("gross_suspect", Want::List) {
        if is_off(&item) {
            limits.gross_suspect = None;
        } else if let Some(range) = item.pair("the lowest and the highest value that is likely") {
            holds_field_capacity(&item, range, moist);
            limits.gross_suspect = Some(range);
        }
    }
    change(&table, "spike", &mut limits.spike, spike);
    change(&table, "rate", &mut limits.rate, |table, own| rate(table, own, every_s));
    change(&table, "flat", &mut limits.flat, flat);
    limits.gap_s = table.number_or("gap_s", SECONDS, limits.gap_s).unwrap_or(limits.gap_s);

    let whole = table.faults() == before;
    if whole && let Err(e) = limits.check() {
        table.fault("", e.to_string(), "ranges with the lower end first, suspect before fail");
        table.finish();
        return None;
    }
    table.finish();
    whole.then_some(limits)
}

/// A range that ends below what the bed's soil holds when it has drained is a mistake.
fn holds_field_capacity(item: &SettingsItem<'_>, range: (f64, f64), soil: Option<SoilWater>) {
    if let Some(SoilWater { field_capacity, .. }) = soil.filter(|soil| range.1 < soil.field_capacity) {
        item.refuse(format!("a range that holds the field capacity of the bed, {field_capacity:.3} m3/m3"));
    }
}

fn is_off(item: &SettingsItem<'_>) -> bool {
    item.value().as_bool() == Some(false) || item.value().as_str() == Some("false")
}

/// Puts what the table at `key` says in place of a test's limits; `false`
/// switches the test off.
fn change<T: Copy>(
    table: &SettingsTable<'_>,
    key: &'static str,
    limits: &mut Option<T>,
    read: impl FnOnce(&SettingsTable<'_>, Option<T>) -> Option<T>,
) {
    if let Some(item) = table.get(key, Want::TextOrTable)
        && is_off(&item)
    {
        *limits = None;
        return;
    }
    let Some(own) = table.section(key) else { return };
    *limits = read(&own, *limits);
    own.finish();
}

/// The number at `key`, or `otherwise`; without either it is missing.
fn number(table: &SettingsTable<'_>, key: &'static str, range: Range, otherwise: Option<f64>) -> Option<f64> {
    table.number_over(key, range, otherwise, || range.to_string())
}

fn spike(table: &SettingsTable<'_>, own: Option<Spike>) -> Option<Spike> {
    let suspect = number(table, "suspect", THRESHOLD, own.map(|s| s.suspect));
    let fail = number(table, "fail", THRESHOLD, own.map(|s| s.fail));
    let usual = own.map_or(SpikeMethod::Differential, |s| s.method);
    let methods = [("average", SpikeMethod::Average), ("differential", SpikeMethod::Differential)];
    let method = table.read_or("method", Want::Text, usual, |item| item.word(&methods));
    Some(Spike { suspect: suspect?, fail: fail?, method: method? })
}

fn rate(table: &SettingsTable<'_>, own: Option<Rate>, every_s: u32) -> Option<Rate> {
    let suspect = number(table, "suspect_per_s", THRESHOLD, own.map(|r| r.suspect_per_s));
    let fail = table.get("fail_per_s", Want::Value);
    let fail = fail.map_or_else(|| own?.fail_per_s, |item| item.number(THRESHOLD));
    let over_s = number(table, "over_s", SECONDS, Some(own.map_or(f64::from(every_s), |r| r.over_s)));
    Some(Rate { suspect_per_s: suspect?, fail_per_s: fail, over_s: over_s? })
}

fn flat(table: &SettingsTable<'_>, own: Option<Flat>) -> Option<Flat> {
    let tolerance = number(table, "tolerance", THRESHOLD, own.map(|f| f.tolerance));
    let suspect_s = number(table, "suspect_s", SECONDS, own.map(|f| f.suspect_s));
    let fail_s = number(table, "fail_s", SECONDS, own.map(|f| f.fail_s));
    // Whoever names a time means it, whatever the sensor has shown of itself.
    let named = ["suspect_s", "fail_s"].iter().any(|key| table.get(key, Want::Value).is_some());
    let longest_s = own.and_then(|f| f.longest_s).filter(|_| !named);
    Some(Flat { tolerance: tolerance?, suspect_s: suspect_s?, fail_s: fail_s?, longest_s })
}
