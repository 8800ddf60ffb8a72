//! Soil water in the root zone.

mod tables;

pub use tables::{CROPS, Crop, TEXTURES, Texture, crop, texture};

mod root_zone;

pub use root_zone::{RootZone, litres_to_fill, mean_water_content};
