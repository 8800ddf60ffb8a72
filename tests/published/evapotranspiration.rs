//! Reference evapotranspiration: FAO-56, and two weather stations over a year.

use std::collections::BTreeMap;

use jiff::civil::Date;
use trug::evapotranspiration::{
    EVAPORATION_MM_PER_MJ, Humidity, LEAST_WIND_M_S, DayTemperatures, Terms, Weather, actual_vapour_pressure_kpa,
    clear_sky_mj_m2, declination_rad, extraterrestrial_mj_m2, hargreaves, hargreaves_mm,
    inverse_distance, mean_saturation_vapour_pressure_kpa, net_long_wave_mj_m2, net_short_wave_mj_m2,
    penman_monteith, pressure_kpa, psychrometric_constant_kpa_c, saturation_vapour_pressure_kpa,
    sunset_hour_angle_rad,
    vapour_pressure_slope_kpa_c, wind_at_2m_m_s,
};

use crate::harness::{Checks, Row, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![
        vapour_pressure_of_fao_56(),
        examples_of_fao_56(),
        sun_of_fao_56(),
        hargreaves_of_fao_56(),
        a_year_at_fallon(),
        a_year_at_holyoke(),
    ]
}

fn vapour_pressure_of_fao_56() -> Checks {
    let mut checks = Checks::of("et0_vapour_pressure.csv");
    for row in table(checks.table) {
        let air_c = row.number("temp_c");
        let held = saturation_vapour_pressure_kpa(air_c).unwrap();
        let slope = vapour_pressure_slope_kpa_c(air_c).unwrap();
        checks.printed(&row, "es_kpa", held);
        checks.printed(&row, "delta_kpa_c", slope);
        checks.printed(&row, "delta_printed_kpa_c", slope);
        // The digitised pressure of the last row does not follow the equation that
        // the paper prints beside it: three units of its last digit are let pass.
        let tolerance = if air_c > 30.0 { 0.0015 } else { row.tolerance("es_printed_kpa") };
        checks.near(&row, "es_printed_kpa", held, row.number("es_printed_kpa"), tolerance);
    }
    checks
}

/// The numbers of one worked example, by the name of the quantity.
struct Example(BTreeMap<String, f64>);

impl Example {
    fn of(rows: &[Row], number: &str) -> Self {
        Self(
            rows.iter()
                .filter(|row| row.text("example") == number && row.text("kind") == "input")
                .map(|row| (row.text("quantity").to_owned(), row.number("printed")))
                .collect(),
        )
    }

    fn get(&self, quantity: &str) -> f64 {
        *self.0.get(quantity).unwrap_or_else(|| panic!("no {quantity}"))
    }

    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "days of the year are whole")]
    fn day(&self) -> u16 {
        self.get("J") as u16
    }
}

fn examples_of_fao_56() -> Checks {
    let mut checks = Checks::of("et0_fao56_examples.csv");
    let rows = table(checks.table);
    let mut got: BTreeMap<(&str, &str), f64> = BTreeMap::new();
    for (example, values) in [
        ("2", altitude_of_example_2(&Example::of(&rows, "2"))),
        ("8", sun_of_example_8(&Example::of(&rows, "8"))),
        ("11", long_wave_of_example_11(&Example::of(&rows, "11"))),
        ("12", net_of_example_12(&Example::of(&rows, "11"))),
        ("14", wind_of_example_14(&Example::of(&rows, "14"))),
        ("17", bangkok(&Example::of(&rows, "17"))),
        ("18", uccle(&Example::of(&rows, "18"))),
        ("20", lyon(&Example::of(&rows, "20"))),
    ] {
        got.extend(values.into_iter().map(|(quantity, value)| ((example, quantity), value)));
    }
    for row in rows.iter().filter(|row| row.text("kind") == "output") {
        let key = (row.text("example"), row.text("quantity"));
        let value = *got.get(&key).unwrap_or_else(|| panic!("{key:?} is not computed"));
        // Example 17 goes on from its rounded pressure: 0.000665 x 101.3.
        let printed = if key == ("17", "gamma") { psychrometric_constant_kpa_c(101.3) } else { value };
        let what = format!("example {} {}", key.0, key.1);
        checks.near(row, &what, printed, row.number("printed"), row.tolerance("printed"));
        checks.near(row, &what, value, row.number("full"), row.tolerance("full"));
    }
    checks
}

