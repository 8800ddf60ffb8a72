//! The invented school of the page, and readings for it.

use std::cell::Cell;

use jiff::{SignedDuration, Timestamp};
use trug::alarms::Kind;
use trug::model::{Quantity, SensorIx};
use trug::text::locale::Locale;

use crate::support::garden::{GardenFile, WATERING, local};
use crate::support::run::Run;

thread_local! {
    /// How the people of the school read, for the gardens that this test makes.
    static LOCALE: Cell<Locale> = const { Cell::new(Locale::EnAu) };
}

/// Lets the people of the school read otherwise from now on in this test.
pub(super) fn read_as(locale: Locale) {
    LOCALE.set(locale);
}

/// The school with a group that hears of everything.
pub(super) fn school() -> GardenFile {
    let kinds: Vec<String> = Kind::ALL.iter().map(|kind| format!("\"{}\"", kind.name())).collect();
    let tell = format!(
        "[[tell]]\nwho = \"everybody\"\nalarms = [{}]\nemail = [\"all@school.example\"]\n",
        kinds.join(", ")
    );
    let locale = match LOCALE.get() {
        Locale::EnAu => String::new(),
        other => format!("locale = \"{}\"\n", other.tag()),
    };
    GardenFile::new("saltbush-gully").with(&locale).with(WATERING).with(&tell)
}

/// The number of a sensor by its id.
pub(super) fn sensor(run: &Run, id: &str) -> SensorIx {
    let found = run.garden.sensors.iter().position(|it| it.id.as_str() == id);
    SensorIx(u32::try_from(found.unwrap_or_else(|| panic!("no sensor {id}"))).expect("few sensors"))
}

/// Readings of these sensors each quarter of an hour from `from` until `to`, by
/// Adelaide's clocks: the value by the sensor and the hours since `from`, with a last
/// digit that moves as a real sensor's does, except where something is counted.
pub(super) fn play(run: &mut Run, ids: &[&str], from: &str, to: &str, value: impl Fn(&str, f64) -> f64) {
    let (from, to) = (local(from), local(to));
    let mut at = from;
    while at < to {
        let hours = at.duration_since(from).as_secs_f64() / 3600.0;
        for id in ids {
            let sensor = sensor(run, id);
            let counts = matches!(
                run.garden.sensors[sensor.0 as usize].measures,
                Quantity::Rain | Quantity::WaterFlow
            );
            let wobble = if counts { 0.0 } else { 0.0003 * last_digit(at) };
            run.take(sensor, at, value(id, hours) + wobble);
        }
        run.tick(at + SignedDuration::from_secs(59));
        at += SignedDuration::from_mins(15);
    }
}

fn last_digit(at: Timestamp) -> f64 {
    ((at.as_second() / 900) % 3 - 1) as f64
}

/// A value that moves evenly from one to another over so many hours, and stays.
pub(super) fn ramp(hours: f64, from: f64, to: f64, within_h: f64) -> f64 {
    from + (to - from) * (hours / within_h).clamp(0.0, 1.0)
}
