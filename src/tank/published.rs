//! What publications say about fish and their water, side by side. Where they
//! disagree all are kept, and [`super::SPECIES`] takes the cautious one.

/// One published figure or range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PublishedFigure {
    /// A species of the table, or what the figure is about.
    pub of: &'static str,
    pub says: &'static str,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub unit: &'static str,
    pub source: &'static str,
}

/// The figures about `of`.
pub fn published_for(of: &str) -> impl Iterator<Item = &'static PublishedFigure> {
    PUBLISHED.iter().filter(move |p| p.of == of)
}

const QLD: &str = "Queensland Government";
const FAO: &str = "FAO Fisheries and Aquaculture Technical Paper 589, chapter 7";
const FAO_TABLE: &str = "FAO Fisheries and Aquaculture Technical Paper 589, table 3.1, in a copy";
const NSW: &str = "NSW DPI";
const FERREIRA: &str = "Ferreira and others 2014, Physiol. Biochem. Zool. 87:599-611, abstract";
const IFAS: &str = "UF/IFAS FA-16, in a copy";
const IFAS_OXYGEN: &str = "UF/IFAS, Dissolved Oxygen for Fish Production, in a copy";
const LSU: &str = "LSU AgCenter";

const fn row(
    of: &'static str,
    says: &'static str,
    range: (f64, f64),
    unit: &'static str,
    source: &'static str,
) -> PublishedFigure {
    PublishedFigure { of, says, low: Some(range.0), high: Some(range.1), unit, source }
}

const fn most(
    of: &'static str,
    says: &'static str,
    high: f64,
    unit: &'static str,
    source: &'static str,
) -> PublishedFigure {
    PublishedFigure { of, says, low: None, high: Some(high), unit, source }
}

const fn least(
    of: &'static str,
    says: &'static str,
    low: f64,
    unit: &'static str,
    source: &'static str,
) -> PublishedFigure {
    PublishedFigure { of, says, low: Some(low), high: None, unit, source }
}

