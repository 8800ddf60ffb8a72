//! What a tank's alarms say: what is wrong, by how much, what to do and by when.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::garden::alarm::text::AlarmText;
use crate::garden::plan::Tank;
use crate::garden::tank::rules::{OxygenBy, PH_DAY, PhFault, Swing, worst_swing};
use crate::garden::tank::water_tests::{AmmoniaTest, TankWater};
use crate::tank::{Saturation, Window, equations, ionisation_constant, un_ionised_fraction};
use crate::text::spoken;
use crate::why::Why;

const SOURCE_SHOCK: &str = "2 °C within an hour: ANZECC/ARMCANZ 2000 guideline (from memory); 2.8 °C down and 3.9 °C \
                            up within half an hour: LSU AgCenter; a day's limit: this project's own, by species; or \
                            the garden file's own";
const SOURCE_LIMITS: &str = "temperature limits of the species, or the garden file's own";
const SOURCE_OXYGEN: &str = "4 to 5 mg/L: FAO Technical Paper 589, chapter 7.3, or the garden file's own; saturation: \
                             Benson and Krause 1984";
const SOURCE_AMMONIA: &str = "un-ionised part: Emerson and others 1975; its limit: ANZECC/ARMCANZ 2000 (from memory); \
                              total ammonia and nitrite 1 mg/L: FAO Technical Paper 589, chapter 7.3; or the garden \
                              file's own";
const SOURCE_PH: &str = "6.5 to 8.5, and 0.3 within a day: FAO Technical Paper 589, chapter 7.3 (partly from memory); \
                         or the garden file's own";
/// The usual caution where fish are at risk.
pub(crate) const ASK: &str = "If fish gasp, roll or lie still, ask a vet or your fisheries adviser at once.";

pub(crate) fn shock(
    tank: &Tank,
    water: Option<TankWater>,
    active: bool,
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
                 than {limit_c:.1} °C. Stop any top-up or water change now, look at the fish, and let the tank come \
                 back slowly. If the thermometer hangs out of the water, put it back. Put no new fish in today. {ASK}",
                tank.name,
                change.by_c.abs(),
                window.words(),
                change.from_c,
                change.to_c,
                spoken::moment(change.to_at, zone),
                tank.fish_name(),
            )
        }
        _ => match lately_out {
            Some((from, to)) => format!(
                "{}: the water's temperature is steady again. Its thermometer seems to have been out of the water from \
                 {} to {}; what it said then is not counted.",
                tank.name,
                spoken::moment(from, zone),
                spoken::moment(to, zone),
            ),
            None => format!("{}: the water's temperature is steady again.", tank.name),
        },
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
    AlarmText::new(text, &values, SOURCE_SHOCK).because(swing.map(|s| why_swing(&s)).into_iter().collect())
}