type Values = Vec<(&'static str, f64)>;

fn altitude_of_example_2(x: &Example) -> Values {
    vec![("gamma", psychrometric_constant_kpa_c(pressure_kpa(x.get("altitude")).unwrap()))]
}

fn sun_of_example_8(x: &Example) -> Values {
    let (latitude, day) = (x.get("latitude"), x.day());
    vec![
        ("inverse_rel_distance", inverse_distance(day).unwrap()),
        ("solar_declination", declination_rad(day).unwrap()),
        ("sunset_hour_angle", sunset_hour_angle_rad(latitude, day).unwrap()),
        ("Ra", extraterrestrial_mj_m2(latitude, day).unwrap()),
    ]
}

fn long_wave(x: &Example) -> f64 {
    net_long_wave_mj_m2(x.get("Tmax"), x.get("Tmin"), x.get("ea"), x.get("Rs") / x.get("Rso")).unwrap()
}

fn long_wave_of_example_11(x: &Example) -> Values {
    vec![("Rnl", long_wave(x))]
}

/// Goes on from example 11.
fn net_of_example_12(x: &Example) -> Values {
    vec![("Rn", net_short_wave_mj_m2(x.get("Rs")) - long_wave(x))]
}

fn wind_of_example_14(x: &Example) -> Values {
    vec![("u2", wind_at_2m_m_s(x.get("u10"), 10.0).unwrap())]
}

/// What examples 17, 18 and 20 have in common.
struct Day {
    max_c: f64,
    min_c: f64,
    actual_kpa: f64,
    pressure_kpa: f64,
    above_air: f64,
    sun: f64,
    clearness: f64,
    terms: Terms,
}

impl Day {
    fn of(x: &Example, actual_kpa: f64, sun: f64, soil_heat_mj_m2: f64, wind_2m_m_s: f64) -> Self {
        let (max_c, min_c) = (x.get("Tmax"), x.get("Tmin"));
        let mean_c = f64::midpoint(max_c, min_c);
        let pressure_kpa = pressure_kpa(x.get("altitude")).unwrap();
        let above_air = extraterrestrial_mj_m2(x.get("latitude"), x.day()).unwrap();
        let clearness = sun / clear_sky_mj_m2(above_air, x.get("altitude"));
        let terms = Terms {
            mean_c,
            slope_kpa_c: vapour_pressure_slope_kpa_c(mean_c).unwrap(),
            psychrometric_kpa_c: psychrometric_constant_kpa_c(pressure_kpa),
            net_radiation_mj_m2: net_short_wave_mj_m2(sun)
                - net_long_wave_mj_m2(max_c, min_c, actual_kpa, clearness).unwrap(),
            soil_heat_mj_m2,
            wind_2m_m_s,
            vapour_deficit_kpa: mean_saturation_vapour_pressure_kpa(max_c, min_c).unwrap() - actual_kpa,
        };
        Self { max_c, min_c, actual_kpa, pressure_kpa, above_air, sun, clearness, terms }
    }

    fn long_wave(&self) -> f64 {
        net_long_wave_mj_m2(self.max_c, self.min_c, self.actual_kpa, self.clearness).unwrap()
    }
}

/// The day's sun of examples 17 and 18, which tell its hours of sunshine (equations 34
/// and 35): Trug's own gardens measure the sun or do without.
fn sun_from_sunshine(x: &Example) -> f64 {
    let daylight = 24.0 / std::f64::consts::PI * sunset_hour_angle_rad(x.get("latitude"), x.day()).unwrap();
    let above_air = extraterrestrial_mj_m2(x.get("latitude"), x.day()).unwrap();
    (0.25 + 0.50 * x.get("n") / daylight) * above_air
}

/// The humidity of a day whose air holds what it would hold at a dew point: the same
/// part of what it could hold, all day.
fn humidity_of_dew_point(dew_point_c: f64, max_c: f64, min_c: f64) -> Humidity {
    let holds = saturation_vapour_pressure_kpa(dew_point_c).unwrap();
    let percent = 100.0 * holds / mean_saturation_vapour_pressure_kpa(max_c, min_c).unwrap();
    Humidity { max_pct: percent, min_pct: percent }
}

/// Example 17: monthly means of April in Bangkok.
fn bangkok(x: &Example) -> Values {
    let sun = sun_from_sunshine(x);
    // Equation 44, of a month after the one before.
    let soil_heat = 0.14 * (x.get("Tmonth") - x.get("Tmonth_prev"));
    let day = Day::of(x, x.get("ea"), sun, soil_heat, x.get("u2"));
    vec![
        ("P", day.pressure_kpa),
        ("gamma", day.terms.psychrometric_kpa_c),
        ("es", mean_saturation_vapour_pressure_kpa(day.max_c, day.min_c).unwrap()),
        ("Rs/Rso", day.clearness),
        ("Rns", net_short_wave_mj_m2(sun)),
        ("Rn", day.terms.net_radiation_mj_m2),
        ("wind_term", day.terms.wind_mm()),
        ("ET0", day.terms.reference_mm()),
    ]
}

/// Example 18: 6 July in Uccle, from measured daily data. The whole way of the
/// program, [`penman_monteith`], gives its last value.
fn uccle(x: &Example) -> Values {
    let (max_c, min_c) = (x.get("Tmax"), x.get("Tmin"));
    let humidity = Humidity { max_pct: x.get("RHmax"), min_pct: x.get("RHmin") };
    let actual = actual_vapour_pressure_kpa(humidity, max_c, min_c).unwrap();
    let sun = sun_from_sunshine(x);
    let wind = x.get("u10") / 3.6;
    let day = Day::of(x, actual, sun, 0.0, wind_at_2m_m_s(wind, 10.0).unwrap());
    let temperatures =
        DayTemperatures { latitude_deg: x.get("latitude"), day_of_year: x.day(), max_c, min_c };
    let weather = Weather {
        elevation_m: x.get("altitude"),
        humidity,
        sun_mj_m2: sun,
        wind_m_s: wind,
        wind_height_m: 10.0,
    };
    vec![
        ("delta", day.terms.slope_kpa_c),
        ("P", day.pressure_kpa),
        ("gamma", day.terms.psychrometric_kpa_c),
        ("e(Tmax)", saturation_vapour_pressure_kpa(max_c).unwrap()),
        ("es", mean_saturation_vapour_pressure_kpa(max_c, min_c).unwrap()),
        ("vpd", day.terms.vapour_deficit_kpa),
        ("Rnl", day.long_wave()),
        ("Rn", day.terms.net_radiation_mj_m2),
        ("radiation_term", day.terms.radiation_mm()),
        ("ET0", penman_monteith(&temperatures, &weather).unwrap().mm),
    ]
}

/// Example 20: July in Lyon, from temperatures alone: once with sun, dew point
/// and wind estimated, once by Hargreaves.
fn lyon(x: &Example) -> Values {
    let (max_c, min_c) = (x.get("Tmax"), x.get("Tmin"));
    let above_air = extraterrestrial_mj_m2(x.get("latitude"), x.day()).unwrap();
    // Equation 50: the sun told by the temperatures.
    let sun = x.get("kRs") * (max_c - min_c).sqrt() * above_air;
    let humidity = humidity_of_dew_point(x.get("Tdew assumed = Tmin"), max_c, min_c);
    let actual = actual_vapour_pressure_kpa(humidity, max_c, min_c).unwrap();
    let day = Day::of(x, actual, sun, 0.0, x.get("u2 assumed"));
    let temperatures =
        DayTemperatures { latitude_deg: x.get("latitude"), day_of_year: x.day(), max_c, min_c };
    vec![
        ("delta", day.terms.slope_kpa_c),
        ("gamma", day.terms.psychrometric_kpa_c),
        ("ea", day.actual_kpa),
        ("vpd", day.terms.vapour_deficit_kpa),
        ("Ra", day.above_air),
        ("Rns", net_short_wave_mj_m2(day.sun)),
        ("Rnl", day.long_wave()),
        ("radiation_term", day.terms.radiation_mm()),
        ("ET0 Penman-Monteith (missing data)", day.terms.reference_mm()),
        ("ET0 Hargreaves Eq.52 (same inputs)", hargreaves(&temperatures).unwrap().mm),
    ]
}

fn sun_of_fao_56() -> Checks {
    let mut checks = Checks::of("et0_sun.csv");
    for row in table(checks.table) {
        let (latitude, day) = (row.number("latitude_deg"), row.text("day_of_year").parse().unwrap());
        let above_air = extraterrestrial_mj_m2(latitude, day).unwrap();
        checks.printed(&row, "ra_mj_m2_d", above_air);
        checks.printed(&row, "ra_mm_d", EVAPORATION_MM_PER_MJ * above_air);
    }
    checks
}

fn hargreaves_of_fao_56() -> Checks {
    let mut checks = Checks::of("et0_hargreaves.csv");
    for row in table(checks.table) {
        let (max_c, min_c) = (row.number("tmax_c"), row.number("tmin_c"));
        let got = match row.maybe("ra_mm_d") {
            Some(above_air_mm) => hargreaves_mm(max_c, min_c, above_air_mm).unwrap(),
            None => {
                let (latitude_deg, day_of_year) =
                    (row.number("latitude_deg"), row.text("day_of_year").parse().unwrap());
                checks.printed(
                    &row,
                    "ra_mj_m2_d",
                    extraterrestrial_mj_m2(latitude_deg, day_of_year).unwrap(),
                );
                hargreaves(&DayTemperatures { latitude_deg, day_of_year, max_c, min_c }).unwrap().mm
            }
        };
        checks.printed(&row, "et0_mm_d", got);
    }
    checks
}

/// A station's day as its table has it.
#[derive(Clone, Copy)]
struct StationDay {
    temperatures: DayTemperatures,
    weather: Weather,
}

/// Short grass and tall alfalfa: numerator and denominator constants of the
/// standardised equation of the American Society of Civil Engineers (2005). With
/// the first pair it is equation 6 of FAO-56.
const SHORT: (f64, f64) = (900.0, 0.34);
const TALL: (f64, f64) = (1600.0, 0.38);

impl StationDay {
    fn of(row: &Row, latitude_deg: f64, elevation_m: f64, humidity: Humidity, wind: (f64, f64)) -> Self {
        let date: Date = row.text("date_local").parse().unwrap();
        Self {
            temperatures: DayTemperatures {
                latitude_deg,
                day_of_year: date.day_of_year().unsigned_abs(),
                max_c: row.number("tmax_c"),
                min_c: row.number("tmin_c"),
            },
            weather: Weather {
                elevation_m,
                humidity,
                sun_mj_m2: row.number("rs_mj_m2_d"),
                wind_m_s: wind.0,
                wind_height_m: wind.1,
            },
        }
    }

    fn actual_kpa(&self) -> f64 {
        let DayTemperatures { max_c, min_c, .. } = self.temperatures;
        actual_vapour_pressure_kpa(self.weather.humidity, max_c, min_c).unwrap()
    }

    fn above_air(&self) -> f64 {
        extraterrestrial_mj_m2(self.temperatures.latitude_deg, self.temperatures.day_of_year).unwrap()
    }

    /// The standardised equation of 2005, made of the program's own parts. It
    /// differs from FAO-56 in that Rs/Rso counts as 0.3 at least, and in that the
    /// wind has no least value.
    fn standardised_mm(&self, clear_sky: f64, (numerator, denominator): (f64, f64)) -> f64 {
        let DayTemperatures { max_c, min_c, .. } = self.temperatures;
        let mean_c = f64::midpoint(max_c, min_c);
        let slope = vapour_pressure_slope_kpa_c(mean_c).unwrap();
        let gamma = psychrometric_constant_kpa_c(pressure_kpa(self.weather.elevation_m).unwrap());
        let wind = wind_at_2m_m_s(self.weather.wind_m_s, self.weather.wind_height_m).unwrap();
        let actual = self.actual_kpa();
        let deficit = mean_saturation_vapour_pressure_kpa(max_c, min_c).unwrap() - actual;
        let clearness = (self.weather.sun_mj_m2 / clear_sky).max(0.3);
        let net = net_short_wave_mj_m2(self.weather.sun_mj_m2)
            - net_long_wave_mj_m2(max_c, min_c, actual, clearness).unwrap();
        (EVAPORATION_MM_PER_MJ * slope * net + gamma * numerator / (mean_c + 273.0) * wind * deficit)
            / (slope + gamma * (1.0 + denominator * wind))
    }

    /// Sun of a cloudless day by equation 37 of FAO-56, which is also the short
    /// form of the standardised method.
    fn clear_sky_short_form(&self) -> f64 {
        clear_sky_mj_m2(self.above_air(), self.weather.elevation_m)
    }

    /// Sun of a cloudless day by the long form of the standardised method (ASCE
    /// 2005, appendix D), from the moisture of the air.
    fn clear_sky_long_form(&self) -> f64 {
        let pressure = pressure_kpa(self.weather.elevation_m).unwrap();
        let latitude = self.temperatures.latitude_deg.to_radians();
        let angle = std::f64::consts::TAU * f64::from(self.temperatures.day_of_year) / 365.0;
        let height = (0.85 + 0.3 * latitude * (angle - 1.39).sin() - 0.42 * latitude * latitude).sin();
        let water_mm = 0.14 * self.actual_kpa() * pressure + 2.1;
        let beam = 0.98 * (-0.00146 * pressure / height - 0.075 * (water_mm / height).powf(0.4)).exp();
        let diffuse = (0.35 - 0.36 * beam).min(0.18 + 0.82 * beam);
        (beam + diffuse) * self.above_air()
    }

    /// What the program gives.
    fn program_mm(&self) -> f64 {
        penman_monteith(&self.temperatures, &self.weather).unwrap().mm
    }

    /// What temperature alone gives, less what all the weather gives, mm.
    fn rougher_by_mm(&self) -> f64 {
        hargreaves(&self.temperatures).unwrap().mm - self.program_mm()
    }
}

/// How far FAO-56 may stand from the standardised method on any day, mm: they
/// share the equation, but not the sun of a cloudless day nor its least part
/// (0.3 of it). On the darkest days Rs/Rso is near 0.1, so that the last factor of
/// equation 39 differs by 0.27. The ground radiates about 6.5 MJ/m² under a
/// cloudless sky, and 1 MJ/m² is worth about 0.16 mm on cool days: 0.3 mm.
const METHODS_APART_MM: f64 = 0.3;

/// The published figures come from a program that uses the long form of the
/// cloudless sun and its own constants: 1367 W/m² of sun, a declination of 23.45
/// degrees, 4.901e-9 for the radiation of the ground. Those constants move no
/// day of this year by more than 0.007 mm (tried by putting them in), and the
/// figures are rounded to 0.01 mm, or 0.1 mm from 10 mm upwards; 0.005 mm more
/// is left for what the program rounds on the way.
fn a_year_at_fallon() -> Checks {
    let mut checks = Checks::of("et0_fallon_2015.csv");
    let (mut apart, mut rougher) = (Vec::new(), Vec::new());
    for row in table(checks.table) {
        let (Some(wind), Some(short)) = (row.maybe("wind_3m_m_s"), row.maybe("short_mm_d")) else { continue };
        let humidity =
            humidity_of_dew_point(row.number("tdew_c"), row.number("tmax_c"), row.number("tmin_c"));
        let day = StationDay::of(&row, 39.4575, 1208.5, humidity, (wind, 3.0));
        let clear_sky = day.clear_sky_long_form();
        for (column, surface) in [("short_mm_d", SHORT), ("tall_mm_d", TALL)] {
            let printed = row.number(column);
            let tolerance = row.tolerance(column).max(if printed < 10.0 { 0.005 } else { 0.05 }) + 0.012;
            let what = format!("{} {column}, standardised", row.text("date_local"));
            checks.near(&row, &what, day.standardised_mm(clear_sky, surface), printed, tolerance);
        }
        // Still air: the program has no least wind.
        if wind_at_2m_m_s(wind, 3.0).unwrap() >= LEAST_WIND_M_S {
            let what = format!("{} short_mm_d, FAO-56", row.text("date_local"));
            checks.near(&row, &what, day.program_mm(), short, METHODS_APART_MM);
            apart.push(day.program_mm() - short);
            rougher.push(day.rougher_by_mm());
        }
    }
    told("Fallon 2015", &mut apart, &mut rougher);
    checks
}

/// The network prints one decimal of the short form's figures; its weather is
/// rounded as well, which is carried through: half a unit of the last digit of
/// each input, at its worst.
fn a_year_at_holyoke() -> Checks {
    let mut checks = Checks::of("et0_holyoke_2020.csv");
    let (mut apart, mut rougher) = (Vec::new(), Vec::new());
    for row in table(checks.table) {
        let humidity =
            Humidity { max_pct: row.number("rhmax_pct"), min_pct: row.number("rhmin_pct") };
        let day = StationDay::of(&row, 40.49, 1138.0, humidity, (row.number("wind_2m_m_s"), 2.0));
        for (column, surface) in [("short_mm_d", SHORT), ("tall_mm_d", TALL)] {
            let of = |day: &StationDay| day.standardised_mm(day.clear_sky_short_form(), surface);
            let got = of(&day);
            let moved: f64 =
                inputs_half_a_unit_off(&day, &row).iter().map(|other| (of(other) - got).abs()).sum();
            let what = format!("{} {column}, standardised", row.text("date_local"));
            checks.near(&row, &what, got, row.number(column), 0.05 + moved);
        }
        let short = row.number("short_mm_d");
        let what = format!("{} short_mm_d, FAO-56", row.text("date_local"));
        checks.near(&row, &what, day.program_mm(), short, METHODS_APART_MM);
        apart.push(day.program_mm() - short);
        rougher.push(day.rougher_by_mm());
    }
    told("Holyoke 2020", &mut apart, &mut rougher);
    checks
}

/// The day with one input moved by half a unit of its last digit, one by one.
fn inputs_half_a_unit_off(day: &StationDay, row: &Row) -> Vec<StationDay> {
    let mut days = vec![*day; 6];
    days[0].temperatures.max_c += row.tolerance("tmax_c");
    days[1].temperatures.min_c -= row.tolerance("tmin_c");
    let (max_pct, min_pct) = (row.number("rhmax_pct"), row.number("rhmin_pct"));
    days[2].weather.humidity = Humidity { max_pct: max_pct + row.tolerance("rhmax_pct"), min_pct };
    days[3].weather.humidity = Humidity { max_pct, min_pct: min_pct - row.tolerance("rhmin_pct") };
    days[4].weather.sun_mj_m2 += row.tolerance("rs_mj_m2_d");
    days[5].weather.wind_m_s += row.tolerance("wind_2m_m_s");
    days
}

/// The program's FAO-56 figures beside the published ones, and Hargreaves beside
/// Penman-Monteith, for people to read. Over a year the published method must
/// agree closely, whatever single days do; how rough Hargreaves is, is said on
/// the page: half a millimetre on a usual day.
fn told(station: &str, apart: &mut [f64], rougher: &mut [f64]) {
    let mean = apart.iter().sum::<f64>() / apart.len() as f64;
    let part = |of: &mut [f64], part: f64| {
        of.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
        of[((of.len() - 1) as f64 * part) as usize].abs()
    };
    let median = part(apart, 0.5);
    let usual = part(rougher, 0.5);
    println!(
        "{station}, {} days: FAO-56 less the published figure: median {median:.3} mm, largest {:.3} mm, mean \
         {mean:+.3} mm; Hargreaves from Penman-Monteith: median {usual:.2} mm, 19 days of 20 within {:.2} mm",
        apart.len(),
        part(apart, 1.0),
        part(rougher, 0.95),
    );
    assert!(median < 0.05 && mean.abs() < 0.05, "{station}: median {median}, mean {mean}");
    assert!(usual < 0.55, "{station}: Hargreaves {usual}");
}
