//! A tank's figures, each with the equations behind it.

use jiff::Timestamp;

use crate::garden::log::Seen;
use crate::garden::plan::Tank;
use crate::garden::site::SiteState;
use crate::garden::tank::rules::Swing;
use crate::garden::tank::view::reaches;
use crate::garden::tank::water_tests::TankWater;
use crate::garden::tank::words::{why_ammonia, why_swing};
use crate::garden::view::Figure;
use crate::tank::{
    GROWN_G, Stocking, WINDOWS, density_kg_m3, drift, equations, feed_g_day, published_for, species, stocking,
};
use crate::text::spoken;

const NO_TEMPERATURE: &str = "no thermometer in the water has a fresh good reading";
/// Feed that was written down within this long counts as the day's.
const DAY_S: i64 = 86_400;

impl SiteState {
    /// Everything that is known of the tank, in the order to show.
    pub(crate) fn tank_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        let tank = &self.garden.tanks[usize::from(index)];
        let water = self.tank_water(index, now);
        let mut figures = vec![match water {
            Some(w) => Figure::known(
                "Water temperature",
                format!("{:.1} °C", w.coldest_c),
                w.coldest_c,
                "°C",
                vec![equations::BEYOND.step(format!(
                    "{:.1} - {:.1} = {:.1} °C above the cold limit; {:.1} - {:.1} = {:.1} °C from the warm limit",
                    w.coldest_c,
                    tank.limits.cold_c,
                    w.coldest_c - tank.limits.cold_c,
                    w.warmest_c,
                    tank.limits.warm_c,
                    w.warmest_c - tank.limits.warm_c
                ))],
            ),
            None => Figure::unknown("Water temperature", NO_TEMPERATURE, "°C"),
        }];
        figures.extend(change_figures(tank, water.as_ref()));
        figures.push(self.rate_figure(tank, index, now));
        figures.extend(self.oxygen_figures(index, water, now));
        figures.extend(self.ammonia_figures(index, now));
        figures.extend(self.ph_figures(index, now));
        figures.extend(self.stocking_figures(tank, now));
        figures.extend(tank.species.as_deref().and_then(published_figure));
        figures
    }

    fn rate_figure(&self, tank: &Tank, index: u16, now: Timestamp) -> Figure {
        const NAME: &str = "Present rate";
        let Some(rate) = self.tank_rate(index, now) else {
            return Figure::unknown(NAME, "too few readings in the last three hours", "°C/h");
        };
        let over = spoken::duration(rate.over_s);
        let per_hour = format!("{:+.2} °C an hour over the last {over}", rate.per_hour);
        let (value, with) = match reaches(tank, &rate) {
            Some((limit_c, at)) => {
                let when = spoken::moment_seen_from(at, now, &self.garden.site.time_zone);
                (
                    format!("{per_hour}; at this rate it reaches {limit_c:.0} °C at about {when}"),
                    format!(
                        "({limit_c:.1} - {:.2}) / {:.3} = {:.1} h from now, {when}",
                        rate.now,
                        rate.per_hour,
                        (limit_c - rate.now) / rate.per_hour
                    ),
                )
            }
            None if rate.is_clear() => (
                format!("{per_hour}; no limit is reached within half a day"),
                format!("{:+.3} °C an hour from {:.2} °C", rate.per_hour, rate.now),
            ),
            None => (
                "steady: no clear direction".to_owned(),
                format!("pairs' slopes from {:+.2} to {:+.2} °C an hour", rate.low, rate.high),
            ),
        };
        Figure::known(NAME, value, rate.per_hour, "°C/h", vec![equations::AT_THIS_RATE.step(with)])
    }

    fn oxygen_figures(&self, index: u16, water: Option<TankWater>, now: Timestamp) -> Vec<Figure> {
        let mut figures = Vec::new();
        let holds = "Oxygen that the water can hold";
        let saturation = match water.map(|w| self.saturation(w.warmest_c)) {
            None => {
                figures.push(Figure::unknown(holds, NO_TEMPERATURE, "mg/L"));
                None
            }
            Some(Err(out)) => {
                figures.push(Figure::unknown(holds, &out.to_string(), "mg/L"));
                None
            }
            Some(Ok(s)) => {
                figures.push(Figure::known(
                    holds,
                    format!("{:.1} mg/L", s.mg_l),
                    s.mg_l,
                    "mg/L",
                    s.steps.clone(),
                ));
                Some(s)
            }
        };
        let probes = !self.tanks[usize::from(index)].oxygen_probes.is_empty();
        let measured = self.tank_oxygen(index, now).map(|o| (o.lowest, String::new())).or_else(|| {
            let (of, mg_l) = self.tested(index, now, |t| t.oxygen_mg_l)?;
            Some((mg_l, format!(", tested {}", self.when(of, now))))
        });
        match (measured, &saturation) {
            (Some((mg_l, when)), Some(s)) => {
                let percent = s.percent(mg_l);
                let mut why = s.steps.clone();
                why.push(s.percent_step(mg_l));
                let value = format!("{mg_l:.1} mg/L, {percent:.0} % of what it can hold{when}");
                figures.push(Figure::known("Oxygen", value, mg_l, "mg/L", why));
            }
            (Some((mg_l, when)), None) => {
                figures.push(Figure::known("Oxygen", format!("{mg_l:.1} mg/L{when}"), mg_l, "mg/L", vec![]));
            }
            (None, _) => {
                let missing = if probes {
                    "its probe has no fresh good reading"
                } else {
                    "it has no oxygen probe, and no test is written down"
                };
                figures.push(Figure::unknown("Oxygen", missing, "mg/L"));
                if let Some(s) = &saturation {
                    let left = s.before_dawn_mg_l();
                    let mut why = s.steps.clone();
                    why.push(s.before_dawn_step());
                    let value = format!("{left:.1} mg/L, if it is stirred no better than most");
                    figures.push(Figure::known("Oxygen to count on before dawn", value, left, "mg/L", why));
                }
            }
        }
        figures
    }

    fn ammonia_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        const NAME: &str = "Un-ionised ammonia";
        let mut figures = Vec::new();
        figures.push(match self.ammonia_test(index, now) {
            None => Figure::unknown(NAME, "no water test with ammonia is written down", "mg/L"),
            Some(test) => match test.un_ionised_mg_l {
                Some(Ok(mg_l)) => Figure::known(
                    NAME,
                    format!("{mg_l:.3} mg/L as nitrogen, tested {}", self.when(test.at, now)),
                    mg_l,
                    "mg/L",
                    why_ammonia(&test),
                ),
                Some(Err(out)) => Figure::unknown(NAME, &out.to_string(), "mg/L"),
                None if test.ph.is_none() => Figure::unknown(NAME, "the water's pH is missing", "mg/L"),
                None => Figure::unknown(NAME, "the water's temperature is missing", "mg/L"),
            },
        });
        if let Some((at, mg_l)) = self.tested(index, now, |t| t.nitrite_mg_l) {
            let value = format!("{mg_l:.2} mg/L, tested {}", self.when(at, now));
            figures.push(Figure::known("Nitrite", value, mg_l, "mg/L", vec![]));
        }
        figures
    }

    fn ph_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        let mut figures = Vec::new();
        let sensor = self.tank_ph(index, now).map(|ph| (ph.lowest, String::new()));
        let value = sensor.or_else(|| {
            let (at, ph) = self.tested(index, now, |t| t.ph)?;
            Some((ph, format!(", tested {}", self.when(at, now))))
        });
        figures.push(match value {
            Some((ph, when)) => Figure::known("pH", format!("{ph:.1}{when}"), ph, "pH", vec![]),
            None => Figure::unknown("pH", "no sensor speaks and no test is written down", "pH"),
        });
        figures.push(match drift(&self.ph_days(index, now)) {
            Some(drift) => {
                let value = if drift.clear && drift.total.abs() >= 0.05 {
                    format!("{:+.2} a day over {:.0} days", drift.per_day, drift.days)
                } else {
                    format!("steady over {:.0} days", drift.days)
                };
                let with =
                    format!("{:+.3} a day, {:+.2} in {:.1} days", drift.per_day, drift.total, drift.days);
                Figure::known(
                    "Drift of pH",
                    value,
                    drift.per_day,
                    "pH/day",
                    vec![equations::DRIFT.step(with)],
                )
            }
            None => Figure::unknown("Drift of pH", "it wants four days of a sensor or four tests", "pH/day"),
        });
        figures
    }

    fn stocking_figures(&self, tank: &Tank, now: Timestamp) -> Vec<Figure> {
        let log = self.log.of(&tank.id);
        let counted = tank.fish.or_else(|| {
            let mut any = false;
            let count = log.iter().filter(|(at, _)| *at <= now).fold(0u32, |count, (_, seen)| match seen {
                Seen::FishAdded { count: more, .. } => {
                    any = true;
                    count.saturating_add(*more)
                }
                Seen::FishLost { count: fewer } => count.saturating_sub(*fewer),
                _ => count,
            });
            any.then_some(count)
        });
        let Some(fish) = counted else {
            return vec![Figure::unknown(
                "Fish in the water",
                "how many fish there are is not written down",
                "kg/m3",
            )];
        };
        let volume_l = tank.volume_l;
        let mut figures = Vec::new();
        let grown = density_kg_m3(fish, GROWN_G, volume_l);
        let words = match stocking(grown) {
            Stocking::Fits => "as common practice has it or less",
            Stocking::Dense => "more than common practice has, 10 to 15 kg/m3: watch oxygen and ammonia",
            Stocking::TooMany => {
                "too many: a small unit should stay below 20 kg/m3. Ask your fisheries adviser"
            }
        };
        figures.push(Figure::known(
            "Fish when they are grown",
            format!("{grown:.0} kg/m3: {words}"),
            grown,
            "kg/m3",
            vec![equations::GROWN.step(format!("{fish} x 500 g / {volume_l:.0} L = {grown:.1} kg/m3"))],
        ));
        let weighed = tank.fish_grams.or_else(|| {
            log.iter().rev().filter(|(at, _)| *at <= now).find_map(|(_, seen)| match seen {
                Seen::FishAdded { grams_each, .. } => *grams_each,
                _ => None,
            })
        });
        let Some(grams) = weighed else {
            figures.push(Figure::unknown("Feed a day", "nobody has weighed the fish", "g"));
            return figures;
        };
        let density = density_kg_m3(fish, grams, volume_l);
        figures.push(Figure::known(
            "Fish in the water",
            format!("{density:.1} kg/m3"),
            density,
            "kg/m3",
            vec![
                equations::DENSITY
                    .step(format!("{fish} x {grams:.0} g / {volume_l:.0} L = {density:.2} kg/m3")),
            ],
        ));
        figures.push(self.feed_figure(tank, fish, grams, now));
        figures
    }

    fn feed_figure(&self, tank: &Tank, fish: u32, grams: f64, now: Timestamp) -> Figure {
        const NAME: &str = "Feed a day";
        let (least, most) = feed_g_day(fish, grams);
        let why = vec![
            equations::FEED.step(format!("0.01 to 0.02 x {fish} x {grams:.0} g = {least:.0} to {most:.0} g")),
        ];
        let index =
            self.garden.tanks.iter().position(|t| t.id == tank.id).and_then(|i| u16::try_from(i).ok());
        let water = index.and_then(|i| self.tank_water(i, now));
        let starves = tank.species.as_deref().and_then(species).and_then(|s| s.no_feeding_below_c);
        let held_back = match (water, starves) {
            (Some(w), Some(below)) if w.coldest_c < below => {
                Some(format!("none: below {below:.0} °C {} do not feed", tank.fish_name()))
            }
            (Some(w), _) if w.coldest_c < tank.limits.cold_c => Some("none while it is too cold".to_owned()),
            (Some(w), _) if w.warmest_c > tank.limits.warm_c => {
                Some("less than half while it is too warm".to_owned())
            }
            _ => None,
        };
        let fed: f64 = self
            .log
            .of(&tank.id)
            .iter()
            .filter(|(at, _)| *at <= now && now.as_second() - at.as_second() < DAY_S)
            .filter_map(|(_, seen)| match seen {
                Seen::Fed { grams } => Some(*grams),
                _ => None,
            })
            .sum();
        let given = if fed > 0.0 { Some(fed) } else { tank.feed_g_day };
        let judged = given.map_or(String::new(), |g| {
            let how = if g > most {
                "too much: what is left over turns to ammonia"
            } else if g < least {
                "less than growing fish want"
            } else {
                "as it should be"
            };
            format!("; they are given {g:.0} g, {how}")
        });
        let value = match held_back {
            Some(words) => format!("{words} (else {least:.0} to {most:.0} g){judged}"),
            None => format!("{least:.0} to {most:.0} g{judged}"),
        };
        Figure::known(NAME, value, most, "g", why)
    }

    fn when(&self, at: Timestamp, now: Timestamp) -> String {
        spoken::moment_seen_from(at, now, &self.garden.site.time_zone)
    }
}

