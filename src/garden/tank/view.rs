//! What a person is shown of a tank.

use jiff::Timestamp;

use crate::alarms::Kind;
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Tank;
use crate::garden::site::SiteState;
use crate::garden::tank::temperature::{reaches, worst_swing};
use crate::garden::tank::water::{ProbeOut, TankWater};
use crate::garden::view::TankView;
use crate::model::Condition;
use crate::tank::{WINDOWS, Window, species};
use crate::text::spoken;
use crate::why::without_minus_zero;

impl SiteState {
    pub(crate) fn tank_view(&self, index: u16, now: Timestamp, whole: bool) -> TankView {
        let tank = self.garden.tank(index);
        let water = self.tank_water(index, now);
        let (condition, words) = match &water {
            None => (Condition::Unknown, self.why_tank_unknown(index, now)),
            Some(w) => self.tank_words(index, w, now),
        };
        let change = |window: Window| {
            let place = WINDOWS.iter().position(|w| *w == window)?;
            Some(water?.moves[place]?.larger().by_c)
        };
        TankView {
            id: tank.id.clone(),
            name: tank.name.clone(),
            condition,
            words,
            temperature_c: water.map(|w| w.coldest_c),
            thrives_c: tank.limits.thrives_c,
            cold_c: tank.limits.cold_c,
            warm_c: tank.limits.warm_c,
            change_hour_c: change(Window::Hour),
            change_day_c: change(Window::Day),
            figures: if whole { self.tank_figures(index, now) } else { Vec::new() },
        }
    }

    /// Why its temperature is not known.
    pub(crate) fn why_tank_unknown(&self, index: u16, now: Timestamp) -> String {
        let state = &self.tanks[usize::from(index)];
        match self.probes_out(index, now).as_slice() {
            [] if state.thermometers.is_empty() => {
                "It has no thermometer, so its temperature is not known.".to_owned()
            }
            [] => "Its thermometer has no fresh good reading, so its water is not known.".to_owned(),
            out => format!("{} Until then its water is not known.", self.out_words(out, now)),
        }
    }

    fn out_words(&self, out: &[ProbeOut], now: Timestamp) -> String {
        let each: Vec<String> = out
            .iter()
            .map(|probe| {
                format!(
                    "The thermometer {} seems to be out of the water since {}: {}.",
                    self.garden.sensor(probe.sensor).id,
                    spoken::moment_seen_from(probe.since, now, &self.garden.site.time_zone),
                    probe.why.words()
                )
            })
            .collect();
        format!(
            "{} Put it back and fasten it, and measure the water with a hand-held thermometer.",
            each.join(" ")
        )
    }

    fn tank_words(&self, index: u16, w: &TankWater, now: Timestamp) -> (Condition, String) {
        let tank = self.garden.tank(index);
        let active = |kind| self.is_active(AlarmPlace::Tank(index), kind);
        let limits = tank.limits;
        let fish = tank.fish_name();
        let is = without_minus_zero(format!("The water is {:.1} °C", w.coldest_c));
        let mut acts = Vec::new();
        if active(Kind::TankTemperatureShock) {
            acts.push(format!("{is} and has changed too fast. Add no water and no fish."));
        } else if active(Kind::TankTooWarm) || w.warmest_c > limits.warm_c {
            acts.push(format!("{is}: too warm for {fish}."));
        } else if active(Kind::TankTooCold) || w.coldest_c < limits.cold_c {
            acts.push(format!("{is}: too cold for {fish}."));
        }
        for (kind, words) in [
            (Kind::PumpStopped, "Its pump seems to have stopped, or its water is low: look now."),
            (Kind::LowOxygen, "Oxygen: too little, or too little to be sure of."),
            (Kind::Ammonia, "Ammonia: too much in the last water test."),
            (Kind::Nitrite, "Nitrite: too much in the last water test."),
            (Kind::Ph, "pH: outside its range, or on the way there."),
        ] {
            if active(kind) {
                if acts.is_empty() {
                    acts.push(format!("{is}."));
                }
                acts.push(words.to_owned());
            }
        }
        if self.tanks[usize::from(index)].oxygen_probes.is_empty()
            && let Ok(full) = self.saturation(w.warmest_c)
            && full.before_dawn_mg_l() < limits.oxygen_mg_l
        {
            let left = full.before_dawn_mg_l();
            acts.push(format!(
                "Water this warm may be down to {left:.1} mg/L of oxygen before dawn, and {fish} should have \
                 {:.1}: run the air pump all night.",
                limits.oxygen_mg_l
            ));
        }
        let out = self.probes_out(index, now);
        if !acts.is_empty() {
            if !out.is_empty() {
                acts.push(self.out_words(&out, now));
            }
            return (Condition::Act, acts.join(" "));
        }
        let ahead = self.limit_ahead(tank, index, now);
        let swing = worst_swing(tank, w).map_or(0.0, |s| s.part());
        let mut watch = Vec::new();
        let (from_c, to_c) = limits.thrives_c;
        if swing <= 0.75 && (w.coldest_c < from_c || w.warmest_c > to_c) {
            watch.push(beyond_comfort(tank, w));
        } else if swing > 0.75 || w.warmest_c > limits.warm_c - 1.0 || w.coldest_c < limits.cold_c + 1.0 {
            watch.push(format!("{is}, near a limit of {fish}."));
        } else if ahead.is_some() || !out.is_empty() {
            watch.push(format!("{is}."));
        }
        watch.extend(
            ahead.map(|(limit_c, when)| format!("At this rate it reaches {limit_c:.0} °C at about {when}.")),
        );
        if !out.is_empty() {
            watch.push(self.out_words(&out, now));
        }
        if watch.is_empty() {
            (Condition::Well, format!("{is}, which suits {fish}."))
        } else {
            (Condition::Watch, watch.join(" "))
        }
    }

    /// The limit that is reached at the present rate, and when, in words.
    fn limit_ahead(&self, tank: &Tank, index: u16, now: Timestamp) -> Option<(f64, String)> {
        let rate = self.tank_rate(index, now)?;
        let (limit_c, at) = reaches(tank, &rate)?;
        Some((limit_c, spoken::moment_seen_from(about(at), now, &self.garden.site.time_zone)))
    }
}

/// The water lies outside what suits its fish, and no danger is near.
fn beyond_comfort(tank: &Tank, w: &TankWater) -> String {
    let ((from_c, to_c), fish) = (tank.limits.thrives_c, tank.fish_name());
    if w.warmest_c > to_c {
        return format!(
            "The water is {:.1} °C, warmer than suits {fish} ({from_c:.0} to {to_c:.0} °C). Run the air, shade the tank and \
             feed less.",
            w.warmest_c
        );
    }
    let starves = tank.species.as_deref().and_then(species).and_then(|it| it.no_feeding_below_c);
    let feed = if starves.is_some_and(|below| w.coldest_c < below) { "Do not feed" } else { "Feed less" };
    format!(
        "The water is {:.1} °C, cooler than suits {fish} ({from_c:.0} to {to_c:.0} °C). {feed}, and look for sick fish: cold \
         fish fall ill more easily.",
        w.coldest_c
    )
}

/// To the quarter of an hour: "about".
fn about(at: Timestamp) -> Timestamp {
    let quarter = (at.as_second() + 450).div_euclid(900) * 900;
    Timestamp::from_second(quarter).unwrap_or(at)
}
