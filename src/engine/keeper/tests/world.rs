//! The world around one engine: devices, network, broker, disk, people and a time-series
//! server, moved on step by step.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fmt;
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::OnceLock;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use super::Draw;
use super::disk::DiskImage;
use crate::engine::keeper::Engine;
use crate::engine::keeper::rounds::Round;
use crate::engine::{DaemonHealth, RawMessage, TellingClock};
use crate::garden::Clock;
use crate::garden::system::health::Clocks;
use crate::model::TimeFrom;
use crate::settings::{Settings, from_text};
use crate::store::{
    ForwardProgress, MessageState, Outcome, QueuedPublication, Reader, ReadingFilter, Tried, WriteFault,
};
use crate::telling::{Message, Purpose};

/// Saltbush Gully Primary School is invented.
const GARDEN: &str = r#"
[site]
id = "saltbush-gully"
name = "Saltbush Gully Primary School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.93
elevation_m = 95
[watering]
allowed = ["00:00-24:00"]
[[tank]]
id = "perch-tank"
name = "Perch tank"
volume_l = 500
species = "silver perch"
fish = 12
[[bed]]
id = "kitchen-bed"
name = "Kitchen bed"
area_m2 = 10
field_capacity = 0.30
wilting_point = 0.10
root_depth_m = 0.5
depletion_fraction = 0.4
[[sensor]]
id = "perch-water"
measures = "water-temperature"
tank = "perch-tank"
topic = "saltbush-gully/perch-water"
payload = { json = { value = "/raw", time = "/t" } }
every_s = 300
[[sensor]]
id = "kitchen-15cm"
measures = "soil-moisture"
bed = "kitchen-bed"
depth_cm = 15
topic = "saltbush-gully/kitchen-15cm"
payload = { json = { value = "/raw", time = "/t" } }
every_s = 900
[alarms.tank-too-warm]
on_delay_s = 600
off_delay_s = 600
[alarms.dry-bed]
on_delay_s = 900
off_delay_s = 900
[[tell]]
who = "grounds"
alarms = ["tank-too-warm", "tank-temperature-shock", "dry-bed", "sensor-silent"]
file = ["record"]
"#;

const TRUG: &str = r#"
[broker]
url = "mqtt://127.0.0.1"
[store]
path = "trug.db"
[[told_file]]
name = "record"
path = "told.jsonl"
[[forward]]
name = "school"
url = "http://127.0.0.1:8086/write?db=garden"
"#;

const FORWARDER: &str = "school";
/// 2026-04-17 05:30 UTC.
const START_S: i64 = 1_776_403_800;
/// Readings of the tank; the bed has a third of them.
const READINGS: u64 = 12;
/// Steps with faults.
const STEPS: u32 = 24;
/// Rounds without any in which everything has to arrive.
const CALM_STEPS: u32 = 400;
/// Messages that the broker sends ahead of the acknowledgements.
const WINDOW: usize = 5;
/// Longer than the worker ever waits for a second try.
const FAR: SignedDuration = SignedDuration::from_mins(30);

/// What is held against what.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum WorldKind {
    /// The readings' own times are the clock: record, alarms and messages are those of an
    /// engine to which nothing happens.
    SameAsCalm,
    /// The computer's clock, which jumps; the network reorders, and the broker forgets.
    ClockJumps,
}

/// How often each fault came.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct FaultCounts {
    pub(super) crashes: u64,
    pub(super) torn: u64,
    pub(super) stops: u64,
    failed: u64,
    cuts: u64,
    repeated: u64,
    jumps: u64,
    forgotten: u64,
    pub(super) resumed: u64,
    sent: u64,
    alarms: u64,
    messages: u64,
    slowest_steps: u64,
}

impl FaultCounts {
    pub(super) fn add(&mut self, it: &Self) {
        self.crashes += it.crashes;
        self.torn += it.torn;
        self.stops += it.stops;
        self.failed += it.failed;
        self.cuts += it.cuts;
        self.repeated += it.repeated;
        self.jumps += it.jumps;
        self.forgotten += it.forgotten;
        self.resumed += it.resumed;
        self.sent += it.sent;
        self.alarms += it.alarms;
        self.messages += it.messages;
        self.slowest_steps = self.slowest_steps.max(it.slowest_steps);
    }

    /// A row of the table of `tests/faults`. A seed that loses anything ends the test, so
    /// whoever comes so far has lost nothing.
    pub(super) fn row(&self, kind: WorldKind, seeds: u64, took: Duration) -> String {
        let name = match kind {
            WorldKind::SameAsCalm => "simulated: as without faults",
            WorldKind::ClockJumps => "simulated: clock jumps, disorder",
        };
        let faults =
            self.crashes + self.stops + self.failed + self.cuts + self.repeated + self.jumps + self.forgotten;
        format!(
            "{name}\t{seeds} seeds, {faults}\t{}\t0\t0\t0\t0\t-\t{} steps ({:.0} s in all)\n",
            self.sent,
            self.slowest_steps,
            took.as_secs_f64()
        )
    }
}

