//! Soil water in the root zone.

mod tables;

pub use tables::{CROPS, Crop, TEXTURES, Texture, crop, texture};
