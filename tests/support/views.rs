//! Hand-made gardens for the page. The school is invented, and so are the
//! numbers: these tests look at how a view is laid out, not at how it is judged.

use std::sync::{Arc, Mutex};

use jiff::Timestamp;
use jiff::tz::TimeZone;
use tokio::sync::watch;
use trug::alarms::{AlarmKey, AlarmRecord, AlarmText, Answer, Answered, Kind, Priority, State};
use trug::answering::{Checked, Claim, Links};
use trug::engine::daemon_health::HealthFault;
use trug::garden::jobs::due::JobDue;
use trug::garden::jobs::view::JobView;
use trug::garden::view::{
    AlarmView, BedView, ChangeQuestion, Figure, MulchQuestion, RainView, SensorView, SiteView, TankView,
    ToDo, WettingQuestion,
};
use trug::garden::{Acclimatising, BagGiven, TankGiven};
use trug::model::Condition;
use trug::model::{Id, Quantity};
use trug::page::figures::SiteFigures;
use trug::page::{AlarmStep, Health, NotPlaced, PageSource, Unavailable};
use trug::quality::Flag;
use trug::why::Step;

/// An answer to a link, and its note.
pub(crate) type Given = (Claim, Option<String>);

/// Views made by hand, and the faults that a real one can have.
#[derive(Default)]
pub(crate) struct Fixed {
    pub(crate) sites: Vec<SiteView>,
    pub(crate) not_placed: Vec<NotPlaced>,
    pub(crate) faults: Vec<HealthFault>,
    pub(crate) figures: Option<SiteFigures>,
    pub(crate) unavailable: bool,
    pub(crate) panics: bool,
    pub(crate) links: Option<Links>,
    /// The moment at which links are checked.
    pub(crate) now: Timestamp,
    pub(crate) steps: Vec<AlarmStep>,
    /// What comes of every answer; `None`: it cannot be taken.
    pub(crate) outcome: Option<Answered>,
    /// The answers that were given.
    pub(crate) given: Arc<Mutex<Vec<Given>>>,
    /// The answers that were given on the page itself.
    pub(crate) answers: Arc<Mutex<Vec<Answer>>>,
    /// Since when nothing could be stored.
    pub(crate) not_kept_since: Option<Timestamp>,
    /// The answer for fish that arrive.
    pub(crate) acclimatising: Option<Acclimatising>,
    pub(crate) changed: watch::Sender<u64>,
}

impl Fixed {
    pub(crate) fn of(sites: Vec<SiteView>) -> Self {
        Self { sites, ..Self::default() }
    }

    fn give<T>(&self, value: T) -> Result<T, Unavailable> {
        assert!(!self.panics, "a planted fault");
        if self.unavailable { Err(Unavailable("a planted fault".into())) } else { Ok(value) }
    }
}

impl PageSource for Fixed {
    async fn sites(&self) -> Result<Vec<(Id, String)>, Unavailable> {
        self.give(self.sites.iter().map(|site| (site.id.clone(), site.name.clone())).collect())
    }

    async fn site(&self, id: &str) -> Result<Option<SiteView>, Unavailable> {
        self.give(self.sites.iter().find(|site| site.id.as_str() == id).cloned())
    }

    async fn alarm_figures(&self, _: &str, _: Timestamp) -> Result<Option<SiteFigures>, Unavailable> {
        self.give(self.figures.clone())
    }

    async fn not_placed(&self, limit: usize) -> Result<Vec<NotPlaced>, Unavailable> {
        self.give(self.not_placed.iter().take(limit).cloned().collect())
    }

    fn check(&self, token: &str) -> Option<Checked> {
        Some(self.links.as_ref()?.check(token, self.now))
    }

    async fn steps(&self, _: &AlarmKey, _: Timestamp) -> Result<Vec<AlarmStep>, Unavailable> {
        self.give(self.steps.clone())
    }

    async fn acknowledge(
        &self,
        claim: &Claim,
        _: Option<&str>,
        note: Option<String>,
    ) -> Result<Answered, Unavailable> {
        self.given.lock().expect("no test panics while it holds this").push((claim.clone(), note));
        self.outcome.ok_or_else(|| Unavailable("a planted fault".into()))
    }

    async fn answer(&self, answer: Answer) -> Result<Answered, Unavailable> {
        self.answers.lock().expect("no test panics while it holds this").push(answer);
        self.outcome.ok_or_else(|| Unavailable("a planted fault".into()))
    }

    async fn acclimatise(
        &self,
        _: &str,
        _: &str,
        _: BagGiven,
        _: TankGiven,
    ) -> Result<Option<Acclimatising>, Unavailable> {
        self.give(self.acclimatising.clone())
    }

