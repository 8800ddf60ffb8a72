//! The figures of a bed, each with the equations that gave it.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::garden::bed::advice::litres_wanted;
use crate::garden::bed::dryness::MOIST_PART;
use crate::garden::plan::Bed;
use crate::garden::site::{BedWater, SiteState};
use crate::garden::view::Figure;
use crate::soil::{
    RootZone, depletion_fraction, depletion_fraction_step, mean_water_content_step, stress, stress_step,
    texture, texture_step,
};
use crate::text::spoken;
use crate::watering::{litres_step, minutes, minutes_step};
use crate::why::{Check, Equation, Step, Why};

/// The depletion fraction where yesterday's use is not known.
const TABLE_FRACTION: Equation = Equation {
    gives: "part of the available water that may be used",
    form: "p = p(table), for a crop evapotranspiration near 5 mm a day",
    source: "FAO-56 table 22, or the garden file",
    check: Check::Table("fao56_table22.csv"),
};

/// What is left of the available water.
const AVAILABLE_LEFT: Equation = Equation {
    gives: "part of the available water that is left",
    form: "left = 1 - Dr / TAW",
    source: "arithmetic on FAO-56 eq. 82 and 87",
    check: Check::Arithmetic,
};

/// When a bed counts as dry.
const DRY: Equation = Equation {
    gives: "whether the plants suffer",
    form: "dry where Dr is above RAW",
    source: "FAO-56 chapter 8",
    check: Check::Arithmetic,
};

/// When a bed is moist enough to mulch.
const MOIST: Equation = Equation {
    gives: "whether the bed is moist enough to mulch",
    form: "moist where Dr is at most half of RAW",
    source: "this project's own: common practice gives no number",
    check: Check::None("no publication"),
};

/// A field capacity that differs by so much from the one in use is proposed, m³/m³: less is
/// within what a probe can tell. Ours.
const PROPOSE_FROM: f64 = 0.02;

/// What stands in place of a figure without a probe.
const NO_PROBE: &str = "no probe here has a fresh good reading";

impl SiteState {
    /// The depletion fraction of the day of `at`, and what the crop used on the
    /// day before (mm), where that is known.
    pub(crate) fn fraction_today(&self, bed: u16, at: Timestamp) -> (f64, Option<f64>) {
        let table = self.garden.bed(bed).depletion_fraction;
        let used_mm = self.used_yesterday_mm(bed, at);
        match used_mm.map(|mm| depletion_fraction(table, mm)) {
            Some(Ok(p)) => (p, used_mm),
            Some(Err(_)) | None => (table, None),
        }
    }

    /// The bed's root zone with the depletion fraction of today.
    pub(crate) fn root_zone_today(&self, bed: u16, at: Timestamp) -> RootZone {
        RootZone { depletion_fraction: self.fraction_today(bed, at).0, ..self.root_zone_at(bed, at) }
    }

    /// The steps to a bed's dryness.
    pub(crate) fn dry_why(&self, index: u16, at: Timestamp, water: &BedWater, active: bool) -> Why {
        let bed = self.garden.bed(index);
        let zone = RootZone { depletion_fraction: water.depletion_fraction, ..self.root_zone_at(index, at) };
        let mut why: Why = self.roots_why(index, at);
        why.push(zone.total_available_step());
        why.extend(self.fraction_why(index, at));
        why.push(zone.readily_available_step());
        why.extend(self.depletion_why(index, at, water));
        why.push(left_step(&zone, water));
        let sign = if water.depletion_mm > water.readily_today_mm { "above" } else { "not above" };
        why.push(
            DRY.step(format!("{:.1} mm is {sign} {:.1} mm", water.depletion_mm, water.readily_today_mm)),
        );
        if active {
            why.extend(water_why(bed, water));
        }
        why
    }

