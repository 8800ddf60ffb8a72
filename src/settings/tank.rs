//! `[[tank]]`: the fish and the water that they can bear.

use super::document::Want;
use super::range::Range;
use super::table::Table;
use super::text::{ID_ACCEPTED, Names, id, named};
use crate::garden::plan::Tank;
use crate::tank::{CHANGE_HOUR_C, SPECIES, TankLimits, species};

const VOLUME: Range = Range::above_to(0.0, 1_000_000.0, "litres");
/// Water between freezing, with salt in it, and what no tank fish survives.
const TEMPERATURE: Range = Range::from_to(-2.0, 45.0, "degrees C");
const CHANGE: Range = Range::above_to(0.0, 30.0, "degrees C");

/// Largest change within a day where neither the file nor a species gives one,
/// °C: the narrowest of the species' own, a figure without a published source.
const CHANGE_DAY_C: f64 = 4.0;

const LIMITS: &str = "{ cold_c = 12, warm_c = 30, change_hour_c = 2, change_day_c = 6 }, or some of these";

/// Reads one tank; `None` where a fault was noted.
pub(super) fn tank(table: Table<'_>, ids: &mut Names) -> Option<Tank> {
    let before = table.document().fault_count();
    let id = table.need("id", Want::Text, ID_ACCEPTED).and_then(|item| {
        let id = id(&item)?;
        ids.claim(&item, id.as_str()).then_some(id)
    });
    let name = match table.get("name", Want::Text) {
        Some(item) => named(&item),
        None => id.as_ref().map(ToString::to_string),
    };
    let volume_l =
        table.need("volume_l", Want::Value, VOLUME.to_string()).and_then(|item| item.number(VOLUME));
    let kind =
        table.get("species", Want::Text).map(|item| item.name(species, SPECIES.iter().map(|s| s.name)));
    let fish = table.get("fish", Want::Value).and_then(|item| item.whole(0..=1_000_000, "fish"));
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
                table.missing("species", accepted);
                None
            }
        },
    };
    let whole = table.document().fault_count() == before;
    table.finish();
    if !whole {
        return None;
    }
    let species = kind.flatten().map(|kind| kind.name.to_owned());
    Some(Tank { id: id?, name: name?, volume_l: volume_l?, species, fish, limits: limits? })
}

/// The limits of the file over those of the species.
fn limits(table: Table<'_>, species: Option<&TankLimits>) -> Option<TankLimits> {
    let number = |key: &'static str, range: Range, otherwise: Option<f64>| match (
        table.get(key, Want::Value),
        otherwise,
    ) {
        (Some(item), _) => item.number(range),
        (None, Some(otherwise)) => Some(otherwise),
        (None, None) => {
            table.missing(key, format!("{range}, since no species is named"));
            None
        }
    };
    let cold_c = number("cold_c", TEMPERATURE, species.map(|s| s.cold_c));
    let warm_c = number("warm_c", TEMPERATURE, species.map(|s| s.warm_c));
    let change_hour_c =
        number("change_hour_c", CHANGE, Some(species.map_or(CHANGE_HOUR_C, |s| s.change_hour_c)));
    let change_day_c = number("change_day_c", CHANGE, Some(species.map_or(CHANGE_DAY_C, |s| s.change_day_c)));
    let limits = (|| {
        let limits = TankLimits {
            cold_c: cold_c?,
            warm_c: warm_c?,
            change_hour_c: change_hour_c?,
            change_day_c: change_day_c?,
        };
        if limits.cold_c >= limits.warm_c {
            table.fault(
                "warm_c",
                format!("{} with cold_c = {}", limits.warm_c, limits.cold_c),
                "warm_c above cold_c",
                None,
            );
            return None;
        }
        if limits.change_hour_c > limits.change_day_c {
            table.fault(
                "change_day_c",
                format!("{} with change_hour_c = {}", limits.change_day_c, limits.change_hour_c),
                "change_day_c not below change_hour_c: what may happen in an hour may happen in a day",
                None,
            );
            return None;
        }
        Some(limits)
    })();
    table.finish();
    limits
}
