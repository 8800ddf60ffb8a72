//! `[[bed]]`: what grows where, in which soil.

use std::borrow::Cow;

use toml::de::DeValue;

use super::document::Want;
use super::fault::any_of;
use super::range::Range;
use super::table::SettingsTable;
use super::text::{Names, name_or_id, own_id};
use super::value::SettingsItem;
use super::watering;
use crate::garden::plan::{Bed, Mulch};
use crate::garden::{COARSE_MM, FINE_MM};
use crate::soil::{self, Composition, HeldWater, Lengths, SoilOutOfRange, Texture};
use crate::watering::Irrigation;

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
const WATERING: &str = "{ method = \"drip\" } or { allowed = [\"00:00-09:00\"] }";
const COMPOSITION: &str = "{ sand_percent = 65, clay_percent = 10, organic_percent = 2.5 }";
const STAGES: &str = "four lengths in days, initial, development, mid-season and late: [40, 60, 50, 15]";
/// Longest growth stage, days.
const STAGE_DAYS_MAX: u32 = 730;

/// Reads one bed; `None` where a fault was noted.
pub(super) fn bed(table: SettingsTable<'_>, ids: &mut Names) -> Option<Bed> {
    let before = table.faults();
    let id = own_id(&table, ids);
    let name = name_or_id(&table, id.as_ref());
    let area_m2 = table.number("area_m2", AREA);
    let soil = soil_of(&table);
    let crop = crop_of(&table);
    let planted = table.get("planted", Want::Value).and_then(|item| item.date());
    let stage_lengths = table.get("stage_days", Want::Value).and_then(|item| stage_lengths(&item));
    let irrigation = table.section_like("irrigation", IRRIGATION).and_then(irrigation);
    let mulch = table.section_like("mulch", MULCH).and_then(mulch);
    let (watering_rules, method) =
        table.section_like("watering", WATERING).map_or((None, None), watering::of_bed);
    let fallow = table.flag("fallow");
    let potting_mix = table.flag("potting_mix");
    if potting_mix == Some(true) {
        refuse_mineral(&table);
    }
    table.finish_whole(before)?;
    let SoilLimits { name: soil, field_capacity, wilting_point, saturation, composition } = soil?;
    let (crop, root_depth_m, depletion_fraction) = crop?;
    Some(Bed {
        id: id?,
        name: name?,
        area_m2: area_m2?,
        soil,
        field_capacity,
        wilting_point,
        saturation,
        composition: composition.map(Box::new),
        crop,
        root_depth_m,
        depletion_fraction,
        planted,
        stage_lengths,
        irrigation,
        mulch,
        fallow: fallow?,
        potting_mix: potting_mix?,
        watering_rules: watering_rules.map(Box::new),
        method,
    })
}

/// A soil's name and what it holds.
struct SoilLimits {
    name: Cow<'static, str>,
    field_capacity: f64,
    wilting_point: f64,
    saturation: Option<f64>,
    composition: Option<Composition>,
}

