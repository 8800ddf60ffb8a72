//! Soil textures and crops: the two tables that most gardens need.
//!
//! Source: FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes, Smith
//! 1998), Table 19 (water held by textures) and Table 22 (rooting depth and
//! depletion fraction). Table 22 as digitised in the Python package pyfao56
//! 1.4.3. Of Table 19 the sand row was read in a quotation; the other rows are
//! from memory of the table and want checking against the printed page.

/// A soil texture and the water that it holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Texture {
    /// The name used in configuration files.
    pub name: &'static str,
    /// Range of volumetric water content at field capacity, m³/m³.
    pub field_capacity: (f64, f64),
    /// Range of volumetric water content at the wilting point, m³/m³.
    pub wilting_point: (f64, f64),
}

impl Texture {
    /// Middle of the printed range at field capacity, m³/m³.
    pub fn field_capacity_mid(&self) -> f64 {
        f64::midpoint(self.field_capacity.0, self.field_capacity.1)
    }

    /// Middle of the printed range at the wilting point, m³/m³.
    pub fn wilting_point_mid(&self) -> f64 {
        f64::midpoint(self.wilting_point.0, self.wilting_point.1)
    }
}

/// A crop's roots and how much water may be used before it is stressed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crop {
    /// The name used in configuration files.
    pub name: &'static str,
    /// Range of the largest effective rooting depth, metres. The smaller one is
    /// for scheduling water, the larger for rainfed crops (Table 22, note 1).
    pub root_depth_m: (f64, f64),
    /// Fraction of total available water that may be used at a crop
    /// evapotranspiration of 5 mm a day.
    pub depletion_fraction: f64,
}

/// The texture of that name, if Table 19 has it.
pub fn texture(name: &str) -> Option<&'static Texture> {
    TEXTURES.iter().find(|t| t.name == name)
}

/// The crop of that name, if our part of Table 22 has it.
pub fn crop(name: &str) -> Option<&'static Crop> {
    CROPS.iter().find(|c| c.name == name)
}

/// FAO-56 Table 19.
pub const TEXTURES: &[Texture] = &[
    Texture { name: "sand", field_capacity: (0.07, 0.17), wilting_point: (0.02, 0.07) },
    Texture { name: "loamy sand", field_capacity: (0.11, 0.19), wilting_point: (0.03, 0.1) },
    Texture { name: "sandy loam", field_capacity: (0.18, 0.28), wilting_point: (0.06, 0.16) },
    Texture { name: "loam", field_capacity: (0.2, 0.3), wilting_point: (0.07, 0.17) },
    Texture { name: "silt loam", field_capacity: (0.22, 0.36), wilting_point: (0.09, 0.21) },
    Texture { name: "silt", field_capacity: (0.28, 0.36), wilting_point: (0.12, 0.22) },
    Texture { name: "silty clay loam", field_capacity: (0.3, 0.37), wilting_point: (0.17, 0.24) },
    Texture { name: "silty clay", field_capacity: (0.3, 0.42), wilting_point: (0.17, 0.29) },
    Texture { name: "clay", field_capacity: (0.32, 0.4), wilting_point: (0.2, 0.24) },
];

/// Rows of FAO-56 Table 22 for school gardens.
pub const CROPS: &[Crop] = &[
    Crop { name: "broccoli", root_depth_m: (0.4, 0.6), depletion_fraction: 0.45 },
    Crop { name: "brussel sprouts", root_depth_m: (0.4, 0.6), depletion_fraction: 0.45 },
    Crop { name: "cabbage", root_depth_m: (0.5, 0.8), depletion_fraction: 0.45 },
    Crop { name: "carrots", root_depth_m: (0.5, 1.0), depletion_fraction: 0.35 },
    Crop { name: "cauliflower", root_depth_m: (0.4, 0.7), depletion_fraction: 0.45 },
    Crop { name: "celery", root_depth_m: (0.3, 0.5), depletion_fraction: 0.20 },
    Crop { name: "garlic", root_depth_m: (0.3, 0.5), depletion_fraction: 0.30 },
    Crop { name: "lettuce", root_depth_m: (0.3, 0.5), depletion_fraction: 0.30 },
    Crop { name: "onions dry", root_depth_m: (0.3, 0.6), depletion_fraction: 0.30 },
    Crop { name: "onions green", root_depth_m: (0.3, 0.6), depletion_fraction: 0.30 },
    Crop { name: "spinach", root_depth_m: (0.3, 0.5), depletion_fraction: 0.20 },
    Crop { name: "radishes", root_depth_m: (0.3, 0.5), depletion_fraction: 0.30 },
    Crop { name: "tomato", root_depth_m: (0.7, 1.5), depletion_fraction: 0.40 },
    Crop { name: "beets table", root_depth_m: (0.6, 1.0), depletion_fraction: 0.50 },
    Crop { name: "potato", root_depth_m: (0.4, 0.6), depletion_fraction: 0.35 },
    Crop { name: "beans green", root_depth_m: (0.5, 0.7), depletion_fraction: 0.45 },
    Crop { name: "peas fresh", root_depth_m: (0.6, 1.0), depletion_fraction: 0.35 },
    Crop { name: "peas dry seed", root_depth_m: (0.6, 1.0), depletion_fraction: 0.40 },
    Crop { name: "mint", root_depth_m: (0.4, 0.8), depletion_fraction: 0.40 },
    Crop { name: "strawberries", root_depth_m: (0.2, 0.3), depletion_fraction: 0.20 },
    Crop { name: "berries bushes", root_depth_m: (0.6, 1.2), depletion_fraction: 0.50 },
    Crop { name: "apples cherries pears", root_depth_m: (1.0, 2.0), depletion_fraction: 0.50 },
    Crop { name: "apricots peaches stone fruit", root_depth_m: (1.0, 2.0), depletion_fraction: 0.50 },
    Crop { name: "citrus 70% canopy", root_depth_m: (1.2, 1.5), depletion_fraction: 0.50 },
    Crop { name: "citrus 50% canopy", root_depth_m: (1.1, 1.5), depletion_fraction: 0.50 },
    Crop { name: "citrus 20% canopy", root_depth_m: (0.8, 1.1), depletion_fraction: 0.50 },
    Crop {
        name: "olives 40% to 60% ground coverage by canopy",
        root_depth_m: (1.2, 1.7),
        depletion_fraction: 0.65,
    },
    Crop { name: "sweet peppers bell", root_depth_m: (0.5, 1.0), depletion_fraction: 0.30 },
    Crop { name: "cucumber fresh market", root_depth_m: (0.7, 1.2), depletion_fraction: 0.50 },
    Crop { name: "squash zucchini", root_depth_m: (0.6, 1.0), depletion_fraction: 0.50 },
    Crop { name: "turfgrass warm season", root_depth_m: (0.5, 1.0), depletion_fraction: 0.50 },
];
