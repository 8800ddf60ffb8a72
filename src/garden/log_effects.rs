//! What an entry of the log changes at once, and what changes when one is struck.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Delays, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::gauge::reliability::GaugeNews;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::tank::water::is_old;
use crate::garden::wetting::cause::WettingAnswer;

impl SiteState {
    /// The bed that an entry is about.
    pub(crate) fn bed_logged(&self, entry: &LogEntry) -> Option<u16> {
        let place = entry.place.as_ref()?;
        u16::try_from(self.garden.beds.iter().position(|bed| bed.id == *place)?).ok()
    }

    /// Decides again what wetted the beds that an entry can be about: its own, and all
    /// of them where it speaks of rain or a timer.
    pub(crate) fn explain_wettings(&mut self, bed: u16, entry: &LogEntry) {
        if WettingAnswer::of(&entry.what).is_none() {
            return self.explain_wetting(bed);
        }
        for bed in (0u16..).take(self.beds.len()) {
            self.explain_wetting(bed);
        }
    }

    /// Takes back what an entry that was struck said. Nothing is judged by it any more.
    pub(crate) fn forget_entry(&mut self, struck: &LogEntry) {
        self.log.strike(struck);
        self.strike_job(struck);
        self.unlearn(struck);
        if struck.what == LogEvent::ProbeReplaced {
            let sensors = self.garden.sensors.iter().zip(&mut self.replacements);
            for (_, replacements) in sensors.filter(|(sensor, _)| Some(&sensor.id) == struck.place.as_ref()) {
                replacements.strike(struck.at);
            }
        }
    }

    /// Judges a place again without an entry that was struck. `suspect`: which gauges were
    /// in doubt with it.
    pub(crate) fn judge_without(
        &mut self,
        struck: &LogEntry,
        suspect: &[bool],
        now: Timestamp,
        batch: &mut Batch,
    ) {
        self.judge_gauges_changed(suspect, GaugeNews::EntryStruck, now, batch);
        self.judge_jobs(now, batch);
        let Some(place) = &struck.place else { return self.judge_rain_expected(struck, now, batch) };
        if let Some(bed) = self.bed_logged(struck) {
            self.explain_wettings(bed, struck);
            self.judge_bed_entries(bed, now, batch);
        } else if let Some(tank) = self.garden.tanks.iter().position(|tank| tank.id == *place)
            && let Ok(tank) = u16::try_from(tank)
        {
            self.judge_tank(tank, now, batch);
            self.end_untested(tank, struck, now, batch);
        }
    }

    /// Ends the alarms of a tank that only a water test had raised which was struck as
    /// wrong: nothing is known then. One that latches still waits for somebody to look.
    fn end_untested(&mut self, tank: u16, struck: &LogEntry, now: Timestamp, batch: &mut Batch) {
        let LogEvent::WaterTest(test) = &struck.what else { return };
        for (kind, tested, name) in [
            (Kind::Ammonia, test.ammonia_mg_l, "ammonia is"),
            (Kind::Nitrite, test.nitrite_n_mg_l(), "nitrite is"),
            (Kind::Ph, test.ph, "pH is"),
            (Kind::LowOxygen, test.oxygen_mg_l, "oxygen is"),
        ] {
            let subject = AlarmPlace::Tank(tank).alarm(kind);
            let life = self.alarms.life(subject);
            let began_with_it = life.holds() && life.since().is_some_and(|since| since >= struck.at);
            if tested.is_none() || !began_with_it || self.is_known(tank, kind, now) {
                continue;
            }
            self.judge_within(Delays::NONE, subject, now, Input::Clear, batch, |site, _| {
                let tank = &site.garden.tank(tank).name;
                AlarmText::new(
                    format!(
                        "{tank}: the water test that raised this was struck from the log as wrong, so whether {name} within \
                         the limits is not known. Look at the fish and test again today."
                    ),
                    &[],
                    "the garden's log",
                )
            });
        }
    }

    /// Whether a sensor or another test that is not too old still speaks of what an alarm
    /// of a tank is about.
    fn is_known(&self, tank: u16, kind: Kind, now: Timestamp) -> bool {
        let fresh = |found: Option<(Timestamp, f64)>| found.is_some_and(|(at, _)| !is_old(at, now));
        match kind {
            Kind::Ammonia => fresh(self.tested(tank, now, |test| test.ammonia_mg_l)),
            Kind::Nitrite => fresh(self.tested(tank, now, |test| test.nitrite_n_mg_l())),
            Kind::Ph => self.tank_ph(tank, now).is_some() || fresh(self.tested(tank, now, |test| test.ph)),
            Kind::LowOxygen => {
                self.tank_oxygen(tank, now).is_some()
                    || fresh(self.tested(tank, now, |test| test.oxygen_mg_l))
            }
            _ => true,
        }
    }

    /// Judges every bed again where an entry speaks of rain that is expected.
    fn judge_rain_expected(&mut self, entry: &LogEntry, now: Timestamp, batch: &mut Batch) {
        if matches!(entry.what, LogEvent::RainExpected { .. }) {
            for bed in (0u16..).take(self.garden.beds.len()) {
                self.judge_bed_water(bed, now, batch);
            }
        }
    }

    /// Judges a bed again by its entries.
    fn judge_bed_entries(&mut self, bed: u16, now: Timestamp, batch: &mut Batch) {
        self.judge_bed_water(bed, now, batch);
        self.judge_repellent(bed, now, batch);
        for number in 0..self.garden.programs.len() {
            if self.garden.programs[number].beds.contains(&bed) {
                self.judge_missed(number, now, false, batch);
            }
        }
    }

    /// Judges a place again after somebody has written down what was seen or done.
    pub(crate) fn judge_logged(&mut self, entry: &LogEntry, now: Timestamp, batch: &mut Batch) {
        self.judge_jobs(now, batch);
        let Some(place) = &entry.place else { return self.judge_rain_expected(entry, now, batch) };
        if let Some(bed) = self.bed_logged(entry) {
            self.take_answer(entry, now, batch);
            self.explain_wettings(bed, entry);
            self.judge_bed_entries(bed, now, batch);
        } else if let Some(tank) = self.garden.tanks.iter().position(|tank| tank.id == *place)
            && let Ok(tank) = u16::try_from(tank)
        {
            self.judge_tank(tank, now, batch);
        }
    }
}
