//! The core: places, rules, what each alarm says and why.

pub mod ground;
pub mod ground_layout;
pub mod jobs;
pub mod log;
pub mod log_entry;
pub mod plan;
pub mod record;
pub mod system;
pub mod view;

mod alarm;
mod bed;
mod carry_over;
mod core;
mod gauge;
mod kept_why;
mod log_effects;
mod needs;
mod reach;
mod sensor;
mod site;
mod site_view;
mod state_bytes;
mod tank;
mod weather;
mod wetting;

pub use bed::mulch_day::{MulchAnswer, MulchDay, WaterRun};
pub(crate) use bed::mulch_state::{COARSE_MM, FINE_MM, MulchLayer};
pub(crate) use bed::overwatering::{MORE_THAN, NEVER_DRIER, TimerSetting};
pub(crate) use bed::proposals::days_words;
pub use bed::proposals::{ProposedProgram, proposed_programs};
pub(crate) use carry_over::{sensor_names, unchanged};
pub use core::{Clock, Core, RESTORE_S, restore_from};
pub(crate) use gauge::rain_days::caught;
pub use needs::Needs;
pub use reach::{UntoldKind, possible_alarms, unreached_groups, untold_kinds};
pub(crate) use sensor::extremes::HourlyExtremes;
pub(crate) use sensor::replacements::Replacements;
pub(crate) use site::patience_s;
pub use state_bytes::StateUnfit;
pub use system::rules::StoreAlarms;
pub use tank::acclimatise::{AcclimatiseAnswer, AcclimatiseLack, Acclimatising, BagGiven, TankGiven};
pub(crate) use wetting::cause::{
    CauseUnknown, LoggedWatering, MeterEvidence, RAIN_EXPLAINS_MM, TOGETHER_S, WateringBasis, WettingAnswer,
    WettingCause, WettingEvidence,
};
pub(crate) use wetting::evidence::{GAUGE_MARGIN_S, SLOW_S};
pub(crate) use wetting::hours::WateringTime;
pub(crate) use wetting::program::ProgramRun;
pub(crate) use wetting::rules::{SAME_DEPTH_M, SAME_WETTING_S, people_about};
pub(crate) use wetting::surroundings::{AirMoisture, Coldest};
pub(crate) use wetting::together::{BedMotion, BedsTogether, RiseBegan};
