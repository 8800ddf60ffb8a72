//! The temperature of a tank, and how fast it changes.

use std::borrow::Cow;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::alarms::{AlarmText, Input, Kind, steps_beyond};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Tank;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::tank::care::{FAN, FISH, HANDS, SWITCH, take_care};
use crate::garden::tank::swing::{Swing, breaches};
use crate::garden::tank::water::TankWater;
use crate::garden::view::Figure;
use crate::tank::{
    CHANGE_HOUR_C, Moves, RiseFall, Slope, Species, WINDOWS, Window, came_to_the_air, equations, species,
};
use crate::text::spoken;
use crate::why::Step;

const SOURCE_SHOCK: &str = "2 °C within an hour: ANZECC/ARMCANZ 2000 guideline (from memory); 2.8 °C down and 3.9 °C \
                            up within half an hour: LSU AgCenter; a day's limit: this project's own, by species; or \
                            the garden file's own; what to do: common practice";
const SOURCE_LIMITS: &str = "the garden file's own limit";

/// So far over its warm limit the keepers are asked to ring their adviser, °C; this project's
/// own: a degree inside what a species bears at most.
const RING_C: f64 = 2.0;

/// A limit that is reached within so many hours at the present rate is told.
const RATE_AHEAD_H: f64 = 12.0;

impl SiteState {
    pub(super) fn judge_temperature(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let water = self.tank_water(index, at);
        let lately_out = self.lately_out(index, at);
        let tank = self.garden.tank(index);
        let limits = tank.limits;
        // A missing thermometer may be the one that is beyond the limit: what the
        // others say can raise, and cannot clear.
        let missing = water.is_none_or(|w| !w.whole);
        let deadband = |kind| self.garden.rules[kind].delays.deadband;
        let shock = shock_input(tank, water, deadband(Kind::TankTemperatureShock));
        let (warmest_c, coldest_c) =
            water.map_or((f64::NAN, f64::NAN), |water| (water.warmest_c, water.coldest_c));
        let warm = Input::above(warmest_c, limits.warm_c, deadband(Kind::TankTooWarm));
        let cold = Input::below(coldest_c, limits.cold_c, deadband(Kind::TankTooCold));

        let surroundings =
            TankSurroundings { air_c: self.air_at_tank(index, at), pump_stands: self.pump_stands(index) };
        let alarm = |kind| AlarmPlace::Tank(index).alarm(kind);
        let shock = shock.unless_missing(missing || water.is_none_or(|w| !w.moves_whole));
        let beyond = |kind: Kind, c: f64| steps_beyond(c, self.garden.rules[kind].worse_by);
        let warmer = beyond(Kind::TankTooWarm, warmest_c - limits.warm_c);
        let colder = beyond(Kind::TankTooCold, limits.cold_c - coldest_c);
        let tank = self.garden.tank(index);
        let farthest = water.and_then(|water| {
            swings_of(tank, &water.moves)
                .filter(breaches)
                .max_by(|a, b| a.beyond_c().total_cmp(&b.beyond_c()))
        });
        let doubt = water.and_then(|water| ImmersionDoubt::of(tank, &water.moves, surroundings.air_c));
        // A thermometer in the air swings on by day and night: that is one alarm, not many.
        let further = match doubt {
            Some(_) => 0,
            None => beyond(Kind::TankTemperatureShock, farthest.map_or(f64::NAN, |swing| swing.beyond_c())),
        };
        let stood = self.is_active(AlarmPlace::Tank(index), Kind::TankTemperatureShock);
        self.judge_graded(further, alarm(Kind::TankTemperatureShock), at, shock, batch, |site, active| {
            let zone = &site.garden.site.time_zone;
            let seen = site.tanks[usize::from(index)].shock;
            shock_words(site.garden.tank(index), (water, doubt), active, seen, lately_out, zone)
        });
        if self.is_active(AlarmPlace::Tank(index), Kind::TankTemperatureShock) {
            let state = &mut self.tanks[usize::from(index)];
            state.shock_at = Some(at);
            let so_far = state.shock.filter(|_| stood);
            state.shock = match (so_far, farthest) {
                (Some(so_far), Some(now)) if now.beyond_c() > so_far.beyond_c() => Some(now),
                (Some(so_far), _) => Some(so_far),
                (None, now) => now,
            };
        }
        let (warm, cold) = (warm.unless_missing(missing), cold.unless_missing(missing));
        self.judge_graded(warmer, alarm(Kind::TankTooWarm), at, warm, batch, |site, active| {
            limit_words(site.garden.tank(index), active, warmest_c, limits.warm_c, true, surroundings)
        });
        self.judge_graded(colder, alarm(Kind::TankTooCold), at, cold, batch, |site, active| {
            limit_words(site.garden.tank(index), active, coldest_c, limits.cold_c, false, surroundings)
        });
    }

