//! The world around one engine: devices, network, broker, disk, people and a time-series
//! server, moved on step by step.

mod checks;

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use super::Draw;
use super::broker::{
    Publication, START_S, SentReading, SimulatedBroker, SimulatedPublisher, measured, moment,
};
use super::counts::{FaultCounts, WorldKind};
use super::disk::DiskImage;
use super::record::{FORWARDER, empty_record, folder, settings_at};
use crate::engine::keeper::Engine;
use crate::engine::keeper::rounds::Round;
use crate::engine::{DaemonHealth, RawMessage, TellingClock};
use crate::garden::Clock;
use crate::garden::system::health::Clocks;
use crate::settings::Settings;
use crate::store::{ForwardProgress, MessageState, Outcome, Reader, Tried, WriteFault};
use crate::telling::Message;

/// Steps with faults.
const STEPS: u32 = 24;

/// Rounds without any in which everything has to arrive.
const CALM_STEPS: u32 = 400;

/// Messages that the broker sends ahead of the acknowledgements.
const WINDOW: usize = 5;

/// Longer than the worker ever waits for a second try.
const FAR: SignedDuration = SignedDuration::from_mins(30);

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
            let engine = self.engine.as_mut().expect("it runs");
            let kept = engine.keep_states(&self.daemon_health, wall);
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

    /// Whether everything has been brought where it goes.
    fn is_quiet(&self) -> bool {
        self.what_waits().is_empty()
    }

    fn what_waits(&self) -> String {
        let reader = self.reader();
        let position = reader.forward_position(FORWARDER).expect("known");
        let forwarding = reader.forward_rows(position, 1).expect("the queue can be read");
        let all = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages can be read");
        // Rules look at time as well: an hour after the last reading nothing is under way.
        let long = self.readings.last().is_some_and(|it| self.wall_s > it.at_s + 3600);
        let waits = [
            ("time", !long || self.ahead_s != 0 && self.faulty),
            ("readings", self.measured < self.readings.len() || !self.network.is_empty()),
            ("the broker", !self.broker.queue.is_empty() || !self.broker.unacknowledged.is_empty()),
            ("a batch", !self.inbox.is_empty() || self.uncommitted.is_some()),
            ("letters", !reader.letters(0, 1).expect("the outbox can be read").is_empty()),
            ("forwarding", !forwarding.is_empty()),
            ("messages", all.iter().any(|it| it.state == MessageState::Waiting)),
        ];
        let waits: Vec<_> = waits.into_iter().filter(|(_, waits)| *waits).map(|(what, _)| what).collect();
        waits.join(", ")
    }
}

fn raw<'m>(topic: &'m str, payload: &'m str, arrival: Timestamp) -> RawMessage<'m> {
    RawMessage { topic: topic.as_bytes(), payload: payload.as_bytes(), retained: false, arrival }
}
