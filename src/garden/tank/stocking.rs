//! How many fish a tank has for its water, and what they are fed.

use jiff::Timestamp;

use crate::garden::log::LogEvent;
use crate::garden::plan::Tank;
use crate::garden::site::SiteState;
use crate::garden::view::Figure;
use crate::tank::{FEED_PART, GROWN_G, Stocking, density_kg_m3, equations, feed_g_day, species, stocking};

/// Feed that was written down within this long counts as the day's.
const DAY_S: i64 = 86_400;

impl SiteState {
    /// How many fish are in the tank, where that is written down.
    pub(super) fn fish_in(&self, tank: &Tank, now: Timestamp) -> Option<u32> {
        let log = self.log.of(&tank.id);
        tank.fish.or_else(|| {
            let mut any = false;
            let count = log.iter().filter(|(at, _)| *at <= now).fold(0u32, |count, (_, seen)| match seen {
                LogEvent::FishAdded { count: more, .. } => {
                    any = true;
                    count.saturating_add(*more)
                }
                LogEvent::FishLost { count: fewer } => count.saturating_sub(*fewer),
                _ => count,
            });
            any.then_some(count)
        })
    }

    /// What one of them weighs, g, where somebody has weighed them.
    pub(super) fn fish_weigh(&self, tank: &Tank, now: Timestamp) -> Option<f64> {
        tank.fish_grams.or_else(|| {
            self.log.of(&tank.id).iter().rev().filter(|(at, _)| *at <= now).find_map(|(_, seen)| match seen {
                LogEvent::FishAdded { grams_each, .. } => *grams_each,
                _ => None,
            })
        })
    }

    pub(super) fn stocking_figures(&self, tank: &Tank, now: Timestamp) -> Vec<Figure> {
        let Some(fish) = self.fish_in(tank, now) else {
            return vec![Figure::unknown(
                "Fish in the water",
                "how many fish there are is not in the Garden log",
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
            vec![equations::GROWN.step(format!("{fish} x {GROWN_G} g / {volume_l:.0} L = {grown:.1} kg/m3"))],
        ));
        let Some(grams) = self.fish_weigh(tank, now) else {
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
        let why = vec![equations::FEED.step(format!(
            "{} to {} x {fish} x {grams:.0} g = {least:.0} to {most:.0} g",
            FEED_PART.0, FEED_PART.1
        ))];
        let index =
            self.garden.tanks.iter().position(|t| t.id == tank.id).and_then(|i| u16::try_from(i).ok());
        let water = index.and_then(|i| self.tank_water(i, now));
        let starves = tank.species.as_deref().and_then(species).and_then(|s| s.no_feeding_below_c);
        let held_back = match (water, starves) {
            (Some(w), Some(below)) if w.coldest_c < below => {
                Some(format!("none: below {below:.0} °C {} do not feed", tank.fish_name()))
            }
            (Some(w), _) if w.coldest_c < tank.limits.cold_c => Some("none while it is too cold".to_owned()),
            (Some(w), _) if w.warmest_c > tank.limits.warm_c => Some("none while it is too warm".to_owned()),
            (Some(w), _) if w.warmest_c > tank.limits.thrives_c.1 => {
                Some("less than half while it is so warm".to_owned())
            }
            _ => None,
        };
        let fed: f64 = self
            .log
            .of(&tank.id)
            .iter()
            .filter(|(at, _)| *at <= now && now.as_second() - at.as_second() < DAY_S)
            .filter_map(|(_, seen)| match seen {
                LogEvent::Fed { grams } => Some(*grams),
                _ => None,
            })
            .sum();
        let given = if fed > 0.0 { Some(fed) } else { tank.feed_g_day };
        let judged = given.map_or(String::new(), |g| {
            let how = if g > most {
                "too much: what is left over turns to ammonia"
            } else if g < least {
                "less than growing fish need"
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
}
