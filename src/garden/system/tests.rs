//! Each of the daemon's own alarms, on made-up signs.

use std::sync::Arc;

use jiff::tz::TimeZone;

use crate::alarms::{
    AlarmKey, AlarmRecord, AlarmText, Answer, Answered, Input, Kind, Priority, SYSTEM_PLACE, State,
};
use crate::garden::plan::Garden;
use crate::garden::plan::{Channel, GardenPlan, RuleSettings, Site, Tell};
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::system::health::*;
use crate::garden::{Clock, Core};
use crate::model::Id;
use crate::model::LocalHours;
use jiff::Timestamp;

fn at(s: i64) -> Timestamp {
    // 2026-04-17 05:30 UTC, a Friday afternoon in Adelaide.
    Timestamp::from_second(1_776_403_800 + s).expect("a time of this century")
}

fn group(who: &str, alarms: &[Kind]) -> Tell {
    Tell { who: who.to_owned(), alarms: alarms.to_vec(), ..Tell::default() }
}

fn garden(id: &str, tell: Vec<Tell>) -> Arc<Garden> {
    Arc::new(Garden::from(GardenPlan {
        site: Site {
            id: Id::new(id),
            name: "Saltbush Gully Primary School".to_owned(),
            time_zone: TimeZone::get("Australia/Adelaide").expect("a bundled zone"),
            locale: crate::text::locale::Locale::default(),
            latitude_deg: -34.93,
            elevation_m: 95.0,
            watering_rules: LocalHours::new(vec![(0, 1440)]).into(),
            working_hours: LocalHours::new(vec![(480, 960)]),
            holidays: Vec::new(),
        },
        beds: Vec::new(),
        tanks: Vec::new(),
        sensors: Vec::new(),
        gateways: Vec::new(),
        tell,
        rules: RuleSettings::default(),
        roof: None,
        programs: Vec::new(),
        ground: crate::garden::ground::Ground::default(),
        jobs: Vec::new(),
        handover: crate::garden::plan::Handover::default(),
    }))
}

/// A core of one garden whose one group hears of everything.
fn core() -> Core {
    Core::new(&[garden("saltbush-gully", vec![group("grounds", &[])])], Clock::Arrival)
}

/// Lets the core take one look and returns what changed.
fn look(core: &mut Core, signs: &SystemHealth, s: i64) -> Vec<AlarmChange> {
    let mut batch = Batch::default();
    core.judge_health(signs, at(s), &mut batch);
    batch.changes
}

/// The only change, as its state.
fn state(changes: &[AlarmChange]) -> Option<State> {
    assert!(changes.len() <= 1, "{changes:#?}");
    changes.first().map(|change| change.record.state)
}

/// What is looked at in turn: seconds, sign, the state that it leads to if any.
fn run(core: &mut Core, looks: &[(i64, SystemHealth, Option<State>)]) -> Vec<AlarmChange> {
    let mut all = Vec::new();
    for (s, signs, expected) in looks {
        let changes = look(core, signs, *s);
        assert_eq!(state(&changes), *expected, "at {s} s with {signs:?}");
        all.extend(changes);
    }
    all
}

const RAISED: Option<State> = Some(State::Unacknowledged);
const OVER: Option<State> = Some(State::ReturnedUnacknowledged);

fn disk(free_mb: u64) -> SystemHealth {
    let sign = DiskHealth {
        free_bytes: free_mb * 1_000_000,
        total_bytes: 32_000_000_000,
        grown_bytes_a_day: Some(100_000_000.0),
    };
    SystemHealth { disk: Some(sign), ..SystemHealth::default() }
}

fn size(mb: u64, limit_mb: Option<u64>, unused_mb: u64) -> SystemHealth {
    let record = RecordHealth {
        bytes: mb * 1_000_000,
        unused_bytes: unused_mb * 1_000_000,
        grown_bytes_a_day: Some(5_500_000.0),
    };
    let limits = HealthLimits { record_bytes: limit_mb.map(|mb| mb * 1_000_000), ..HealthLimits::default() };
    SystemHealth { limits, record: Some(record), ..SystemHealth::default() }
}

