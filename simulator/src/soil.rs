//! The water and the warmth in a bed's soil, layer by layer.
//!
//! Water comes in at the surface as fast as the soil takes it, fills each layer
//! and passes on a part that grows with how moist the layer already is (the form
//! of the soil routine of the HBV runoff model: share = moisture to a power).
//! Above field capacity the rest drains by gravity, faster the wetter. Below it,
//! water creeps slowly from moister to drier layers. The sun takes water from
//! the top by evaporation and from all layers by the roots, 40, 30, 20 and 10
//! per cent from the four quarters of the root zone (a rule of the trade, from
//! memory). Conductivities are invented but of the textures' usual size.
//!
//! Nothing is lost: see [`Balance`].

use crate::frost::Frost;
use crate::school::Bed;

/// Where the water went since the beginning, mm.
#[derive(Clone, Copy, Debug, Default)]
pub struct Balance {
    /// Stored in soil and puddle at the beginning.
    pub stored_first_mm: f64,
    pub rain_mm: f64,
    pub watering_mm: f64,
    pub evaporation_mm: f64,
    pub transpiration_mm: f64,
    pub runoff_mm: f64,
    pub drainage_mm: f64,
    /// Stored now.
    pub stored_mm: f64,
}

impl Balance {
    /// What came in less what went out and what is stored; 0 but for rounding.
    pub fn error_mm(&self) -> f64 {
        self.stored_first_mm + self.rain_mm + self.watering_mm
            - self.evaporation_mm
            - self.transpiration_mm
            - self.runoff_mm
            - self.drainage_mm
            - self.stored_mm
    }
}

/// A bed's soil.
#[derive(Clone, Debug)]
pub(crate) struct Soil {
    layer_m: f64,
    /// Layers in the root zone; more lie below.
    root_layers: usize,
    field_capacity: f64,
    wilting_point: f64,
    saturation: f64,
    depletion_fraction: f64,
    /// Largest rate of flow, mm a minute.
    flow_mm: f64,
    water: Vec<f64>,
    roots: Vec<f64>,
    puddle_mm: f64,
    mulched: bool,
    /// Dry, it sheds water.
    repellent: bool,
    /// Hardly anything drains.
    blocked: bool,
    balance: Balance,
    /// Temperature of cells of [`CELL_M`] from the surface down, °C.
    warmth_c: Vec<f64>,
    /// Where soil can freeze.
    frost: Option<Frost>,
    /// Where water that passes takes its time: metres a minute, and the water on its
    /// way below each layer, mm.
    front: Option<(f64, Vec<f64>)>,
}

/// Part of the passing water that the wettest layer lets through at once.
const PASS_MAX: f64 = 0.4;
/// How sharply that part falls off in drier soil.
const PASS_POWER: i32 = 3;
/// Diffusivity of water in moist soil below field capacity, m²/s.
const CREEP_M2_S: f64 = 1.5e-7;
/// A puddle deeper than this runs off, mm.
const PUDDLE_MAX_MM: f64 = 8.0;
/// Crop coefficient for what the roots take; 0.95 to 1.10 in mid-season in
/// FAO-56 Table 17 (basal coefficients of vegetables and herbs).
const BASAL: f64 = 0.95;
/// And for evaporation from bare moist soil under the crop.
const BARE: f64 = 0.20;
/// What organic mulch leaves of the evaporation.
const MULCH_LEAVES: f64 = 0.4;
/// Water-repellent soil sheds water while the top tenth of a metre has less than
/// this part of its available water (a critical water content is known of such
/// soils; this number is invented) ...
const SHEDS_BELOW: f64 = 0.6;
const SHEDS_DEPTH_M: f64 = 0.10;
/// ... and takes only this part of it. Of the rest one half runs off and the
/// other goes down by cracks and fingers that the roots do not reach.
const SHED_SOAKS: f64 = 0.05;
/// What a blocked drain leaves of the drainage.
const BLOCKED_LEAVES: f64 = 0.002;
/// From this field capacity on a soil is peat or a potting mix, m³/m³, through which
/// water flows like this when it is full, mm/h (invented, of the usual size).
const PEATY: f64 = 0.5;
const PEAT_FLOW_MM_H: f64 = 40.0;
/// Thickness of a cell of warmth, metres, and how many there are.
const CELL_M: f64 = 0.05;
const CELLS: usize = 20;
/// Thermal diffusivity of moist soil, m²/s (usual size).
const WARMTH_M2_S: f64 = 5e-7;

