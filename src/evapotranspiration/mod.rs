//! Reference evapotranspiration and what a crop makes of it.
//!
//! Reference evapotranspiration ET0 is the water, in millimetres a day, that a
//! short, well-watered grass gives to the air. A crop takes its own share of
//! it: `ETc = Kc ET0`, with the coefficient that [`crate::soil`] gives.
//!
//! ```text
//! Penman-Monteith (eq. 6)   needs air temperature, humidity, sun and wind
//! Hargreaves      (eq. 52)  needs air temperature alone, and is rougher
//! ```
//!
//! Source: Allen, Pereira, Raes, Smith (1998), Crop evapotranspiration, FAO
//! Irrigation and Drainage Paper 56, chapters 3 to 6. Equation numbers
//! are those of the paper.
//!
//! # Where it stops holding
//!
//! Every input has a range, and one outside of it is an [`WeatherOutOfRange`], never
//! moved back inside. Three limits are the paper's own and part of its method;
//! where one has been applied, the steps say so: wind below 0.5 m/s counts as
//! 0.5 m/s, Rs/Rso counts as 1 at most, and the sun that never rises or never
//! sets has a sunset hour angle of 0 or pi.
//!
//! A dew point above the air's temperature, and less sun than comes through any cloud,
//! are sensors at fault: Penman-Monteith gives none.
//! A day without any sun has no clear-sky radiation to compare with, so
//! Penman-Monteith gives none in the polar night. ET0 can come out a little
//! below zero on cold, dim days: that is dew, and is left as it is.

mod air;
mod crop;
mod range;
mod reference;
mod sun;

pub use air::{
    Humidity, LEAST_WIND_M_S, actual_vapour_pressure_kpa, mean_saturation_vapour_pressure_kpa, pressure_kpa,
    psychrometric_constant_kpa_c, saturation_vapour_pressure_kpa, vapour_pressure_slope_kpa_c,
    wind_at_2m_m_s,
};
pub use crop::{MID_SEASON, crop_evapotranspiration};
pub use range::WeatherOutOfRange;
pub use reference::{
    DayTemperatures, Reference, ReferenceMethod, Terms, Weather, hargreaves, hargreaves_mm, penman_monteith,
    penman_monteith_mm,
};
pub use sun::{
    EVAPORATION_MM_PER_MJ, clear_sky_mj_m2, declination_rad, extraterrestrial_mj_m2, inverse_distance,
    net_long_wave_mj_m2, net_short_wave_mj_m2, sunset_hour_angle_rad,
};
