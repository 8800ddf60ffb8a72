//! `[[tank]]`: the fish and the water that they can bear.

use super::document::Want;
use super::range::Range;
use super::table::SettingsTable;
use super::text::{Names, name_or_id, own_id};
use crate::garden::plan::{PumpLimits, Tank};
use crate::tank::{RiseFall, SPECIES, TankLimits, WINDOWS, species};

const VOLUME: Range = Range::above_to(0.0, 1_000_000.0, "litres");
/// Water between freezing, with salt in it, and what no tank fish survives.
const TEMPERATURE: Range = Range::from_to(-2.0, 45.0, "degrees C");
const CHANGE: Range = Range::above_to(0.0, 30.0, "degrees C");
/// Above what water at 0 °C holds nobody sets a lower limit.
const OXYGEN: Range = Range::above_to(0.0, 14.0, "mg/L");
const SATURATION: Range = Range::above_to(0.0, 100.0, "% of what the water can hold");
const DISSOLVED: Range = Range::above_to(0.0, 100.0, "mg/L");
const PH: Range = Range::from_to(3.0, 11.0, "pH");
/// From a fry to a fish that no school tank holds.
const MASS: Range = Range::above_to(0.0, 20_000.0, "g");
const FEED: Range = Range::from_to(0.0, 100_000.0, "g a day");

const LIMITS: &str = "{ cold_c = 12, warm_c = 30, change_hour_c = 2, change_day_c = 6 }, or some of these";

const POWER: Range = Range::above_to(0.0, 20_000.0, "W");
const FLOW: Range = Range::above_to(0.0, 1_000_000.0, "litres an hour");
const LEVEL: Range = Range::above_to(0.0, 1000.0, "cm");
const PUMP: &str = "{ least_w = 10, least_l_h = 300, least_level_cm = 40 }, or some of these";

/// What its pump does at least.
fn pump(table: SettingsTable<'_>) -> PumpLimits {
    let usual = PumpLimits::default();
    let pump = PumpLimits {
        power_w: table.number_or("least_w", POWER, usual.power_w).unwrap_or(usual.power_w),
        flow_l_h: table.number_or("least_l_h", FLOW, usual.flow_l_h).unwrap_or(usual.flow_l_h),
        level_cm: table.number_if("least_level_cm", LEVEL),
    };
    table.finish();
    pump
}

/// Reads one tank; `None` where a fault was noted.
pub(super) fn tank(table: SettingsTable<'_>, ids: &mut Names) -> Option<Tank> {
    let before = table.faults();
    let id = own_id(&table, ids);
    let name = name_or_id(&table, id.as_ref());
    let volume_l = table.number("volume_l", VOLUME);
    let kind =
        table.get("species", Want::Text).map(|item| item.name(species, SPECIES.iter().map(|s| s.name)));
    let fish = table.get("fish", Want::Value).and_then(|item| item.whole(0..=1_000_000, "fish"));
    let fish_grams = table.number_if("fish_grams", MASS);
    let feed_g_day = table.number_if("feed_g_day", FEED);
    let pump = table.section_like("pump", PUMP).map(pump).unwrap_or_default();
    let own = table.section_like("limits", LIMITS);
    let limits = match &kind {
        // An unknown species: nothing more to say about its limits.
        Some(None) => {
            let _ = own.map(|own| limits(own, SPECIES.first().map(|s| &s.limits)));
            None
        }
        Some(Some(kind)) => match own {
            Some(own) => limits(own, Some(&kind.limits)),
            None => Some(kind.limits),
        },
        None => match own {
            Some(own) => limits(own, None),
            None => {
                let names = super::fault::any_of(SPECIES.iter().map(|s| s.name));
                let accepted =
                    format!("a species, or limits = {{ cold_c = ..., warm_c = ... }}; the species: {names}");
                table.lacks("species", accepted)
            }
        },
    };
    table.finish_whole(before)?;
    let species = kind.flatten().map(|kind| kind.name.to_owned());
    Some(Tank {
        id: id?,
        name: name?,
        volume_l: volume_l?,
        species,
        fish,
        fish_grams,
        feed_g_day,
        limits: limits?,
        pump,
    })
}

