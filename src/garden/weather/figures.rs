//! Reference evapotranspiration of the site's days, what each bed's plants take
//! of it, and how both are said.

use std::borrow::Cow;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::evapotranspiration::{
    DayTemperatures, EVAPORATION_MM_PER_MJ, Humidity, Reference, ReferenceMethod, Weather,
    extraterrestrial_mj_m2, hargreaves, hargreaves_mm, penman_monteith, penman_monteith_mm,
};
use crate::garden::site::SiteState;
use crate::garden::view::Figure;
use crate::garden::weather::days::{Heard, SensorDay};
use crate::model::Quantity;
use crate::text::spoken;

/// Height of a wind sensor whose file gives none, m: that of the reference.
const WIND_HEIGHT_M: f64 = 2.0;
/// Joules in a megajoule.
const J_PER_MJ: f64 = 1e6;

/// One local day's reference evapotranspiration.
#[derive(Clone, Debug)]
pub(crate) struct DayReference {
    pub(crate) reference: Reference,
    /// What its day lacks: pauses of the sensors that were used.
    pub(crate) gaps: Vec<String>,
    /// Why Penman-Monteith was not used.
    pub(crate) rougher: Vec<String>,
}

impl DayReference {
    /// "4.2 mm (Hargreaves, from air temperature alone; not measured here: ...)".
    fn words(&self) -> String {
        let how = match self.reference.method {
            ReferenceMethod::PenmanMonteith => "Penman-Monteith".to_owned(),
            ReferenceMethod::Hargreaves => {
                "Hargreaves: from air temperature alone, on a usual day within about half a millimetre"
                    .to_owned()
            }
        };
        let mut parts = vec![how];
        parts.extend(self.rougher.iter().cloned());
        if !self.gaps.is_empty() {
            parts.push(format!("the day has gaps: {}", spoken::list(&self.gaps)));
        }
        if self.reference.still_air {
            parts.push("still air counted as a wind of 0.5 m/s".to_owned());
        }
        format!("{:.1} mm ({})", self.reference.mm, parts.join("; "))
    }
}

/// One quantity of a day, for one of the methods.
enum Part {
    Known(SensorDay),
    /// Why not, for people.
    Missing(String),
    /// No sensor of the whole site measures it.
    NotMeasured,
}

/// As people say it.
fn name(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::AirTemperature => "air temperature",
        Quantity::RelativeHumidity => "humidity",
        Quantity::SolarRadiation => "the sun's radiation",
        Quantity::WindSpeed => "wind",
        other => other.name(),
    }
}

fn heard_words(quantity: Quantity, heard: Heard) -> String {
    format!(
        "there are readings of {} for {} of the day, with a gap of {}",
        name(quantity),
        spoken::percent(heard.share),
        spoken::duration(heard.gap_s),
    )
}

impl SiteState {
    /// Reference evapotranspiration of a local day, by Penman-Monteith where
    /// humidity, sun and wind were heard, else by Hargreaves.
    ///
    /// # Errors
    ///
    /// What is missing, in words.
    pub(crate) fn reference_on(&self, date: Date) -> Result<DayReference, String> {
        let mut gaps = Vec::new();
        let temperature = match self.part(Quantity::AirTemperature, date, &mut gaps) {
            Part::Known(day) => day,
            Part::Missing(why) => return Err(why),
            Part::NotMeasured => {
                return Err("no sensor of the whole site measures air temperature".to_owned());
            }
        };
        let temperatures = self.temperatures(date, &temperature);
        let mut all_gaps = gaps.clone();
        let rougher = match self.weather_on(date, &mut all_gaps) {
            Ok(weather) => match penman_monteith(&temperatures, &weather) {
                Ok(reference) => {
                    return Ok(DayReference { reference, gaps: all_gaps, rougher: Vec::new() });
                }
                Err(out) => vec![format!("Penman-Monteith could not be used: {out}")],
            },
            Err(missing) => missing,
        };
        match hargreaves(&temperatures) {
            Ok(reference) => Ok(DayReference { reference, gaps, rougher }),
            Err(out) => Err(out.to_string()),
        }
    }

    /// The same in mm, without words and steps: for judgements at each reading.
    pub(crate) fn reference_mm_on(&self, date: Date) -> Option<f64> {
        let (_, air, _) = self.weather.day(Quantity::AirTemperature, date).filter(|day| day.2.enough())?;
        let temperatures = self.temperatures(date, &air);
        let by_all =
            self.weather_of(date).and_then(|weather| penman_monteith_mm(&temperatures, &weather).ok());
        by_all.or_else(|| {
            let above_air =
                extraterrestrial_mj_m2(temperatures.latitude_deg, temperatures.day_of_year).ok()?;
            hargreaves_mm(air.most, air.least, EVAPORATION_MM_PER_MJ * above_air).ok()
        })
    }