    /// The steps to whether a bed is moist enough to mulch.
    pub(crate) fn mulch_why(&self, index: u16, at: Timestamp, water: &BedWater, active: bool) -> Why {
        let bed = self.garden.bed(index);
        let zone = self.root_zone_at(index, at);
        let mut why: Why = self.roots_why(index, at);
        why.extend([
            zone.total_available_step(),
            fraction_step(bed, zone.depletion_fraction, None),
            zone.readily_available_step(),
        ]);
        why.extend(self.depletion_why(index, at, water));
        let limit_mm = MOIST_PART * water.readily_available_mm;
        let sign = if water.depletion_mm > limit_mm { "above" } else { "not above" };
        why.push(MOIST.step(format!("{:.1} mm is {sign} {limit_mm:.1} mm", water.depletion_mm)));
        if active {
            why.extend(water_why(bed, water));
        }
        why
    }

    /// Field capacity as the bed's own probes show it, beside the one that is in use; `None`
    /// before two soakings agree.
    fn drained_figure(&self, index: u16) -> Option<Figure> {
        let bed = self.garden.bed(index);
        let watch = &self.beds[usize::from(index)].drained;
        let shown = watch.proposed()?;
        let field_capacity = shown.field_capacity();
        let mut value = format!(
            "{field_capacity:.3} m3/m3, two days after {} soakings; {:.3} is in use",
            watch.soakings().len(),
            bed.field_capacity
        );
        if (field_capacity - bed.field_capacity).abs() >= PROPOSE_FROM && field_capacity > bed.wilting_point {
            value.push_str(&format!(
                ". If the probe stands well in the soil, write field_capacity = {field_capacity:.2} into the garden \
                 file"
            ));
        }
        let why = vec![shown.step()];
        Some(Figure::known("Field capacity as its probes show it", value, field_capacity, "m3/m3", why))
    }

    /// The step to the depth of young roots; empty where they are full-grown.
    fn roots_why(&self, index: u16, at: Timestamp) -> Why {
        let date = self.garden.site.time_zone.to_datetime(at).date();
        self.root_depth_step_on(index, date).into_iter().collect()
    }

    /// The steps to the depletion fraction of today, from the weather of the day
    /// before where that is known.
    fn fraction_why(&self, index: u16, at: Timestamp) -> Why {
        let bed = self.garden.bed(index);
        let (p, used_mm) = self.fraction_today(index, at);
        let mut why = match (used_mm, self.crop_evapotranspiration(index, at)) {
            (Some(_), Ok(used)) => used.why,
            _ => Why::new(),
        };
        why.push(fraction_step(bed, p, used_mm));
        why
    }

    /// The steps to the depletion.
    fn depletion_why(&self, index: u16, at: Timestamp, water: &BedWater) -> [Step; 2] {
        let zone = self.root_zone_at(index, at);
        let probes = self.bed_probes(index, at);
        [
            mean_water_content_step(&probes, zone.root_depth_m, water.water_content),
            zone.depletion_step(water.water_content),
        ]
    }