/// The limits of the file over those of the species.
fn limits(table: SettingsTable<'_>, species: Option<&TankLimits>) -> Option<TankLimits> {
    let before = table.faults();
    let number = |key: &'static str, range: Range, otherwise: Option<f64>| {
        table.number_over(key, range, otherwise, || format!("{range}, since no species is named"))
    };
    let cold_c = number("cold_c", TEMPERATURE, species.map(|s| s.cold_c));
    let warm_c = number("warm_c", TEMPERATURE, species.map(|s| s.warm_c));
    let base = species.copied().or_else(|| Some(TankLimits::of_range(cold_c?, warm_c?)));
    let water = base.unwrap_or(TankLimits::of_range(0.0, 0.0));
    let change = changes(&table, water.change);
    let thrives_from_c = table.number_if("thrives_from_c", TEMPERATURE);
    let thrives_to_c = table.number_if("thrives_to_c", TEMPERATURE);
    let oxygen_mg_l = number("oxygen_mg_l", OXYGEN, Some(water.oxygen_mg_l));
    let oxygen_percent =
        table.get("oxygen_percent", Want::Value).map_or(water.oxygen_percent, |item| item.number(SATURATION));
    let ammonia_mg_l = number("ammonia_mg_l", DISSOLVED, Some(water.ammonia_mg_l));
    let total_ammonia_mg_l = number("total_ammonia_mg_l", DISSOLVED, Some(water.total_ammonia_mg_l));
    let nitrite_mg_l = number("nitrite_mg_l", DISSOLVED, Some(water.nitrite_mg_l));
    let ph = (number("ph_low", PH, Some(water.ph.0)), number("ph_high", PH, Some(water.ph.1)));
    let limits = (|| {
        if table.faults() > before {
            return None;
        }
        let (cold, warm) = (cold_c?, warm_c?);
        let limits = TankLimits {
            cold_c: cold,
            warm_c: warm,
            // A species' own gives way to limits of the file that lie inside it.
            thrives_c: (
                thrives_from_c.unwrap_or(water.thrives_c.0.clamp(cold, warm.max(cold))),
                thrives_to_c.unwrap_or(water.thrives_c.1.clamp(cold, warm.max(cold))),
            ),
            change: change?,
            oxygen_mg_l: oxygen_mg_l?,
            oxygen_percent,
            ammonia_mg_l: ammonia_mg_l?,
            total_ammonia_mg_l: total_ammonia_mg_l?,
            nitrite_mg_l: nitrite_mg_l?,
            ph: (ph.0?, ph.1?),
        };
        if limits.cold_c >= limits.warm_c {
            let given = format!("{} with cold_c = {}", limits.warm_c, limits.cold_c);
            return table.faulty("warm_c", given, "warm_c above cold_c");
        }
        let (from_c, to_c) = limits.thrives_c;
        if from_c < limits.cold_c || from_c > limits.warm_c {
            let accepted = format!("thrives_from_c from cold_c to warm_c, {cold} to {warm}");
            return table.faulty("thrives_from_c", from_c.to_string(), accepted);
        }
        if to_c < from_c || to_c > limits.warm_c {
            let accepted = format!("thrives_to_c from thrives_from_c to warm_c, {from_c} to {warm}");
            return table.faulty("thrives_to_c", to_c.to_string(), accepted);
        }
        if limits.ph.0 >= limits.ph.1 {
            let given = format!("{} with ph_low = {}", limits.ph.1, limits.ph.0);
            return table.faulty("ph_high", given, "ph_high above ph_low");
        }
        Some(limits)
    })();
    table.finish();
    limits
}

