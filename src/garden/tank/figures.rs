//! A tank's figures, in the order to show.

use jiff::Timestamp;

use crate::garden::log::WaterTest;
use crate::garden::plan::Tank;
use crate::garden::site::SiteState;
use crate::garden::tank::temperature::{change_figures, comfort_step};
use crate::garden::tank::water::{Between, NO_TEMPERATURE};
use crate::garden::view::Figure;
use crate::tank::{equations, published_for, species};
use crate::text::spoken;

impl SiteState {
    /// Everything that is known of the tank, in the order to show.
    pub(crate) fn tank_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        let tank = self.garden.tank(index);
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
        figures.push(suits_figure(tank, water.map(|w| w.coldest_c)));
        figures.extend(change_figures(tank, water.as_ref()));
        figures.push(self.rate_figure(tank, index, now));
        figures.extend(self.oxygen_figures(index, water, now));
        figures.extend(self.ammonia_figures(index, now));
        figures.extend(self.nitrite_figures(index, now));
        figures.extend(self.ph_figures(index, now));
        figures.extend(self.pump_figures(index, now));
        figures.extend(self.stocking_figures(tank, now));
        figures.extend(tank.species.as_deref().and_then(published_figure));
        figures
    }

    /// The lowest value of the tank's probes, else its newest test with when that was.
    pub(super) fn measured_or_tested(
        &self,
        index: u16,
        now: Timestamp,
        probes: Option<Between>,
        pick: impl Fn(&WaterTest) -> Option<f64>,
    ) -> Option<(f64, String)> {
        probes.map(|probes| (probes.lowest, String::new())).or_else(|| {
            let (at, value) = self.tested(index, now, pick)?;
            Some((value, format!(", tested {}", self.when(at, now))))
        })
    }

    /// A moment as it is said beside a figure.
    pub(super) fn when(&self, at: Timestamp, now: Timestamp) -> String {
        spoken::moment_seen_from(at, now, &self.garden.site.time_zone)
    }
}

/// What suits the fish, and where danger begins.
fn suits_figure(tank: &Tank, now_c: Option<f64>) -> Figure {
    let limits = tank.limits;
    let (from_c, to_c) = limits.thrives_c;
    let source = tank.species.as_deref().and_then(species).map_or(String::new(), |it| {
        let rows: Vec<String> = it.sources.iter().map(|row| format!("{}: {}", row.of, row.says)).collect();
        format!(". Rows of the limits: {}", rows.join("; "))
    });
    let value = format!(
        "{from_c} to {to_c} °C; alarm below {} and above {} °C{source}",
        limits.cold_c, limits.warm_c
    );
    Figure {
        name: format!("Suits {}", tank.fish_name()).into(),
        value,
        number: None,
        unit: "",
        why: now_c.map(|c| comfort_step(tank, c)).into_iter().collect(),
    }
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
