//! How cold the coming night may be, worked out once a day in the afternoon.

use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;

use super::days::WeatherDays;
use crate::model::Quantity;
use crate::outlook::{low_tonight_c, low_tonight_step};
use crate::why::Step;

/// From then on the day's high counts as known: the warmest hour of a clear day is about
/// three hours after noon (common practice), and there is light to cover plants by.
const FROM: Time = Time::constant(15, 0, 0, 0);
/// Until then on the next day the night lasts: the sun is up.
const UNTIL: Time = Time::constant(9, 0, 0, 0);

/// What an afternoon says of the night that follows.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct NightOutlook {
    /// The local day on which it begins.
    pub(crate) date: Date,
    /// When it is over.
    pub(crate) until: Timestamp,
    /// Of the coldest thermometer, °C.
    pub(crate) low_c: f64,
    /// This morning's low and the highs of today and yesterday, °C.
    from_c: [f64; 3],
}

impl NightOutlook {
    /// The outlook at `at`: the one before until the next afternoon has one of its own.
    /// Today and yesterday must have been heard wholly, or nothing is said.
    pub(super) fn renewed(
        before: Option<Self>,
        weather: &WeatherDays,
        at: Timestamp,
        zone: &TimeZone,
    ) -> Option<Self> {
        let local = zone.to_datetime(at);
        if local.time() < FROM || before.is_some_and(|it| it.date == local.date()) {
            return before;
        }
        let until = zone.to_timestamp(local.date().tomorrow().ok()?.to_datetime(UNTIL)).ok()?;
        let nights = weather.whole_days_to(Quantity::AirTemperature, at).map(|(today, yesterday)| {
            let from_c = [today.least, today.most, yesterday.most];
            Self { date: local.date(), until, low_c: low_tonight_c(from_c[0], from_c[1], from_c[2]), from_c }
        });
        nights.min_by(|a, b| a.low_c.total_cmp(&b.low_c)).or(before)
    }

    /// The equation with its numbers.
    pub(super) fn step(&self) -> Step {
        let [low_c, high_c, high_yesterday_c] = self.from_c;
        low_tonight_step(low_c, high_c, high_yesterday_c)
    }
}