impl fmt::Display for FaultCounts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} readings, {} alarm steps, {} messages; {} crashes ({} within a write), {} stops, {} failed writes, \
             {} lost connections, {} repeats, {} jumps of the clock, {} sessions forgotten; {} starts from a kept \
             state; all there after at most {} calm steps",
            self.sent,
            self.alarms,
            self.messages,
            self.crashes,
            self.torn,
            self.stops,
            self.failed,
            self.cuts,
            self.repeated,
            self.jumps,
            self.forgotten,
            self.resumed,
            self.slowest_steps,
        )
    }
}

/// A reading on its way from a device.
#[derive(Clone, Debug)]
struct SentReading {
    sensor: &'static str,
    at_s: i64,
    raw: f64,
}

impl SentReading {
    fn topic(&self) -> String {
        format!("saltbush-gully/{}", self.sensor)
    }

    fn payload(&self) -> String {
        format!(r#"{{"raw":{},"t":{}}}"#, self.raw, self.at_s)
    }
}

/// A message of the broker: its number, and which reading it brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Publication {
    id: u64,
    reading: usize,
}

#[derive(Default)]
struct SimulatedBroker {
    queue: VecDeque<Publication>,
    /// Sent to Trug and not acknowledged.
    unacknowledged: VecDeque<Publication>,
    next_id: u64,
    session: u64,
    connected: bool,
    /// Everything that it ever took, in order.
    taken: Vec<usize>,
    /// What Trug has told it is stored.
    acknowledged: BTreeSet<usize>,
    /// Alarms that it heard, in order.
    heard: Vec<QueuedPublication>,
}

impl SimulatedBroker {
    fn take(&mut self, reading: usize) {
        self.queue.push_back(Publication { id: self.next_id, reading });
        self.next_id += 1;
        self.taken.push(reading);
    }

    fn disconnect(&mut self) {
        if std::mem::take(&mut self.connected) {
            self.session += 1;
            while let Some(publication) = self.unacknowledged.pop_back() {
                self.queue.push_front(publication);
            }
        }
    }
}

/// What the task that publishes alarms knows (`deliver::mqtt`).
#[derive(Default)]
struct SimulatedPublisher {
    acknowledged: i64,
    read_to: i64,
    on_the_way: VecDeque<i64>,
}

/// Sensor and raw number to the times at which they are stored.
type StoredTimes = BTreeMap<(String, u64), Vec<(i64, bool)>>;

/// A message that Trug holds, and the session from which it came.
type Held = (Publication, u64);

/// One seed's world.
pub(super) struct FaultyWorld {
    kind: WorldKind,
    draw: Draw,
    pub(super) counts: FaultCounts,
    loud: bool,
    story: Vec<String>,
    folder: tempfile::TempDir,
    life: u32,
    settings: Settings,
    wall_s: i64,
    /// What the computer's clock is ahead by.
    ahead_s: i64,
    engine: Option<Engine>,
    reader: Option<Reader>,
    daemon_health: DaemonHealth,
    readings: Vec<SentReading>,
    /// Which reading is measured next.
    measured: usize,
    /// When each copy of a reading reaches the broker.
    network: Vec<(i64, usize)>,
    broker: SimulatedBroker,
    inbox: VecDeque<Held>,
    arrivals: i64,
    /// A batch that could not be written yet.
    uncommitted: Option<(Round, Vec<Held>)>,
    publisher: SimulatedPublisher,
    /// Where the forwarder is; `None` before it has asked.
    position: Option<i64>,
    /// What the time-series server has: series and time.
    server: BTreeMap<(u32, Timestamp), (u64, Option<u64>)>,
    /// Tries that the store has not noted, with how many it knew of.
    tried: BTreeMap<i64, u32>,
    mailbox: Vec<Message>,
    fault: Option<WriteFault>,
    faulty: bool,
}

fn settings() -> &'static Settings {
    static SETTINGS: OnceLock<Settings> = OnceLock::new();
    SETTINGS.get_or_init(|| {
        from_text(("trug.toml", TRUG), &[("garden.toml", GARDEN)], std::iter::empty())
            .unwrap_or_else(|faults| panic!("{faults}"))
    })
}

/// Memory where there is some: nothing here waits for a disk.
fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).expect("a folder for the world")
}

