//! Where a bed's crop stands in its season, and how much it then uses.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::garden::log::LogEvent;
use crate::garden::site::SiteState;
use crate::soil;
use crate::soil::{GrowthDay, GrowthUnknown, Planting};
use crate::why::Why;

/// A bed's crop on a day.
#[derive(Clone, Debug)]
pub(crate) struct BedGrowth {
    pub(crate) growth: GrowthDay,
    /// The day's crop coefficient, less by mulch where some lies there.
    pub(crate) coefficient: f64,
    /// The steps to the coefficient, the last one giving it.
    pub(crate) why: Why,
}

impl SiteState {
    /// Where a bed's crop stands on a local date: by the newest planting of the
    /// log or the garden file up to then. What the log planted goes before the
    /// file's crop, if it is one of the table.
    ///
    /// # Errors
    ///
    /// What is missing, or that the day lies outside the season.
    pub(crate) fn bed_growth(&self, bed: u16, date: Date) -> Result<BedGrowth, GrowthUnknown> {
        let plan = self.garden.bed(bed);
        if plan.fallow {
            return Err(GrowthUnknown::Fallow);
        }
        let logged = self.logged_by(bed, date, |seen| match seen {
            LogEvent::Planted { crop } => Some(crop.as_deref().and_then(soil::crop)),
            _ => None,
        });
        // A file's planting ahead of the day does not undo the one that stands there.
        let logged = logged.filter(|(day, _)| plan.planted.is_none_or(|file| file <= *day || file > date));
        let crop = plan.crop.as_deref().and_then(soil::crop);
        let (planted, crop) = match logged {
            Some((day, planted)) => (Some(day), planted.or(crop)),
            None => (plan.planted, crop),
        };
        let growth = Planting {
            crop,
            planted,
            lengths: plan.stage_lengths,
            latitude_deg: self.garden.site.latitude_deg,
        }
        .on(date)?;
        let mut why: Why = growth.step().into_iter().collect();
        let mut coefficient = growth.coefficient;
        if self.lies_mulched(bed, date)
            && let Some(basal) = growth.used.basal
            // Mulch is spread over the whole bed.
            && let Ok(mulched) = growth.used.single.mulched(&basal, 1.0)
            && let Some(below) = mulched.on_day(growth.day, &growth.lengths)
        {
            why.push(growth.used.single.mulched_step(&basal, 1.0, &mulched));
            why.extend(mulched.day_step(growth.day, &growth.lengths));
            coefficient = below;
        }
        Ok(BedGrowth { growth, coefficient, why })
    }

    /// Whether mulch that somebody laid covers the bed at the end of a local date.
    fn lies_mulched(&self, bed: u16, date: Date) -> bool {
        let end = self.end_of(date);
        self.mulch_layer(bed, end).is_some_and(|layer| layer.covers(end))
    }

    /// The last moment of a local date.
    fn end_of(&self, date: Date) -> Timestamp {
        let zone = &self.garden.site.time_zone;
        let end = date.tomorrow().ok().and_then(|next| zone.to_timestamp(next.at(0, 0, 0, 0)).ok());
        end.map_or(Timestamp::MAX, |end| {
            end.saturating_sub(jiff::SignedDuration::from_millis(1)).unwrap_or(end)
        })
    }

    /// The newest entry of a bed's log up to the end of a local date of which
    /// `pick` makes something, with its own local date.
    fn logged_by<T>(&self, bed: u16, date: Date, pick: impl Fn(&LogEvent) -> Option<T>) -> Option<(Date, T)> {
        let zone = &self.garden.site.time_zone;
        let last = self.end_of(date);
        let place = &self.garden.bed(bed).id;
        let (at, picked) = self.log.newest(place, last, pick)?;
        Some((zone.to_datetime(at).date(), picked))
    }
}
