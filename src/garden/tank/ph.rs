//! The pH of a tank: out of its range, a jump within a day, or a drift towards an edge.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Input, Kind, steps_beyond};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Tank;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::tank::care::{FISH, HANDS, PRODUCTS, take_care};
use crate::garden::tank::water::TEST_HOLDS_S;
use crate::garden::view::Figure;
use crate::tank::{drift, equations};
use crate::text::spoken;
use crate::why::Why;

const SOURCE_PH: &str = "6.5 to 8.5, and 0.3 within a day: FAO Technical Paper 589, chapter 7.3 (partly from memory); \
                         or the garden file's own; what to do: common practice; high below pH 6: this project's own";
/// Below this fish and filter are in trouble at once: it is of high priority, and told again
/// each further step (this project's own).
const PH_GRAVE: f64 = 6.0;
/// A test of pH is judged beside the sensor's readings this long.
const PH_BESIDE_S: i64 = 86_400;
/// pH that would leave its range within so many days, at the present drift.
const DRIFT_AHEAD_DAYS: f64 = 7.0;
/// A drift below this in all is within what tests tell apart (a quarter of the
/// usual kit's step of 1, rounded up).
const DRIFT_LEAST: f64 = 0.3;
/// A change of pH within a day that troubles fish and filter: FAO Technical Paper
/// 589, chapter 7.3 (0.3 within 12 to 24 hours; 24 from memory).
const PH_DAY: f64 = 0.3;

/// What is wrong with pH.
#[derive(Clone, Copy, Debug, PartialEq)]
enum PhFault {
    OutOfRange(f64),
    /// Since yesterday.
    Jump(f64),
    Drift {
        per_day: f64,
        now: f64,
        days: f64,
    },
}

impl SiteState {
    pub(super) fn judge_ph(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let delays = self.garden.rules[Kind::Ph].delays;
        let (low, high) = self.garden.tank(index).limits.ph;
        let outside = |value: f64| {
            Input::worst([
                Input::below(value, low, delays.deadband),
                Input::above(value, high, delays.deadband),
            ])
        };
        let farthest = |a: f64, b: f64| if high - b < a - low { b } else { a };
        let probes = !self.tanks[usize::from(index)].ph_probes.is_empty();
        let sensor = self.tank_ph(index, at);
        let tested = self.tested(index, at, |t| t.ph);
        let age_s = tested.map_or(i64::MAX, |(of, _)| at.as_second() - of.as_second());

        let mut inputs = Vec::with_capacity(4);
        let (mut fault, mut lowest) = (None, f64::INFINITY);
        let mut note = |input, what| {
            if input == Input::Breach {
                if let PhFault::OutOfRange(value) = what {
                    lowest = lowest.min(value);
                }
                fault = fault.or(Some(what));
            }
            inputs.push(input);
        };
        match sensor {
            Some(ph) => {
                let input = Input::worst([outside(ph.lowest), outside(ph.highest)]).unless_missing(!ph.whole);
                note(input, PhFault::OutOfRange(farthest(ph.lowest, ph.highest)));
                if let Some((_, value)) = tested.filter(|_| age_s <= PH_BESIDE_S) {
                    note(outside(value), PhFault::OutOfRange(value));
                }
            }
            None => {
                let input = match tested {
                    Some((_, value)) if outside(value) == Input::Breach => Input::Breach,
                    // A silent probe and an old test say nothing.
                    Some((_, value)) if !probes && age_s <= TEST_HOLDS_S => outside(value),
                    Some(_) | None => Input::Unknown,
                };
                note(input, PhFault::OutOfRange(tested.map_or(f64::NAN, |(_, value)| value)));
            }
        }
        if let Some(by) = self.ph_since_yesterday(index, at) {
            note(Input::above(by.abs(), PH_DAY, delays.deadband), PhFault::Jump(by));
        }
        if let Some(drift) = drift(&self.ph_days(index, at)) {
            let edge = if drift.per_day < 0.0 { low } else { high };
            let days = (edge - drift.now) / drift.per_day;
            let goes =
                drift.clear && drift.total.abs() >= DRIFT_LEAST && (0.0..=DRIFT_AHEAD_DAYS).contains(&days);
            let input = if goes { Input::Breach } else { Input::Clear };
            note(input, PhFault::Drift { per_day: drift.per_day, now: drift.now, days });
        }
        let input = Input::worst(inputs);
        let severity = severity(lowest, self.garden.rules[Kind::Ph].worse_by);
        let subject = AlarmPlace::Tank(index).alarm(Kind::Ph);
        self.judge_graded(severity, subject, at, input, batch, |site, active| {
            ph_words(site.garden.tank(index), active, fault)
        });
    }

    pub(super) fn ph_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        let value = self.measured_or_tested(index, now, self.tank_ph(index, now), |test| test.ph);
        let mut figures = vec![match value {
            Some((ph, when)) => Figure::known("pH", format!("{ph:.1}{when}"), ph, "pH", vec![]),
            None => Figure::unknown("pH", "no sensor sends readings and no test is in the Garden log", "pH"),
        }];
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
            None => Figure::unknown("Drift of pH", "it needs four days of a sensor or four tests", "pH/day"),
        });
        figures
    }
}

/// 1 below [`PH_GRAVE`], and one more for each further step.
fn severity(ph: f64, step: f64) -> u16 {
    if ph < PH_GRAVE { steps_beyond(PH_GRAVE - ph, step).saturating_add(1) } else { 0 }
}

fn ph_words(tank: &Tank, active: bool, fault: Option<PhFault>) -> AlarmText {
    let (low, high) = tank.limits.ph;
    const SECOND: &str = "Test again with a second kit before you change anything.";
    const TESTS: &str = "Then test ammonia, nitrite and carbonate hardness";
    const CHANGE: &str = "If the second kit agrees, change a tenth of the water a day at most. Bring pH back by no more \
                          than 0.3 a day: a rising pH makes ammonia more toxic.";
    let care = take_care(&[HANDS, PRODUCTS, FISH]);
    let mut why = Why::new();
    let mut values = vec![];
    let text = match fault {
        Some(PhFault::OutOfRange(value)) if active => {
            let edge = if value < low { low } else { high };
            values.push(("ph", value));
            why.push(equations::BEYOND.step(format!("{value:.2} - {edge:.1} = {:.2}", value - edge)));
            let way = if value < low { "acid" } else { "alkaline" };
            let because = if value < low {
                "a used-up buffer lets pH fall"
            } else {
                "at a high pH ammonia is more toxic"
            };
            let grave =
                if value < PH_GRAVE { "Look at the fish now, and run all the air you have. " } else { "" };
            // Near a limit one digit would show the limit itself.
            let near = (value - edge).abs() < 0.05 || (value - PH_GRAVE).abs() < 0.05;
            let shown = if near { format!("{value:.2}") } else { format!("{value:.1}") };
            format!(
                "{} is too {way}: pH {shown}, and {} should have {low:.1} to {high:.1}. {grave}{SECOND} {TESTS}: {because}. {CHANGE} \
                 {care}",
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
                "{}: its pH {way} by {:.1} within a day; more than {PH_DAY:.1} a day troubles fish and filter. {SECOND} \
                 {TESTS}. Find out what went in: new water, a buffer, many fish, dead plants. {CHANGE} {care}",
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
                "Where hardness is low, ask your supplier for crushed shell or a buffer."
            } else {
                "Look for lime or concrete in the tank, strong plant growth, or hard top-up water."
            };
            format!(
                "{}: its pH {way} by {:.2} a day and would pass {edge:.1} in about {}. {SECOND} {TESTS}. {more} {CHANGE} {care}",
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
