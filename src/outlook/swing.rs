//! Telling light water from a bed's own daily swing.

/// A rise above the last day's lowest that stands for two hours ends a drydown,
/// even if nobody called it a wetting: light water. It must be so many times the
/// bed's own usual swing of a day, and within these bounds, m³/m³. (Probes of
/// open records swing by 0.001 to 0.002 a day with the temperature.)
const SWINGS: f32 = 3.0;
const RISE: (f32, f32) = (0.003, 0.010);
/// The usual swing before it is known.
const SWING_FIRST: f32 = 0.0015;
/// Hours in a row.
const HOURS: u8 = 2;

/// How far a bed usually rises in a day without water, m³/m³.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct DailySwing {
    usual: f32,
    today: f32,
    /// Hours in a row that stood too high.
    risen_h: u8,
}

impl Default for DailySwing {
    fn default() -> Self {
        Self { usual: SWING_FIRST, today: 0.0, risen_h: 0 }
    }
}

impl DailySwing {
    /// Takes an hour's rise above the last day's lowest; whether it is water.
    pub(crate) fn rose(&mut self, rise: f32) -> bool {
        self.risen_h = if rise > self.limit() { self.risen_h + 1 } else { 0 };
        self.today = self.today.max(rise);
        self.risen_h >= HOURS
    }

    /// A new drydown begins.
    pub(crate) fn begin(&mut self) {
        (self.today, self.risen_h) = (0.0, 0);
    }

    /// Days with light water swing farther; the usual one follows the quiet days.
    pub(crate) fn end_day(&mut self) {
        let off = self.today.min(RISE.1) - self.usual;
        self.usual += off * if off < 0.0 { 0.2 } else { 0.04 };
        self.today = 0.0;
    }

    fn limit(&self) -> f32 {
        (SWINGS * self.usual).clamp(RISE.0, RISE.1)
    }
}
