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

/// The table; every row was read in its source or in a quotation of it.
pub const PUBLISHED: &[PublishedFigure] = &[
    row("silver perch", "tolerance", (20.0, 35.0), "°C", QLD),
    row("silver perch", "optimum growth", (20.0, 30.0), "°C", QLD),
    most("silver perch", "negligible growth below", 12.0, "°C", QLD),
    row("silver perch", "survival range", (2.0, 37.0), "°C", "FishBase"),
    row("silver perch", "spawning", (23.0, 30.0), "°C", "FishBase; NSW DPI"),
    row("koi", "best growth", (23.0, 30.0), "°C", "FAO, in a quotation"),
    row("koi", "tolerance", (3.0, 35.0), "°C", "ICAR-NBFGR"),
    row("nile tilapia", "brief extremes", (14.0, 36.0), "°C", FAO),
    row("nile tilapia", "ideal", (27.0, 30.0), "°C", FAO),
    most("nile tilapia", "no feeding or growth below", 17.0, "°C", FAO),
    most("nile tilapia", "death below", 12.0, "°C", FAO),
    row("goldfish", "tolerance", (0.0, 41.0), "°C", "FishBase, in a quotation"),
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
                    "survival range" | "tolerance" | "brief extremes" | "fingerlings survive" => {
                        // Silver perch "tolerates" 20 to 35 °C by one source and
                        // 2 to 37 °C by another: the cold end is that of growth.
                        assert!(published.high.is_none_or(|high| limits.warm_c <= high), "{published:?}");
                    }
                    "death below" | "deaths below" | "stress and disease below" => {
                        assert!(published.high.is_none_or(|low| limits.cold_c >= low), "{published:?}");
                    }
                    "mortalities from" | "50 % survival (acclimated 11.2 °C)" => {
                        assert!(published.low.is_none_or(|low| limits.warm_c < low), "{published:?}");
                    }
                    _ => {}
                }
            }
            assert!(limits.oxygen_mg_l >= 5.0 && limits.ammonia_mg_l <= 0.04, "{}", species.name);
        }
    }
}