    fn changed(&self) -> watch::Receiver<u64> {
        self.changed.subscribe()
    }

    fn now(&self) -> Timestamp {
        self.now
    }

    fn not_kept_since(&self) -> Option<Timestamp> {
        self.not_kept_since
    }

    async fn health(&self) -> Health {
        Health { faults: self.faults.clone() }
    }
}

pub(crate) fn at(text: &str) -> Timestamp {
    text.parse().expect("a time in RFC 3339")
}

fn bed(id: &str, name: &str, condition: Condition, words: &str, water: Option<f64>) -> BedView {
    let (wilting_point, field_capacity) = (0.06, 0.15);
    BedView {
        id: Id::new(id),
        name: name.into(),
        condition,
        words: words.into(),
        water_content: water,
        wilting_point,
        refill_point: 0.1095,
        field_capacity,
        root_depth_m: 0.5,
        available_left: water.map(|water| (water - wilting_point) / (field_capacity - wilting_point)),
        figures: Vec::new(),
        last_wetting: None,
        watering_hours: "midnight to 9 am and 6 pm to midnight".into(),
        outlook: None,
        expected: Vec::new(),
        mulch: None,
    }
}

fn sensor(id: &str, place: &str, measures: Quantity, last: Option<(&str, f64, Flag)>) -> SensorView {
    SensorView {
        id: Id::new(id),
        place_name: place.into(),
        measures,
        last_at: last.map(|(when, ..)| at(when)),
        last_value: last.map(|(_, value, _)| value),
        last_flag: last.map(|(.., flag)| flag),
        why: Vec::new(),
        silent: false,
        faulty: false,
        battery: None,
        battery_low: false,
    }
}

fn site() -> SiteView {
    SiteView {
        id: Id::new("saltbush-gully"),
        name: "Saltbush Gully Primary School".into(),
        time_zone: TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database"),
        local: trug::text::locale::LocalText::default(),
        now: at("2026-04-17T05:30:00Z"),
        to_do: Vec::new(),
        questions: Vec::new(),
        mulch_questions: Vec::new(),
        change_questions: Vec::new(),
        rain_holds: Vec::new(),
        alarms: Vec::new(),
        pending: Vec::new(),
        jobs: Vec::new(),
        beds: Vec::new(),
        tanks: Vec::new(),
        rain: None,
        weather: Vec::new(),
        sensors: Vec::new(),
        proposed_programs: Vec::new(),
    }
}

/// Nothing has been heard yet.
pub(crate) fn unknown() -> SiteView {
    let silence = "Nothing has been heard from its sensors yet.";
    SiteView {
        beds: vec![
            bed("kitchen-bed", "Kitchen bed", Condition::Unknown, silence, None),
            bed("pea-bed", "Pea bed", Condition::Unknown, silence, None),
        ],
        tanks: vec![TankView {
            id: Id::new("perch-tank"),
            name: "Perch tank".into(),
            condition: Condition::Unknown,
            words: silence.into(),
            temperature_c: None,
            thrives_c: (16.0, 28.0),
            cold_c: 12.0,
            warm_c: 28.0,
            change_hour_c: None,
            change_day_c: None,
            figures: Vec::new(),
        }],
        rain: Some(RainView {
            condition: Condition::Unknown,
            words: silence.into(),
            since_9am_mm: None,
            week_mm: None,
            figures: Vec::new(),
        }),
        sensors: vec![sensor("kitchen-15cm", "Kitchen bed", Quantity::SoilMoisture, None)],
        ..site()
    }
}

/// Everything is known and well.
pub(crate) fn well() -> SiteView {
    SiteView {
        beds: vec![bed("kitchen-bed", "Kitchen bed", Condition::Well, "It has enough water.", Some(0.14))],
        tanks: vec![TankView {
            id: Id::new("perch-tank"),
            name: "Perch tank".into(),
            condition: Condition::Well,
            words: "The water suits the fish.".into(),
            temperature_c: Some(21.4),
            thrives_c: (16.0, 28.0),
            cold_c: 12.0,
            warm_c: 28.0,
            change_hour_c: Some(0.2),
            change_day_c: Some(1.9),
            figures: Vec::new(),
        }],
        rain: Some(RainView {
            condition: Condition::Well,
            words: "No rain since 9 am.".into(),
            since_9am_mm: Some(0.0),
            week_mm: Some(4.2),
            figures: Vec::new(),
        }),
        sensors: vec![
            sensor(
                "kitchen-15cm",
                "Kitchen bed",
                Quantity::SoilMoisture,
                Some(("2026-04-17T05:15:00Z", 0.14, Flag::Pass)),
            ),
            sensor(
                "perch-water-temp",
                "Perch tank",
                Quantity::WaterTemperature,
                Some(("2026-04-17T05:25:00Z", 21.4, Flag::Pass)),
            ),
        ],
        ..site()
    }
}