/// What `soil` says.
enum Soil {
    /// Nothing.
    Absent,
    /// Something that was refused.
    Refused,
    Texture(&'static Texture),
    Composition(Composition, HeldWater),
}

impl Soil {
    fn of(table: &SettingsTable<'_>) -> Self {
        let before = table.faults();
        if let Some(item) = table.get("soil", Want::TextOrTable)
            && !matches!(item.value(), DeValue::Table(_))
        {
            let texture = item.name(soil::texture, soil::TEXTURES.iter().map(|t| t.name));
            return texture.map_or(Self::Refused, Self::Texture);
        }
        match table.section_like("soil", COMPOSITION).map(composition) {
            Some(Some((composition, held))) => Self::Composition(composition, held),
            Some(None) => Self::Refused,
            None if table.faults() > before => Self::Refused,
            None => Self::Absent,
        }
    }
}

/// The soil's name, field capacity, wilting point and saturation: of the
/// texture or of what it is made of, or the bed's own numbers, which go before.
fn soil_of(table: &SettingsTable<'_>) -> Option<SoilLimits> {
    let given = Soil::of(table);
    let capacity_item = table.get("field_capacity", Want::Value);
    let wilting_item = table.get("wilting_point", Want::Value);
    let saturation_item = table.get("saturation", Want::Value);

    let capacity = capacity_item.as_ref().map(|item| item.number(WATER_CONTENT));
    let wilting = wilting_item.as_ref().map(|item| item.number(WILTING));
    let saturation = saturation_item.as_ref().map(|item| item.number(WATER_CONTENT));

    if matches!(given, Soil::Absent) && (capacity.is_none() || wilting.is_none()) {
        let both =
            "soil = a texture or what it is made of, or both field_capacity and wilting_point; made of: ";
        let textures = any_of(soil::TEXTURES.iter().map(|t| t.name));
        let accepted = format!("{both}{COMPOSITION}; the textures: {textures}");
        let key = match (&capacity, &wilting) {
            (Some(_), None) => "wilting_point",
            (None, Some(_)) => "field_capacity",
            _ => "soil",
        };
        return table.lacks(key, accepted);
    }
    let (name, of_soil, composition) = match given {
        Soil::Refused => return None,
        Soil::Absent => ("own limits".into(), None, None),
        Soil::Texture(t) => {
            (t.name.into(), Some((t.field_capacity_mid(), t.wilting_point_mid(), None)), None)
        }
        Soil::Composition(c, held) => (
            format!(
                "{} % sand, {} % clay and {} % organic matter",
                c.sand_percent, c.clay_percent, c.organic_percent
            )
            .into(),
            Some((held.field_capacity, held.wilting_point, Some(held.saturation))),
            Some(c),
        ),
    };
    let field_capacity = capacity.unwrap_or_else(|| of_soil.map(|s| s.0))?;
    let wilting_point = wilting.unwrap_or_else(|| of_soil.map(|s| s.1))?;
    let saturation = match saturation {
        Some(own) => Some(own?),
        // The soil's own, unless the file's field capacity leaves no room below it.
        None => of_soil.and_then(|s| s.2).filter(|saturation| *saturation > field_capacity),
    };
    if field_capacity <= wilting_point {
        let accepted = format!("a field capacity above the wilting point, which is {wilting_point:.3}");
        match (capacity_item, wilting_item) {
            (Some(item), _) => item.refuse(accepted),
            (None, Some(item)) => {
                item.refuse(format!(
                    "a wilting point below the field capacity, which is {field_capacity:.3}"
                ));
            }
            (None, None) => table.fault("soil", field_capacity.to_string(), accepted),
        }
        return None;
    }
    if let (Some(item), Some(saturation)) = (saturation_item, saturation)
        && saturation <= field_capacity
    {
        return item.refused(format!("a saturation above the field capacity, which is {field_capacity:.3}"));
    }
    Some(SoilLimits { name, field_capacity, wilting_point, saturation, composition })
}

/// A bed is of mineral soil or of a potting mix, not of both.
fn refuse_mineral(table: &SettingsTable<'_>) {
    if let Some(soil) = table.get("soil", Want::TextOrTable) {
        let accepted = "field_capacity and wilting_point of the mix instead of soil: textures and their parts are of \
                        mineral soil";
        soil.fault(format!("{} beside potting_mix = true", soil.given()), accepted, None);
    }
}

/// What a soil is made of, and the water that it then holds.
fn composition(table: SettingsTable<'_>) -> Option<(Composition, HeldWater)> {
    let number = |key, limits: &SoilOutOfRange| {
        table.number(key, Range::from_to(limits.from, limits.to, "% by weight"))
    };
    let sand = number("sand_percent", &soil::SAND);
    let clay = number("clay_percent", &soil::CLAY);
    let organic = number("organic_percent", &soil::ORGANIC);
    let found = (|| {
        let composition = Composition { sand_percent: sand?, clay_percent: clay?, organic_percent: organic? };
        match composition.held_water() {
            Ok(held) => Some((composition, held)),
            Err(e) => {
                let given = format!(
                    "sand_percent = {}, clay_percent = {}, organic_percent = {}: {e}",
                    composition.sand_percent, composition.clay_percent, composition.organic_percent
                );
                table.faulty("", given, "a soil for which Saxton and Rawls 2006 holds, or a texture")
            }
        }
    })();
    table.finish();
    found
}

/// The garden's own lengths of the growth stages.
fn stage_lengths(item: &SettingsItem<'_>) -> Option<Lengths> {
    let days: Vec<Option<u16>> = item.list(STAGES, 4..=4, |item| {
        Some(item.whole(0..=STAGE_DAYS_MAX, "days").and_then(|days| days.try_into().ok()))
    })?;
    let &[Some(initial_d), Some(development_d), Some(mid_d), Some(late_d)] = days.as_slice() else {
        return None;
    };
    let lengths = Lengths { initial_d, development_d, mid_d, late_d };
    if lengths.total_d() == 0 { item.refused(STAGES) } else { Some(lengths) }
}

/// The crop's name, rooting depth and depletion fraction: of the table, or the
/// bed's own numbers, which go before the table's. Of the table's two rooting
/// depths the smaller one is for scheduling water.
fn crop_of(table: &SettingsTable<'_>) -> Option<(Option<&'static str>, f64, f64)> {
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
        return table.lacks(key, accepted);
    }
    let crop = match crop {
        Some(crop) => Some(crop?),
        None => None,
    };
    let depth = depth.unwrap_or_else(|| crop.map(|c| c.root_depth_m.0))?;
    let fraction = fraction.unwrap_or_else(|| crop.map(|c| c.depletion_fraction))?;
    Some((crop.map(|crop| crop.name), depth, fraction))
}

fn irrigation(table: SettingsTable<'_>) -> Option<Irrigation> {
    let litres_per_hour = table.number("litres_per_hour", LITRES_PER_HOUR);
    let efficiency = table.number("efficiency", EFFICIENCY);
    table.finish();
    Some(Irrigation { litres_per_hour: litres_per_hour?, efficiency: efficiency? })
}

fn mulch(table: SettingsTable<'_>) -> Option<Mulch> {
    let fine = table.read_if("kind", Want::Text, |item| item.word(&[("coarse", false), ("fine", true)]));
    // The usual depth goes with the kind; without one it has to be said.
    let usual_mm = fine.map(|fine| fine.map(|fine| if fine { FINE_MM } else { COARSE_MM }));
    let depth_mm = match usual_mm {
        Some(usual_mm) => table.number_over("depth_mm", MULCH_DEPTH, usual_mm, || {
            format!("{MULCH_DEPTH}, or kind = \"coarse\" or \"fine\"")
        }),
        None => table.number_if("depth_mm", MULCH_DEPTH),
    };
    // A date that is refused makes the bed as a whole wrong.
    let planned = table.get("planned", Want::Value).and_then(|item| item.date());
    table.finish();
    Some(Mulch { depth_mm: depth_mm?, fine: fine?, planned })
}