#[test]
fn a_record_that_outgrows_its_plan_is_told_with_what_to_do() {
    let limit = Some(2000);
    let changes = run(
        &mut core(),
        &[
            (0, size(2000, limit, 0), None),
            (60, size(2001, limit, 0), None),
            (120, size(2001, limit, 0), RAISED),
            // A tenth below is the deadband.
            (180, size(1801, limit, 0), None),
            (600, size(1799, limit, 0), None),
            (960, size(1799, limit, 0), OVER),
        ],
    );
    let text = &changes[0].record.said.text;
    assert!(
        text.starts_with(
            "The garden's record takes 2.0 GB of the disk, and 2.0 GB are planned for it. It grew by 6 MB in the last day. \
             Within the month, raise record_mb in trug.toml if the disk has room."
        ),
        "{text}"
    );
    let changes =
        run(&mut core(), &[(0, size(3000, limit, 900), None), (60, size(3000, limit, 900), RAISED)]);
    let text = &changes[0].record.said.text;
    assert!(
        text.contains("Of this, 900 MB is empty: stop Trug and run trug compact to give it back."),
        "{text}"
    );
    // Without a limit nothing is large, and what stood is over.
    assert_eq!(
        run(&mut core(), &[(0, size(9000, None, 0), None), (120, size(9000, None, 0), None)]).len(),
        0
    );
}

fn queue(rows: u64, age_s: i64, now_s: i64) -> SystemHealth {
    let queue = |name: &str, rows, oldest| QueueHealth {
        name: name.to_owned(),
        rows,
        oldest,
        ..QueueHealth::default()
    };
    let queues = vec![queue("spare", 0, None), queue("school", rows, Some(at(now_s - age_s)))];
    SystemHealth { queues: Some(queues), ..SystemHealth::default() }
}

fn clock(sign: ClockHealth) -> SystemHealth {
    SystemHealth { clock: Some(sign), ..SystemHealth::default() }
}

fn messages(sign: MessageHealth) -> SystemHealth {
    SystemHealth { messages: Some(sign), ..SystemHealth::default() }
}

fn record(sign: StoreHealth) -> SystemHealth {
    SystemHealth { store: Some(sign), ..SystemHealth::default() }
}

#[test]
fn a_disk_that_fills_is_told_until_there_is_room_beyond_the_deadband() {
    // 5 % of 32 GB is 1600 MB; a tenth of that is the deadband.
    let changes = run(
        &mut core(),
        &[
            (0, disk(1601), None),
            (60, disk(1599), None),
            (120, disk(1599), RAISED),
            (180, disk(1700), None),
            (600, disk(1759), None),
            (660, disk(1761), None),
            (900, disk(1761), None),
            (960, disk(1761), OVER),
        ],
    );
    assert_eq!(
        changes[0].record.said.text,
        "The disk with the garden's record is nearly full: 1.6 GB of 32 GB are free, and it should be 1.6 GB or more. \
         As the record grew in the last day, that lasts for 15 days. Make room within the week: take off what is not \
         needed, or move the record to a larger disk. Once it is full, no reading is stored and no alarm comes."
    );
    assert_eq!(changes[0].record.said.why.len(), 2);
    assert_eq!(changes[0].tell, ["grounds"]);
    assert_eq!(
        changes[0].record.key,
        AlarmKey { site: Id::new("saltbush-gully"), kind: Kind::DiskNearlyFull, place: Id::new("trug") }
    );
}

#[test]
fn days_that_are_left_are_told_only_where_they_are_known() {
    for (grown, words) in [
        (None, "1.6 GB or more. Make room today"),
        (Some(0.0), "1.6 GB or more. Make room today"),
        (Some(-5.0), "1.6 GB or more. Make room today"),
        (Some(f64::NAN), "1.6 GB or more. Make room today"),
        (Some(1e9), "full in a day or less. Make room now"),
        (Some(1e-300), "lasts for 36,500 days. Make room within the week"),
    ] {
        let mut signs = disk(1000);
        signs.disk = signs.disk.map(|disk| DiskHealth { grown_bytes_a_day: grown, ..disk });
        let mut core = core();
        look(&mut core, &signs, 0);
        let changes = look(&mut core, &signs, 60);
        assert!(changes[0].record.said.text.contains(words), "{grown:?}: {}", changes[0].record.said.text);
    }
}

