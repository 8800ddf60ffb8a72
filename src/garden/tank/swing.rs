//! One change of a tank's temperature beside its limit.

use jiff::tz::TimeZone;

use crate::tank::{TemperatureChange, Window};
use crate::text::spoken;

/// A change beyond its limit, or the one nearest to it.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct Swing {
    pub(crate) window: Window,
    pub(crate) change: TemperatureChange,
    pub(crate) limit_c: f64,
}

impl Swing {
    /// 1 at the limit.
    pub(crate) fn part(&self) -> f64 {
        self.change.by_c.abs() / self.limit_c
    }

    /// How far it is beyond its limit, °C; not above 0 within it.
    pub(super) fn beyond_c(&self) -> f64 {
        self.change.by_c.abs() - self.limit_c
    }

    /// "fell 4.0 °C by 1:45 pm on Tuesday 10 March".
    pub(super) fn words(&self, zone: &TimeZone) -> String {
        let way = if self.change.by_c < 0.0 { "fell" } else { "rose" };
        format!("{way} {:.1} °C by {}", self.change.by_c.abs(), spoken::moment(self.change.to_at, zone))
    }
}

/// Whether a change is beyond its limit.
pub(super) fn breaches(swing: &Swing) -> bool {
    swing.beyond_c() > 0.0
}