/// A bad afternoon: every condition, every urgency, three alarms.
pub(crate) fn busy() -> SiteView {
    let mut view = well();
    view.questions = vec![WettingQuestion {
        beds: vec![(Id::new("kitchen-bed"), "Kitchen bed".into()), (Id::new("pea-bed"), "Pea bed".into())],
        at: at("2026-04-16T05:30:00Z"),
    }];
    view.mulch_questions = vec![MulchQuestion {
        bed: Id::new("herb-bed"),
        name: "Herb bed".into(),
        planned: jiff::civil::date(2026, 4, 15),
        depth_mm: 80.0,
        at: at("2026-04-15T02:30:00Z"),
    }];
    view.change_questions = vec![ChangeQuestion {
        sensor: Id::new("perch-water-temp"),
        name: "Perch tank, water temperature".into(),
        at: at("2026-04-17T03:30:00Z"),
        before_c: 20.0,
        after_c: 17.0,
    }];
    view.rain_holds = vec!["Rain is expected: hold watering until 9 am on Saturday 18 April.".into()];
    view.to_do = vec![
        ToDo {
            priority: Priority::High,
            place: "Perch tank".into(),
            text: "The water fell 3.4 °C within the last hour. Stop the top-up, and add no more cold water \
                   today; watch the fish for an hour."
                .into(),
        },
        ToDo {
            priority: Priority::Medium,
            place: "Kitchen bed".into(),
            text: "Give it about 64 L after 6 pm, before tomorrow's mulch.".into(),
        },
        ToDo {
            priority: Priority::Low,
            place: "Shed".into(),
            text: "The air temperature sensor has been silent since yesterday. Look at its battery.".into(),
        },
    ];
    let alarm = |kind, place: &str, name: &str, state, priority, since: &str, text: &str| AlarmView {
        record: AlarmRecord {
            key: AlarmKey { site: Id::new("saltbush-gully"), kind, place: Id::new(place) },
            state,
            since: at(since),
            at: at(since),
            shelf: None,
            course: trug::alarms::AlarmCourse::default(),
            said: AlarmText::new(text, &[], ""),
        },
        place_name: name.into(),
        priority,
    };
    let mut shock = alarm(
        Kind::TankTemperatureShock,
        "perch-tank",
        "Perch tank",
        State::Unacknowledged,
        Priority::High,
        "2026-04-17T05:05:00Z",
        "Perch tank fell 3.4 °C within an hour; its fish stand 2 °C. Stop the top-up and let it settle.",
    );
    shock.record.said.values = vec![("change_hour_c".into(), -3.4), ("limit_c".into(), 2.0)];
    shock.record.said.source = "the limits in the garden's file".into();
    let mut dry = alarm(
        Kind::DryBed,
        "kitchen-bed",
        "Kitchen bed",
        State::Acknowledged,
        Priority::Medium,
        "2026-04-16T21:00:00Z",
        "Kitchen bed is dry: 38 % of its available water is left. Give it about 64 L after 6 pm.",
    );
    dry.record.said.values = vec![("depletion_mm".into(), 8.0), ("readily_available_mm".into(), 7.1)];
    dry.record.said.source = "FAO-56 eq. 82-83".into();
    dry.record.said.why = vec![depletion()];
    let mut silent = alarm(
        Kind::SensorSilent,
        "shed-air-temp",
        "Shed",
        State::ReturnedUnacknowledged,
        Priority::Low,
        "2026-04-12T01:00:00Z",
        "The air temperature sensor of the whole site was silent for 5 hours.",
    );
    silent.record.said.source = "three of the sensor's own intervals".into();
    view.alarms = vec![shock, dry, silent];
    view.jobs = jobs();

    let mut kitchen = bed(
        "kitchen-bed",
        "Kitchen bed",
        Condition::Act,
        "It is dry. The plants are short of water.",
        Some(0.094),
    );
    kitchen.outlook = Some("Likely dry Thursday, Wednesday at the earliest, if no water comes.".into());
    kitchen.last_wetting = Some("Rain, 2.4 mm, Tuesday 14 April".into());
    kitchen.mulch = Some("Not yet: water first. Mulch is planned for tomorrow, 18 April.".into());
    kitchen.figures = vec![
        Figure::known("Water missing from the root zone", "28.0 mm".into(), 28.0, "mm", vec![depletion()]),
        Figure::unknown("Dry by", "no probe has a day of readings yet", "days"),
    ];
    let mut orchard = bed(
        "orchard-row",
        "Orchard row",
        Condition::Unknown,
        "Its sensor at 60 cm is silent, so its water is not known.",
        None,
    );
    (orchard.wilting_point, orchard.refill_point, orchard.field_capacity) = (0.12, 0.19, 0.26);
    view.beds = vec![
        kitchen,
        bed("pea-bed", "Pea bed", Condition::Watch, "It will be dry in about two days.", Some(0.115)),
        bed("herb-bed", "Herb bed", Condition::Well, "It has enough water.", Some(0.17)),
        orchard,
    ];
    let tank = &mut view.tanks[0];
    tank.condition = Condition::Act;
    tank.words = "The water cooled too fast within the last hour.".into();
    tank.temperature_c = Some(18.0);
    tank.change_hour_c = Some(-3.4);
    tank.change_day_c = Some(-4.0);
    view.sensors.extend([
        sensor(
            "yard-gauge",
            "Whole site",
            Quantity::Rain,
            Some(("2026-04-17T05:15:00Z", 0.0, Flag::NotEvaluated)),
        ),
        sensor(
            "pea-15cm",
            "Pea bed",
            Quantity::SoilMoisture,
            Some(("2026-04-17T05:15:00Z", 0.61, Flag::Fail)),
        ),
        sensor("orchard-60cm", "Orchard row", Quantity::SoilMoisture, None),
        SensorView {
            silent: true,
            ..sensor(
                "shed-air-temp",
                "Whole site",
                Quantity::AirTemperature,
                Some(("2026-04-16T03:00:00Z", 19.5, Flag::Suspect)),
            )
        },
    ]);
    view
}