    /// A bed's figures, in the order to show.
    pub(crate) fn bed_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        let bed = self.garden.bed(index);
        let p = self.fraction_today(index, now).0;
        let fraction = self.fraction_why(index, now);
        let zone = RootZone { depletion_fraction: p, ..self.root_zone_at(index, now) };
        let total_mm = zone.total_available_mm();
        let mut figures = held_figures(bed);
        let mm =
            |name: &'static str, mm: f64, why: Why| Figure::known(name, format!("{mm:.1} mm"), mm, "mm", why);
        let roots = self.roots_why(index, now);
        if !roots.is_empty() {
            let value =
                format!("{:.2} m, and {:.2} m when they are grown", zone.root_depth_m, bed.root_depth_m);
            figures.push(Figure::known(
                "Depth of its young roots",
                value,
                zone.root_depth_m,
                "m",
                roots.clone(),
            ));
        }
        let reach = [roots, vec![zone.total_available_step()]].concat();
        figures.push(mm("Water that the roots can reach", total_mm, reach));
        figures.push(Figure::known(
            "Part of it that may be used before the plants suffer",
            spoken::percent(p),
            p,
            "1",
            fraction.clone(),
        ));
        figures.push(mm(
            "Water that may be used before the plants suffer",
            zone.readily_available_mm(),
            [vec![zone.total_available_step()], fraction, vec![zone.readily_available_step()]].concat(),
        ));
        figures.extend(self.drained_figure(index));
        figures.extend(self.water_figures(index, now, &zone));
        figures.extend(self.bed_outlook(index, now));
        figures.extend(self.drydown_figure(index));
        figures.extend(self.growth_figures(index, now));
        figures.push(self.crop_figure(index, now));
        figures
    }

    /// What the probes make of it.
    fn water_figures(&self, index: u16, now: Timestamp, zone: &RootZone) -> Vec<Figure> {
        const CONTENT: &str = "Water in the root zone";
        const DEPLETION: &str = "Water used out of the root zone";
        const LEFT: &str = "Available water that is left";
        const STRESS: &str = "Water stress coefficient (1: none, 0: the plants get nothing)";
        const LITRES: &str = "Water that it needs";
        const MINUTES: &str = "How long to run its watering";
        let bed = self.garden.bed(index);
        let Some(water) = self.bed_water(index, now) else {
            let mut unknown = vec![(CONTENT, "m3/m3"), (DEPLETION, "mm"), (LEFT, "1"), (STRESS, "1")];
            unknown.push((LITRES, "L"));
            if bed.irrigation.is_some() {
                unknown.push((MINUTES, "min"));
            }
            return unknown.into_iter().map(|(name, unit)| Figure::unknown(name, NO_PROBE, unit)).collect();
        };
        let total_mm = zone.total_available_mm();
        let [mean, depletion] = self.depletion_why(index, now, &water);
        let content = water.water_content;
        let ks = stress(total_mm, zone.depletion_fraction, water.depletion_mm);
        let mut figures = vec![
            Figure::known(CONTENT, format!("{content:.3} m3/m3"), content, "m3/m3", vec![mean.clone()]),
            Figure::known(
                DEPLETION,
                used_words(water.depletion_mm),
                water.depletion_mm,
                "mm",
                vec![mean.clone(), depletion.clone()],
            ),
            Figure::known(
                LEFT,
                spoken::percent(water.available_left),
                water.available_left,
                "1",
                vec![mean, zone.total_available_step(), depletion.clone(), left_step(zone, &water)],
            ),
            Figure::known(
                STRESS,
                format!("{ks:.2}"),
                ks,
                "1",
                vec![
                    zone.total_available_step(),
                    fraction_step(bed, water.depletion_fraction, water.evapotranspiration_mm),
                    depletion.clone(),
                    stress_step(total_mm, zone.depletion_fraction, water.depletion_mm),
                ],
            ),
        ];
        let litres = litres_wanted(bed, &water);
        let [to_litres, to_minutes] = match water_why(bed, &water).as_slice() {
            [litres] => [Some(litres.clone()), None],
            [litres, minutes] => [Some(litres.clone()), Some(minutes.clone())],
            _ => [None, None],
        };
        let mut why = vec![depletion];
        why.extend(to_litres);
        figures.push(Figure::known(LITRES, spoken::litres(litres), litres, "L", why.clone()));
        if let Some(irrigation) = bed.irrigation {
            let minutes = minutes(litres, &irrigation);
            why.extend(to_minutes);
            let long = if minutes > 0.0 {
                spoken::duration((60.0 * minutes).max(60.0) as i64)
            } else {
                "not at all".to_owned()
            };
            figures.push(Figure::known(MINUTES, long, minutes, "min", why));
        }
        figures
    }

    /// Where its crop stands and how much of the reference it uses.
    fn growth_figures(&self, index: u16, now: Timestamp) -> [Figure; 2] {
        const STAGE: &str = "Stage of growth";
        const COEFFICIENT: &str = "Crop coefficient";
        let today = self.garden.site.time_zone.to_datetime(now).date();
        match self.bed_growth(index, today) {
            Ok(crop) => {
                let stage = Figure {
                    name: Cow::Borrowed(STAGE),
                    value: format!("{}; {}", crop.growth.words(), crop.growth.lengths_source()),
                    number: Some(f64::from(crop.growth.day)),
                    unit: "d",
                    why: Why::new(),
                };
                let kc = crop.coefficient;
                [stage, Figure::known(COEFFICIENT, format!("{kc:.2}"), kc, "1", crop.why)]
            }
            Err(missing) => {
                let missing = missing.to_string();
                [Figure::unknown(STAGE, &missing, "d"), Figure::unknown(COEFFICIENT, &missing, "1")]
            }
        }
    }
}