/// The equation of a change, with its numbers.
pub(crate) fn why_swing(swing: &Swing) -> crate::why::Step {
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

/// Degrees within an hour that a tank may be brought back by.
fn hourly(tank: &Tank, rise: bool) -> f64 {
    tank.limits
        .within(Window::Hour)
        .map(|l| if rise { l.rise_c } else { l.fall_c })
        .filter(|c| c.is_finite())
        .unwrap_or(crate::tank::CHANGE_HOUR_C)
}

pub(crate) fn limit(tank: &Tank, active: bool, now_c: f64, limit_c: f64, warm: bool) -> AlarmText {
    let text = if !active {
        format!(
            "{}: the water is {now_c:.1} °C and within the limits of {} again.",
            tank.name,
            tank.fish_name()
        )
    } else if warm {
        format!(
            "{} is too warm: {now_c:.1} °C, {:.1} °C over the {limit_c:.0} °C that {} should stay below. Shade it, keep \
             the pump and the air running, feed less, and do not cool it by more than {:.0} °C an hour. Look again \
             within the hour: warm water holds less oxygen. {ASK}",
            tank.name,
            now_c - limit_c,
            tank.fish_name(),
            hourly(tank, false),
        )
    } else {
        format!(
            "{} is too cold: {now_c:.1} °C, {:.1} °C under the {limit_c:.0} °C that {} should stay above. Cover it, stop \
             any cold top-up, do not feed, and do not warm it by more than {:.0} °C an hour. Look again today. {ASK}",
            tank.name,
            limit_c - now_c,
            tank.fish_name(),
            hourly(tank, true),
        )
    };
    let why = vec![equations::BEYOND.step(format!("{now_c:.1} - {limit_c:.1} = {:.1} °C", now_c - limit_c))];
    AlarmText::new(text, &[("temperature_c", now_c), ("limit_c", limit_c)], SOURCE_LIMITS).because(why)
}

pub(crate) fn oxygen(
    tank: &Tank,
    active: bool,
    by: Option<OxygenBy>,
    saturation: Option<&Saturation>,
    water: Option<TankWater>,
    zone: &TimeZone,
) -> AlarmText {
    let limit = tank.limits.oxygen_mg_l;
    let fish = tank.fish_name();
    let percent = |mg_l: f64| {
        saturation.map_or(String::new(), |s| {
            format!(" ({:.0} % of what water of this temperature holds)", s.percent(mg_l))
        })
    };
    let percent_limit =
        tank.limits.oxygen_percent.map_or(String::new(), |p| format!(" and {p:.0} % of saturation"));
    const DO: &str = "Run the air pump and stir the surface now, feed nothing, and take out anything that rots. \
                      Look again within half an hour; just before dawn it is lowest.";
    let text = match by {
        Some(OxygenBy::Probe(mg_l)) if active => format!(
            "{} has too little oxygen: {mg_l:.1} mg/L{}; {fish} should have at least {limit:.1} mg/L{percent_limit}. \
             {DO} {ASK}",
            tank.name,
            percent(mg_l),
        ),
        Some(OxygenBy::Test(of, mg_l)) if active => format!(
            "{} had too little oxygen when it was tested at {}: {mg_l:.1} mg/L; {fish} should have at least \
             {limit:.1} mg/L{percent_limit}. {DO} Then test again and write it down. {ASK}",
            tank.name,
            spoken::moment(of, zone),
        ),
        Some(OxygenBy::Heat(left)) if active => format!(
            "{} is so warm ({:.1} °C) that it may not keep enough oxygen through the night: full, it holds {:.1} mg/L, \
             and a stocked tank may be down to {left:.1} mg/L before dawn; {fish} should have at least {limit:.1} \
             mg/L. Oxygen itself is not measured. Run the air pump all night, shade the tank, feed less, and look at \
             dawn. {ASK}",
            tank.name,
            water.map_or(f64::NAN, |w| w.warmest_c),
            saturation.map_or(f64::NAN, |s| s.mg_l),
        ),
        Some(OxygenBy::Probe(mg_l) | OxygenBy::Test(_, mg_l)) => {
            format!("{} has enough oxygen again: {mg_l:.1} mg/L{}.", tank.name, percent(mg_l))
        }
        Some(OxygenBy::Heat(_)) => {
            format!(
                "{} is no longer too warm to hold enough oxygen. Oxygen itself is not measured.",
                tank.name
            )
        }
        None => format!("{}: its oxygen is not known.", tank.name),
    };
    let mut values = vec![];
    let mut why = saturation.map_or_else(Why::new, |s| s.steps.clone());
    match by {
        Some(OxygenBy::Probe(mg_l) | OxygenBy::Test(_, mg_l)) => {
            values.push(("oxygen_mg_l", mg_l));
            if let Some(s) = saturation {
                values.push(("saturation_percent", s.percent(mg_l)));
                why.push(s.percent_step(mg_l));
            }
        }
        Some(OxygenBy::Heat(left)) => {
            values.push(("expected_mg_l", left));
            why.extend(saturation.map(Saturation::before_dawn_step));
        }
        None => {}
    }
    values.extend(saturation.map(|s| ("saturation_mg_l", s.mg_l)));
    values.push(("limit_mg_l", limit));
    AlarmText::new(text, &values, SOURCE_OXYGEN).because(why)
}

/// The equations of a test's un-ionised ammonia, as far as it is known.
pub(crate) fn why_ammonia(test: &AmmoniaTest) -> Why {
    let (Some(ph), Some(c)) = (test.ph, test.temperature_c) else { return Why::new() };
    let (Ok(pka), Ok(part)) = (ionisation_constant(c), un_ionised_fraction(ph, c)) else { return Why::new() };
    vec![
        equations::CONSTANT.step(format!("0.09018 + 2729.92 / ({c:.1} + 273.15) = {pka:.3}")),
        equations::FRACTION.step(format!("1 / (1 + 10^({pka:.3} - {ph:.2})) = {part:.4}")),
        equations::CONCENTRATION.step(format!(
            "{part:.4} x {:.2} = {:.3} mg/L",
            test.total_mg_l,
            part * test.total_mg_l
        )),
    ]
}

pub(crate) fn ammonia(
    tank: &Tank,
    active: bool,
    test: Option<AmmoniaTest>,
    nitrite: Option<(Timestamp, f64)>,
    zone: &TimeZone,
) -> AlarmText {
    let limits = tank.limits;
    let mut found = Vec::new();
    let mut values = vec![];
    if let Some(test) = test {
        values.push(("total_ammonia_mg_l", test.total_mg_l));
        if let Some(Ok(mg_l)) = test.un_ionised_mg_l {
            values.push(("un_ionised_ammonia_mg_l", mg_l));
            if mg_l > limits.ammonia_mg_l {
                found.push(format!(
                    "{mg_l:.3} mg/L of un-ionised ammonia, and {} should have no more than {:.3}",
                    tank.fish_name(),
                    limits.ammonia_mg_l
                ));
            }
        }
        if test.total_mg_l > limits.total_ammonia_mg_l {
            found.push(format!(
                "{:.2} mg/L of ammonia in all, where {:.2} is the most",
                test.total_mg_l, limits.total_ammonia_mg_l
            ));
        }
    }
    if let Some((_, mg_l)) = nitrite {
        values.push(("nitrite_mg_l", mg_l));
        if mg_l > limits.nitrite_mg_l {
            found.push(format!("{mg_l:.2} mg/L of nitrite, where {:.2} is the most", limits.nitrite_mg_l));
        }
    }
    values.push(("limit_mg_l", limits.ammonia_mg_l));
    let when = test.map(|t| t.at).max(nitrite.map(|n| n.0));
    let when = when.map_or(String::new(), |at| format!(" at {}", spoken::moment(at, zone)));
    let text = if active {
        format!(
            "{}: the water test{when} found {}. Feed little or nothing until a test is within the limits, change a tenth to a \
             fifth of the water with water of the same temperature and free of chlorine, look at the filter, and test \
             again the morning after. Raise the pH on no account: it makes ammonia worse. {ASK}",
            tank.name,
            spoken::list(&found),
        )
    } else {
        format!("{}: the water test{when} found ammonia and nitrite within their limits again.", tank.name)
    };
    AlarmText::new(text, &values, SOURCE_AMMONIA).because(test.map_or_else(Why::new, |t| why_ammonia(&t)))
}

pub(crate) fn ph(tank: &Tank, active: bool, fault: Option<PhFault>) -> AlarmText {
    let (low, high) = tank.limits.ph;
    const DO: &str = "Test it with a second kit before doing anything; then change a tenth of the water a day, and \
                      never bring pH back by more than 0.3 a day.";
    let mut why = Why::new();
    let mut values = vec![];
    let text = match fault {
        Some(PhFault::OutOfRange(value)) if active => {
            let edge = if value < low { low } else { high };
            values.push(("ph", value));
            why.push(equations::BEYOND.step(format!("{value:.2} - {edge:.1} = {:.2}", value - edge)));
            let way = if value < low { "acid" } else { "alkaline" };
            format!(
                "{} is too {way}: pH {value:.1}, and {} should have {low:.1} to {high:.1}. {DO} {ASK}",
                tank.name,
                tank.fish_name(),
            )
        }
        Some(PhFault::Jump(by)) if active => {
            values.push(("change_day_ph", by));
            why.push(equations::BEYOND.step(format!(
                "{:.2} - {PH_DAY:.1} = {:.2}",
                by.abs(),
                by.abs() - PH_DAY
            )));
            let way = if by < 0.0 { "fell" } else { "rose" };
            format!(
                "{}: its pH {way} by {:.1} within a day; more than {PH_DAY:.1} a day troubles fish and filter. Find out what went in: new water, a buffer, many fish, dead plants. {DO} {ASK}",
                tank.name,
                by.abs(),
            )
        }
        Some(PhFault::Drift { per_day, now, days }) if active => {
            let (way, edge) = if per_day < 0.0 { ("falls", low) } else { ("rises", high) };
            values.extend([("ph", now), ("drift_per_day", per_day)]);
            why.push(
                equations::DRIFT.step(format!(
                    "{per_day:.3} a day; ({edge:.1} - {now:.2}) / {per_day:.3} = {days:.1} days"
                )),
            );
            let more = if per_day < 0.0 {
                "A filter that works uses up the water's buffer: test its hardness, and ask your supplier for crushed \
                 shell or a buffer."
            } else {
                "Look for lime or concrete in the tank, strong plant growth, or hard top-up water."
            };
            format!(
                "{}: its pH {way} by {:.2} a day and would pass {edge:.1} in about {}. {more} {DO}",
                tank.name,
                per_day.abs(),
                spoken::duration((days * 86_400.0).max(86_400.0) as i64),
            )
        }
        _ => format!("{}: its pH is steady and within {low:.1} to {high:.1} again.", tank.name),
    };
    values.extend([("limit_low", low), ("limit_high", high)]);
    AlarmText::new(text, &values, SOURCE_PH).because(why)
}