impl Soil {
    /// Soil with `available` of its available water left (0 to 1) and `warmth_c` throughout.
    pub(crate) fn new(bed: &Bed, deepest_probe_m: f64, available: f64, warmth_c: f64) -> Self {
        let root_layers = ((bed.root_depth_m / 0.05).round() as usize).clamp(4, 40);
        let layer_m = bed.root_depth_m / root_layers as f64;
        let below = ((deepest_probe_m - bed.root_depth_m).max(0.0) / layer_m).ceil() as usize + 2;
        let layers = root_layers + below;
        let range = bed.field_capacity - bed.wilting_point;
        let quarters = [0.40, 0.30, 0.20, 0.10];
        let mut roots: Vec<f64> = (0..root_layers)
            .map(|i| quarters[(4.0 * (i as f64 + 0.5) / root_layers as f64) as usize])
            .collect();
        let sum: f64 = roots.iter().sum();
        roots.iter_mut().for_each(|r| *r /= sum);
        let mut soil = Self {
            layer_m,
            root_layers,
            field_capacity: bed.field_capacity,
            wilting_point: bed.wilting_point,
            // Porosity of garden soil, a little higher where it is finer.
            saturation: bed
                .saturation
                .unwrap_or((0.38 + 0.25 * bed.field_capacity).max(bed.field_capacity + 0.04)),
            depletion_fraction: bed.depletion_fraction,
            // Peat and potting mixes hold much and drain freely all the same.
            flow_mm: if bed.field_capacity >= PEATY {
                PEAT_FLOW_MM_H / 60.0
            } else {
                90.0 * (-6.0 * bed.field_capacity).exp() / 60.0
            },
            water: vec![bed.wilting_point + available * range; layers],
            roots,
            puddle_mm: 0.0,
            mulched: false,
            repellent: false,
            blocked: false,
            balance: Balance::default(),
            warmth_c: vec![warmth_c; CELLS],
            frost: None,
            front: None,
        };
        soil.balance.stored_first_mm = soil.stored_mm();
        soil
    }

    /// Lets it freeze where it gets cold.
    pub(crate) fn may_freeze(&mut self) {
        self.frost = Some(Frost::new(self.field_capacity, self.wilting_point, CELLS));
    }

    /// How fast passing water goes down from now on, metres an hour.
    pub(crate) fn slow_down(&mut self, front_m_per_h: f64) {
        let on_its_way = self.front.take().map_or_else(|| vec![0.0; self.water.len()], |(_, mm)| mm);
        self.front = Some((front_m_per_h / 60.0, on_its_way));
    }

    /// Lays mulch.
    pub(crate) fn mulch(&mut self) {
        self.mulched = true;
    }

    /// Makes the soil repellent or mends it, blocks its drainage or frees it.
    pub(crate) fn suffer(&mut self, repellent: bool, blocked: bool) {
        self.repellent = repellent;
        self.blocked = blocked;
    }

    /// Whether water that arrives now is shed.
    fn sheds_now(&self) -> bool {
        let layers = ((SHEDS_DEPTH_M / self.layer_m).round() as usize).clamp(1, self.water.len());
        let water = self.water[..layers].iter().sum::<f64>() / layers as f64;
        let range = self.field_capacity - self.wilting_point;
        self.repellent && (water - self.wilting_point) / range < SHEDS_BELOW
    }

    fn layer_mm(&self) -> f64 {
        1000.0 * self.layer_m
    }

    fn stored_mm(&self) -> f64 {
        let on_its_way = self.front.as_ref().map_or(0.0, |(_, mm)| mm.iter().sum::<f64>());
        self.water.iter().sum::<f64>() * self.layer_mm() + self.puddle_mm + on_its_way
    }

