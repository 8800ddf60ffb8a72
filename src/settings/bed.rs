//! `[[bed]]`: what grows where, in which soil.

use super::document::Want;
use super::fault::any_of;
use super::hours::hours;
use super::range::Range;
use super::table::Table;
use super::text::{ID_ACCEPTED, Names, id, named};
use crate::garden::plan::{Bed, Irrigation, Mulch};
use crate::soil;

/// A school's largest bed is far below a hectare.
const AREA: Range = Range::above_to(0.0, 10_000.0, "square metres");
const WATER_CONTENT: Range = Range::above_to(0.0, 1.0, "m3 of water in a m3 of soil");
const WILTING: Range = Range::from_to(0.0, 1.0, "m3 of water in a m3 of soil");
const ROOT_DEPTH: Range = Range::above_to(0.0, 5.0, "metres");
/// FAO-56, note below Table 22: 0.1 to 0.8 after the adjustment for the day.
const DEPLETION: Range = Range::from_to(0.1, 0.8, "of the available water");
const LITRES_PER_HOUR: Range = Range::above_to(0.0, 100_000.0, "litres an hour for the whole bed");
const EFFICIENCY: Range = Range::above_to(0.0, 1.0, "of the water reaches the roots");
const MULCH_DEPTH: Range = Range::from_to(1.0, 500.0, "mm");

const IRRIGATION: &str = "{ litres_per_hour = 120, efficiency = 0.9 }";
const MULCH: &str = "{ depth_mm = 100, planned = 2026-04-18 }";

/// Reads one bed; `None` where a fault was noted.
pub(super) fn bed(table: Table<'_>, ids: &mut Names) -> Option<Bed> {
    let before = table.document().fault_count();
    let id = table.need("id", Want::Text, ID_ACCEPTED).and_then(|item| {
        let id = id(&item)?;
        ids.claim(&item, id.as_str()).then_some(id)
    });
    let name = match table.get("name", Want::Text) {
        Some(item) => named(&item),
        None => id.as_ref().map(ToString::to_string),
    };
    let area_m2 = table.need("area_m2", Want::Value, AREA.to_string()).and_then(|item| item.number(AREA));
    let soil = soil_of(&table);
    let crop = crop_of(&table);
    let irrigation = table.section_like("irrigation", IRRIGATION).and_then(irrigation);
    let mulch = table.section_like("mulch", MULCH).and_then(mulch);
    let watering_allowed =
        table.section_like("watering", "{ allowed = [\"00:00-09:00\"] }").and_then(|watering| {
            let allowed = watering
                .need("allowed", Want::List, "a list of intervals: [\"00:00-09:00\"]")
                .and_then(|item| hours(&item));
            watering.finish();
            allowed
        });
    let fallow = match table.get("fallow", Want::Value) {
        Some(item) => item.boolean(),
        None => Some(false),
    };
    let whole = table.document().fault_count() == before;
    table.finish();
    if !whole {
        return None;
    }
    let (soil, field_capacity, wilting_point) = soil?;
    let (crop, root_depth_m, depletion_fraction) = crop?;
    Some(Bed {
        id: id?,
        name: name?,
        area_m2: area_m2?,
        soil,
        field_capacity,
        wilting_point,
        crop,
        root_depth_m,
        depletion_fraction,
        irrigation,
        mulch,
        fallow: fallow?,
        watering_allowed,
    })
}

