//! Soil textures: the water that most gardens' soils hold.
//!
//! Source: FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes, Smith
//! 1998), Table 19, read in the paper; it names soils by the texture classes of
//! the United States.

use crate::why::{Check, Equation, Step};

/// What a texture holds.
pub(super) const MIDDLE: Equation = Equation {
    gives: "water that a texture holds",
    form: "the middle of the table's range",
    source: "FAO-56 table 19; taking the middle is this project's own",
    check: Check::Table("fao56_table19.csv"),
};

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

/// The step to the middle of one of a texture's ranges.
pub fn texture_step(texture: &Texture, (low, high): (f64, f64)) -> Step {
    MIDDLE.step(format!("{}: {low:.2} to {high:.2}, so {:.3} m3/m3", texture.name, f64::midpoint(low, high)))
}

/// The texture of that name, if Table 19 has it.
pub fn texture(name: &str) -> Option<&'static Texture> {
    TEXTURES.iter().find(|t| t.name == name)
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