/// A record in which nothing is stored yet.
fn empty_record() -> &'static DiskImage {
    static EMPTY: OnceLock<DiskImage> = OnceLock::new();
    EMPTY.get_or_init(|| {
        let folder = folder();
        let path = folder.path().join("trug.db");
        let settings = settings_at(path.clone());
        drop(Engine::open_at(&settings, Clock::Arrival, moment(START_S)).expect("a new record"));
        DiskImage::of(&path)
    })
}

fn settings_at(path: PathBuf) -> Settings {
    let mut settings = settings().clone();
    settings.store.path = path;
    settings
}

fn moment(second: i64) -> Timestamp {
    Timestamp::from_second(second).expect("a time of this century")
}

/// What the devices measure: both walk to and fro over the limits of an alarm.
fn measured(draw: &mut Draw) -> Vec<SentReading> {
    let mut readings = Vec::new();
    let (mut water_c, mut moisture) = (26.0, 0.26);
    let (mut warmer, mut drier) = (draw.one_in(2), true);
    for n in 0..READINGS {
        let at_s = START_S + n as i64 * 300;
        if draw.one_in(7) {
            warmer = !warmer;
        }
        // Half a degree in five minutes is no spike.
        water_c += if warmer { 0.75 } else { -0.75 } + draw.below(100) as f64 / 1000.0;
        let raw = number(water_c, n);
        readings.push(SentReading { sensor: "perch-water", at_s, raw });
        if n % 3 == 0 {
            if draw.one_in(4) {
                drier = !drier;
            }
            moisture += if drier { -0.012 } else { 0.012 };
            let raw = number(moisture, n);
            readings.push(SentReading { sensor: "kitchen-15cm", at_s: at_s + 7, raw });
        }
    }
    readings
}

/// Rounded, and like no other.
fn number(value: f64, n: u64) -> f64 {
    (value * 1000.0).round() / 1000.0 + n as f64 * 1e-6
}

impl FaultyWorld {
    pub(super) fn new(kind: WorldKind, seed: u64, loud: bool) -> Self {
        let mut draw = Draw(seed.wrapping_mul(2).wrapping_add(u64::from(kind == WorldKind::ClockJumps)));
        let readings = measured(&mut draw);
        let folder = folder();
        let path = folder.path().join("0.db");
        empty_record().write(&path);
        let mut world = Self {
            kind,
            draw,
            counts: FaultCounts { sent: readings.len() as u64, ..FaultCounts::default() },
            loud,
            story: Vec::new(),
            folder,
            life: 0,
            settings: settings_at(path),
            wall_s: START_S,
            ahead_s: 0,
            engine: None,
            reader: None,
            daemon_health: DaemonHealth::default(),
            readings,
            measured: 0,
            network: Vec::new(),
            broker: SimulatedBroker::default(),
            inbox: VecDeque::new(),
            arrivals: 0,
            uncommitted: None,
            publisher: SimulatedPublisher::default(),
            position: None,
            server: BTreeMap::new(),
            tried: BTreeMap::new(),
            mailbox: Vec::new(),
            fault: None,
            faulty: true,
        };
        world.start();
        world
    }

    /// What happened, for whoever looks for the reason.
    pub(super) fn story(&self) -> String {
        self.story.join("\n")
    }

    fn tell(&mut self, what: String) {
        if self.loud {
            println!("{what}");
        }
        self.story.push(what);
    }

    /// Faults at each step, then none, until everything has arrived.
    pub(super) fn play(&mut self) {
        for _ in 0..STEPS {
            self.step();
        }
        self.faulty = false;
        self.fault(None);
        self.tell("the faults stop".to_owned());
        let mut steps = 0;
        while !self.is_quiet() {
            steps += 1;
            assert!(steps < CALM_STEPS, "it does not recover: {}", self.what_waits());
            self.calm_step();
        }
        self.counts.slowest_steps = steps.into();
        if self.draw.one_in(4) {
            self.crash(DiskImage::of(&self.settings.store.path));
        }
        self.check_everything();
    }

    fn step(&mut self) {
        match self.draw.below(48) {
            0..=8 => self.time_passes(),
            9..=14 => self.broker_sends(),
            15..=23 => self.round(),
            24..=26 => self.publish(),
            27..=29 => self.forward(),
            30..=32 => self.deliver_messages(),
            33..=34 => self.cut(),
            35..=37 => self.write_fault(),
            38 => self.crash(DiskImage::of(&self.settings.store.path)),
            39 => self.tear(),
            40 => self.stop(),
            41..=42 => self.jump(),
            43 => self.forget(),
            _ => self.connect(),
        }
    }

