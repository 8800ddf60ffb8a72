//! What a bed's plants take of the reference evapotranspiration.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::evapotranspiration::{MID_SEASON, crop_evapotranspiration};
use crate::garden::site::SiteState;
use crate::garden::view::Figure;
use crate::model::Quantity;
use crate::soil::{GrowthUnknown, crop};
use crate::text::spoken;
use crate::why::Why;

/// Days back from yesterday among which the newest known one is taken: a crop's
/// use changes slowly, but not so slowly as a week. Our own rule.
const BACK_DAYS: i32 = 3;

/// What a bed's plants took on a day.
#[derive(Clone, Debug)]
pub(crate) struct CropWater {
    pub(crate) date: Date,
    /// Millimetres.
    pub(crate) mm: f64,
    /// The steps, the last one giving `mm`.
    pub(crate) why: Why,
    /// Where the crop stands; or, where that is not known, why the mid-season's
    /// coefficient stands in.
    stage: Result<String, GrowthUnknown>,
}

impl SiteState {
    /// What a bed's plants took on the last complete day before `at` that is known,
    /// at most three days back: reference evapotranspiration times the crop's
    /// coefficient. Where the crop's stage is not known, its mid-season stands in.
    ///
    /// # Errors
    ///
    /// What is missing, in words: the days' weather, a crop of the tables, or that
    /// its season has not begun or is over.
    pub(crate) fn crop_evapotranspiration(&self, bed: u16, at: Timestamp) -> Result<CropWater, String> {
        let yesterday = self.garden.site.time_zone.to_datetime(at).date().yesterday();
        let mut date = yesterday.map_err(|_| "there is no day before".to_owned())?;
        let mut missing = None;
        for _ in 0..BACK_DAYS {
            match self.reference_on(date) {
                Ok(day) => {
                    let (coefficient, of_crop, stage) =
                        self.coefficient(bed, date).map_err(|e| e.to_string())?;
                    let (mm, step) = crop_evapotranspiration(day.reference.mm, coefficient)
                        .map_err(|out| out.to_string())?;
                    let mut why = day.reference.why;
                    why.extend(of_crop);
                    why.push(step);
                    return Ok(CropWater { date, mm, why, stage });
                }
                Err(why) => missing = missing.or(Some(why)),
            }
            date = date.yesterday().map_err(|_| "there is no day before".to_owned())?;
        }
        Err(missing.unwrap_or_default())
    }

    /// The same in mm, without words and steps, where the crop's stage of growth is
    /// known: for judgements at each reading.
    pub(crate) fn used_yesterday_mm(&self, bed: u16, at: Timestamp) -> Option<f64> {
        if !self.weather.measures(Quantity::AirTemperature) {
            return None;
        }
        let mut date = self.garden.site.time_zone.to_datetime(at).date();
        for _ in 0..BACK_DAYS {
            date = date.yesterday().ok()?;
            if let Some(reference_mm) = self.reference_mm_on(date) {
                let coefficient = self.bed_growth(bed, date).ok()?.coefficient;
                return crop_evapotranspiration(reference_mm, coefficient).ok().map(|(mm, _)| mm);
            }
        }
        None
    }

    /// What the plants of a bed took, as a figure.
    pub(crate) fn crop_figure(&self, bed: u16, now: Timestamp) -> Figure {
        match self.crop_evapotranspiration(bed, now) {
            Ok(water) => {
                let name = format!("Water its plants used on {}", spoken::day(water.date));
                let by = match water.stage {
                    Ok(stage) => stage,
                    Err(missing) => format!("as in mid-season, for {missing}"),
                };
                Figure::known(name, format!("{:.1} mm ({by})", water.mm), water.mm, "mm", water.why)
            }
            Err(missing) => Figure::unknown("Water its plants used yesterday", &missing, "mm"),
        }
    }

    /// A bed's coefficient, its steps, and the crop's stage.
    pub(crate) fn coefficient(
        &self,
        bed: u16,
        date: Date,
    ) -> Result<(f64, Why, Result<String, GrowthUnknown>), GrowthUnknown> {
        let missing = match self.bed_growth(bed, date) {
            Ok(grown) => return Ok((grown.coefficient, grown.why, Ok(grown.growth.words()))),
            Err(missing @ (GrowthUnknown::NotPlanted | GrowthUnknown::NoLengths)) => missing,
            Err(other) => return Err(other),
        };
        let crop = self.garden.bed(bed).crop.and_then(crop);
        let crop = crop.ok_or(GrowthUnknown::NoCrop)?;
        let mid = crop.uses.first().ok_or(GrowthUnknown::NoCoefficients)?.single.mid;
        Ok((mid, vec![MID_SEASON.step(format!("{}: {mid:.2}", crop.name))], Err(missing)))
    }
}