    /// Where the water went.
    pub(crate) fn balance(&self) -> Balance {
        Balance { stored_mm: self.stored_mm(), ..self.balance }
    }

    /// One minute: rain and watering that arrive, and reference
    /// evapotranspiration, all in mm.
    pub(crate) fn minute(&mut self, rain_mm: f64, watering_mm: f64, et0_mm: f64) {
        self.balance.rain_mm += rain_mm;
        self.balance.watering_mm += watering_mm;
        self.move_front();
        self.soak(rain_mm + watering_mm);
        self.drain();
        self.creep();
        if et0_mm > 0.0 {
            self.dry(et0_mm);
        }
    }

    /// What a layer keeps of the water that comes to it, and what goes on below.
    fn share(&self, layer: usize, coming_mm: f64) -> (f64, f64) {
        let water = self.water[layer];
        let range = self.field_capacity - self.wilting_point;
        let moist = ((water - self.wilting_point) / range).clamp(0.0, 1.0);
        let pass = coming_mm * PASS_MAX * moist.powi(PASS_POWER);
        let room_mm = ((self.saturation - water) * self.layer_mm()).max(0.0);
        ((coming_mm - pass).min(room_mm), pass)
    }

    /// Water on its way comes to the next layer, a part of it each minute.
    fn move_front(&mut self) {
        let Some((front_m_min, mut on_its_way)) = self.front.take() else { return };
        let part = (front_m_min / self.layer_m).min(1.0);
        for layer in (0..on_its_way.len()).rev() {
            let comes = part * on_its_way[layer];
            on_its_way[layer] -= comes;
            if layer + 1 == on_its_way.len() {
                self.balance.drainage_mm += comes;
                continue;
            }
            let kept = self.share(layer + 1, comes).0;
            self.water[layer + 1] += kept / self.layer_mm();
            // A full layer lets all of it pass.
            on_its_way[layer + 1] += comes - kept;
        }
        self.front = Some((front_m_min, on_its_way));
    }

    fn soak(&mut self, arriving_mm: f64) {
        let layer_mm = self.layer_mm();
        let supply = self.puddle_mm + arriving_mm;
        if supply <= 0.0 {
            return;
        }
        let mut passing = supply.min(self.flow_mm);
        self.puddle_mm = supply - passing;
        if self.sheds_now() {
            let shed = (1.0 - SHED_SOAKS) * supply;
            self.balance.runoff_mm += 0.5 * shed;
            self.balance.drainage_mm += 0.5 * shed;
            passing = passing.min(supply - shed);
            self.puddle_mm = supply - shed - passing;
        }
        if self.front.is_some() && !self.blocked {
            let (kept, pass) = self.share(0, passing);
            self.water[0] += kept / layer_mm;
            self.puddle_mm += passing - kept - pass;
            if let Some((_, on_its_way)) = &mut self.front {
                on_its_way[0] += pass;
            }
            self.run_off();
            return;
        }
        let mut refused = 0.0;
        for water in &mut self.water {
            let moist =
                ((*water - self.wilting_point) / (self.field_capacity - self.wilting_point)).clamp(0.0, 1.0);
            let pass = if self.blocked { 0.0 } else { passing * PASS_MAX * moist.powi(PASS_POWER) };
            let room = (self.saturation - *water) * layer_mm;
            let kept = (passing - pass).min(room.max(0.0));
            *water += kept / layer_mm;
            if self.blocked {
                passing -= kept;
            } else {
                refused += passing - pass - kept;
                passing = pass;
            }
        }
        if self.blocked {
            refused += std::mem::take(&mut passing);
        }
        self.balance.drainage_mm += passing;
        self.puddle_mm += refused;
        self.run_off();
    }

    fn run_off(&mut self) {
        if self.puddle_mm > PUDDLE_MAX_MM {
            self.balance.runoff_mm += self.puddle_mm - PUDDLE_MAX_MM;
            self.puddle_mm = PUDDLE_MAX_MM;
        }
    }