    /// Whether the thermometers whose changes count show a shock.
    pub(super) fn is_shocked(&self, index: u16, at: Timestamp) -> bool {
        let tank = self.garden.tank(index);
        self.tank_water(index, at).is_some_and(|water| swings_of(tank, &water.moves).any(|it| breaches(&it)))
    }

    pub(super) fn rate_figure(&self, tank: &Tank, index: u16, now: Timestamp) -> Figure {
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
}

/// The change nearest to its limit, or farthest beyond it.
pub(crate) fn worst_swing(tank: &Tank, water: &TankWater) -> Option<Swing> {
    swings_of(tank, &water.moves).max_by(|a, b| a.part().total_cmp(&b.part()))
}

/// The largest changes of each window with their limits.
pub(super) fn swings_of<'a>(
    tank: &'a Tank,
    moves: &'a [Option<Moves>; WINDOWS.len()],
) -> impl Iterator<Item = Swing> + 'a {
    WINDOWS.iter().zip(moves).zip(&tank.limits.change).flat_map(|((&window, moves), limit)| {
        let both = moves.zip(*limit).map(|(moves, RiseFall { rise_c, fall_c })| {
            [
                Swing { window, change: moves.rise, limit_c: rise_c },
                Swing { window, change: moves.fall, limit_c: fall_c },
            ]
        });
        both.into_iter().flatten()
    })
}

fn shock_input(tank: &Tank, water: Option<TankWater>, deadband_c: f64) -> Input {
    let Some(water) = water else { return Input::Unknown };
    let known = WINDOWS.iter().zip(&water.moves).zip(&tank.limits.change);
    // A window that is judged and has no two readings.
    let blind = known.filter(|((_, moves), limit)| limit.is_some() && moves.is_none()).count();
    let unknown = (blind > 0).then_some(Input::Unknown);
    let judged = swings_of(tank, &water.moves)
        .map(|swing| Input::above(swing.change.by_c.abs(), swing.limit_c, deadband_c));
    Input::worst(judged.chain(unknown))
}

/// The limit that `rate` reaches within [`RATE_AHEAD_H`], and when.
pub(super) fn reaches(tank: &Tank, rate: &Slope) -> Option<(f64, Timestamp)> {
    let limit_c = if rate.per_hour > 0.0 { tank.limits.warm_c } else { tank.limits.cold_c };
    Some((limit_c, rate.reaches(limit_c, RATE_AHEAD_H)?))
}

