//! The water of a fish tank: warmed by air and sun, cooled by air and night sky.
//!
//! ```text
//! C dT/dt = U (air - T) + a S - L,   C = 4186 J/(kg K) times the water's mass
//! ```
//!
//! `U`, `a` and `L` are invented for an outdoor tank under shade cloth, and grow
//! with the surface: as the volume to the power of two thirds.

/// Heat capacity of water, J/(kg K); a litre weighs a kilogram here.
const HEAT_J_KG_K: f64 = 4186.0;

/// A tank's water.
#[derive(Clone, Debug)]
pub(crate) struct Water {
    volume_l: f64,
    surface: f64,
    temperature_c: f64,
    /// Degrees below zero that the water would have without ice: its heat, given off.
    ice_c: f64,
}

impl Water {
    pub(crate) fn new(volume_l: f64, temperature_c: f64) -> Self {
        Self { volume_l, surface: (volume_l / 500.0).powf(2.0 / 3.0), temperature_c, ice_c: 0.0 }
    }

    pub(crate) fn temperature_c(&self) -> f64 {
        self.temperature_c
    }

    /// One minute: air temperature, sunshine (W/m²), and water let in (litres,
    /// °C) while as much runs over.
    pub(crate) fn minute(&mut self, air_c: f64, sun_w_m2: f64, inflow: Option<(f64, f64)>) {
        const EXCHANGE_W_K: f64 = 22.0;
        const SUN_M2: f64 = 0.30;
        const NIGHT_SKY_W: f64 = 25.0;
        let gain_w = EXCHANGE_W_K * (air_c - self.temperature_c) + SUN_M2 * sun_w_m2 - NIGHT_SKY_W;
        self.temperature_c += gain_w * self.surface * 60.0 / (HEAT_J_KG_K * self.volume_l);
        if let Some((litres, inflow_c)) = inflow {
            // Stirred: what runs over has the tank's own temperature.
            let part = 1.0 - (-litres / self.volume_l).exp();
            self.temperature_c += part * (inflow_c - self.temperature_c);
        }
        // Water freezes at zero and stays there until its ice has melted.
        if self.temperature_c < 0.0 || self.ice_c > 0.0 {
            let heat_c = self.temperature_c - self.ice_c;
            self.temperature_c = heat_c.max(0.0);
            self.ice_c = (-heat_c).max(0.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Perfect mixing with an equal outflow: T = Tin + (T0 - Tin) exp(-V_in/V).
    #[test]
    fn a_cold_top_up_mixes_in() {
        let mut water = Water::new(500.0, 20.0);
        for _ in 0..20 {
            // The air gives back what the night sky takes.
            water.minute(20.0, 25.0 / 0.30, Some((10.0, 12.0)));
        }
        let expected = 12.0 + 8.0 * (-200.0_f64 / 500.0).exp();
        assert!((water.temperature_c() - expected).abs() < 0.08, "{}", water.temperature_c());
    }

    #[test]
    fn water_freezes_at_zero_and_stays_there_until_its_ice_has_melted() {
        let mut water = Water::new(200.0, 1.0);
        for _ in 0..2880 {
            water.minute(-6.0, 0.0, None);
        }
        assert!(water.temperature_c().abs() < 1e-12);
        let mut minutes = 0;
        while water.temperature_c() < 1e-12 && minutes < 10_000 {
            water.minute(8.0, 100.0, None);
            minutes += 1;
        }
        assert!((200..9000).contains(&minutes), "{minutes}");
    }

    #[test]
    fn a_larger_tank_changes_more_slowly() {
        let mut small = Water::new(200.0, 20.0);
        let mut large = Water::new(2000.0, 20.0);
        for _ in 0..360 {
            small.minute(8.0, 0.0, None);
            large.minute(8.0, 0.0, None);
        }
        assert!(small.temperature_c() < large.temperature_c() - 1.0);
        assert!(small.temperature_c() > 8.0 - 2.0);
    }
}
