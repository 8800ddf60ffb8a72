//! What a sensor measures, and in which unit.

/// What a sensor measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
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
}

/// Where a quantity can be measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MeasuredIn {
    Bed,
    Tank,
    /// The whole site.
    Site,
    /// Each of the three.
    Anywhere,
}

/// What is the same of a quantity everywhere.
struct Row {
    quantity: Quantity,
    name: &'static str,
    unit: &'static str,
    measured_in: MeasuredIn,
}

const fn row(quantity: Quantity, name: &'static str, unit: &'static str, measured_in: MeasuredIn) -> Row {
    Row { quantity, name, unit, measured_in }
}

/// One row for each quantity, in the order of [`Quantity`].
const ROWS: [Row; 11] = {
    use MeasuredIn::{Anywhere, Bed, Site, Tank};
    use Quantity as Q;
    [
        row(Q::SoilMoisture, "soil-moisture", "m3/m3", Bed),
        row(Q::SoilTemperature, "soil-temperature", "°C", Bed),
        row(Q::WaterTemperature, "water-temperature", "°C", Tank),
        row(Q::Rain, "rain", "mm", Site),
        row(Q::AirTemperature, "air-temperature", "°C", Anywhere),
        row(Q::RelativeHumidity, "relative-humidity", "%", Anywhere),
        row(Q::Ph, "ph", "pH", Anywhere),
        row(Q::DissolvedOxygen, "dissolved-oxygen", "mg/L", Tank),
        row(Q::WaterFlow, "water-flow", "L", Anywhere),
        row(Q::SolarRadiation, "solar-radiation", "W/m2", Site),
        row(Q::WindSpeed, "wind-speed", "m/s", Site),
    ]
};

impl Quantity {
    /// Every quantity, in the order of the contract.
    pub const ALL: [Self; ROWS.len()] = {
        let mut all = [Self::SoilMoisture; ROWS.len()];
        let mut at = 0;
        while at < ROWS.len() {
            assert!(ROWS[at].quantity as usize == at, "rows stand in the order of the variants");
            all[at] = ROWS[at].quantity;
            at += 1;
        }
        all
    };

    fn row(self) -> &'static Row {
        &ROWS[self as usize]
    }

    /// The name in configuration files, tags and exports.
    pub fn name(self) -> &'static str {
        self.row().name
    }

    /// The unit of a calibrated value, as people write it.
    pub fn unit(self) -> &'static str {
        self.row().unit
    }

    /// Where it can be measured.
    pub fn measured_in(self) -> MeasuredIn {
        self.row().measured_in
    }

    /// Whether it is a temperature.
    pub fn is_temperature(self) -> bool {
        self.unit() == "°C"
    }

    /// Whether its readings are amounts, so that a span of time has a total.
    pub fn adds_up(self) -> bool {
        match self {
            Self::Rain | Self::WaterFlow => true,
            Self::SoilMoisture
            | Self::SoilTemperature
            | Self::WaterTemperature
            | Self::AirTemperature
            | Self::RelativeHumidity
            | Self::Ph
            | Self::DissolvedOxygen
            | Self::SolarRadiation
            | Self::WindSpeed => false,
        }
    }

    /// The quantity of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|q| q.name() == name)
    }
}