#[test]
fn forwarding_is_behind_by_rows_or_by_age_and_well_below_half() {
    let changes = run(
        &mut core(),
        &[
            (0, queue(100_000, 3600, 0), None),
            (60, queue(100_001, 10, 60), None),
            // Below the limit for a moment: the delay begins again.
            (120, queue(90_000, 10, 120), None),
            (180, queue(7, 3601, 180), None),
            (779, queue(7, 4200, 779), None),
            (780, queue(12_345, 4200, 780), RAISED),
            (840, queue(50_001, 10, 840), None),
            (900, queue(10, 1801, 900), None),
            (960, queue(10, 1799, 960), OVER),
        ],
    );
    assert!(
        changes[0]
            .record
            .said
            .text
            .starts_with("Readings do not reach the server school: 12,345 wait, the oldest for 1 h 10 min."),
        "{}",
        changes[0].record.said.text
    );
    // A server that was taken out of the configuration is not behind.
    let mut core = core();
    look(&mut core, &queue(200_000, 0, 0), 0);
    assert_eq!(state(&look(&mut core, &queue(200_000, 0, 600), 600)), RAISED);
    let none = SystemHealth { queues: Some(Vec::new()), ..SystemHealth::default() };
    assert_eq!(state(&look(&mut core, &none, 660)), OVER);
    // A time that has not come is no age.
    assert_eq!(state(&look(&mut core, &queue(1, -90_000, 720), 720)), None);
}

#[test]
fn a_refusal_is_told_until_it_is_taken_or_let_go() {
    let refused = |rows: u64| {
        let why = "400 Bad Request: field type conflict: input field \"raw\"".to_owned();
        let queue = QueueHealth {
            name: "school".to_owned(),
            refused: rows,
            refused_why: why,
            ..QueueHealth::default()
        };
        let queues = vec![QueueHealth { name: "spare".to_owned(), ..QueueHealth::default() }, queue];
        SystemHealth { queues: Some(queues), ..SystemHealth::default() }
    };
    let unmeasured = SystemHealth::default();
    let changes = run(
        &mut core(),
        &[
            (0, refused(0), None),
            (60, refused(20_000), RAISED),
            (120, unmeasured, None),
            (180, refused(1), None),
            (240, refused(0), OVER),
        ],
    );
    let text = &changes[0].record.said.text;
    assert!(text.starts_with("The server school has refused 20,000 readings: 400 Bad Request"), "{text}");
    assert!(text.contains("trug forward school --refused"), "{text}");
}

#[test]
fn a_clock_that_jumped_is_told_for_an_hour_after_the_last_jump() {
    let back = ClockHealth::Jumped(Jump { from: at(0), to: at(-7200) });
    let forward = ClockHealth::Jumped(Jump { from: at(-3600), to: at(60) });
    let changes = run(
        &mut core(),
        &[
            (-7260, clock(ClockHealth::Steady), None),
            (-7200, clock(back), RAISED),
            (-7140, clock(ClockHealth::Steady), None),
            (60, clock(forward), None),
            (120, clock(ClockHealth::Steady), None),
            (3719, clock(ClockHealth::Steady), None),
            (3720, clock(ClockHealth::Steady), OVER),
        ],
    );
    assert!(
        changes[0].record.said.text.starts_with(
            "The computer's clock jumped back by 2 hours: from 3 pm on Friday 17 April to 1 pm on Friday 17 April."
        ),
        "{}",
        changes[0].record.said.text
    );
    assert_eq!(changes[0].record.said.values, [("jump_s".into(), -7200.0)]);
}

#[test]
fn a_message_that_reached_nobody_is_told_without_an_address() {
    let not_sent = NotSent {
        garden: "Saltbush Gully Primary School".to_owned(),
        who: "grounds".to_owned(),
        channel: Channel::Email,
        reason: "550 <grounds@school.example> unknown".to_owned(),
        at: at(-60),
        priority: Priority::High,
        others: 1,
    };
    let not_sent = messages(MessageHealth::NotSent(not_sent));
    let changes = run(
        &mut core(),
        &[
            (0, not_sent.clone(), None),
            (120, not_sent, RAISED),
            (180, messages(MessageHealth::Reached), None),
            (480, messages(MessageHealth::Reached), OVER),
        ],
    );
    assert_eq!(
        changes[0].record.said.text,
        "A message to grounds at Saltbush Gully Primary School did not arrive: given up by e-mail at 2:59 pm on Friday \
         17 April. The last answer was: 550 (an address) unknown. One other group was not reached either. Tell them \
         now yourself what the alarms say. Then set their address or the server right; `trug tell --test grounds` \
         tries it."
    );
    assert_eq!(changes[0].priority, Priority::High, "that of what was lost");
}