fn shock_words(
    tank: &Tank,
    (water, doubt): (Option<TankWater>, Option<ImmersionDoubt>),
    active: bool,
    seen: Option<Swing>,
    lately_out: Option<(Timestamp, Timestamp)>,
    zone: &TimeZone,
) -> AlarmText {
    let swing = water.as_ref().and_then(|w| worst_swing(tank, w));
    let text = match swing {
        Some(Swing { window, change, limit_c }) if active => {
            let way = if change.by_c < 0.0 { "cooled" } else { "warmed" };
            let mean = if change.mean { "at least " } else { "" };
            format!(
                "{}: the water {way} {mean}{:.1} °C within {}, from {:.1} to {:.1} °C by {}; {} should take no more \
                 than {limit_c:.1} °C. {} {}",
                tank.name,
                change.by_c.abs(),
                window.words(),
                change.from_c,
                change.to_c,
                spoken::moment(change.to_at, zone),
                tank.fish_name(),
                shock_advice(tank, change.by_c < 0.0, doubt),
                take_care(&[HANDS, SWITCH, FISH]),
            )
        }
        _ => {
            let what = seen.map_or("'s temperature changed too fast".to_owned(), |swing| {
                format!(" {}", swing.words(zone))
            });
            let out = lately_out.map_or(String::new(), |(from, to)| {
                format!(
                    " Its thermometer seems to have been out of the water from {} to {}; Trug does not count those \
                     readings.",
                    spoken::moment(from, zone),
                    spoken::moment(to, zone),
                )
            });
            format!("Check the fish of {}: the water{what}, and is steady now.{out}", tank.name)
        }
    };
    let mut values = vec![];
    if let Some(water) = water {
        for (window, moves) in crate::tank::WINDOWS.iter().zip(&water.moves) {
            let name = match window {
                Window::Hour => "change_hour_c",
                Window::Day => "change_day_c",
                Window::QuarterHour | Window::HalfHour | Window::SixHours => continue,
            };
            values.extend(moves.map(|m| (name, m.larger().by_c)));
        }
        values.push(("temperature_c", water.coldest_c));
    }
    values.extend(swing.map(|s| ("limit_c", s.limit_c)));
    for (name, window) in [("limit_hour_c", Window::Hour), ("limit_day_c", Window::Day)] {
        let limit = tank.limits.within(window).map(|l| l.rise_c.min(l.fall_c));
        values.extend(limit.filter(|c| c.is_finite()).map(|c| (name, c)));
    }
    AlarmText::new(text, &values, SOURCE_SHOCK).because(swing.map(|s| swing_step(&s)).into_iter().collect())
}

/// The equation of a change, with its numbers.
fn swing_step(swing: &Swing) -> Step {
    let Swing { window, change, limit_c } = swing;
    let limit = if limit_c.is_finite() { format!("; the limit is {limit_c:.1} °C") } else { String::new() };
    equations::CHANGE.step(if change.mean {
        let apart_s = change.to_at.as_second() - change.from_at.as_second();
        format!(
            "({:.1} - {:.1}) °C over {}, of which {} takes {:.1} °C in the mean{limit}",
            change.to_c,
            change.from_c,
            spoken::duration(apart_s),
            window.words(),
            change.by_c
        )
    } else {
        format!(
            "within {}: {:.1} - {:.1} = {:.1} °C{limit}",
            window.words(),
            change.to_c,
            change.from_c,
            change.by_c
        )
    })
}

/// The same for whoever brings it back by hand: a garden that bears more needs no hurry.
fn gently(tank: &Tank, rise: bool) -> f64 {
    hourly(tank, rise).min(CHANGE_HOUR_C)
}

/// Degrees within an hour that a tank may be brought back by.
pub(super) fn hourly(tank: &Tank, rise: bool) -> f64 {
    tank.limits
        .within(Window::Hour)
        .map(|l| if rise { l.rise_c } else { l.fall_c })
        .filter(|c| c.is_finite())
        .unwrap_or(CHANGE_HOUR_C)
}

/// What speaks for a thermometer out of the water before that is sure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum ImmersionDoubt {
    /// It fell and rose beyond its limits within a day.
    BothWays,
    /// It came from far to where the air is.
    LikeTheAir,
}

impl ImmersionDoubt {
    fn of(tank: &Tank, moves: &[Option<Moves>; WINDOWS.len()], air_c: Option<f64>) -> Option<Self> {
        let too_fast =
            |up: bool| swings_of(tank, moves).filter(breaches).any(|it| (it.change.by_c > 0.0) == up);
        let like_the_air =
            |it: Swing| air_c.is_some_and(|air_c| came_to_the_air(it.change.from_c, it.change.to_c, air_c));
        if too_fast(true) && too_fast(false) {
            Some(Self::BothWays)
        } else if swings_of(tank, moves).filter(breaches).any(like_the_air) {
            Some(Self::LikeTheAir)
        } else {
            None
        }
    }

