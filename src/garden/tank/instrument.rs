//! What speaks against a tank's thermometer rather than for a change of its water: a
//! fault, the air, or another thermometer in its place.
//!
//! A doubt is said, never kept quiet: each of these words asks somebody to measure the
//! water, since a real change may hide behind it.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Delays, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::record::Batch;
use crate::garden::sensor::state::{ReadingPause, SensorHistory};
use crate::garden::site::SiteState;
use crate::garden::tank::care::{HANDS, take_care};
use crate::garden::tank::swing::breaches;
use crate::garden::tank::temperature::swings_of;
use crate::model::Place;
use crate::tank::{DAY_S, HOUR_S, Immersed, InAir, Outside};
use crate::text::spoken;
use crate::why::{Check, Equation};

const SOURCE: &str = "this project's own rules on thermometers, see src/tank";

/// What a thermometer's readings of a day may count for.
pub(crate) const DOUBTED: Equation = Equation {
    gives: "whether a thermometer's changes count",
    form: "no change counts while its fault stands and for a day after; a step across a break in its readings that makes \
           half of the change or more, followed by readings within 1 °C, is asked about; out of the water for 2 h is told",
    source: "this project's own rule",
    check: Check::None(
        "no publication gives the numbers; tests with faulty, lifted and changed thermometers try them",
    ),
};

/// A thermometer out of the water for so long is told: a cleaning is over.
const OUT_TOLD_S: i64 = 2 * HOUR_S;
/// After a change of thermometers its readings lie within this, °C.
const QUIET_C: f64 = 1.0;
/// The step at the break makes at least this part of the change.
const STEP_PART: f64 = 0.5;
/// Another thermometer that saw this part of the step saw it.
const SEEN_PART: f64 = 0.25;

/// What is wrong with a thermometer beside its flags.
#[derive(Clone, Copy, Debug)]
pub(crate) enum ThermometerDoubt {
    Out { since: Timestamp, why: Outside, air: Option<InAir> },
    Changed(ReadingPause),
}

impl SiteState {
    /// Whether a sensor's fault stands, or has stood within the last day.
    pub(crate) fn faulty_lately(&self, sensor: u16, at: Timestamp) -> bool {
        self.sensors[usize::from(sensor)]
            .faults
            .stood_at()
            .is_some_and(|stood| at.as_second() - stood.as_second() <= DAY_S)
    }

    /// What speaks against a tank's thermometer at `at`, beside the flags of its readings.
    pub(crate) fn thermometer_doubt(&self, sensor: u16, at: Timestamp) -> Option<ThermometerDoubt> {
        let own = self.history(sensor).water()?;
        // What swings like air has been watched for a day.
        if let Immersed::Out { why, since, .. } = own.place()
            && (why == Outside::SwingsLikeAir || at.as_second() - since.as_second() >= OUT_TOLD_S)
        {
            return Some(ThermometerDoubt::Out { since, why, air: own.air.now().map(|it| it.1) });
        }
        let (pause, asked) = own.changed?;
        (at.as_second() - asked.as_second() <= DAY_S).then_some(ThermometerDoubt::Changed(pause))
    }

    /// Sets apart what another thermometer in the place of the old one would show, and
    /// asks about it; after a good reading of one of the tank's thermometers.
    pub(super) fn ask_about_changes(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let thermometers = self.tanks[usize::from(index)].thermometers.clone();
        for &probe in &thermometers {
            let Some(pause) = self.may_be_another(index, probe, &thermometers, at) else { continue };
            if let SensorHistory::Water(own) = &mut self.sensors[usize::from(probe)].history {
                own.pause = None;
                own.changed = Some((pause, at));
                own.kept.forget_before(pause.to);
            }
            let subject = AlarmPlace::Sensor(probe).alarm(Kind::SensorFault);
            self.judge(subject, at, Input::Breach, batch, |site, _| {
                site.doubt_words(probe, &ThermometerDoubt::Changed(pause), at)
            });
        }
    }

