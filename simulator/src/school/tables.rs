//! Textures, crops and fish that garden files name.
//!
//! The simulator keeps its own copy so that it stays independent of what it
//! scores. Source: FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes,
//! Smith 1998), Table 19 and Table 22; Table 22 as digitised in the Python
//! package pyfao56 1.4.3. Of Table 19 the sand row was read in a quotation, the
//! others are from memory of the table.

/// A soil texture: printed ranges of water content, m³/m³.
#[derive(Clone, Copy, Debug)]
pub(super) struct Texture {
    pub(super) name: &'static str,
    pub(super) field_capacity: (f64, f64),
    pub(super) wilting_point: (f64, f64),
}

impl Texture {
    pub(super) fn field_capacity_mid(&self) -> f64 {
        f64::midpoint(self.field_capacity.0, self.field_capacity.1)
    }

    pub(super) fn wilting_point_mid(&self) -> f64 {
        f64::midpoint(self.wilting_point.0, self.wilting_point.1)
    }
}

/// A crop: the smaller rooting depth (metres) and the depletion fraction.
#[derive(Clone, Copy, Debug)]
pub(super) struct Crop {
    pub(super) name: &'static str,
    pub(super) root_depth_min_m: f64,
    pub(super) depletion_fraction: f64,
}

/// A kind of fish: temperature limits, °C.
#[derive(Clone, Copy, Debug)]
pub(super) struct Species {
    pub(super) name: &'static str,
    pub(super) cold_c: f64,
    pub(super) warm_c: f64,
    /// Within a day; a cautious figure without a published source.
    pub(super) change_day_c: f64,
}

pub(super) fn texture(name: &str) -> Option<&'static Texture> {
    TEXTURES.iter().find(|t| t.name == name)
}

pub(super) fn crop(name: &str) -> Option<&'static Crop> {
    CROPS.iter().find(|c| c.name == name)
}

/// Days of the initial and the development stage of the crops whose planting a garden of
/// the simulator knows (FAO-56 Table 11, planted in autumn). The roots of others count as grown.
pub(super) fn young_days(crop: &str) -> Option<(u16, u16)> {
    (crop == "cabbage").then_some((40, 60))
}

pub(super) fn species(name: &str) -> Option<&'static Species> {
    SPECIES.iter().find(|s| s.name == name)
}

const fn soil(name: &'static str, field_capacity: (f64, f64), wilting_point: (f64, f64)) -> Texture {
    Texture { name, field_capacity, wilting_point }
}

const fn plant(name: &'static str, root_depth_min_m: f64, depletion_fraction: f64) -> Crop {
    Crop { name, root_depth_min_m, depletion_fraction }
}

const fn fish(name: &'static str, cold_c: f64, warm_c: f64, change_day_c: f64) -> Species {
    Species { name, cold_c, warm_c, change_day_c }
}

/// FAO-56 Table 19.
const TEXTURES: &[Texture] = &[
    soil("sand", (0.07, 0.17), (0.02, 0.07)),
    soil("loamy sand", (0.11, 0.19), (0.03, 0.10)),
    soil("sandy loam", (0.18, 0.28), (0.06, 0.16)),
    soil("loam", (0.20, 0.30), (0.07, 0.17)),
    soil("silt loam", (0.22, 0.36), (0.09, 0.21)),
    soil("silt", (0.28, 0.36), (0.12, 0.22)),
    soil("silty clay loam", (0.30, 0.37), (0.17, 0.24)),
    soil("silty clay", (0.30, 0.42), (0.17, 0.29)),
    soil("clay", (0.32, 0.40), (0.20, 0.24)),
];

/// Rows of FAO-56 Table 22: the smaller depth, which is the one for scheduling.
const CROPS: &[Crop] = &[
    plant("broccoli", 0.4, 0.45),
    plant("brussel sprouts", 0.4, 0.45),
    plant("cabbage", 0.5, 0.45),
    plant("carrots", 0.5, 0.35),
    plant("cauliflower", 0.4, 0.45),
    plant("celery", 0.3, 0.20),
    plant("garlic", 0.3, 0.30),
    plant("lettuce", 0.3, 0.30),
    plant("onions dry", 0.3, 0.30),
    plant("onions green", 0.3, 0.30),
    plant("spinach", 0.3, 0.20),
    plant("radishes", 0.3, 0.30),
    plant("tomato", 0.7, 0.40),
    plant("beets table", 0.6, 0.50),
    plant("potato", 0.4, 0.35),
    plant("beans green", 0.5, 0.45),
    plant("peas fresh", 0.6, 0.35),
    plant("peas dry seed", 0.6, 0.40),
    plant("mint", 0.4, 0.40),
    plant("strawberries", 0.2, 0.20),
    plant("berries bushes", 0.6, 0.50),
    plant("apples cherries pears", 1.0, 0.50),
    plant("apricots peaches stone fruit", 1.0, 0.50),
    plant("citrus 70% canopy", 1.2, 0.50),
    plant("citrus 50% canopy", 1.1, 0.50),
    plant("citrus 20% canopy", 0.8, 0.50),
    plant("olives 40% to 60% ground coverage by canopy", 1.2, 0.65),
    plant("sweet peppers bell", 0.5, 0.30),
    plant("cucumber fresh market", 0.7, 0.50),
    plant("squash zucchini", 0.6, 0.50),
    plant("turfgrass warm season", 0.5, 0.50),
];

/// Where danger begins: 2 °C above the cold and 3 °C below the warm end of what is published
/// as tolerance. Silver perch: 2 °C (NSW DPI) to 35 °C (Queensland Government). Barramundi:
/// deaths below 13 °C (Queensland Government), fingerlings survive to 35 °C. Rainbow trout:
/// half die at 25 °C (Huysman and others 2020); near ice. Goldfish: from 0 °C (FishBase), and
/// koi 3 to 35 °C (ICAR-NBFGR). Nile tilapia: 12 to 36 °C (FAO Technical Paper 589).
const SPECIES: &[Species] = &[
    fish("silver perch", 4.0, 32.0, 6.0),
    fish("barramundi", 15.0, 32.0, 4.0),
    fish("rainbow trout", 1.0, 22.0, 5.0),
    fish("goldfish", 2.0, 32.0, 6.0),
    fish("koi", 5.0, 32.0, 6.0),
    fish("nile tilapia", 14.0, 33.0, 5.0),
];