    /// Completes "see that it hangs in the water: ...".
    fn words(self) -> &'static str {
        match self {
            Self::BothWays => "it fell and rose too fast for water",
            Self::LikeTheAir => "it shows what the air does",
        }
    }
}

/// What to do about a shock, the plain causes first (common practice).
fn shock_advice(tank: &Tank, cooled: bool, doubt: Option<ImmersionDoubt>) -> String {
    let (hose, causes, comes_back) = if cooled {
        ("any hose or top-up", "a dead heater or a tripped safety switch", "warm")
    } else {
        (
            "any hose",
            "a heater stuck on, a stopped pump, a tripped safety switch, or sun on the water",
            "cool",
        )
    };
    let slowly = gently(tank, cooled);
    if let Some(doubt) = doubt {
        return format!(
            "Look at the fish now, and see that their thermometer hangs in the water: {}. Shut {hose} that runs in. If tap \
             water ran in, treat the whole tank against chlorine and chloramine, by the label. Look for {causes}. Let the \
             water {comes_back} by no more than {slowly:.0} °C an hour.",
            doubt.words()
        );
    }
    format!(
        "Look at the fish now, and shut {hose} that runs in. If tap water ran in, treat the whole tank against chlorine and \
         chloramine, by the label. Look for {causes}. Let the water {comes_back} by no more than {slowly:.0} °C an hour. If the \
         thermometer hangs out of the water, put it back."
    )
}

/// The air nearer to the limit than the water by so much says that it is not the cause, °C;
/// this project's own.
const AIR_APART_C: f64 = 1.0;

/// What is known beside a tank that tells of the cause.
#[derive(Clone, Copy, Debug)]
struct TankSurroundings {
    air_c: Option<f64>,
    pump_stands: bool,
}

/// What the air's temperature says about the cause; empty where it is not known.
fn air_words(air_c: Option<f64>, water_c: f64, warm: bool) -> String {
    match air_c {
        Some(air_c) if warm && air_c < water_c - AIR_APART_C => {
            format!("The air is {air_c:.1} °C, cooler than the water: something heats it. ")
        }
        Some(air_c) if !warm && air_c > water_c + AIR_APART_C => {
            format!("The air is {air_c:.1} °C, warmer than the water: something cools it. ")
        }
        Some(air_c) => format!("The air is {air_c:.1} °C. "),
        None => String::new(),
    }
}

/// Where a tank's temperature limit comes from.
fn limit_source(tank: &Tank, limit_c: f64, warm: bool) -> &'static str {
    let own = |it: &&Species| {
        let published = if warm { it.limits.warm_c } else { it.limits.cold_c };
        (published - limit_c).abs() < 1e-9
    };
    tank.species.as_deref().and_then(species).filter(own).map_or(SOURCE_LIMITS, |it| it.source)
}