    fn calm_step(&mut self) {
        self.time_passes();
        self.connect();
        self.broker_sends();
        self.round();
        self.publish();
        self.forward();
        self.deliver_messages();
    }

    fn wall(&self) -> Timestamp {
        moment(self.wall_s + self.ahead_s)
    }

    fn clocks(&self) -> Clocks {
        // The computer was started an hour before.
        let since_boot = Duration::from_secs((self.wall_s - START_S + 3600).unsigned_abs());
        Clocks { wall: self.wall(), since_boot }
    }

    fn engine(&mut self) -> &mut Engine {
        self.engine.as_mut().expect("it runs")
    }

    /// Reads beside the engine of this life.
    fn reader(&self) -> Reader {
        self.reader.clone().expect("it runs")
    }

    fn start(&mut self) {
        let clock = match self.kind {
            WorldKind::SameAsCalm => Clock::Readings,
            WorldKind::ClockJumps => Clock::Arrival,
        };
        let wall = self.wall();
        let mut engine = Engine::open_at(&self.settings, clock, wall).expect("the record can be opened");
        assert!(engine.salvaged.is_none(), "the record is damaged: {:?}", engine.salvaged);
        assert!(engine.store.set_aside().is_empty(), "an alarm cannot be understood");
        if self.kind == WorldKind::SameAsCalm {
            engine.telling_clock = TellingClock::simulated();
        }
        engine.on_change(Box::new(|_| {}));
        let goes_on = engine.goes_on();
        self.counts.resumed += goes_on;
        self.tell(format!("{goes_on} gardens go on from what was kept"));
        engine.router.core.start(wall);
        engine.store.checkpoint_after(4);
        self.reader = Some(engine.reader().expect("the record can be read"));
        self.engine = Some(engine);
        self.daemon_health = DaemonHealth::default();
        self.position = None;
        self.publisher = SimulatedPublisher::default();
        self.tried.clear();
        self.fault = None;
    }

    /// Devices measure, and the network brings what it has.
    fn time_passes(&mut self) {
        let by = 10 + self.draw.below(if self.faulty { 600 } else { 1200 }) as i64;
        self.wall_s += by;
        while let Some(reading) = self.readings.get(self.measured)
            && reading.at_s <= self.wall_s
        {
            let mut delay = 0;
            if self.kind == WorldKind::ClockJumps && self.draw.one_in(4) {
                delay = self.draw.below(1500) as i64;
            }
            self.network.push((self.wall_s + delay, self.measured));
            if self.faulty && self.draw.one_in(6) {
                self.counts.repeated += 1;
                let later = self.draw.below(900) as i64;
                self.network.push((self.wall_s + delay + later, self.measured));
            }
            self.measured += 1;
        }
        let wall_s = self.wall_s;
        // Stable: what comes at the same moment keeps its order.
        self.network.sort_by_key(|(due, _)| *due);
        let due = self.network.iter().take_while(|(due, _)| *due <= wall_s).count();
        let due: Vec<_> = self.network.drain(..due).collect();
        for (_, reading) in due {
            self.broker.take(reading);
        }
        self.tell(format!("{by} s pass; the broker holds {}", self.broker.queue.len()));
    }

    fn connect(&mut self) {
        if !self.broker.connected {
            self.broker.connected = true;
            self.tell("connected".to_owned());
        }
    }

    fn cut(&mut self) {
        self.counts.cuts += u64::from(self.broker.connected);
        self.broker.disconnect();
        self.publisher.on_the_way.clear();
        self.publisher.read_to = self.publisher.acknowledged;
        self.tell("the connection is lost".to_owned());
    }

    /// The broker is killed and has kept no session. What it had not brought yet is lost
    /// with it; what it was told is stored must be.
    fn forget(&mut self) {
        if self.kind == WorldKind::ClockJumps && self.faulty {
            self.cut();
            self.counts.forgotten += 1;
            self.broker.queue.clear();
            self.tell("the broker has forgotten its session".to_owned());
        }
    }

    fn broker_sends(&mut self) {
        for _ in 0..self.draw.below(4) {
            if !self.broker.connected || self.broker.unacknowledged.len() >= WINDOW {
                return;
            }
            let Some(publication) = self.broker.queue.pop_front() else { return };
            self.broker.unacknowledged.push_back(publication);
            self.inbox.push_back((publication, self.broker.session));
        }
    }