    fn temperatures(&self, date: Date, air: &SensorDay) -> DayTemperatures {
        DayTemperatures {
            latitude_deg: self.garden.site.latitude_deg,
            day_of_year: date.day_of_year().unsigned_abs(),
            max_c: air.most,
            min_c: air.least,
        }
    }

    /// What Penman-Monteith needs beyond temperature, where all of it was heard.
    fn weather_of(&self, date: Date) -> Option<Weather> {
        let enough = |quantity| self.weather.day(quantity, date).filter(|(_, _, heard)| heard.enough());
        let (_, humidity, _) = enough(Quantity::RelativeHumidity)?;
        let (_, sun, _) = enough(Quantity::SolarRadiation)?;
        let (anemometer, wind, _) = enough(Quantity::WindSpeed)?;
        let height_m = self.garden.sensor(anemometer).height_m;
        Some(Weather {
            elevation_m: self.garden.site.elevation_m,
            humidity: Humidity { max_pct: humidity.most, min_pct: humidity.least },
            sun_mj_m2: sun.sum() / J_PER_MJ,
            wind_m_s: wind.mean()?,
            wind_height_m: height_m.unwrap_or(WIND_HEIGHT_M),
        })
    }

    /// What Penman-Monteith needs beyond temperature, or why it is not there.
    fn weather_on(&self, date: Date, gaps: &mut Vec<String>) -> Result<Weather, Vec<String>> {
        let humidity = self.part(Quantity::RelativeHumidity, date, gaps);
        let sun = self.part(Quantity::SolarRadiation, date, gaps);
        let wind = self.part(Quantity::WindSpeed, date, gaps);
        if let Some(weather) = self.weather_of(date) {
            return Ok(weather);
        }
        let mut missing = Vec::new();
        let mut not_measured = Vec::new();
        for (quantity, part) in [
            (Quantity::RelativeHumidity, humidity),
            (Quantity::SolarRadiation, sun),
            (Quantity::WindSpeed, wind),
        ] {
            match part {
                Part::Known(..) => {}
                Part::Missing(why) => missing.push(why),
                Part::NotMeasured => not_measured.push(name(quantity).to_owned()),
            }
        }
        if !not_measured.is_empty() {
            missing.insert(0, format!("not measured here: {}", spoken::list(&not_measured)));
        }
        Err(missing)
    }

    /// A quantity's day; where it has gaps, they are noted.
    fn part(&self, quantity: Quantity, date: Date, gaps: &mut Vec<String>) -> Part {
        match self.weather.day(quantity, date) {
            Some((_, day, heard)) if heard.enough() => {
                if !heard.whole() {
                    gaps.push(heard_words(quantity, heard));
                }
                Part::Known(day)
            }
            Some((_, _, heard)) => Part::Missing(heard_words(quantity, heard)),
            None if self.weather.measures(quantity) => {
                Part::Missing(format!("no reading of {} on {}", name(quantity), spoken::day(date)))
            }
            None => Part::NotMeasured,
        }
    }

    /// What is known of yesterday's weather. Empty where the site has no weather
    /// sensor.
    pub(crate) fn weather_figures(&self, now: Timestamp) -> Vec<Figure> {
        let yesterday = self.garden.site.time_zone.to_datetime(now).date().yesterday();
        let Ok(date) = yesterday else { return Vec::new() };
        if !self.weather.measures_any() {
            return Vec::new();
        }
        let mut figures = vec![match self.reference_on(date) {
            Ok(day) => Figure::known(
                "Reference evapotranspiration yesterday",
                day.words(),
                day.reference.mm,
                "mm",
                day.reference.why.clone(),
            ),
            Err(missing) => Figure::unknown("Reference evapotranspiration yesterday", &missing, "mm"),
        }];
        for quantity in [
            Quantity::AirTemperature,
            Quantity::RelativeHumidity,
            Quantity::SolarRadiation,
            Quantity::WindSpeed,
        ] {
            figures.extend(self.measured_figures(quantity, date));
        }
        figures
    }