/// "49.7 mm"; of soil that is wetter than drained, how much more it holds.
fn used_words(depletion_mm: f64) -> String {
    if depletion_mm < -0.05 {
        format!("none: it holds {:.1} mm more than drained soil", -depletion_mm)
    } else {
        format!("{:.1} mm", depletion_mm.max(0.0))
    }
}

/// What the soil holds, with where it is from.
fn held_figures(bed: &Bed) -> Vec<Figure> {
    let held = bed.composition.as_deref().and_then(|c| Some((c, c.held_water().ok()?)));
    let steps = held.map(|(c, h)| c.steps(&h));
    let texture = texture(&bed.soil);
    let figure = |name: &'static str, value: f64, of_soil: Option<f64>, step: Option<Step>| {
        // The file's own number goes before the soil's; then nothing computed it.
        let own = of_soil.is_none_or(|of_soil| (of_soil - value).abs() > 1e-12);
        let (beside, why) = match (own, step) {
            (false, Some(step)) => ("", vec![step]),
            _ => (" (the garden file's own)", Why::new()),
        };
        Figure::known(name, format!("{value:.3} m3/m3{beside}"), value, "m3/m3", why)
    };
    let step = |i: usize| steps.as_ref().map(|steps| steps[i].clone());
    let mut figures = vec![
        figure(
            "Field capacity of the soil",
            bed.field_capacity,
            held.map(|h| h.1.field_capacity).or_else(|| texture.map(|t| t.field_capacity_mid())),
            step(1).or_else(|| texture.map(|t| texture_step(t, t.field_capacity))),
        ),
        figure(
            "Wilting point of the soil",
            bed.wilting_point,
            held.map(|h| h.1.wilting_point).or_else(|| texture.map(|t| t.wilting_point_mid())),
            step(0).or_else(|| texture.map(|t| texture_step(t, t.wilting_point))),
        ),
    ];
    if let Some(saturation) = bed.saturation {
        let of_soil = held.map(|h| h.1.saturation);
        figures.push(figure("Saturation of the soil", saturation, of_soil, step(2)));
    }
    if let (Some((_, held)), Some(step)) = (held, step(3)) {
        let mm_h = held.conductivity_mm_h;
        let name = "Water that the full soil lets through";
        figures.push(Figure::known(name, format!("{mm_h:.0} mm/h"), mm_h, "mm/h", vec![step]));
    }
    figures
}

/// The step to the depletion fraction of the day.
fn fraction_step(bed: &Bed, p: f64, used_mm: Option<f64>) -> Step {
    match used_mm {
        Some(mm) => depletion_fraction_step(bed.depletion_fraction, mm, p),
        None => TABLE_FRACTION.step(format!("{p:.2}, not adjusted for the crop's use of the day")),
    }
}

fn left_step(zone: &RootZone, water: &BedWater) -> Step {
    AVAILABLE_LEFT.step(format!(
        "1 - {:.1} / {:.1} = {:.2}",
        water.depletion_mm,
        zone.total_available_mm(),
        water.available_left
    ))
}

/// The steps to litres and, where the bed has its own watering, minutes.
fn water_why(bed: &Bed, water: &BedWater) -> Why {
    let litres = litres_wanted(bed, water);
    let mut why = vec![litres_step(water.depletion_mm, bed.area_m2, bed.efficiency(), litres)];
    why.extend(bed.irrigation.map(|irrigation| minutes_step(litres, &irrigation)));
    why
}