    fn drain(&mut self) {
        let layer_mm = self.layer_mm();
        let last = self.water.len() - 1;
        for i in (0..=last).rev() {
            let above = self.water[i] - self.field_capacity;
            if above <= 0.0 {
                continue;
            }
            let filled = above / (self.saturation - self.field_capacity);
            let freely_mm = self.flow_mm * if self.blocked { BLOCKED_LEAVES } else { 1.0 };
            let mut flow = (freely_mm * filled * filled).min(above * layer_mm);
            if let Some((_, on_its_way)) = &mut self.front {
                on_its_way[i] += flow;
                self.water[i] -= flow / layer_mm;
                continue;
            }
            if i < last {
                flow = flow.min(((self.saturation - self.water[i + 1]) * layer_mm).max(0.0));
                self.water[i + 1] += flow / layer_mm;
            } else {
                self.balance.drainage_mm += flow;
            }
            self.water[i] -= flow / layer_mm;
        }
    }

    fn creep(&mut self) {
        let range = self.field_capacity - self.wilting_point;
        let rate = CREEP_M2_S * 60.0 / (self.layer_m * self.layer_m);
        for i in 1..self.water.len() {
            let (upper, lower) = (self.water[i - 1], self.water[i]);
            let moist = ((f64::midpoint(upper, lower) - self.wilting_point) / range).clamp(0.0, 1.0);
            // Water above field capacity is gravity's.
            let difference = upper.min(self.field_capacity) - lower.min(self.field_capacity);
            let flow = rate * moist * moist * difference;
            self.water[i - 1] -= flow;
            self.water[i] += flow;
        }
    }

    fn dry(&mut self, et0_mm: f64) {
        let layer_mm = self.layer_mm();
        // Dry soil stops evaporating at half the wilting point (FAO-56 ch. 7).
        let driest = 0.5 * self.wilting_point;
        let bare = et0_mm * BARE * if self.mulched { MULCH_LEAVES } else { 1.0 };
        for (i, share) in [(0, 0.7), (1, 0.3)] {
            let moist = ((self.water[i] - driest) / (self.field_capacity - driest)).clamp(0.0, 1.0);
            let taken = (bare * share * moist * moist).min((self.water[i] - driest).max(0.0) * layer_mm);
            self.water[i] -= taken / layer_mm;
            self.balance.evaporation_mm += taken;
        }
        let range = self.field_capacity - self.wilting_point;
        for (water, root) in self.water.iter_mut().zip(&self.roots) {
            // The form of FAO-56 eq. 84 in each layer.
            let stress =
                ((*water - self.wilting_point) / ((1.0 - self.depletion_fraction) * range)).clamp(0.0, 1.0);
            let taken = et0_mm * BASAL * root * stress;
            *water -= taken / layer_mm;
            self.balance.transpiration_mm += taken;
        }
    }

    /// One minute of warmth: air temperature and sunshine (W/m²) at the surface.
    pub(crate) fn warm(&mut self, air_c: f64, sun_w_m2: f64) {
        let shade = if self.mulched { 0.3 } else { 1.0 };
        let surface_c = air_c + 0.008 * sun_w_m2 * shade;
        let rate = WARMTH_M2_S * 60.0 / (CELL_M * CELL_M);
        let mut above = surface_c;
        for i in 0..CELLS {
            let here = self.warmth_c[i];
            let below = if i + 1 < CELLS { self.warmth_c[i + 1] } else { here };
            // The first cell's middle is half a cell from the surface.
            let down = if i == 0 { 2.0 * rate * if self.mulched { 0.5 } else { 1.0 } } else { rate };
            self.warmth_c[i] = here + down * (above - here) + rate * (below - here);
            above = here;
        }
        if let Some(mut frost) = self.frost.take() {
            for cell in 0..CELLS {
                if self.warmth_c[cell] < 0.0 || frost.ice()[cell] > 0.0 {
                    let water = self.water_at((cell as f64 + 0.5) * CELL_M);
                    self.warmth_c[cell] = frost.settle(cell, water, self.warmth_c[cell]);
                }
            }
            self.frost = Some(frost);
        }
    }