    /// One round of the engine: it judges what came and commits it, or tries again what it
    /// could not commit. Then it acknowledges.
    fn round(&mut self) {
        let (round, taken) = match self.uncommitted.take() {
            Some(waiting) => waiting,
            None => {
                let many = 1 + self.draw.below(6) as usize;
                let taken: Vec<Held> = self.inbox.drain(..many.min(self.inbox.len())).collect();
                (self.judge(&taken), taken)
            }
        };
        if round.commit && !self.commit() {
            self.counts.failed += 1;
            self.tell(format!("a batch of {} could not be written ({:?})", taken.len(), self.fault));
            self.uncommitted = Some((round, taken));
            if !matches!(self.fault, Some(WriteFault::End | WriteFault::Full(_))) || self.draw.one_in(3) {
                self.fault(None);
            }
            return;
        }
        self.acknowledge(&taken);
        self.engine().finish(&round);
        self.keep_states();
    }

    /// Now and then a day is over, or so it seems; the write may fail as any other.
    fn keep_states(&mut self) {
        let wall = self.wall();
        if self.faulty && self.draw.one_in(3) && self.engine().is_settled() {
            let kept = self.engine().keep_states(wall);
            self.tell(format!("how the garden stands is kept: {kept:?}"));
        }
    }

    fn judge(&mut self, taken: &[Held]) -> Round {
        let clocks = self.clocks();
        let mut brought = Vec::new();
        for (publication, _) in taken {
            let reading = &self.readings[publication.reading];
            // No two come in the same millisecond of the second before.
            self.arrivals = self.arrivals % 999 + 1;
            let arrival = clocks.wall - SignedDuration::from_millis(1000 - self.arrivals);
            brought.push((reading.topic(), reading.payload(), arrival));
        }
        let messages = brought.iter().map(|(topic, payload, arrival)| (raw(topic, payload, *arrival), None));
        let engine = self.engine.as_mut().expect("it runs");
        engine.judge(messages, &|| clocks, &self.daemon_health)
    }

    fn commit(&mut self) -> bool {
        let wall = self.wall();
        let engine = self.engine.as_mut().expect("it runs");
        self.daemon_health.store_watch.writing(wall);
        engine.try_commit(&self.daemon_health, &|| wall)
    }

    /// Tells the broker of what is stored; the connection may go on the way.
    fn acknowledge(&mut self, taken: &[Held]) {
        let mut told = Vec::new();
        for (publication, session) in taken {
            if self.faulty && self.draw.one_in(25) {
                self.cut();
            }
            if self.broker.connected && *session == self.broker.session {
                self.broker.unacknowledged.retain(|it| it != publication);
                if self.broker.acknowledged.insert(publication.reading) {
                    told.push(publication.reading);
                }
            }
        }
        if !taken.is_empty() {
            self.tell(format!("{} messages are kept, {} acknowledged", taken.len(), told.len()));
        }
        let stored = self.stored();
        for reading in told {
            self.assert_stored(&stored, reading);
        }
    }

    /// What is stored: sensor and raw number (no two readings of a sensor have the same)
    /// to its times, and whether each is the device's own.
    fn stored(&self) -> StoredTimes {
        let mut stored = StoredTimes::new();
        self.reader()
            .readings(&ReadingFilter::default(), |row| {
                let times = stored.entry((row.series.sensor.clone(), row.raw.to_bits())).or_default();
                times.push((row.at.as_second(), row.time_from == TimeFrom::Device));
                ControlFlow::Continue(())
            })
            .expect("the readings can be read");
        stored
    }

    /// A device's time that is hours ahead of the computer's clock is not believed: the
    /// reading has its arrival instead, and two of them when it came twice.
    fn assert_stored(&self, stored: &StoredTimes, reading: usize) {
        let SentReading { sensor, at_s, raw } = &self.readings[reading];
        let times = stored.get(&((*sensor).to_owned(), raw.to_bits())).map_or(&[][..], Vec::as_slice);
        assert!(!times.is_empty(), "{sensor} at {at_s} was acknowledged and is not stored");
        let own: Vec<_> = times.iter().filter(|(_, own)| *own).collect();
        assert!(own.is_empty() || own == [&(*at_s, true)], "{sensor} at {at_s}: {times:?}");
        assert!(self.kind == WorldKind::ClockJumps || times.len() == 1, "{sensor} at {at_s}: {times:?}");
    }

    /// The task that publishes alarms.
    fn publish(&mut self) {
        if !self.broker.connected {
            return;
        }
        let many = self.draw.below(4) as u32;
        let letters = self.reader().letters(self.publisher.read_to, many).expect("the outbox can be read");
        for letter in letters {
            self.publisher.read_to = letter.seq;
            self.publisher.on_the_way.push_back(letter.seq);
            self.broker.heard.push(letter);
        }
        if self.faulty && self.draw.one_in(5) {
            return self.cut();
        }
        for _ in 0..self.draw.below(4) {
            let Some(seq) = self.publisher.on_the_way.pop_front() else { return };
            let first = self.publisher.on_the_way.front();
            self.publisher.acknowledged = first.map_or(self.publisher.read_to, |first| first - 1);
            self.engine().letters_sent.push(seq);
        }
    }

