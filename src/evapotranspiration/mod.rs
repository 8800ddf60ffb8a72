//! Reference evapotranspiration and what a crop makes of it.