    /// What a probe at a depth shows: the water content, less most of what is frozen.
    pub(crate) fn shown_at(&self, depth_m: f64) -> f64 {
        let water = self.water_at(depth_m);
        self.frost.as_ref().map_or(water, |frost| Frost::shown(water, between(frost.ice(), CELL_M, depth_m)))
    }

    /// Water content at a depth, m³/m³, between the layers' middles.
    pub(crate) fn water_at(&self, depth_m: f64) -> f64 {
        between(&self.water, self.layer_m, depth_m)
    }

    /// Temperature at a depth, °C.
    pub(crate) fn warmth_at(&self, depth_m: f64) -> f64 {
        between(&self.warmth_c, CELL_M, depth_m)
    }

    /// How far a water content is from field capacity (0) to saturation (1).
    pub(crate) fn filled(&self, water: f64) -> f64 {
        (water - self.field_capacity) / (self.saturation - self.field_capacity)
    }

    /// Mean water content down to a depth (metres), at most that of grown roots, m³/m³.
    pub(crate) fn root_zone(&self, roots_m: f64) -> f64 {
        let layers = ((roots_m / self.layer_m).round() as usize).clamp(1, self.root_layers);
        self.water[..layers].iter().sum::<f64>() / layers as f64
    }
}

/// Value at a depth by straight lines between the middles of equal layers.
fn between(layers: &[f64], layer_m: f64, depth_m: f64) -> f64 {
    let position = (depth_m / layer_m - 0.5).clamp(0.0, (layers.len() - 1) as f64);
    let upper = (position as usize).min(layers.len() - 1);
    let lower = (upper + 1).min(layers.len() - 1);
    layers[upper] + (layers[lower] - layers[upper]) * (position - upper as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Loamy sand under cabbage: FAO-56 Table 19 (middle of the range) and 22.
    fn bed() -> Bed {
        Bed {
            id: "kitchen-bed".to_owned(),
            area_m2: 7.2,
            field_capacity: 0.15,
            wilting_point: 0.065,
            root_depth_m: 0.5,
            depletion_fraction: 0.45,
            planted: false,
            young: None,
            litres_per_hour: 120.0,
            efficiency: 0.9,
            mulch_planned: None,
            allowed: None,
            saturation: None,
        }
    }

    fn minutes_until(soil: &mut Soil, rise: f64, watering_mm: f64) -> Option<u32> {
        let before = soil.water_at(0.15);
        (1..=600).find(|minute| {
            soil.minute(0.0, if *minute <= 45 { watering_mm / 45.0 } else { 0.0 }, 0.0);
            soil.water_at(0.15) - before >= rise
        })
    }

    /// 20 to 60 minutes to a probe at 15 cm is common experience with a
    /// sprinkler on light soil (no publication).
    #[test]
    fn a_watering_reaches_the_probe_within_the_hour() {
        for available in [0.5, 0.7, 0.85] {
            let mut soil = Soil::new(&bed(), 0.3, available, 18.0);
            let minutes = minutes_until(&mut soil, 0.01, 12.0).unwrap();
            assert!((15..=75).contains(&minutes), "{available}: {minutes}");
        }
    }

    #[test]
    fn soaked_soil_drains_to_about_field_capacity_in_two_days() {
        let mut soil = Soil::new(&bed(), 0.3, 0.9, 18.0);
        for _ in 0..120 {
            soil.minute(0.0, 0.5, 0.0);
        }
        assert!(soil.water_at(0.10) > 0.19);
        for _ in 0..2 * 1440 {
            soil.minute(0.0, 0.0, 0.0);
        }
        assert!((soil.water_at(0.10) - 0.15).abs() < 0.015, "{}", soil.water_at(0.10));
    }

    #[test]
    fn no_storm_or_drought_leaves_what_soil_can_hold_and_the_balance_closes() {
        let mut soil = Soil::new(&bed(), 0.4, 0.6, 18.0);
        for minute in 0..90_000_u32 {
            let storm = minute % 20_000 < 180;
            soil.minute(if storm { 1.0 } else { 0.0 }, 0.0, 8.0 / 1440.0);
            assert!(soil.water.iter().all(|w| (0.0..=soil.saturation + 1e-12).contains(w)));
        }
        let balance = soil.balance();
        assert!(balance.runoff_mm > 1.0 && balance.drainage_mm > 1.0);
        assert!(balance.error_mm().abs() < 1e-9, "{balance:?}");
    }

    #[test]
    fn mulch_lowers_evaporation_and_leaves_the_roots_alone() {
        let mut bare = Soil::new(&bed(), 0.3, 0.85, 18.0);
        let mut mulched = bare.clone();
        mulched.mulch();
        for _ in 0..3 * 1440 {
            bare.minute(0.0, 0.0, 4.0 / 1440.0);
            mulched.minute(0.0, 0.0, 4.0 / 1440.0);
        }
        let (b, m) = (bare.balance(), mulched.balance());
        assert!(m.evaporation_mm < 0.6 * b.evaporation_mm);
        assert!((m.transpiration_mm - b.transpiration_mm).abs() < 0.5);
    }

    #[test]
    fn dry_repellent_soil_sheds_water_until_it_is_moist() {
        let (mut sound, mut repellent) =
            (Soil::new(&bed(), 0.3, 0.2, 18.0), Soil::new(&bed(), 0.3, 0.2, 18.0));
        repellent.suffer(true, false);
        for minute in 0..600 {
            let rain_mm = if minute < 120 { 0.2 } else { 0.0 };
            sound.minute(rain_mm, 0.0, 0.0);
            repellent.minute(rain_mm, 0.0, 0.0);
        }
        let before = Soil::new(&bed(), 0.3, 0.2, 18.0).water_at(0.15);
        assert!(sound.water_at(0.15) - before > 0.03);
        assert!(repellent.water_at(0.15) - before < 0.003);
        assert!(repellent.balance().error_mm().abs() < 1e-9);
        // Moist, the same soil takes water.
        let mut moist = Soil::new(&bed(), 0.3, 0.8, 18.0);
        moist.suffer(true, false);
        for _ in 0..120 {
            moist.minute(0.2, 0.0, 0.0);
        }
        assert!(moist.balance().runoff_mm < 1e-9);
    }

    #[test]
    fn soil_with_a_blocked_drain_stays_wet_for_days() {
        let mut soil = Soil::new(&bed(), 0.3, 0.9, 18.0);
        soil.suffer(false, true);
        for _ in 0..600 {
            soil.minute(0.2, 0.0, 0.0);
        }
        for _ in 0..4 * 1440 {
            soil.minute(0.0, 0.0, 1.0 / 1440.0);
        }
        assert!(soil.filled(soil.water_at(0.15)) > 0.7, "{}", soil.water_at(0.15));
        assert!(soil.balance().error_mm().abs() < 1e-9);
        assert!(soil.water.iter().all(|w| (0.0..=soil.saturation + 1e-12).contains(w)));
    }

    /// The daily wave fades with depth as exp(-z/d) and lags by z/d radians, with
    /// d = sqrt(2 a/w), the solution for a half-space under a daily wave (heat
    /// conduction; for instance Hillel, Environmental Soil Physics, 1998).
    #[test]
    fn the_daily_wave_of_warmth_fades_with_depth() {
        let mut soil = Soil::new(&bed(), 0.3, 0.85, 20.0);
        let (mut shallow, mut deep) = ((99.0_f64, -99.0_f64), (99.0_f64, -99.0_f64));
        for minute in 0..12 * 1440 {
            let wave = (std::f64::consts::TAU * f64::from(minute) / 1440.0).sin();
            soil.warm(20.0 + 8.0 * wave, 0.0);
            if minute >= 10 * 1440 {
                let (a, b) = (soil.warmth_at(0.075), soil.warmth_at(0.225));
                shallow = (shallow.0.min(a), shallow.1.max(a));
                deep = (deep.0.min(b), deep.1.max(b));
            }
        }
        let damping_m = (2.0 * WARMTH_M2_S * 86_400.0 / std::f64::consts::TAU).sqrt();
        let expected = (-0.15 / damping_m).exp();
        let got = (deep.1 - deep.0) / (shallow.1 - shallow.0);
        assert!((got / expected - 1.0).abs() < 0.10, "{got} {expected}");
    }
}
