//! Where a bed's crop stands in its season, and how much it then uses.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::garden::log::LogEvent;
use crate::garden::site::SiteState;
use crate::soil;
use crate::soil::{
    GrowthDay, GrowthUnknown, Planting, RootZone, SEEDLING_ROOTS_M, SeasonDay, Stage, root_depth_m,
    root_depth_step,
};
use crate::why::{Step, Why};

/// A bed's crop on a day.
#[derive(Clone, Debug)]
pub(crate) struct BedGrowth {
    pub(crate) growth: GrowthDay,
    /// The day's crop coefficient, less by mulch where some lies there.
    pub(crate) coefficient: f64,
    /// The steps to the coefficient, the last one giving it.
    pub(crate) why: Why,
}

/// Days from planting or sowing on in which plants are seedlings that cannot wait for water.
/// Ours.
const SEEDLING_DAYS: u16 = 21;

impl SiteState {
    /// Where a bed's crop stands on a local date: by the newest planting of the
    /// log or the garden file up to then. What the log planted goes before the
    /// file's crop, if it is one of the table.
    ///
    /// # Errors
    ///
    /// What is missing, or that the day lies outside the season.
    pub(crate) fn bed_growth(&self, bed: u16, date: Date) -> Result<BedGrowth, GrowthUnknown> {
        if self.garden.bed(bed).fallow {
            return Err(GrowthUnknown::Fallow);
        }
        let growth = self.planting(bed, date).on(date)?;
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

    /// What stands in a bed on a local date, by log and garden file.
    fn planting(&self, bed: u16, date: Date) -> Planting {
        let plan = self.garden.bed(bed);
        let logged = self.logged_by(bed, date, |seen| match seen {
            LogEvent::Planted { crop } => Some(crop.as_deref().and_then(soil::crop)),
            _ => None,
        });
        // A file's planting ahead of the day does not undo the one that stands there.
        let logged = logged.filter(|(day, _)| plan.planted.is_none_or(|file| file <= *day || file > date));
        let crop = plan.crop.and_then(soil::crop);
        let (planted, crop) = match logged {
            Some((day, planted)) => (Some(day), planted.or(crop)),
            None => (plan.planted, crop),
        };
        Planting { crop, planted, lengths: plan.stage_lengths, latitude_deg: self.garden.site.latitude_deg }
    }

    /// The day of the season by which a bed's roots are still growing; `None` where they
    /// are full-grown, are a tree's, or nothing says when the crop was planted.
    fn roots_grow(&self, bed: u16, date: Date) -> Option<SeasonDay> {
        if !self.may_grow(bed) {
            return None;
        }
        let planting = self.planting(bed, date);
        if planting.crop.is_some_and(|crop| crop.tree) {
            return None;
        }
        let day = planting.season_day(date).ok()?;
        matches!(day.stage, Stage::Initial | Stage::Development).then_some(day)
    }

    /// Whether anything can say when a bed was planted.
    fn may_grow(&self, bed: u16) -> bool {
        let plan = self.garden.bed(bed);
        plan.planted.is_some() || !self.log.of(&plan.id).is_empty()
    }

    /// Whether a bed is known to hold seedlings on a local date.
    pub(crate) fn has_seedlings(&self, bed: u16, date: Date) -> bool {
        self.roots_grow(bed, date).is_some_and(|it| it.stage == Stage::Initial && it.day <= SEEDLING_DAYS)
    }

    /// How deep a bed's roots reach on a local date, metres: less than full-grown while a
    /// crop of which the planting is known is young.
    pub(crate) fn root_depth_on(&self, bed: u16, date: Date) -> f64 {
        let grown_m = self.garden.bed(bed).root_depth_m;
        self.roots_grow(bed, date)
            .map_or(grown_m, |it| root_depth_m(it.day, &it.lengths, SEEDLING_ROOTS_M, grown_m))
    }

    /// The step to [`SiteState::root_depth_on`]; `None` where they are full-grown.
    pub(crate) fn root_depth_step_on(&self, bed: u16, date: Date) -> Option<Step> {
        let it = self.roots_grow(bed, date)?;
        Some(root_depth_step(it.day, &it.lengths, SEEDLING_ROOTS_M, self.garden.bed(bed).root_depth_m))
    }

    /// A bed's root zone at a moment, with the depletion fraction of the table or the file.
    pub(crate) fn root_zone_at(&self, bed: u16, at: Timestamp) -> RootZone {
        let zone = self.garden.bed(bed).root_zone();
        if !self.may_grow(bed) {
            return zone;
        }
        let date = self.garden.site.time_zone.to_datetime(at).date();
        RootZone { root_depth_m: self.root_depth_on(bed, date), ..zone }
    }

    /// What people must know of young roots, in a sentence: that the top probe stands
    /// below them; `None` where it does not.
    pub(crate) fn roots_above_probes(&self, bed: u16, at: Timestamp) -> Option<String> {
        let date = self.garden.site.time_zone.to_datetime(at).date();
        self.roots_grow(bed, date)?;
        let top = *self.beds[usize::from(bed)].probes.first()?;
        let (probe_m, roots_m) = (self.garden.sensor(top).depth_m?, self.root_depth_on(bed, date));
        (probe_m > roots_m).then(|| {
            format!(
                "Its plants are young: feel the soil above the top probe (roots to about {:.0} cm, probe at {:.0} cm).",
                100.0 * roots_m,
                100.0 * probe_m
            )
        })
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