    /// The forwarder; its server may be away, or its answer may be lost.
    fn forward(&mut self) {
        if self.faulty && self.draw.one_in(3) {
            return;
        }
        let reader = self.reader();
        let position =
            self.position.unwrap_or_else(|| reader.forward_position(FORWARDER).expect("a known forwarder"));
        let rows =
            reader.forward_rows(position, 1 + self.draw.below(5) as u32).expect("the queue can be read");
        let Some(last) = rows.last().map(|row| row.seq) else { return };
        for row in &rows {
            self.server.insert((row.series, row.at), (row.raw.to_bits(), row.value.map(f64::to_bits)));
        }
        if self.faulty && self.draw.one_in(4) {
            return;
        }
        self.position = Some(last);
        let progress = ForwardProgress { name: FORWARDER.to_owned(), position: last, refused: Vec::new() };
        self.engine().forwarded.push(progress);
    }

    /// The worker that brings messages to people. It touches none whose outcome it has
    /// reported before that is noted.
    fn deliver_messages(&mut self) {
        let reader = self.reader();
        let wall = self.wall();
        let all = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages can be read");
        self.tried.retain(|seq, tries| {
            all.iter().any(|it| it.seq == *seq && it.state == MessageState::Waiting && it.tries == *tries)
        });
        for it in all {
            // A time that is far off was made by a clock that has been put back since.
            let due = it.next <= wall || it.next.duration_since(wall) > FAR;
            if it.state != MessageState::Waiting || self.tried.contains_key(&it.seq) || !due {
                continue;
            }
            let later = self.faulty && self.draw.one_in(4);
            let outcome = if later {
                let next = wall.checked_add(SignedDuration::from_secs(60)).expect("a time");
                Outcome::Later { next, reason: "the disk of the other side is full".to_owned() }
            } else {
                self.mailbox.push(it.message.clone());
                Outcome::Sent
            };
            self.tried.insert(it.seq, it.tries);
            self.engine().take_try((Tried { seq: it.seq, at: wall, outcome }, None));
        }
    }

    fn fault(&mut self, fault: Option<WriteFault>) {
        self.fault = fault;
        self.engine().store.fail_writes(fault);
    }

    fn write_fault(&mut self) {
        let fault = match self.draw.below(6) {
            0 => WriteFault::End,
            1 => WriteFault::Full(self.draw.below(3) as i64),
            _ => {
                let to = 1 << self.draw.below(12);
                WriteFault::Step(1 + self.draw.below(to))
            }
        };
        self.tell(format!("writes fail: {fault:?}"));
        self.connect();
        self.time_passes();
        self.broker_sends();
        self.fault(Some(fault));
        self.round();
    }

    /// The process is killed, or the power goes: what is on the disk stays.
    fn crash(&mut self, left: DiskImage) {
        self.counts.crashes += 1;
        self.leave();
        self.life += 1;
        let path = self.folder.path().join(format!("{}.db", self.life));
        left.write(&path);
        self.settings.store.path = path;
        self.tell(format!("a crash; life {} begins", self.life));
        self.start();
        self.check_after_start();
    }

    fn leave(&mut self) {
        self.reader = None;
        self.engine = None;
        self.inbox.clear();
        self.uncommitted = None;
        self.broker.disconnect();
    }

    /// The power goes within a write.
    fn tear(&mut self) {
        if self.uncommitted.is_some() {
            return;
        }
        self.connect();
        self.time_passes();
        self.broker_sends();
        let before = DiskImage::of(&self.settings.store.path);
        let taken: Vec<Held> = self.inbox.drain(..).collect();
        let round = self.judge(&taken);
        if !round.commit {
            return self.inbox.extend(taken);
        }
        self.fault(None);
        assert!(self.commit(), "nothing is wrong yet");
        let after = DiskImage::of(&self.settings.store.path);
        self.counts.torn += 1;
        self.tell(format!("the power goes while {} messages are written", taken.len()));
        let left = DiskImage::torn(&before, &after, &mut self.draw);
        self.crash(left);
    }

    /// The daemon is stopped in order: what waits is committed, if that can be.
    fn stop(&mut self) {
        self.counts.stops += 1;
        self.tell("stopped and started again".to_owned());
        if self.uncommitted.is_none() {
            let taken: Vec<Held> = self.inbox.drain(..).collect();
            let round = self.judge(&taken);
            if !round.commit || self.commit() {
                self.acknowledge(&taken);
                self.engine().finish(&round);
                self.keep_states();
            }
        }
        if self.draw.one_in(6) {
            self.fault(None);
            let torn = self.engine().store.tear_snapshots();
            self.tell(format!("{torn} kept states are torn"));
        }
        self.leave();
        self.start();
        self.check_after_start();
    }