#[test]
fn a_record_that_fails_is_told_with_its_true_times() {
    let failing = record(StoreHealth::Failing { since: at(0) });
    let mut core = core();
    // Within the delay nothing is told, and success ends it.
    assert_eq!(state(&look(&mut core, &failing, 59)), None);
    assert_eq!(state(&look(&mut core, &record(StoreHealth::Written), 59)), None);
    // Looked at much later, the step carries the time at which it was due.
    let changes = look(&mut core, &failing, 5000);
    assert_eq!(state(&changes), RAISED);
    assert_eq!((changes[0].record.since, changes[0].record.at), (at(0), at(60)));
    assert_eq!(state(&look(&mut core, &failing, 5030)), None);
    assert_eq!(state(&look(&mut core, &record(StoreHealth::Written), 5060)), None);
    assert_eq!(state(&look(&mut core, &record(StoreHealth::Written), 5360)), OVER);
    // It fails again before anybody answered: a new occurrence.
    let again = record(StoreHealth::Failing { since: at(6000) });
    assert_eq!(state(&look(&mut core, &again, 6059)), None);
    let changes = look(&mut core, &again, 6060);
    assert_eq!(state(&changes), RAISED);
    assert_eq!(changes[0].record.since, at(6000));
}

/// Whoever tells while the core waits says exactly what the core will say.
#[test]
fn what_is_told_past_the_core_is_what_the_core_does_later() {
    let mut core = core();
    let alarms = core.store_alarms();
    assert_eq!(alarms.failing(at(0), at(59)), []);
    let early = alarms.failing(at(0), at(60));
    assert_eq!(alarms.failing(at(0), at(900)), early);
    assert_eq!(look(&mut core, &record(StoreHealth::Failing { since: at(0) }), 900), early);
    assert_eq!(state(&early), RAISED);
    // It stands already: nothing is to be told.
    assert_eq!(core.store_alarms().failing(at(300), at(900)), []);
    // Put aside by somebody: nothing either.
    let mut core = self::core();
    let mut batch = Batch::default();
    let answer = Answer {
        key: early[0].record.key.clone(),
        at: at(0),
        input: Some(Input::TakeOut),
        how: "command".to_owned(),
        since: None,
        note: None,
    };
    assert_eq!(core.answer(&answer, &mut batch), Answered::Done);
    assert_eq!(core.store_alarms().failing(at(300), at(900)), []);
}

#[test]
fn what_was_not_measured_changes_nothing() {
    let mut core = core();
    look(&mut core, &disk(100), 0);
    assert_eq!(state(&look(&mut core, &disk(100), 60)), RAISED);
    for s in 1..100 {
        assert_eq!(look(&mut core, &SystemHealth::default(), s * 3600), []);
    }
}

#[test]
fn a_simulated_garden_says_nothing_of_this_computer() {
    let mut core = Core::new(&[garden("saltbush-gully", Vec::new())], Clock::Readings);
    look(&mut core, &disk(1), 0);
    assert_eq!(look(&mut core, &disk(1), 900), []);
    assert_eq!(core.store_alarms().failing(at(0), at(900)), []);
}

#[test]
fn alarms_stand_where_somebody_is_concerned_or_at_the_first_garden() {
    let gardens = [
        garden("creek", vec![group("grounds", &[Kind::DryBed])]),
        garden("ridge", vec![group("office", &[Kind::DiskNearlyFull]), group("fish", &[Kind::LowOxygen])]),
        garden("valley", vec![group("office", &[])]),
    ];
    let mut core = Core::new(&gardens, Clock::Arrival);
    look(&mut core, &disk(1), 0);
    let sites: Vec<_> =
        look(&mut core, &disk(1), 60).iter().map(|c| c.record.key.site.as_str().to_owned()).collect();
    assert_eq!(sites, ["ridge", "valley"]);
    // Nobody is concerned: page and history of the first garden have it.
    let mut core = Core::new(&gardens[..1], Clock::Arrival);
    look(&mut core, &disk(1), 0);
    let changes = look(&mut core, &disk(1), 60);
    assert_eq!(changes[0].record.key.site.as_str(), "creek");
    assert!(changes[0].tell.is_empty());
    let view = core.view("creek").expect("it is there");
    assert_eq!(view.alarms[0].place_name, "Trug");
}

/// A group is added elsewhere while the alarm stands: it still ends where it began.
#[test]
fn one_that_was_stored_is_judged_where_it_stands() {
    let gardens =
        [garden("creek", Vec::new()), garden("ridge", vec![group("office", &[Kind::DiskNearlyFull])])];
    let mut core = Core::new(&gardens, Clock::Arrival);
    let key = AlarmKey { site: Id::new("creek"), kind: Kind::DiskNearlyFull, place: Id::new(SYSTEM_PLACE) };
    core.restore_alarms(vec![AlarmRecord {
        key,
        state: State::Unacknowledged,
        since: at(-100),
        at: at(-40),
        shelf: None,
        course: crate::alarms::AlarmCourse::default(),
        said: AlarmText::new("nearly full", &[], ""),
    }]);
    look(&mut core, &disk(9000), 0);
    assert_eq!(state(&look(&mut core, &disk(9000), 300)), OVER);
}

