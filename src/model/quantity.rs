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

impl Quantity {
    /// Every quantity, in the order of the contract.
    pub const ALL: [Self; 11] = [
        Self::SoilMoisture,
        Self::SoilTemperature,
        Self::WaterTemperature,
        Self::Rain,
        Self::AirTemperature,
        Self::RelativeHumidity,
        Self::Ph,
        Self::DissolvedOxygen,
        Self::WaterFlow,
        Self::SolarRadiation,
        Self::WindSpeed,
    ];

    /// The name in configuration files, tags and exports.
    pub fn name(self) -> &'static str {
        match self {
            Self::SoilMoisture => "soil-moisture",
            Self::SoilTemperature => "soil-temperature",
            Self::WaterTemperature => "water-temperature",
            Self::Rain => "rain",
            Self::AirTemperature => "air-temperature",
            Self::RelativeHumidity => "relative-humidity",
            Self::Ph => "ph",
            Self::DissolvedOxygen => "dissolved-oxygen",
            Self::WaterFlow => "water-flow",
            Self::SolarRadiation => "solar-radiation",
            Self::WindSpeed => "wind-speed",
        }
    }

    /// The unit of a calibrated value, as people write it.
    pub fn unit(self) -> &'static str {
        match self {
            Self::SoilMoisture => "m3/m3",
            Self::SoilTemperature | Self::WaterTemperature | Self::AirTemperature => "°C",
            Self::Rain => "mm",
            Self::RelativeHumidity => "%",
            Self::Ph => "pH",
            Self::DissolvedOxygen => "mg/L",
            Self::WaterFlow => "L",
            Self::SolarRadiation => "W/m2",
            Self::WindSpeed => "m/s",
        }
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