fn limit_words(
    tank: &Tank,
    active: bool,
    now_c: f64,
    limit_c: f64,
    warm: bool,
    TankSurroundings { air_c, pump_stands }: TankSurroundings,
) -> AlarmText {
    let pump = if pump_stands { "Its pump seems to have stopped: start it first. " } else { "" };
    let air = format!("{}{pump}", air_words(air_c, now_c, warm));
    let fish = tank.fish_name();
    let mut source = limit_source(tank, limit_c, warm).to_owned();
    let text = if !active {
        let (from_c, to_c) = tank.limits.thrives_c;
        let suits = if now_c < from_c {
            "still colder than suits"
        } else if now_c > to_c {
            "still warmer than suits"
        } else {
            "and suits"
        };
        format!("{}: the water is {now_c:.1} °C, back inside its alarm limit, {suits} {fish}.", tank.name)
    } else if warm {
        source +=
            &format!("; what to do: common practice; ringing from {RING_C:.0} °C over: this project's own");
        let ring = if now_c - limit_c >= RING_C {
            "Ring your fisheries adviser now, and stay with the fish. "
        } else {
            ""
        };
        format!(
            "{} is too warm: {now_c:.1} °C, {:.1} °C over the {limit_c:.0} °C that {fish} should stay below. {air}Run \
             all the air you have, and feed nothing. {ring}Look for a heater stuck on, a stopped pump, a tripped safety \
             switch, or sun on the water. Cool it with shade, a fan over the water and closed bottles of ice; use no \
             loose ice. Go no faster than {:.0} °C an hour, and look again within the hour. {}",
            tank.name,
            now_c - limit_c,
            gently(tank, false),
            take_care(&[HANDS, FAN, SWITCH, FISH]),
        )
    } else {
        source += "; what to do: common practice";
        format!(
            "{} is too cold: {now_c:.1} °C, {:.1} °C under the {limit_c:.0} °C that {fish} should stay above. {air}Look \
             for a dead heater, a tripped safety switch, a hose running in, or a lid left off. Cover the tank, and leave \
             a gap for air. Keep the air on, and feed nothing. Warm it by no more than {:.0} °C an hour. Look again \
             within two hours. {}",
            tank.name,
            limit_c - now_c,
            gently(tank, true),
            take_care(&[HANDS, SWITCH, FISH]),
        )
    };
    let mut why =
        vec![equations::BEYOND.step(format!("{now_c:.1} - {limit_c:.1} = {:.1} °C", now_c - limit_c))];
    why.extend((!active).then(|| comfort_step(tank, now_c)));
    let mut values = vec![("temperature_c", now_c), ("limit_c", limit_c)];
    values.extend(air_c.map(|air_c| ("air_c", air_c)));
    let said = AlarmText::new(text, &values, "").because(why);
    AlarmText { source: Cow::Owned(source), ..said }
}

/// Whether water of this temperature suits the fish, with the numbers.
pub(super) fn comfort_step(tank: &Tank, now_c: f64) -> Step {
    let ((from_c, to_c), fish) = (tank.limits.thrives_c, tank.fish_name());
    equations::COMFORT.step(if now_c < from_c {
        format!("{now_c:.1} °C < {from_c:.0} °C: {fish} fall ill more easily")
    } else if now_c > to_c {
        format!("{now_c:.1} °C > {to_c:.0} °C: {fish} want more oxygen than the water holds easily")
    } else {
        format!("{from_c:.0} <= {now_c:.1} <= {to_c:.0} °C: it suits {fish}")
    })
}

pub(super) fn change_figures(tank: &Tank, water: Option<&TankWater>) -> Vec<Figure> {
    let mut figures = Vec::new();
    for ((window, limit), at) in WINDOWS.iter().zip(&tank.limits.change).zip(0..) {
        let name = format!("Change within {}", window.words());
        let Some(moves) = water.and_then(|w| w.moves[at]) else {
            let why = if water.is_some_and(|w| !w.moves_whole) {
                "its thermometer was faulty within the last day"
            } else {
                "fewer than two readings"
            };
            figures.push(Figure::unknown(name, why, "°C"));
            continue;
        };
        let or_none = |c: f64| if c.is_finite() { format!("{c:.1}") } else { "none".to_owned() };
        let limits = limit.map_or("not judged".to_owned(), |l| {
            format!("limits: {} up, {} down", or_none(l.rise_c), or_none(l.fall_c))
        });
        let mean = if moves.rise.mean { "at least " } else { "" };
        let value =
            format!("up {mean}{:.1} °C, down {mean}{:.1} °C ({limits})", moves.rise.by_c, -moves.fall.by_c);
        let limit = limit.unwrap_or(RiseFall { rise_c: f64::INFINITY, fall_c: f64::INFINITY });
        let why = [(moves.rise, limit.rise_c), (moves.fall, limit.fall_c)]
            .map(|(change, limit_c)| swing_step(&Swing { window: *window, change, limit_c }))
            .to_vec();
        figures.push(Figure::known(name, value, moves.larger().by_c, "°C", why));
    }
    figures
}
