//! Jobs that come round: done by the log, told once to their group.

use trug::alarms::{Kind, State};
use trug::garden::Clock;
use trug::garden::jobs::due::JobDue;
use trug::garden::jobs::view::JobView;
use trug::garden::log::{LogEntry, LogEvent, WaterTest};
use trug::model::{Id, SensorIx};

use crate::support::garden::{BED_KEYS, GardenFile, WATERING, local as t};
use crate::support::run::Run;

const JOBS: &str = "[[tell]]\nwho = \"teacher\"\nalarms = [\"ph\"]\nemail = [\"teacher@school.example\"]\n\
     [[tell]]\nwho = \"grounds\"\nplaces = [\"tank\"]\nemail = [\"grounds@school.example\"]\n\
     [[job]]\nname = \"Water test\"\nplace = \"tank\"\nevery_days = 7\nwho = \"teacher\"\ntell = true\n\
     [[job]]\nname = \"Clean the filter\"\nplace = \"tank\"\nevery_days = 30\nfrom = 2026-03-20\n\
     done_by = [\"filter-cleaned\"]\n\
     [[job]]\nname = \"Check the gates\"\ndays = [\"fri\"]\nfrom = 2026-03-01\n";

fn school() -> Run {
    let file = GardenFile::new("school")
        .with(WATERING)
        .bed("bed", "Bed", BED_KEYS)
        .tank("tank", "Perch tank", "")
        .probe("probe", "bed", 15)
        .sensor("water", "water-temperature", "tank = \"tank\"")
        .with(JOBS);
    let mut run = Run::by(Clock::Arrival, file.text());
    run.take(SensorIx(1), t("2026-03-10T08:00"), 22.0);
    run
}

fn tested() -> LogEvent {
    LogEvent::WaterTest(WaterTest { ph: Some(7.2), ..WaterTest::default() })
}

/// What was told of jobs.
fn told(run: &Run) -> Vec<(Kind, &str, State)> {
    run.told().into_iter().filter(|(kind, ..)| *kind == Kind::JobOverdue).collect()
}

fn job(run: &Run, name: &str) -> JobView {
    run.view().jobs.into_iter().find(|job| job.job.name == name).expect("the job")
}

#[test]
fn entries_that_already_exist_do_the_job_and_nobody_is_told_twice() {
    let mut run = school();
    assert_eq!(job(&run, "Water test").due, JobDue::NotKnown);
    run.tick(t("2026-03-10T12:00"));
    assert_eq!(told(&run), [], "what was never written down is not overdue");
    run.log("tank", t("2026-03-10T15:00"), tested());
    assert_eq!(job(&run, "Water test").words(), "Due on Tuesday 17 March.");
    for quiet in ["2026-03-17T12:00", "2026-03-17T23:59", "2026-03-18T07:59"] {
        run.tick(t(quiet));
        assert_eq!(told(&run), [], "{quiet}");
    }
    run.tick(t("2026-03-18T08:00"));
    assert_eq!(told(&run), [(Kind::JobOverdue, "job-water-test", State::Unacknowledged)]);
    let first = run.first(Kind::JobOverdue);
    assert_eq!(first.tell, ["teacher"], "its group, and not that of the tank");
    assert_eq!(
        first.record.said.text,
        "Water test (Perch tank) was due on Tuesday 17 March and is not in the Garden log. Do it today, or enter the day \
         on which it was done. Look at the fish first."
    );
    assert!(
        job(&run, "Water test").words().starts_with("Overdue: it was due on Tuesday 17 March, 1 day ago.")
    );
    for later in ["2026-03-18T08:05", "2026-03-19T03:00", "2026-03-25T09:00"] {
        run.tick(t(later));
    }
    let entry = LogEntry {
        site: run.garden.site.id.clone(),
        place: Some(Id::new("tank")),
        at: t("2026-03-10T15:00"),
        what: tested(),
        note: String::new(),
    };
    run.restart().router.core.restore_log(&entry);
    run.tick(t("2026-03-26T09:00"));
    assert_eq!(told(&run).len(), 1, "never twice");
    run.log("tank", t("2026-03-26T09:30"), tested());
    assert_eq!(run.steps(Kind::JobOverdue), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    assert_eq!(
        run.changes.last().expect("a step").record.said.text,
        "Water test (Perch tank) was done on Thursday 26 March."
    );
}

/// Whoever is late with the food must not make up for it.
#[test]
fn a_late_feed_is_never_given_twice() {
    let jobs = "[[tell]]\nwho = \"teacher\"\nalarms = [\"ph\"]\nemail = [\"teacher@school.example\"]\n\
         [[job]]\nname = \"Feed the fish\"\nplace = \"tank\"\nevery_days = 1\nwho = \"teacher\"\ntell = true\n\
         done_by = [\"fed\"]\n";
    let file = GardenFile::new("school")
        .with(WATERING)
        .tank("tank", "Perch tank", "")
        .sensor("water", "water-temperature", "tank = \"tank\"")
        .with(jobs);
    let mut run = Run::by(Clock::Arrival, file.text());
    run.take(SensorIx(0), t("2026-03-10T08:00"), 22.0);
    run.log("tank", t("2026-03-10T15:00"), LogEvent::Fed { grams: 20.0 });
    run.tick(t("2026-03-12T08:30"));
    let text = &run.first(Kind::JobOverdue).record.said.text;
    assert!(
        text.contains("Look at the fish first. Give one feed only: never make up for a missed one."),
        "{text}"
    );
}

#[test]
fn an_entry_that_was_struck_did_no_job() {
    let mut run = school();
    run.log("tank", t("2026-03-10T15:00"), tested());
    run.log("tank", t("2026-03-12T15:00"), tested());
    assert_eq!(job(&run, "Water test").words(), "Due on Thursday 19 March.");
    run.strike("tank", t("2026-03-12T15:00"), tested(), None, t("2026-03-12T15:05"));
    assert_eq!(job(&run, "Water test").words(), "Due on Tuesday 17 March.");
    run.tick(t("2026-03-18T10:00"));
    assert_eq!(run.steps(Kind::JobOverdue), [State::Unacknowledged]);
}

#[test]
fn a_job_is_done_by_its_entry_at_its_place_or_by_its_name() {
    let mut run = school();
    run.tick(t("2026-03-18T10:00"));
    let filter = |run: &Run| job(run, "Clean the filter").last_done.map(|date| date.to_string());
    run.log("bed", t("2026-03-18T10:00"), LogEvent::Watered { litres: None });
    run.log("tank", t("2026-03-18T10:00"), LogEvent::SensorCleaned);
    assert_eq!(filter(&run), None);
    run.log("tank", t("2026-03-18T10:00"), LogEvent::FilterCleaned);
    assert_eq!(filter(&run).as_deref(), Some("2026-03-18"));
    run.log("tank", t("2026-03-18T11:00"), LogEvent::JobDone { job: "check the GATES".to_owned() });
    let gates = job(&run, "Check the gates");
    assert_eq!(gates.last_done.map(|date| date.to_string()).as_deref(), Some("2026-03-18"));
    assert_eq!(gates.words(), "Due on Friday 20 March.");
    assert_eq!(gates.job.days.words(), "each Friday");
    // Nobody asked to be told of it.
    run.tick(t("2026-04-30T10:00"));
    let told: Vec<&str> = run.changes.iter().map(|it| it.record.key.place.as_str()).collect();
    assert!(!told.contains(&"job-check-the-gates"), "{told:?}");
}