/// The soil's name, field capacity and wilting point: of the texture, or the
/// bed's own numbers, which go before the texture's.
fn soil_of(table: &Table<'_>) -> Option<(String, f64, f64)> {
    let texture_item = table.get("soil", Want::Text);
    let capacity_item = table.get("field_capacity", Want::Value);
    let wilting_item = table.get("wilting_point", Want::Value);

    let texture =
        texture_item.as_ref().map(|item| item.name(soil::texture, soil::TEXTURES.iter().map(|t| t.name)));
    let capacity = capacity_item.as_ref().map(|item| item.number(WATER_CONTENT));
    let wilting = wilting_item.as_ref().map(|item| item.number(WILTING));

    if texture.is_none() && (capacity.is_none() || wilting.is_none()) {
        let both = "soil = a texture, or both field_capacity and wilting_point; the textures: ";
        let accepted = format!("{both}{}", any_of(soil::TEXTURES.iter().map(|t| t.name)));
        let key = match (&capacity, &wilting) {
            (Some(_), None) => "wilting_point",
            (None, Some(_)) => "field_capacity",
            _ => "soil",
        };
        table.missing(key, accepted);
        return None;
    }
    let (name, texture) = match texture {
        Some(texture) => {
            let texture = texture?;
            (texture.name.to_owned(), Some(texture))
        }
        None => ("own limits".to_owned(), None),
    };
    let field_capacity = capacity.unwrap_or_else(|| texture.map(soil::Texture::field_capacity_mid))?;
    let wilting_point = wilting.unwrap_or_else(|| texture.map(soil::Texture::wilting_point_mid))?;
    if field_capacity <= wilting_point {
        let accepted = format!("a field capacity above the wilting point, which is {wilting_point}");
        match (capacity_item, wilting_item) {
            (Some(item), _) => item.refuse(accepted),
            (None, Some(item)) => {
                item.refuse(format!("a wilting point below the field capacity, which is {field_capacity}"));
            }
            (None, None) => table.fault("soil", field_capacity.to_string(), accepted, None),
        }
        return None;
    }
    Some((name, field_capacity, wilting_point))
}

/// The crop's name, rooting depth and depletion fraction: of the table, or the
/// bed's own numbers, which go before the table's. Of the table's two rooting
/// depths the smaller one is for scheduling water.
fn crop_of(table: &Table<'_>) -> Option<(Option<String>, f64, f64)> {
    let crop =
        table.get("crop", Want::Text).map(|item| item.name(soil::crop, soil::CROPS.iter().map(|c| c.name)));
    let depth = table.get("root_depth_m", Want::Value).map(|item| item.number(ROOT_DEPTH));
    let fraction = table.get("depletion_fraction", Want::Value).map(|item| item.number(DEPLETION));

    if crop.is_none() && (depth.is_none() || fraction.is_none()) {
        let both = "crop = a crop of the table, or both root_depth_m and depletion_fraction; the crops: ";
        let accepted = format!("{both}{}", any_of(soil::CROPS.iter().map(|c| c.name)));
        let key = match (&depth, &fraction) {
            (Some(_), None) => "depletion_fraction",
            (None, Some(_)) => "root_depth_m",
            _ => "crop",
        };
        table.missing(key, accepted);
        return None;
    }
    let (name, crop) = match crop {
        Some(crop) => {
            let crop = crop?;
            (Some(crop.name.to_owned()), Some(crop))
        }
        None => (None, None),
    };
    let depth = depth.unwrap_or_else(|| crop.map(|c| c.root_depth_m.0))?;
    let fraction = fraction.unwrap_or_else(|| crop.map(|c| c.depletion_fraction))?;
    Some((name, depth, fraction))
}

fn irrigation(table: Table<'_>) -> Option<Irrigation> {
    let number = |key, range: Range| {
        table.need(key, Want::Value, range.to_string()).and_then(|item| item.number(range))
    };
    let litres_per_hour = number("litres_per_hour", LITRES_PER_HOUR);
    let efficiency = number("efficiency", EFFICIENCY);
    table.finish();
    Some(Irrigation { litres_per_hour: litres_per_hour?, efficiency: efficiency? })
}

fn mulch(table: Table<'_>) -> Option<Mulch> {
    let depth_mm = table
        .need("depth_mm", Want::Value, MULCH_DEPTH.to_string())
        .and_then(|item| item.number(MULCH_DEPTH));
    // A date that is refused makes the bed as a whole wrong.
    let planned = table.get("planned", Want::Value).and_then(|item| item.date());
    table.finish();
    Some(Mulch { depth_mm: depth_mm?, planned })
}
