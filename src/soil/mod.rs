//! Soil water in the root zone.

mod tables;

pub use tables::{CROPS, Crop, TEXTURES, Texture, crop, texture};

mod repellency;
mod root_zone;

pub use repellency::{
    ETHANOL_DROPLET, ETHANOL_MAX_MOL_L, Ethanol, HOW_TO_ETHANOL_DROPLET, HOW_TO_WATER_DROP, NoClass,
    REPELLENCY_EQUATIONS, WATER_DROP, WaterDrop,
};
pub use root_zone::{RootZone, litres_to_fill, mean_water_content};
