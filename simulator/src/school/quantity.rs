//! What sensors measure, and how a healthy one behaves.

use std::ops::Range;

use super::Place;

/// What a sensor measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    SoilMoisture,
    SoilTemperature,
    WaterTemperature,
    Rain,
    AirTemperature,
    RelativeHumidity,
    Ph,
    DissolvedOxygen,
    WaterFlow,
    SolarRadiation,
    WindSpeed,
    WaterLevel,
    Power,
}

/// What is sent where the cable to the sensing part is cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum WhenCut {
    /// The input's lowest number.
    Zero,
    /// What a digital thermometer's reader says when nobody answers.
    NoAnswer,
    /// A value that cannot be.
    Below,
    /// Nothing else than before.
    Nothing,
}

/// What is the same of all sensors of a quantity.
pub struct QuantityRow {
    quantity: Quantity,
    name: &'static str,
    /// Where it can be measured.
    sits: fn(Place) -> bool,
    /// Spread of the noise, in the unit of the value; each sensor has one of the range.
    pub noise: Range<f64>,
    /// Hours of the very same number after which it is doubtful: twice a healthy sensor's
    /// longest.
    pub still_h: Option<i64>,
    pub(crate) when_cut: WhenCut,
    /// Whether noise may bring it below 0.
    pub below_zero: bool,
}

/// One row for each quantity, in the order of [`Quantity`].
static ROWS: [QuantityRow; 13] = {
    use Quantity as Q;
    use WhenCut::{Below, NoAnswer, Nothing, Zero};
    const BED: fn(Place) -> bool = |place| matches!(place, Place::Bed(_));
    const TANK: fn(Place) -> bool = |place| matches!(place, Place::Tank(_));
    const SITE: fn(Place) -> bool = |place| matches!(place, Place::Site);
    const ANY: fn(Place) -> bool = |_| true;
    const fn row(
        (quantity, name): (Quantity, &'static str),
        sits: fn(Place) -> bool,
        (least, most): (f64, f64),
        still_h: Option<i64>,
        when_cut: WhenCut,
        below_zero: bool,
    ) -> QuantityRow {
        QuantityRow { quantity, name, sits, noise: least..most, still_h, when_cut, below_zero }
    }
    [
        row((Q::SoilMoisture, "soil-moisture"), BED, (0.0003, 0.0008), Some(12), Zero, false),
        row((Q::SoilTemperature, "soil-temperature"), BED, (0.03, 0.03), Some(72), NoAnswer, true),
        row((Q::WaterTemperature, "water-temperature"), TANK, (0.03, 0.03), Some(24), NoAnswer, true),
        row((Q::Rain, "rain"), ANY, (0.0, 0.0), None, Nothing, true),
        row((Q::AirTemperature, "air-temperature"), ANY, (0.08, 0.08), Some(24), NoAnswer, true),
        row((Q::RelativeHumidity, "relative-humidity"), ANY, (0.6, 0.6), Some(96), Below, false),
        row((Q::Ph, "ph"), TANK, (0.01, 0.01), Some(48), Below, true),
        row((Q::DissolvedOxygen, "dissolved-oxygen"), TANK, (0.03, 0.03), Some(24), Below, false),
        row((Q::WaterFlow, "water-flow"), ANY, (0.0, 0.0), None, Nothing, true),
        row((Q::SolarRadiation, "solar-radiation"), SITE, (1.0, 1.0), None, Nothing, true),
        row((Q::WindSpeed, "wind-speed"), SITE, (0.1, 0.1), None, Nothing, false),
        row((Q::WaterLevel, "water-level"), TANK, (0.1, 0.1), None, Below, true),
        row((Q::Power, "power"), TANK, (0.3, 0.3), None, Zero, false),
    ]
};

impl Quantity {
    /// What is the same of all its sensors.
    pub fn row(self) -> &'static QuantityRow {
        &ROWS[self as usize]
    }

    /// The quantity of a name in school files.
    pub fn from_name(name: &str) -> Option<Self> {
        ROWS.iter().find(|row| row.name == name).map(|row| row.quantity)
    }

    /// Whether it can be measured at `place`.
    pub fn sits_at(self, place: Place) -> bool {
        (self.row().sits)(place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_row_stands_at_its_quantity() {
        for row in &ROWS {
            assert_eq!(row.quantity.row().name, row.name);
        }
    }
}