    fn jump(&mut self) {
        if self.kind == WorldKind::ClockJumps && self.faulty {
            self.counts.jumps += 1;
            let by = [-7200, -90, 90, 7200, 200_000][self.draw.below(5) as usize];
            // It comes back: nothing is ahead for long.
            self.ahead_s = if self.ahead_s == 0 { by } else { 0 };
            self.tell(format!("the clock is {} s ahead", self.ahead_s));
        }
    }

    /// Everything that was ever acknowledged is stored, once.
    fn check_after_start(&self) {
        let stored = self.stored();
        for reading in &self.broker.acknowledged {
            self.assert_stored(&stored, *reading);
        }
    }

    /// Whether everything has been brought where it goes.
    fn is_quiet(&self) -> bool {
        self.what_waits().is_empty()
    }

    fn what_waits(&self) -> String {
        let reader = self.reader();
        let last = reader.forward_last().expect("the queue can be read");
        let all = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages can be read");
        // Rules look at time as well: an hour after the last reading nothing is under way.
        let long = self.readings.last().is_some_and(|it| self.wall_s > it.at_s + 3600);
        let waits = [
            ("time", !long || self.ahead_s != 0 && self.faulty),
            ("readings", self.measured < self.readings.len() || !self.network.is_empty()),
            ("the broker", !self.broker.queue.is_empty() || !self.broker.unacknowledged.is_empty()),
            ("a batch", !self.inbox.is_empty() || self.uncommitted.is_some()),
            ("letters", !reader.letters(0, 1).expect("the outbox can be read").is_empty()),
            (
                "forwarding",
                last.is_some_and(|last| reader.forward_position(FORWARDER).expect("known") < last),
            ),
            ("messages", all.iter().any(|it| it.state == MessageState::Waiting)),
        ];
        let waits: Vec<_> = waits.into_iter().filter(|(_, waits)| *waits).map(|(what, _)| what).collect();
        waits.join(", ")
    }

    fn check_everything(&mut self) {
        let reader = self.reader();
        let stored = self.stored();
        let known: BTreeSet<(String, u64)> =
            self.readings.iter().map(|it| (it.sensor.to_owned(), it.raw.to_bits())).collect();
        assert!(stored.keys().all(|key| known.contains(key)), "something is stored that nobody sent");
        if self.kind == WorldKind::SameAsCalm {
            assert_eq!(stored.len(), self.readings.len(), "something is missing");
        }
        self.check_server(&reader);
        self.check_alarms(&reader);
        self.check_messages(&reader);
        if self.kind == WorldKind::SameAsCalm {
            self.check_same_as_calm(&reader);
        }
    }

    /// The time-series server has each reading, as it is stored.
    fn check_server(&self, reader: &Reader) {
        let mut expected = BTreeMap::new();
        let series = reader.series().expect("the series can be read");
        reader
            .readings(&ReadingFilter::default(), |row| {
                let number =
                    series.iter().find(|(_, it)| it.sensor == row.series.sensor).map(|(number, _)| *number);
                let point = (row.raw.to_bits(), row.value.map(f64::to_bits));
                expected.insert((number.expect("a known series"), row.at), point);
                ControlFlow::Continue(())
            })
            .expect("the readings can be read");
        assert!(self.server == expected, "the server has {} of {}", self.server.len(), expected.len());
    }

