//! What people are asked where a thermometer's readings step across a break: whether it is
//! another one now. Its alarm asks the same; an entry of the log answers it.

use jiff::Timestamp;

use crate::garden::site::SiteState;
use crate::garden::tank::instrument::ThermometerDoubt;
use crate::garden::view::ChangeQuestion;

impl SiteState {
    /// The thermometers that may have been changed within the last day and of which the log
    /// says nothing since.
    pub(crate) fn change_questions(&self, now: Timestamp) -> Vec<ChangeQuestion> {
        (0u16..)
            .zip(&self.garden.sensors)
            .filter_map(|(index, sensor)| {
                let ThermometerDoubt::Changed(pause) = self.thermometer_doubt(index, now)? else {
                    return None;
                };
                let answered = self.replacements[usize::from(index)].times().any(|at| at >= pause.from);
                (!answered).then(|| ChangeQuestion {
                    sensor: sensor.id.clone(),
                    name: self.garden.sensor_name(sensor),
                    at: pause.to,
                    before_c: pause.before_c,
                    after_c: pause.after_c,
                })
            })
            .collect()
    }
}
