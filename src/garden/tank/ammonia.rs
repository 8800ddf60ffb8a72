//! Ammonia in a tank, by tests that people wrote down.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::alarms::{AlarmText, Input, Kind, steps_beyond};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Tank;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::tank::care::{FISH, HANDS, TAP, take_care};
use crate::garden::tank::water::{AmmoniaTest, MUCH, is_old, water_change};
use crate::garden::view::Figure;
use crate::tank::{TankLimits, equations, ionisation_constant, ionisation_step, un_ionised_fraction};
use crate::text::spoken;
use crate::why::Why;

const SOURCE_AMMONIA: &str = "un-ionised part: Emerson and others 1975; its limit: ANZECC/ARMCANZ 2000 (from memory); \
                              total 1 mg/L: FAO Technical Paper 589, chapter 7.3; or the garden file's own; a quarter to a \
                              half of the water above twice the limit: UF/IFAS FA-16 (from memory)";

impl SiteState {
    pub(super) fn judge_ammonia(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let limits = self.garden.tank(index).limits;
        let delays = self.garden.rules[Kind::Ammonia].delays;
        let test = self.ammonia_test(index, at);
        let input = test.map_or(Input::Unknown, |test| {
            // Where the un-ionised part is not known, the total alone can raise.
            let part = match test.un_ionised_mg_l {
                Some(Ok(mg_l)) => Input::above(mg_l, limits.ammonia_mg_l, delays.deadband),
                Some(Err(_)) | None => Input::Unknown,
            };
            let total = Input::above(test.total_mg_l, limits.total_ammonia_mg_l, 0.0);
            Input::worst([part, total]).unless_missing(is_old(test.at, at))
        });
        let severity =
            steps_beyond(times_the_limit(&limits, test) - 1.0, self.garden.rules[Kind::Ammonia].worse_by);
        let subject = AlarmPlace::Tank(index).alarm(Kind::Ammonia);
        self.judge_graded(severity, subject, at, input, batch, |site, active| {
            let tank = site.garden.tank(index);
            ammonia_words(tank, active, test, at, &site.garden.site.time_zone)
        });
    }

    pub(super) fn ammonia_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        const NAME: &str = "Un-ionised ammonia";
        let mut figures = Vec::new();
        figures.push(match self.ammonia_test(index, now) {
            None => Figure::unknown(NAME, "no water test with ammonia is in the Garden log", "mg/L"),
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
        figures
    }
}

/// How many times its limit a test's ammonia is, un-ionised or in all, whichever is more.
fn times_the_limit(limits: &TankLimits, test: Option<AmmoniaTest>) -> f64 {
    let parts = [
        test.and_then(|test| test.un_ionised_mg_l?.ok()).map(|mg_l| mg_l / limits.ammonia_mg_l),
        test.map(|test| test.total_mg_l / limits.total_ammonia_mg_l),
    ];
    parts.into_iter().flatten().fold(0.0, f64::max)
}

/// The equations of a test's un-ionised ammonia, as far as it is known.
fn why_ammonia(test: &AmmoniaTest) -> Why {
    let (Some(ph), Some(c)) = (test.ph, test.temperature_c) else { return Why::new() };
    let (Ok(pka), Ok(part)) = (ionisation_constant(c), un_ionised_fraction(ph, c)) else { return Why::new() };
    vec![
        ionisation_step(c, pka),
        equations::FRACTION.step(format!("1 / (1 + 10^({pka:.3} - {ph:.2})) = {part:.4}")),
        equations::CONCENTRATION.step(format!(
            "{part:.4} x {:.2} = {:.3} mg/L",
            test.total_mg_l,
            part * test.total_mg_l
        )),
    ]
}

fn ammonia_words(
    tank: &Tank,
    active: bool,
    test: Option<AmmoniaTest>,
    now: Timestamp,
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
                    "{mg_l:.3} mg/L of un-ionised ammonia ({:.3} is the most for {})",
                    limits.ammonia_mg_l,
                    tank.fish_name()
                ));
            }
        }
        if test.total_mg_l > limits.total_ammonia_mg_l {
            found.push(format!(
                "{:.2} mg/L of ammonia in all ({:.2} is the most)",
                test.total_mg_l, limits.total_ammonia_mg_l
            ));
        }
    }
    values.push(("limit_mg_l", limits.ammonia_mg_l));
    let when = test.map(|t| t.at).map_or(String::new(), |at| format!(" at {}", spoken::moment(at, zone)));
    let text = if active {
        let [change, test_again] =
            water_change(times_the_limit(&limits, test) > MUCH, zone.to_datetime(now).hour());
        format!(
            "{}: the water test{when} found {}. Run all the air you have, and feed nothing. {change} Test the new water's \
             pH first: a higher pH makes ammonia more toxic. Look for a stopped pump or filter, dead fish and uneaten \
             food. {test_again} {}",
            tank.name,
            spoken::list(&found),
            take_care(&[HANDS, TAP, FISH]),
        )
    } else {
        format!("{}: the water test{when} found ammonia within its limits again.", tank.name)
    };
    AlarmText::new(text, &values, SOURCE_AMMONIA).because(test.map_or_else(Why::new, |t| why_ammonia(&t)))
}