    /// A quantity's own figures of a day.
    fn measured_figures(&self, quantity: Quantity, date: Date) -> Vec<Figure> {
        let mut gaps = Vec::new();
        let day = match self.part(quantity, date, &mut gaps) {
            Part::Known(day) => day,
            Part::NotMeasured => return Vec::new(),
            Part::Missing(why) => {
                let of: Cow<'static, str> = match quantity {
                    Quantity::SolarRadiation => "Sun yesterday".into(),
                    Quantity::WindSpeed => "Mean wind yesterday".into(),
                    Quantity::RelativeHumidity => "Humidity yesterday".into(),
                    _ => "Air temperature yesterday".into(),
                };
                return vec![Figure::unknown(of, &why, quantity.unit())];
            }
        };
        let beside = gaps.first().map_or_else(String::new, |gap| format!(" ({gap})"));
        let figure = |of: &'static str, number: f64, decimals: usize, unit: &'static str| {
            Figure::known(of, format!("{number:.decimals$} {unit}{beside}"), number, unit, Vec::new())
        };
        match quantity {
            Quantity::AirTemperature => vec![
                figure("Warmest yesterday", day.most, 1, "°C"),
                figure("Coldest yesterday", day.least, 1, "°C"),
            ],
            Quantity::RelativeHumidity => vec![
                figure("Most humid yesterday", day.most, 0, "%"),
                figure("Driest air yesterday", day.least, 0, "%"),
            ],
            Quantity::SolarRadiation => vec![figure("Sun yesterday", day.sum() / J_PER_MJ, 1, "MJ/m2")],
            _ => day.mean().map(|mean| figure("Mean wind yesterday", mean, 1, "m/s")).into_iter().collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;
    use std::sync::Arc;

    use jiff::{SignedDuration, ToSpan};

    use super::*;
    use crate::garden::plan::Garden;
    use crate::garden::record::{Batch, Reading};
    use crate::garden::{Clock, Core};
    use crate::model::Id;
    use crate::model::Sample;
    use crate::model::SensorIx;
    use crate::settings::from_text;

    const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";
    const SITE: &str = "[site]\nid = \"saltbush-gully\"\nname = \"Saltbush Gully Primary School\"\n\
        time_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.93\nelevation_m = 95\n";
    const AIR: &str = "air-temperature";
    const HUMIDITY: &str = "relative-humidity";
    const SUN: &str = "solar-radiation";
    const WIND: &str = "wind-speed";
    const ALL: [&str; 4] = [AIR, HUMIDITY, SUN, WIND];

    /// The invented school with these sensors, every quarter of an hour.
    fn garden(measures: &[&str], more: &str) -> Arc<Garden> {
        let mut text = SITE.to_owned();
        for what in measures {
            let own = if *what == WIND { more } else { "" };
            text += &format!(
                "[[sensor]]\nid = \"{what}\"\nmeasures = \"{what}\"\ntopic = \"saltbush-gully/{what}\"\n\
                 payload = \"number\"\nevery_s = 900\n{own}\n"
            );
        }
        let settings =
            from_text(("trug.toml", TRUG), &[("g.toml", &text)], std::iter::empty()).expect("no faults");
        Arc::new(settings.gardens.into_iter().next().expect("one garden"))
    }

    fn date(text: &str) -> Date {
        text.parse().expect("a date")
    }

    /// An invented summer's day at an hour of solar time: 14 to 30 °C, 30 to 80 %,
    /// a sun of up to 900 W/m2, wind of 1 to 3 m/s.
    fn weather(what: &str, hour: f64) -> f64 {
        let wave = (TAU * (hour - 15.0) / 24.0).cos();
        match what {
            AIR => 22.0 + 8.0 * wave,
            HUMIDITY => 55.0 - 25.0 * wave,
            SUN => 900.0 * (TAU * (hour - 12.0) / 24.0).cos().max(0.0),
            _ => 2.0 + wave,
        }
    }

    /// A garden that has heard its sensors at each quarter of an hour from the
    /// evening before a day to the morning after, unless `silent` says otherwise.
    struct Heard {
        core: Core,
        rows: Vec<Reading>,
    }

    fn heard(garden: &Arc<Garden>, on: Date, silent: impl Fn(&str, f64) -> bool) -> Heard {
        let mut core = Core::new(std::slice::from_ref(garden), Clock::Readings);
        let zone = &garden.site.time_zone;
        let midnight = zone.to_timestamp(on.at(0, 0, 0, 0)).expect("a moment");
        let end = zone.to_timestamp(on.tomorrow().expect("a date").at(1, 0, 0, 0)).expect("a moment");
        let mut rows = Vec::new();
        let mut at = midnight - SignedDuration::from_hours(2);
        while at <= end {
            let hour = (at.as_second() - midnight.as_second()) as f64 / 3600.0;
            for (index, sensor) in (0u32..).zip(&garden.sensors) {
                let what = sensor.measures.name();
                if !silent(what, hour) {
                    let mut batch = Batch::default();
                    let sample = Sample { at: Some(at), raw: weather(what, hour), battery: None };
                    core.take(SensorIx(index), sample, at, &mut batch);
                    rows.extend(batch.readings);
                }
            }
            at += 15.minutes();
        }
        Heard { core, rows }
    }

    impl Heard {
        fn figures(&self) -> Vec<Figure> {
            self.core.view("saltbush-gully").expect("the site").weather
        }

        fn reference(&self) -> Figure {
            let figures = self.figures();
            assert_eq!(figures[0].name, "Reference evapotranspiration yesterday");
            figures[0].clone()
        }
    }

    const DAY: &str = "2026-01-15";

    /// Expected: the room's own function, which the published checks hold, with
    /// the extremes, mean and sum of the curves above; the sum of a half wave of
    /// 900 W/m2 over 12 h is 900 x 2 / pi x 43,200 s = 24.75 MJ/m2.
    #[test]
    fn a_day_with_all_sensors_is_by_penman_monteith() {
        let day = heard(&garden(&ALL, ""), date(DAY), |_, _| false);
        let expected = penman_monteith(
            &DayTemperatures { latitude_deg: -34.93, day_of_year: 15, max_c: 30.0, min_c: 14.0 },
            &Weather {
                elevation_m: 95.0,
                humidity: Humidity { max_pct: 80.0, min_pct: 30.0 },
                sun_mj_m2: 24.751,
                wind_m_s: 2.0,
                wind_height_m: 2.0,
            },
        );
        let figure = day.reference();
        let (got, expected) = (figure.number.expect("known"), expected.unwrap().mm);
        let without_words = |day: &Heard| {
            day.core.site_states().next().expect("the site").reference_mm_on(date(DAY)).expect("known")
        };
        assert!((without_words(&day) - got).abs() < 1e-12);
        let by_air = heard(&garden(&[AIR], ""), date(DAY), |_, _| false);
        assert!((without_words(&by_air) - by_air.reference().number.expect("known")).abs() < 1e-12);
        assert!((got - expected).abs() < 0.01, "{got} {expected}");
        assert_eq!(figure.value, format!("{expected:.1} mm (Penman-Monteith)"));
        assert!(figure.why.last().expect("steps").with.ends_with(&format!("= {got:.2} mm")));
        let names: Vec<_> = day.figures().iter().map(|f| format!("{}: {}", f.name, f.value)).collect();
        assert!(names.contains(&"Warmest yesterday: 30.0 °C".to_owned()), "{names:?}");
        assert!(names.contains(&"Sun yesterday: 24.7 MJ/m2".to_owned()), "{names:?}");
    }

    #[test]
    fn a_wind_sensor_on_a_mast_counts_as_the_lesser_wind_at_two_metres() {
        let low = heard(&garden(&ALL, ""), date(DAY), |_, _| false).reference().number.expect("known");
        let high = heard(&garden(&ALL, "height_m = 10"), date(DAY), |_, _| false).reference();
        assert!(high.number.expect("known") < low);
        assert!(high.why.iter().any(|step| step.with.contains("2.00 m/s at 10.0 m: 1.50 m/s")), "{high:?}");
    }

    #[test]
    fn without_humidity_it_is_by_hargreaves_and_says_why() {
        let day = heard(&garden(&[AIR, SUN, WIND], ""), date(DAY), |_, _| false);
        let figure = day.reference();
        let expected =
            hargreaves(&DayTemperatures { latitude_deg: -34.93, day_of_year: 15, max_c: 30.0, min_c: 14.0 });
        assert!((figure.number.expect("known") - expected.unwrap().mm).abs() < 0.01);
        assert!(figure.value.contains("Hargreaves") && figure.value.contains("not measured here: humidity"));
        // A sensor that is there but said nothing is another matter.
        let silent = heard(&garden(&ALL, ""), date(DAY), |what, hour| what == HUMIDITY && hour < 24.0);
        assert!(silent.reference().value.contains("no reading of humidity on Thursday 15 January"));
        let briefly =
            heard(&garden(&ALL, ""), date(DAY), |what, hour| what == WIND && hour > 9.0 && hour < 24.0);
        let value = briefly.reference().value;
        assert!(
            value.contains("there are readings of wind for 39 % of the day, with a gap of 15 hours"),
            "{value}"
        );
    }

    #[test]
    fn without_temperature_it_is_not_known_and_says_what_is_missing() {
        let figure = heard(&garden(&[HUMIDITY, SUN, WIND], ""), date(DAY), |_, _| false).reference();
        assert_eq!((figure.number, figure.why.len()), (None, 0));
        assert_eq!(figure.value, "not known: no sensor of the whole site measures air temperature");
        let dead = heard(&garden(&ALL, ""), date(DAY), |what, hour| what == AIR && hour < 24.0).reference();
        assert_eq!(dead.value, "not known: no reading of air temperature on Thursday 15 January");
        let none = heard(&garden(&[], ""), date(DAY), |_, _| false);
        assert!(none.figures().is_empty());
    }

    #[test]
    fn a_day_with_gaps_says_so_and_one_with_too_many_is_not_known() {
        let pause = |hours: f64| {
            heard(&garden(&[AIR], ""), date(DAY), move |_, hour| hour > 2.0 && hour < 2.0 + hours).reference()
        };
        assert!(!pause(2.5).value.contains("gaps"), "{}", pause(2.5).value);
        let gaps = pause(4.0);
        assert!(gaps.number.is_some());
        assert!(
            gaps.value.contains(
                "the day has gaps: there are readings of air temperature for 84 % of the day, with a gap of 4 hours"
            ),
            "{}",
            gaps.value
        );
        let lost = pause(7.0);
        assert_eq!(lost.number, None);
        assert!(
            lost.value.contains("not known: there are readings of air temperature for"),
            "{}",
            lost.value
        );
        // Every third reading lost, without a pause: too few.
        let thin = heard(&garden(&[AIR], ""), date(DAY), |_, hour| ((hour * 4.0).round() as i64) % 3 == 0);
        assert_eq!(thin.reference().number, None, "{}", thin.reference().value);
    }

    /// The clock goes back on the first Sunday of April (25 hours) and on on the
    /// first of October (23 hours).
    #[test]
    fn days_of_23_and_25_hours_are_whole() {
        for (on, hours) in [("2026-04-05", 25.0), ("2026-10-04", 23.0), (DAY, 24.0)] {
            let garden = garden(&[AIR, SUN, WIND], "");
            let day = heard(&garden, date(on), |_, _| false);
            let site = day.core.site_states().next().expect("the site");
            let (_, wind, heard) = site.weather.day(Quantity::WindSpeed, date(on)).expect("heard");
            assert!(heard.whole() && heard.share > 0.98, "{on}: {heard:?}");
            // The mean times the hours: the wave's mean is 2 over a whole day.
            let mean = wind.mean().expect("a mean");
            assert!((mean - 2.0).abs() < 0.06, "{on}: {mean}");
            let seconds = wind.sum() / mean;
            assert!((seconds - hours * 3600.0).abs() < 1.0, "{on}: {seconds}");
        }
    }

    #[test]
    fn a_spike_makes_no_extreme() {
        let garden = garden(&[AIR], "");
        let mut day = heard(&garden, date(DAY), |_, _| false);
        let plain = day.figures();
        let mut batch = Batch::default();
        let zone = &garden.site.time_zone;
        let at = |minute: i8| zone.to_timestamp(date("2026-01-16").at(1, minute, 0, 0)).expect("a moment");
        for (minute, raw) in [(15, 14.5), (30, 44.0), (45, 14.6)] {
            day.core.take(
                SensorIx(0),
                Sample { at: Some(at(minute)), raw, battery: None },
                at(minute),
                &mut batch,
            );
        }
        for hour in 2i8..=25 {
            let (on, of_day) = if hour < 24 { ("2026-01-16", hour) } else { ("2026-01-17", hour - 24) };
            for minute in [0, 15, 30, 45] {
                let at = zone.to_timestamp(date(on).at(of_day, minute, 0, 0)).expect("a moment");
                let raw = weather(AIR, f64::from(hour) + f64::from(minute) / 60.0);
                day.core.take(SensorIx(0), Sample { at: Some(at), raw, battery: None }, at, &mut batch);
            }
        }
        let next = day.figures();
        assert_eq!(next[1].name, "Warmest yesterday");
        assert_eq!((&plain[1].value, &next[1].value), (&"30.0 °C".to_owned(), &"30.0 °C".to_owned()));
    }

    #[test]
    fn a_restart_knows_the_same_weather() {
        let garden = garden(&ALL, "");
        let day = heard(&garden, date(DAY), |what, hour| what == SUN && (3.0..5.0).contains(&hour));
        let mut again = Core::new(std::slice::from_ref(&garden), Clock::Arrival);
        let mut scratch = Batch::default();
        for row in &day.rows {
            again.restore_reading(row, &mut scratch);
        }
        let view = again.view("saltbush-gully").expect("the site");
        assert_eq!(view.weather, day.figures());
        assert_eq!(view.id, Id::new("saltbush-gully"));
    }
}
