//! What a sensor measures, and in which unit.

/// What a sensor measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
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
    /// What a pump draws.
    Power,
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

/// What surrounds a sensor: where to look when it is faulty.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Surroundings {
    Soil,
    Water,
    Shade,
    /// In the open, or in a pipe.
    Open,
}

/// What is the same of a quantity everywhere.
struct QuantityRow {
    quantity: Quantity,
    /// In configuration files, tags and exports.
    name: &'static str,
    /// Of a calibrated value, as people write it in files.
    unit: &'static str,
    /// A heading for people.
    title: &'static str,
    /// How a value is shown: decimals, and what stands behind the number.
    shown: (usize, &'static str),
    measured_in: MeasuredIn,
    surroundings: Surroundings,
    /// Whether readings are amounts, so that a span of time has a total.
    adds_up: bool,
}

/// One row for each quantity, in the order of [`Quantity`].
const ROWS: [QuantityRow; 13] = {
    use MeasuredIn::{Anywhere, Bed, Site, Tank};
    use Quantity as Q;
    use Surroundings::{Open, Shade, Soil, Water};
    const fn row(
        quantity: Quantity,
        (name, title): (&'static str, &'static str),
        unit: &'static str,
        shown: (usize, &'static str),
        measured_in: MeasuredIn,
        surroundings: Surroundings,
    ) -> QuantityRow {
        let adds_up = matches!(quantity, Q::Rain | Q::WaterFlow);
        QuantityRow { quantity, name, unit, title, shown, measured_in, surroundings, adds_up }
    }
    const CELSIUS: (usize, &str) = (1, " °C");
    [
        row(Q::SoilMoisture, ("soil-moisture", "Soil moisture"), "m3/m3", (3, " m3/m3"), Bed, Soil),
        row(Q::SoilTemperature, ("soil-temperature", "Soil temperature"), "°C", CELSIUS, Bed, Soil),
        row(Q::WaterTemperature, ("water-temperature", "Water temperature"), "°C", CELSIUS, Tank, Water),
        row(Q::Rain, ("rain", "Rain"), "mm", (1, " mm"), Site, Open),
        row(Q::AirTemperature, ("air-temperature", "Air temperature"), "°C", CELSIUS, Anywhere, Shade),
        row(Q::RelativeHumidity, ("relative-humidity", "Relative humidity"), "%", (0, " %"), Anywhere, Shade),
        row(Q::Ph, ("ph", "pH"), "pH", (2, ""), Anywhere, Water),
        row(Q::DissolvedOxygen, ("dissolved-oxygen", "Dissolved oxygen"), "mg/L", (1, " mg/L"), Tank, Water),
        row(Q::WaterFlow, ("water-flow", "Water used"), "L", (1, " L"), Anywhere, Open),
        row(Q::SolarRadiation, ("solar-radiation", "Solar radiation"), "W/m2", (0, " W/m²"), Site, Open),
        row(Q::WindSpeed, ("wind-speed", "Wind speed"), "m/s", (1, " m/s"), Site, Open),
        row(Q::WaterLevel, ("water-level", "Water level"), "cm", (0, " cm"), Tank, Water),
        row(Q::Power, ("power", "Power drawn"), "W", (0, " W"), Tank, Open),
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

    fn row(self) -> &'static QuantityRow {
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

    /// Whether a sensor of it in a tank tells whether the pump runs.
    pub fn tells_of_a_pump(self) -> bool {
        matches!(self, Self::WaterFlow | Self::WaterLevel | Self::Power)
    }

    /// Whether it is a temperature.
    pub fn is_temperature(self) -> bool {
        self.unit() == "°C"
    }

    /// Whether its readings are amounts, so that a span of time has a total.
    pub fn adds_up(self) -> bool {
        self.row().adds_up
    }

    /// A heading for people.
    pub fn title(self) -> &'static str {
        self.row().title
    }

    /// How a value is shown to people: decimals, and what stands behind the number.
    pub fn shown(self) -> (usize, &'static str) {
        self.row().shown
    }

    /// What surrounds a sensor of it.
    pub fn surroundings(self) -> Surroundings {
        self.row().surroundings
    }

    /// The quantity of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|q| q.name() == name)
    }
}