    /// Each step of each alarm was heard, in order, and the last of each topic is how it stands.
    fn check_alarms(&mut self, reader: &Reader) {
        let changes = reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).expect("the history");
        self.counts.alarms = changes.len() as u64;
        let mut newest = 0;
        let mut keys = BTreeMap::new();
        let mut standing = BTreeMap::new();
        for it in &self.broker.heard {
            if it.seq > newest {
                newest = it.seq;
                let twice = keys.insert(it.letter.key.clone(), it.seq);
                assert!(twice.is_none(), "{} was told under two numbers", it.letter.key);
            } else {
                assert_eq!(keys.get(&it.letter.key), Some(&it.seq), "{} came out of order", it.letter.key);
            }
            standing.insert(it.letter.topic.clone(), it.letter.key.clone());
        }
        let steps: BTreeSet<String> = changes
            .iter()
            .map(|it| crate::engine::publication::standing(it, &self.settings.gardens).key)
            .collect();
        assert_eq!(steps.len(), changes.len(), "a step is stored twice: {changes:#?}");
        assert_eq!(keys.into_keys().collect::<BTreeSet<_>>(), steps, "what was heard is what is stored");
        for row in reader.alarms_known().expect("the alarms can be read") {
            let letter = crate::engine::publication::standing(&row, &self.settings.gardens);
            if let Some(last) = standing.get(&letter.topic) {
                assert_eq!(*last, letter.key, "how it stands was told last");
            }
        }
    }

    /// Each message reached its people as it is stored, and tells each occurrence once.
    fn check_messages(&mut self, reader: &Reader) {
        let all = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages can be read");
        self.counts.messages = all.len() as u64;
        let kept: BTreeMap<String, Message> =
            all.into_iter().map(|it| (it.message.key.clone(), it.message)).collect();
        let mut brought = BTreeMap::new();
        for message in &self.mailbox {
            let before = brought.insert(message.key.clone(), message.clone());
            assert!(before.is_none_or(|before| before == *message), "one key, two messages: {}", message.key);
        }
        assert!(brought == kept, "brought {:?}, kept {:?}", brought.keys(), kept.keys());
        let told = told_occurrences(kept.values());
        let twice: Vec<_> = told.iter().filter(|(_, times)| **times > 1).collect();
        assert!(twice.is_empty(), "told twice: {twice:?}");
    }

    /// The same messages in the same order to an engine to which nothing happens.
    fn check_same_as_calm(&mut self, reader: &Reader) {
        let path = self.folder.path().join("calm.db");
        empty_record().write(&path);
        let mut calm =
            Engine::open_at(&settings_at(path.clone()), Clock::Readings, moment(START_S)).expect("a record");
        calm.telling_clock = TellingClock::simulated();
        calm.on_change(Box::new(|_| {}));
        let (clocks, daemon_health) = (self.clocks(), DaemonHealth::default());
        calm.router.core.start(clocks.wall);
        let brought: Vec<(String, String)> = self
            .broker
            .taken
            .iter()
            .map(|reading| (self.readings[*reading].topic(), self.readings[*reading].payload()))
            .collect();
        let messages = brought.iter().map(|(topic, payload)| (raw(topic, payload, clocks.wall), None));
        calm.judge(messages, &|| clocks, &daemon_health);
        assert!(calm.try_commit(&daemon_health, &|| clocks.wall), "nothing is wrong");
        let calm = Reader::open(&path).expect("it can be read");
        for (what, left, right) in [
            ("readings", rows(&calm), rows(reader)),
            ("alarms", steps(&calm), steps(reader)),
            ("messages", told(&calm), told(reader)),
        ] {
            let missing: Vec<_> = left.difference(&right).collect();
            let more: Vec<_> = right.difference(&left).collect();
            assert!(
                missing.is_empty() && more.is_empty(),
                "{what}: missing {missing:#?}, too many {more:#?}"
            );
        }
    }
}

fn raw<'m>(topic: &'m str, payload: &'m str, arrival: Timestamp) -> RawMessage<'m> {
    RawMessage { topic: topic.as_bytes(), payload: payload.as_bytes(), retained: false, arrival }
}

/// How often each occurrence stands in a message that something has happened.
fn told_occurrences<'m>(messages: impl Iterator<Item = &'m Message>) -> BTreeMap<String, u32> {
    let mut told = BTreeMap::new();
    for message in messages.filter(|it| matches!(it.purpose, Purpose::News | Purpose::Summary)) {
        for item in &message.items {
            let about =
                format!("{} {} {} {}", item.key.kind.name(), item.key.place, item.since, item.state.name());
            *told.entry(about).or_default() += 1;
        }
    }
    told
}

fn rows(reader: &Reader) -> BTreeSet<String> {
    let mut rows = BTreeSet::new();
    reader
        .readings(&ReadingFilter::default(), |row| {
            rows.insert(format!(
                "{} {} {} {:?} {:?} {:?} late: {}",
                row.series.sensor, row.at, row.raw, row.value, row.flag, row.tests, row.late
            ));
            ControlFlow::Continue(())
        })
        .expect("the readings can be read");
    rows
}

fn steps(reader: &Reader) -> BTreeSet<String> {
    let changes =
        reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).expect("the history can be read");
    // Places of the garden: the daemon's own alarms are about what happened to it.
    let changes = changes.iter().filter(|it| it.record.key.place.as_str() != "trug");
    changes
        .map(|it| format!("{:?} {:?} {} {}", it.record.key, it.record.state, it.record.since, it.record.at))
        .collect()
}

fn told(reader: &Reader) -> BTreeSet<String> {
    let all = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages can be read");
    told_occurrences(all.iter().map(|it| &it.message)).into_keys().collect()
}