/// Keys of both directions, of the rise and of the fall, in the order of [`WINDOWS`].
const KEYS: [(Option<&str>, &str, &str); WINDOWS.len()] = [
    (None, "rise_15min_c", "fall_15min_c"),
    (None, "rise_30min_c", "fall_30min_c"),
    (Some("change_hour_c"), "rise_hour_c", "fall_hour_c"),
    (None, "rise_6h_c", "fall_6h_c"),
    (Some("change_day_c"), "rise_day_c", "fall_day_c"),
];

/// The largest changes: `change_hour_c` stands for rise and fall, each of which
/// may have its own key. What may happen in a window may happen in a longer one.
fn changes(
    table: &SettingsTable<'_>,
    own: [Option<RiseFall>; WINDOWS.len()],
) -> Option<[Option<RiseFall>; WINDOWS.len()]> {
    let mut limits = own;
    // The key by which the file sets a rise and a fall.
    let mut set: [Set; WINDOWS.len()] = Default::default();
    let mut whole = true;
    let mut read = |key: &'static str| {
        let item = table.get(key, Want::Value)?;
        let number = item.number(CHANGE);
        whole &= number.is_some();
        Some((key, number?))
    };
    for ((both, rise, fall), (limit, set)) in KEYS.iter().zip(limits.iter_mut().zip(&mut set)) {
        let both = both.and_then(&mut read);
        let (rise, fall) = (read(rise).or(both), read(fall).or(both));
        *set = (rise.map(|r| r.0), fall.map(|f| f.0));
        let (rise, fall) = (rise.map(|r| r.1), fall.map(|f| f.1));
        if limit.is_some() || rise.is_some() || fall.is_some() {
            // One direction alone: the other is not judged.
            let own = limit.unwrap_or(RiseFall { rise_c: f64::INFINITY, fall_c: f64::INFINITY });
            *limit =
                Some(RiseFall { rise_c: rise.unwrap_or(own.rise_c), fall_c: fall.unwrap_or(own.fall_c) });
        }
    }
    if !whole {
        return None;
    }
    // The half hour's own default gives way to what the file allows within an hour:
    // nobody who sets the hour should have to know of it.
    if let (Some(half), Some(hour)) = (limits[1], limits[2]) {
        limits[1] = Some(RiseFall {
            rise_c: if set[1].0.is_some() { half.rise_c } else { half.rise_c.max(hour.rise_c) },
            fall_c: if set[1].1.is_some() { half.fall_c } else { half.fall_c.max(hour.fall_c) },
        });
    }
    in_order(table, &limits, &set).then_some(limits)
}

/// The keys by which a file sets the rise and the fall of a window.
type Set = (Option<&'static str>, Option<&'static str>);

/// Notes the first limit of a window that is below one of a shorter window, where
/// the file sets one of the two. Defaults alone are never a fault.
fn in_order(
    table: &SettingsTable<'_>,
    limits: &[Option<RiseFall>; WINDOWS.len()],
    set: &[Set; WINDOWS.len()],
) -> bool {
    for rises in [true, false] {
        let by = |i: usize| if rises { set[i].0 } else { set[i].1 };
        let own = |i: usize| KEYS[i].0.unwrap_or(if rises { KEYS[i].1 } else { KEYS[i].2 });
        let key = |i: usize| by(i).unwrap_or(own(i));
        let judged: Vec<(usize, f64)> = limits
            .iter()
            .enumerate()
            .filter_map(|(i, limit)| limit.map(|l| (i, if rises { l.rise_c } else { l.fall_c })))
            .filter(|(_, c)| c.is_finite())
            .collect();
        for pair in judged.windows(2) {
            let &[(short, short_c), (long, long_c)] = pair else { continue };
            // A default of the half hour may stand above the hour's: it is then not reached.
            let said = by(short).is_some() || (by(long).is_some() && short != 1);
            if said && short_c > long_c {
                table.fault(
                    key(long),
                    format!("{long_c} with {} = {short_c}", key(short)),
                    format!(
                        "{} not below {}: what may happen in {} may happen in {}",
                        key(long),
                        key(short),
                        WINDOWS[short].words(),
                        WINDOWS[long].words(),
                    ),
                );
                return false;
            }
        }
    }
    true
}
