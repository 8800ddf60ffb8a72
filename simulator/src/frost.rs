//! Soil that freezes and thaws, and the snow on it.
//!
//! Water in soil freezes little by little: at each temperature below zero the
//! water that is held more tightly than ice pulls stays liquid. By the
//! generalised Clapeyron equation that is 1.22 MPa for each degree; the soil's
//! own retention curve then says how much water it is. The form is that of
//! Spaans and Baker 1996 (Soil Science Society of America Journal 60:13-19): a
//! freezing soil follows its drying curve. The curve here is a power law
//! through the bed's field capacity (33 kPa) and wilting point (1500 kPa).
//!
//! A dielectric probe sees the liquid water: ice has a permittivity of about
//! 3.2, water near 0 °C of about 88 (Stein and Kane 1983, Water Resources
//! Research 19:1573-1584, follow the unfrozen water of soil that way). In the
//! refractive mixing law a part of ice then counts for
//! `(sqrt(3.2) - 1) / (sqrt(88) - 1)`, about a tenth, of as much water. So the
//! reading falls as the soil freezes and comes back in the thaw, and no water
//! has come or gone.
//!
//! Freezing gives off heat, which holds the soil near zero for days: the
//! stagnation near 0 °C that column experiments show (Watanabe, Kito, Wake and
//! Sakai 2011, Annals of Glaciology 52(58):37-43).
//!
//! # Where it stops holding
//!
//! Water moves as in soil that is not frozen: ice stops neither rain nor roots.
//! Neither salts nor the hysteresis between freezing and thawing are in it.

/// Suction of ice for each degree below zero, kPa (Clapeyron).
const SUCTION_KPA_K: f64 = 1220.0;
const FIELD_CAPACITY_KPA: f64 = 33.0;
const WILTING_POINT_KPA: f64 = 1500.0;
/// Heat to melt the ice in a cubic metre of water, J/m³: 334 kJ/kg.
const LATENT_J_M3: f64 = 3.34e8;
/// Heat capacity of moist soil, J/(m³ K) (usual size).
const HEAT_J_M3_K: f64 = 2.2e6;
/// Permittivities of ice and of water near 0 °C.
const ICE: f64 = 3.2;
const WATER: f64 = 88.0;
const HALVINGS: u32 = 24;

/// Ice in the cells of a bed's soil.
#[derive(Clone, Debug)]
pub(crate) struct Frost {
    wilting_point: f64,
    /// Water content falls with suction to the power of minus this.
    power: f64,
    /// m³ of water, frozen, in a m³ of soil; for each cell.
    ice: Vec<f64>,
}

impl Frost {
    pub(crate) fn new(field_capacity: f64, wilting_point: f64, cells: usize) -> Self {
        let power = (field_capacity / wilting_point).ln() / (WILTING_POINT_KPA / FIELD_CAPACITY_KPA).ln();
        Self { wilting_point, power, ice: vec![0.0; cells] }
    }

    pub(crate) fn ice(&self) -> &[f64] {
        &self.ice
    }

    /// The most water that stays liquid at a temperature below 0 °C, m³/m³.
    pub(crate) fn liquid_most(&self, soil_c: f64) -> f64 {
        if soil_c >= 0.0 {
            return f64::INFINITY;
        }
        self.wilting_point * (WILTING_POINT_KPA / (SUCTION_KPA_K * -soil_c)).powf(self.power)
    }

    fn ice_at(&self, water: f64, soil_c: f64) -> f64 {
        (water - self.liquid_most(soil_c)).max(0.0)
    }

    /// Lets a cell of a water content freeze or melt, which holds its temperature:
    /// from what conduction alone has made of it to where heat and ice agree.
    pub(crate) fn settle(&mut self, cell: usize, water: f64, soil_c: f64) -> f64 {
        let before = self.ice[cell];
        let excess = |c: f64| HEAT_J_M3_K * (c - soil_c) - LATENT_J_M3 * (self.ice_at(water, c) - before);
        let first = excess(soil_c);
        if first.abs() < 1e-6 {
            return soil_c;
        }
        // Freezing warms up to 0 °C at most. Melting cools: down to where all that
        // was frozen would be again.
        let (mut low, mut high) = if first < 0.0 { (soil_c, 0.0) } else { (soil_c.min(0.0) - 60.0, soil_c) };
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(low, high);
            if excess(middle) < 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        let settled_c = f64::midpoint(low, high);
        // What the heat has paid for, so that none is lost to the halving.
        self.ice[cell] =
            (before + HEAT_J_M3_K * (settled_c - soil_c) / LATENT_J_M3).clamp(0.0, water.max(0.0));
        settled_c
    }

    /// What a dielectric probe shows of a water content of which a part is ice.
    pub(crate) fn shown(water: f64, ice: f64) -> f64 {
        let counts = (ICE.sqrt() - 1.0) / (WATER.sqrt() - 1.0);
        water - (1.0 - counts) * ice
    }
}