fn broker(sign: BrokerHealth) -> SystemHealth {
    SystemHealth { broker: Some(sign), ..SystemHealth::default() }
}

fn away(since_s: i64, fault: BrokerFault, reason: &str) -> SystemHealth {
    broker(BrokerHealth::Away(BrokerAway { since: at(since_s), fault, reason: reason.to_owned() }))
}

#[test]
fn a_broker_out_of_reach_is_told_after_its_delay_and_counts_from_its_loss() {
    let dead = || away(10, BrokerFault::Unreachable, "I/O: Connection refused (os error 111)");
    let back = || broker(BrokerHealth::Listening { heard: at(1200) });
    let mut core = core();
    let changes = run(
        &mut core,
        &[
            (60, dead(), None),
            (909, dead(), None),
            (910, dead(), RAISED),
            (1000, dead(), None),
            (1200, back(), None),
            (1260, back(), OVER),
        ],
    );
    assert_eq!((changes[0].record.since, changes[0].priority), (at(10), Priority::High));
    let text = &changes[0].record.said.text;
    assert!(text.starts_with("Trug has not reached the broker (the program that collects the readings) since 3 pm on Friday 17 April, so"), "{text}");
    assert!(text.ends_with("The last answer was: I/O: Connection refused (os error 111)."), "{text}");
    assert!(text.contains("Then check that the broker runs"), "{text}");
    // A short loss is nobody's.
    run(&mut core, &[(2000, away(2000, BrokerFault::Unreachable, ""), None), (2100, back(), None)]);
    // Refused is said as that.
    let refused = || away(3000, BrokerFault::Refused, "the broker refused the connection: NotAuthorized");
    let changes = run(&mut core, &[(3060, refused(), None), (3900, refused(), RAISED)]);
    let text = &changes[0].record.said.text;
    assert!(text.starts_with("The 2nd time since 17 April: The broker (the program that collects the readings) has refused Trug since"), "{text}");
    assert!(text.contains("Then set the user, the password"), "{text}");
}

/// A garden with one probe that sends each quarter of an hour.
fn probed() -> Core {
    let trug = include_str!("../../../config/trug.toml");
    let file = "[site]\nid = \"school\"\nname = \"School\"\ntime_zone = \"Australia/Adelaide\"\n\
                latitude_deg = -34.93\nelevation_m = 95\n\
                [[sensor]]\nid = \"air\"\nmeasures = \"air-temperature\"\ntopic = \"school/air\"\n\
                payload = \"number\"\nevery_s = 900\n\
                [[tell]]\nwho = \"office\"\nalarms = [\"broker-lost\"]\nemail = [\"o@school.example\"]\n";
    let settings = crate::settings::from_text(("trug.toml", trug), &[("g.toml", file)], std::iter::empty());
    let gardens: Vec<_> = settings.expect("no faults").gardens.into_iter().map(Arc::new).collect();
    Core::new(&gardens, Clock::Arrival)
}

#[test]
fn a_broker_that_is_connected_and_sends_nothing_is_told_unless_the_silence_is() {
    let silent = || broker(BrokerHealth::Listening { heard: at(0) });
    let mut core = probed();
    let changes = run(&mut core, &[(3600, silent(), None), (3601, silent(), RAISED), (7200, silent(), None)]);
    let text = &changes[0].record.said.text;
    assert!(
        text.starts_with(
            "The broker (the program that collects the readings) has sent no reading since 3 pm"
        ),
        "{text}"
    );
    assert!(text.contains("one should come every 15 minutes"), "{text}");
    let heard = broker(BrokerHealth::Listening { heard: at(7300) });
    assert_eq!(state(&look(&mut core, &heard, 7300)), None);
    assert_eq!(state(&look(&mut core, &heard, 7360)), OVER);

    // The probe's own silence has been told: it is one thing that is wrong.
    let mut core = probed();
    let mut batch = Batch::default();
    core.start(at(0));
    core.tick(at(3400), &mut batch);
    assert_eq!(batch.changes.iter().map(|c| c.record.key.kind).collect::<Vec<_>>(), [Kind::SensorSilent]);
    assert_eq!(look(&mut core, &silent(), 3700), []);
}