fn change_figures(tank: &Tank, water: Option<&TankWater>) -> Vec<Figure> {
    let mut figures = Vec::new();
    for ((window, limit), at) in WINDOWS.iter().zip(&tank.limits.change).zip(0..) {
        let name = format!("Change within {}", window.words());
        let Some(moves) = water.and_then(|w| w.moves[at]) else {
            figures.push(Figure::unknown(name, "fewer than two readings", "°C"));
            continue;
        };
        let or_none = |c: f64| if c.is_finite() { format!("{c:.1}") } else { "none".to_owned() };
        let limits = limit.map_or("not judged".to_owned(), |l| {
            format!("limits: {} up, {} down", or_none(l.rise_c), or_none(l.fall_c))
        });
        let mean = if moves.rise.mean { "at least " } else { "" };
        let value =
            format!("up {mean}{:.1} °C, down {mean}{:.1} °C ({limits})", moves.rise.by_c, -moves.fall.by_c);
        let why = vec![
            why_swing(&Swing {
                window: *window,
                change: moves.rise,
                limit_c: limit.map_or(f64::INFINITY, |l| l.rise_c),
            }),
            why_swing(&Swing {
                window: *window,
                change: moves.fall,
                limit_c: limit.map_or(f64::INFINITY, |l| l.fall_c),
            }),
        ];
        figures.push(Figure::known(name, value, moves.larger().by_c, "°C", why));
    }
    figures
}

/// What publications say about the species, side by side.
fn published_figure(name: &str) -> Option<Figure> {
    let rows: Vec<String> = published_for(name)
        .map(|p| {
            let range = match (p.low, p.high) {
                (Some(low), Some(high)) if low < high => format!("{low} to {high}"),
                (Some(one), _) | (None, Some(one)) => format!("{one}"),
                (None, None) => String::new(),
            };
            format!("{} {range} {} ({})", p.says, p.unit, p.source)
        })
        .collect();
    (!rows.is_empty()).then(|| Figure {
        name: format!("Published for {name}").into(),
        value: rows.join("; "),
        number: None,
        unit: "",
        why: vec![],
    })
}