    fn may_be_another(&self, index: u16, probe: u16, all: &[u16], at: Timestamp) -> Option<ReadingPause> {
        let own = self.history(probe).water()?;
        let pause = own.pause.filter(|pause| at.as_second() - pause.to.as_second() <= DAY_S)?;
        if own.kept.newest()?.0 != at || own.place() != Immersed::In {
            return None;
        }
        let step_c = pause.after_c - pause.before_c;
        let moves = own.kept.moves(own.immersion.aside());
        let told = swings_of(self.garden.tank(index), &moves).any(|swing| {
            let change = swing.change;
            breaches(&swing)
                && change.from_at <= pause.from
                && change.to_at >= pause.to
                && step_c * change.by_c > 0.0
                && step_c.abs() >= STEP_PART * change.by_c.abs()
        });
        let since = own.kept.recent(at.as_second() - pause.to.as_second(), &[]);
        let (low, high) = since
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, c)| (low.min(*c), high.max(*c)));
        let seen =
            all.iter().filter(|other| **other != probe).any(|&other| self.saw(other, &pause, step_c, at));
        (told && high - low <= QUIET_C && !seen).then_some(pause)
    }

    /// Whether another thermometer saw a good part of the step.
    fn saw(&self, other: u16, pause: &ReadingPause, step_c: f64, at: Timestamp) -> bool {
        let (Some(own), Some(now_c)) = (self.history(other).water(), self.fresh(other, at)) else {
            return false;
        };
        let points = own.kept.recent(DAY_S, own.immersion.aside());
        let before = points.iter().rev().find(|(t, _)| *t <= pause.from);
        before.is_some_and(|(_, before_c)| (now_c - before_c) / step_c >= SEEN_PART)
    }

    /// Takes back a shock that a thermometer told of which it is found now that it is
    /// faulty or out of the water, unless another one has seen it.
    pub(crate) fn withdraw_shock(
        &mut self,
        probe: u16,
        at: Timestamp,
        doubt: Option<ThermometerDoubt>,
        batch: &mut Batch,
    ) {
        let Place::Tank(index) = self.garden.sensor(probe).place else { return };
        let subject = AlarmPlace::Tank(index).alarm(Kind::TankTemperatureShock);
        let life = self.alarms.life(subject);
        // What is found by a day of readings began up to a day before.
        let (begun, early_s, is) = match doubt {
            Some(ThermometerDoubt::Out { since, why: Outside::SwingsLikeAir, .. }) => {
                (Some(since), DAY_S, "has hung in the air for the last day")
            }
            Some(ThermometerDoubt::Out { since, .. }) => (Some(since), 0, "hangs in the air"),
            _ => (self.sensors[usize::from(probe)].faults.since(), 0, "is faulty"),
        };
        let (Some(told), Some(begun)) = (life.since(), begun) else { return };
        // A thermometer that fails later has nothing to do with it.
        let later_s = begun.as_second() - early_s - told.as_second();
        if !life.holds() || later_s > HOUR_S || self.is_shocked(index, at) {
            return;
        }
        let tank = &mut self.tanks[usize::from(index)];
        (tank.shock_at, tank.shock) = (None, None);
        self.judge_within(Delays::NONE, subject, at, Input::Clear, batch, |site, _| {
            let tank = &site.garden.tank(index).name;
            let since = || spoken::moment_seen_from(begun, at, &site.garden.site.time_zone);
            let when = if early_s > 0 { String::new() } else { format!(" since {}", since()) };
            let text = format!(
                "{tank}: no temperature shock was measured. The thermometer {} {is}{when}, so the change that it \
                 showed does not count. Look at the fish today, and measure the water with another thermometer.",
                site.garden.sensor(probe).id,
            );
            AlarmText::new(text, &[], SOURCE).because(vec![DOUBTED.step("the fault began before or with the change".to_owned())])
        });
    }

    pub(crate) fn doubt_words(&self, sensor: u16, doubt: &ThermometerDoubt, at: Timestamp) -> AlarmText {
        let zone = &self.garden.site.time_zone;
        let plan = self.garden.sensor(sensor);
        let who = self.garden.sensor_name(plan);
        // Nothing else watches the fish.
        let blind = self.garden.tank_left_blind(Kind::SensorFault, &plan.id).is_some();
        let first = if blind { "Look at the fish now, and see" } else { "See today" };
        match doubt {
            ThermometerDoubt::Out { since, why, air } => {
                let (shown, values) = match air {
                    Some(InAir::WithTheAir { part, least }) => (
                        format!(
                            " It was left behind by {:.0} % of the air's swing; water here by {:.0} % at least.",
                            100.0 * part,
                            100.0 * least
                        ),
                        vec![("left_behind_part", *part), ("least_part", *least)],
                    ),
                    Some(InAir::SwingsTooFar { by_c, most_c }) => (
                        format!(
                            " It rose and fell by {by_c:.0} °C within a day; the water can by {most_c:.0} °C at most."
                        ),
                        vec![("day_swing_c", *by_c), ("most_c", *most_c)],
                    ),
                    None => (String::new(), Vec::new()),
                };
                let when = match why {
                    Outside::SwingsLikeAir => String::new(),
                    _ => format!(" since {}", spoken::moment_seen_from(*since, at, zone)),
                };
                let text = format!(
                    "{who} seems to hang in the air{when}: {}.{shown} {first} whether it is in the water. If it hangs out, put \
                     it back and fasten it. If it is in the water, the jump may be real: look for low water, a leak or a \
                     hose running in. Until it reads right, measure with a hand-held thermometer. {}",
                    why.words(),
                    take_care(&[HANDS]),
                );
                AlarmText::new(text, &values, SOURCE).because(vec![DOUBTED.step(why.words().to_owned())])
            }
            ThermometerDoubt::Changed(pause) => {
                let text = format!(
                    "{who}: was the thermometer changed? It read {:.1} °C at {} and {:.1} °C at {}, with nothing between. \
                     If nobody changed or moved it, the water itself changed by {:.1} °C. Then look at the fish now, and shut \
                     any hose or top-up. Measure the water with a hand-held thermometer.",
                    pause.before_c,
                    spoken::moment(pause.from, zone),
                    pause.after_c,
                    spoken::moment_seen_from(pause.to, pause.from, zone),
                    (pause.after_c - pause.before_c).abs(),
                );
                let values = [("before_c", pause.before_c), ("after_c", pause.after_c)];
                let step = DOUBTED.step(format!(
                    "{:.1} - {:.1} = {:.1} °C across a break of {}",
                    pause.after_c,
                    pause.before_c,
                    pause.after_c - pause.before_c,
                    spoken::duration(pause.to.as_second() - pause.from.as_second())
                ));
                AlarmText::new(text, &values, SOURCE).because(vec![step])
            }
        }
    }
}