/// The table; every row was read in its source or in a copy or quotation of it.
pub const PUBLISHED: &[PublishedFigure] = &[
    row("silver perch", "tolerance", (20.0, 35.0), "°C", QLD),
    row("silver perch", "optimum growth", (20.0, 30.0), "°C", QLD),
    most("silver perch", "negligible growth below", 12.0, "°C", QLD),
    row("silver perch", "survival range", (2.0, 37.0), "°C", "FishBase"),
    row("silver perch", "tolerance range", (2.0, 38.0), "°C", NSW),
    row("silver perch", "optimum growth range", (23.0, 28.0), "°C", NSW),
    most("silver perch", "torpor below", 10.0, "°C", NSW),
    most("silver perch", "winter disease breaks out below", 16.0, "°C", NSW),
    row("silver perch", "spawning", (23.0, 30.0), "°C", "FishBase; NSW DPI"),
    row("koi", "best growth", (23.0, 30.0), "°C", "FAO, in a quotation"),
    row("koi", "tolerance", (3.0, 35.0), "°C", "ICAR-NBFGR"),
    row("nile tilapia", "brief extremes", (14.0, 36.0), "°C", FAO),
    row("nile tilapia", "ideal", (27.0, 30.0), "°C", FAO),
    most("nile tilapia", "no feeding or growth below", 17.0, "°C", FAO),
    most("nile tilapia", "death below", 12.0, "°C", FAO),
    row("goldfish", "tolerance", (0.0, 41.0), "°C", "FishBase, in a quotation"),
    row("goldfish", "optimum (acclimated 12 °C)", (11.5, 30.3), "°C", FERREIRA),
    row("goldfish", "heart out of rhythm from (acclimated 12 °C)", (31.1, 31.1), "°C", FERREIRA),
    row("goldfish", "critical (acclimated 12 °C)", (37.2, 37.2), "°C", FERREIRA),
    row("rainbow trout", "thrives", (5.0, 20.0), "°C", "Western Australia Department of Fisheries"),
    row("rainbow trout", "mortalities from", (26.0, 27.0), "°C", "Western Australia Department of Fisheries"),
    row("rainbow trout", "50 % survival (acclimated 11.2 °C)", (25.0, 25.0), "°C", "Huysman and others 2020"),
    row("barramundi", "required", (20.0, 30.0), "°C", "Queensland Government; AgriFutures"),
    row("barramundi", "commercial growth", (25.0, 30.0), "°C", QLD),
    most("barramundi", "stress and disease below", 20.0, "°C", QLD),
    most("barramundi", "deaths below", 13.0, "°C", "Queensland Government; AgriFutures"),
    row(
        "barramundi",
        "fingerlings survive",
        (16.0, 35.0),
        "°C",
        "NT Barramundi Farming Handbook 2007, in a quotation",
    ),
    row("warm-water fish", "temperature", (22.0, 32.0), "°C", FAO_TABLE),
    row("warm-water fish", "pH", (6.0, 8.5), "pH", FAO_TABLE),
    most("warm-water fish", "ammonia", 3.0, "mg/L", FAO_TABLE),
    most("warm-water fish", "nitrite", 1.0, "mg/L, form not stated", FAO_TABLE),
    most("warm-water fish", "nitrate", 400.0, "mg/L, form not stated", FAO_TABLE),
    row("warm-water fish", "oxygen", (4.0, 6.0), "mg/L", FAO_TABLE),
    row("cold-water fish", "temperature", (10.0, 18.0), "°C", FAO_TABLE),
    row("cold-water fish", "pH", (6.0, 8.5), "pH", FAO_TABLE),
    most("cold-water fish", "ammonia", 1.0, "mg/L", FAO_TABLE),
    most("cold-water fish", "nitrite", 0.1, "mg/L, form not stated", FAO_TABLE),
    most("cold-water fish", "nitrate", 400.0, "mg/L, form not stated", FAO_TABLE),
    row("cold-water fish", "oxygen", (6.0, 8.0), "mg/L", FAO_TABLE),
    most("total ammonia", "toxic above", 1.0, "mg/L", FAO),
    most("nitrite", "toxic above", 1.0, "mg/L", FAO),
    most("nitrate", "tolerated up to", 400.0, "mg/L", FAO),
    row("oxygen", "required", (4.0, 5.0), "mg/L", FAO),
    least("oxygen, silver perch", "maximum growth at or above", 4.0, "mg/L", QLD),
    most("ammonia, silver perch", "limits production above", 0.1, "mg/L, form not stated", QLD),
    most("ammonia, silver perch", "lethal", 0.6, "mg/L, form not stated", QLD),
    row(
        "un-ionised ammonia, barramundi",
        "optimum range",
        (0.0, 0.04),
        "mg/L",
        "South Australian fact sheet",
    ),
    most("un-ionised ammonia", "may harm fish above", 0.05, "mg/L as nitrogen", IFAS),
    most("un-ionised ammonia", "fish begin to die near", 2.0, "mg/L as nitrogen", IFAS),
    row("oxygen", "most fish are distressed at", (2.0, 4.0), "mg/L", IFAS_OXYGEN),
    most("oxygen", "deaths below", 2.0, "mg/L", IFAS_OXYGEN),
    row("hauling", "temperature increase", (3.9, 4.4), "°C within 30 min", LSU),
    row("hauling", "temperature decrease", (2.8, 2.8), "°C within 30 min", LSU),
    row("acclimatising", "float the sealed bag in shade", (30.0, 30.0), "min", LSU),
    row("acclimatising", "tempering is needed beyond", (2.8, 2.8), "°C", "a fish supplier's tempering sheet"),
    row(
        "acclimatising",
        "tempering at most",
        (0.56, 0.56),
        "°C a minute",
        "a fish supplier's tempering sheet",
    ),
    row(
        "rainbow trout",
        "fingerlings from 8 to 24 °C: no harm at",
        (4.0, 8.0),
        "°C an hour",
        "N. Am. J. Aquaculture 2003, 65:67-69, abstract",
    ),
    row("feeding", "growing fish", (1.0, 2.0), "% of their mass a day", FAO),
    row("feeding", "a fish of 100 g", (1.0, 2.0), "g a day", FAO),
    row("silver perch", "market size in 10 to 12 months", (400.0, 600.0), "g", QLD),
    row(
        "hauling",
        "fish that a tank carries, for 5 °F more",
        (72.2, 72.2),
        "% of the load before",
        "USFWS Fish Hatchery Management 1982, p. 356",
    ),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tank::SPECIES;

    /// Where sources disagree the limits lie within all that tell of harm.
    #[test]
    fn the_limits_are_on_the_cautious_side() {
        for species in SPECIES {
            let limits = species.limits;
            for published in published_for(species.name).filter(|p| p.unit == "°C") {
                match published.says {
                    "survival range"
                    | "tolerance"
                    | "tolerance range"
                    | "brief extremes"
                    | "fingerlings survive" => {
                        assert!(published.high.is_none_or(|high| limits.warm_c < high), "{published:?}");
                        // "Tolerance" of silver perch by Queensland is that of growth.
                        let of_growth = published.says == "tolerance" && species.name == "silver perch";
                        let low =
                            published.low.filter(|_| !of_growth && published.says != "fingerlings survive");
                        assert!(low.is_none_or(|low| limits.cold_c >= low), "{published:?}");
                    }
                    "death below" | "deaths below" => {
                        assert!(published.high.is_none_or(|low| limits.cold_c > low), "{published:?}");
                    }
                    "stress and disease below" => {
                        assert!(published.high.is_none_or(|low| limits.thrives_c.0 >= low), "{published:?}");
                    }
                    "mortalities from"
                    | "50 % survival (acclimated 11.2 °C)"
                    | "critical (acclimated 12 °C)" => {
                        assert!(published.low.is_none_or(|low| limits.warm_c < low), "{published:?}");
                    }
                    _ => {}
                }
            }
            assert!(limits.oxygen_mg_l >= 5.0 && limits.ammonia_mg_l <= 0.04, "{}", species.name);
        }
    }
}