/// Of the garden that ships: a test that is overdue, one that was never done, others later.
fn jobs() -> Vec<JobView> {
    let today = jiff::civil::date(2026, 4, 17);
    let garden = super::garden::shipped().gardens.remove(0);
    let mut jobs: Vec<JobView> = garden
        .jobs
        .iter()
        .cloned()
        .map(|job| {
            let last_done = (job.name == "Water test").then_some(jiff::civil::date(2026, 4, 8));
            let due = job.due(last_done, today);
            let place = if job.place.is_some() { "Perch tank" } else { "Saltbush Gully Primary School" };
            JobView { place: place.into(), today, last_done, due, changes: 0, job }
        })
        .collect();
    jobs.extend(jobs.get(4).cloned().map(|mut job| {
        job.job.name = "Check the gate".into();
        job.due = JobDue::NotKnown;
        job
    }));
    jobs
}

/// One equation with its numbers put in.
pub(crate) fn depletion() -> Step {
    Step {
        gives: "root-zone depletion".into(),
        form: "Dr = 1000 (FC - theta) Zr".into(),
        with: "1000 x (0.150 - 0.094) x 0.50 m = 28.0 mm".into(),
        source: "FAO-56 chapter 8".into(),
        check: "plain arithmetic".into(),
    }
}

/// A topic that no sensor names.
pub(crate) fn stray(topic: &str, payload: &[u8]) -> NotPlaced {
    NotPlaced { topic: topic.into(), payload: payload.to_vec(), count: 42, last: at("2026-04-17T05:20:00Z") }
}

/// Every text that comes from outside tries to break out of its place.
pub(crate) fn hostile() -> SiteView {
    const EVIL: &str = "\"'><script>alert(1)</script><img src=x onerror=alert(1)>&\u{202E}";
    let mut view = busy();
    view.name = EVIL.into();
    for job in &mut view.to_do {
        job.place = EVIL.into();
        job.text = EVIL.into();
    }
    for alarm in &mut view.alarms {
        alarm.place_name = EVIL.into();
        alarm.record.said.text = EVIL.into();
        alarm.record.said.values = vec![("depletion_mm".into(), f64::NAN)];
        alarm.record.said.why = vec![Step { form: EVIL.into(), with: EVIL.into(), ..depletion() }];
    }
    for job in &mut view.jobs {
        job.place = EVIL.into();
        job.job.name = EVIL.into();
        job.job.how = Some(EVIL.into());
        job.job.who = vec![EVIL.into()];
    }
    for bed in &mut view.beds {
        bed.name = EVIL.into();
        bed.figures = vec![Figure::known(EVIL, EVIL.into(), f64::INFINITY, "mm", Vec::new())];
        bed.words = EVIL.into();
        bed.last_wetting = Some(EVIL.into());
        bed.outlook = Some(EVIL.into());
        bed.mulch = Some(EVIL.into());
        bed.water_content = Some(f64::INFINITY);
        bed.available_left = Some(f64::NEG_INFINITY);
    }
    for tank in &mut view.tanks {
        tank.name = EVIL.into();
        tank.words = EVIL.into();
        tank.cold_c = f64::NAN;
    }
    for sensor in &mut view.sensors {
        sensor.place_name = EVIL.into();
        sensor.last_value = Some(f64::NAN);
    }
    view
}
