//! Soil water in the root zone: what a soil holds, what a crop may use and does
//! use, and how both stand on a day.

mod coefficient;
mod crops;
mod drained;
mod growth;
mod out_of_range;
mod repellency;
mod root_zone;
mod roots;
mod saxton_rawls;
mod soaking;
mod stages;
mod stress;
mod texture_class;
mod textures;

pub use coefficient::{Coefficients, Lengths, Stage, mulch_reduction};
pub use crops::{CROPS, Crop, CropUse, crop};
pub use drained::{Drained, DrainedWatch};
pub use growth::{GrowthDay, GrowthUnknown, Planting, SeasonDay};
pub use out_of_range::SoilOutOfRange;
pub use repellency::{
    AGENT_CARE, DROP_CLASSES, DROP_FIRST, ETHANOL_MAX_MOL_L, Ethanol, HOW_TO_ETHANOL_DROPLET,
    HOW_TO_WATER_DROP, NoClass, WATER_DROP, WaterDrop,
};
pub use root_zone::{RootZone, litres_to_fill, mean_water_content, mean_water_content_step};
pub use roots::{SEEDLING_ROOTS_M, root_depth_m, root_depth_step};
pub use saxton_rawls::{CLAY, Composition, HeldWater, NoHeldWater, ORGANIC, SAND};
pub use soaking::{AtProbe, ENOUGH, Miss, Soaking, SoakingVerdict, TOGETHER_S, enough_mm, enough_step};
pub use stages::StageRow;
pub use stress::{depletion_fraction, depletion_fraction_step, stress, stress_step};
pub use texture_class::{JarLayers, SoilParts, TextureClass};
pub use textures::{TEXTURES, Texture, texture, texture_step};
