//! Jobs that come round.

use trug::alarms::Kind;
use trug::garden::Clock;
use trug::garden::log::{LogEvent, WaterTest};

use super::school::{play, school};
use super::story::Story;
use crate::support::garden::local;
use crate::support::run::Run;

fn garden() -> Run {
    let file = school()
        .tank("perch-tank", "Perch tank", "fish = 12\n")
        .sensor("perch-water", "water-temperature", "tank = \"perch-tank\"")
        .with(
            "[[job]]\nname = \"Water test\"\nplace = \"perch-tank\"\nevery_days = 7\nwho = \"everybody\"\n\
             tell = true\n",
        );
    Run::by(Clock::Arrival, file.text())
}

fn tested(run: &mut Run, at: &str) {
    let test = WaterTest { ph: Some(7.2), ..WaterTest::default() };
    run.log("perch-tank", local(at), LogEvent::WaterTest(test));
}

pub(super) fn stories() -> Vec<Story> {
    let raise = |run: &mut Run| {
        play(run, &["perch-water"], "2026-03-10T08:00", "2026-03-10T15:00", |_, _| 22.0);
        tested(run, "2026-03-10T15:00");
        play(run, &["perch-water"], "2026-03-10T15:00", "2026-03-18T08:30", |_, _| 22.0);
    };
    vec![
        Story::new(Kind::JobOverdue, "job-water-test", "a water test is late", garden, raise)
            .end(|run| tested(run, "2026-03-18T10:00")),
    ]
}