/// At this air temperature and below precipitation is snow, °C (common practice).
const SNOW_C: f64 = 1.0;
/// Melt by degree-day, mm/(°C day): the mean of open sites in Kuusisto 1980,
/// Nordic Hydrology 11:235-242.
const MELT_MM_K_DAY: f64 = 3.51;
/// What an unshielded gauge catches of snow: wind carries the rest past it
/// (invented, of the usual size).
const GAUGE_CATCHES: f64 = 0.6;
/// So much snow, in mm of water, keeps the cold and the sun from the soil.
const COVERS_MM: f64 = 3.0;

/// Snow on the ground and in the funnel of an unheated gauge, mm of water.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Snow {
    lies_mm: f64,
    funnel_mm: f64,
}

/// Liquid water of a minute, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Liquid {
    pub(crate) ground_mm: f64,
    pub(crate) gauge_mm: f64,
}

impl Snow {
    /// A minute's precipitation and what melts.
    pub(crate) fn minute(&mut self, air_c: f64, falls_mm: f64) -> Liquid {
        let mut liquid = Liquid { ground_mm: falls_mm, gauge_mm: falls_mm };
        if air_c <= SNOW_C {
            self.lies_mm += falls_mm;
            self.funnel_mm += GAUGE_CATCHES * falls_mm;
            liquid = Liquid { ground_mm: 0.0, gauge_mm: 0.0 };
        }
        let melts_mm = MELT_MM_K_DAY * air_c.max(0.0) / 1440.0;
        for (snow, water) in
            [(&mut self.lies_mm, &mut liquid.ground_mm), (&mut self.funnel_mm, &mut liquid.gauge_mm)]
        {
            let melted = melts_mm.min(*snow);
            *snow -= melted;
            *water += melted;
        }
        liquid
    }

    /// Whether the soil lies under it.
    pub(crate) fn covers(&self) -> bool {
        self.lies_mm >= COVERS_MM
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frost() -> Frost {
        Frost::new(0.23, 0.11, 1)
    }

    /// By hand from the Clapeyron equation: 1500 kPa is reached at
    /// -1500 / 1220 = -1.23 °C, 33 kPa at -0.027 °C.
    #[test]
    fn water_stays_liquid_as_the_retention_curve_says() {
        let frost = frost();
        assert!((frost.liquid_most(-1500.0 / 1220.0) - 0.11).abs() < 1e-9);
        assert!((frost.liquid_most(-33.0 / 1220.0) - 0.23).abs() < 1e-9);
        assert!(frost.liquid_most(-5.0) < 0.09);
    }

    /// Heat is neither made nor lost: what a cell gives off warms it.
    #[test]
    fn freezing_and_thawing_keep_the_heat() {
        let mut frost = frost();
        let mut soil_c = 2.0;
        let heat = |c: f64, ice: f64| HEAT_J_M3_K * c - LATENT_J_M3 * ice;
        let (mut given, first) = (0.0, heat(soil_c, 0.0));
        let mut minutes_near_zero = 0;
        for minute in 0..12_000 {
            let step = if minute < 6000 { -0.004 } else { 0.004 };
            given += HEAT_J_M3_K * step;
            soil_c = frost.settle(0, 0.2, soil_c + step);
            minutes_near_zero += i32::from((-0.3..0.0).contains(&soil_c));
            let kept = heat(soil_c, frost.ice()[0]);
            assert!((kept - first - given).abs() < 1e3, "{minute}: {kept} {given}");
            if minute == 5999 {
                assert!(frost.ice()[0] > 0.08 && soil_c < -0.5, "{soil_c} {:?}", frost.ice());
            }
        }
        // The heat that freezing 0.05 sets free, 7.6 K worth, holds it near zero.
        assert!(minutes_near_zero > 1000, "{minutes_near_zero}");
        assert!((soil_c - 2.0).abs() < 0.01 && frost.ice()[0] < 1e-6, "{soil_c} {:?}", frost.ice());
    }

    #[test]
    fn a_probe_shows_a_tenth_of_the_ice() {
        assert!((Frost::shown(0.20, 0.10) - 0.1094).abs() < 5e-4);
        assert!((Frost::shown(0.20, 0.0) - 0.20).abs() < 1e-12);
    }

    #[test]
    fn snow_lies_until_it_melts_and_the_gauge_has_less_of_it() {
        let mut snow = Snow::default();
        for _ in 0..100 {
            assert_eq!(snow.minute(-3.0, 0.1), Liquid { ground_mm: 0.0, gauge_mm: 0.0 });
        }
        assert!(snow.covers());
        let (mut ground, mut gauge) = (0.0, 0.0);
        for _ in 0..2 * 1440 {
            let liquid = snow.minute(5.0, 0.0);
            ground += liquid.ground_mm;
            gauge += liquid.gauge_mm;
        }
        assert!((ground - 10.0).abs() < 1e-9 && (gauge - 6.0).abs() < 1e-9, "{ground} {gauge}");
        assert!(!snow.covers());
    }
}
