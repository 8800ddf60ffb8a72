//! A broker, a daemon and readings at full flow; and what is found when a fault was tried
//! so many times.

use std::collections::{BTreeSet, HashMap};
use std::path::PathBuf;
use std::time::{Duration, Instant};

use crate::support::daemon::Daemon;
use crate::support::flow::{ExpectedAlarms, Flow, FlowReading, garden_file, number_at, told_in};
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::proxy::Proxy;
use crate::support::rows::rows;
use crate::support::told::history;
use crate::support::wait_until;
use trug::garden::plan::Channel;
use trug::store::Reader;

const LIMIT: Duration = Duration::from_secs(300);
/// Readings that are stored between two faults, at least.
const BETWEEN: u64 = 200;

pub(super) fn is_full() -> bool {
    std::env::var("FAULTS").is_ok_and(|text| text == "full")
}

/// How often a fault is tried.
pub(super) fn times(short: u64, full: u64) -> u64 {
    match std::env::var("FAULTS") {
        Err(_) => short,
        Ok(text) if text == "full" => full,
        Ok(text) => full.min(text.parse().expect("FAULTS is full or a whole number")),
    }
}

/// How readings come to the daemon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Line {
    Direct,
    /// Through something that can be cut, and that notes what was acknowledged.
    Proxied,
    /// The same; and the broker itself loses what it has not brought.
    Forgetful,
}

/// Faults that are tried on one record: each start reads two months of it.
const ON_ONE_RECORD: u64 = 10;

/// Tries a fault so often while readings flow, and holds what came of it against what has to.
pub(super) fn trial(name: &'static str, line: Line, times: u64, fault: impl Fn(&mut Stage)) {
    let mut whole: Option<Outcome> = None;
    let mut left = times;
    while left > 0 {
        let mut stage = Stage::new(name, line, |_| {});
        // Another draw on each record.
        stage.random = left;
        for _ in 0..left.min(ON_ONE_RECORD) {
            stage.wait_for_flow();
            fault(&mut stage);
            stage.recovers();
        }
        left -= left.min(ON_ONE_RECORD);
        let part = stage.end();
        whole = Some(match whole {
            Some(whole) => whole.and(&part),
            None => part,
        });
    }
    whole.expect("it was tried").finish();
}

/// What came of a fault.
pub(super) struct Outcome {
    name: &'static str,
    times: u64,
    sent: u64,
    lost: usize,
    doubled: usize,
    missed: usize,
    twice: usize,
    most_memory_kib: u64,
    longest: Duration,
    /// What is wrong, in words.
    wrong: String,
}

impl Outcome {
    fn and(self, other: &Self) -> Self {
        Self {
            name: self.name,
            times: self.times + other.times,
            sent: self.sent + other.sent,
            lost: self.lost + other.lost,
            doubled: self.doubled + other.doubled,
            missed: self.missed + other.missed,
            twice: self.twice + other.twice,
            most_memory_kib: self.most_memory_kib.max(other.most_memory_kib),
            longest: self.longest.max(other.longest),
            wrong: self.wrong + &other.wrong,
        }
    }

    /// Leaves its row.
    ///
    /// # Panics
    /// When anything was lost, doubled, missed or told twice.
    pub(super) fn finish(self) {
        let row = format!(
            "{}\t{}\t{}\t{}\t{}\t{}\t{}\t{:.0} MB\t{:.1} s\n",
            self.name,
            self.times,
            self.sent,
            self.lost,
            self.doubled,
            self.missed,
            self.twice,
            self.most_memory_kib as f64 / 1024.0,
            self.longest.as_secs_f64()
        );
        print!("{row}");
        write_row(self.name, &row);
        assert!(self.wrong.is_empty(), "{}", self.wrong);
    }
}

pub(super) struct Stage {
    name: &'static str,
    pub(super) broker: Mosquitto,
    pub(super) proxy: Option<Proxy>,
    pub(super) daemon: Daemon,
    garden: String,
    pub(super) flow: Flow,
    reader: Reader,
    told: PathBuf,
    /// The broker itself loses what it has not brought.
    broker_loses: bool,
    random: u64,
    times: u64,
    /// How far the record was at the last look.
    last: u64,
    most_memory_kib: u64,
    longest: Duration,
}

/// The step of each sensor, seconds.
const STEP_S: i64 = 900;

impl Stage {
    /// `set` may change the daemon before it is started.
    pub(super) fn new(name: &'static str, line: Line, set: impl FnOnce(&mut Daemon)) -> Self {
        let broker = Mosquitto::start();
        let proxy = (line != Line::Direct).then(|| Proxy::start(broker.port()));
        let garden = garden_file(STEP_S);
        let port = proxy.as_ref().map_or(broker.port(), Proxy::port);
        let mut daemon = Daemon::new(port, &[("saltbush-gully", &garden)]);
        let told = daemon.folder().join("told.jsonl");
        daemon.add(&format!("[[told_file]]\nname = \"record\"\npath = \"{}\"\n", told.display()));
        set(&mut daemon);
        daemon.start();
        Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
        let reader = daemon.reader();
        let flow = Flow::start(broker.port(), STEP_S);
        Self {
            name,
            broker,
            proxy,
            daemon,
            garden,
            flow,
            reader,
            told,
            broker_loses: line == Line::Forgetful,
            random: 1,
            times: 0,
            last: 0,
            most_memory_kib: 0,
            longest: Duration::ZERO,
        }
    }

    /// A linear congruential sequence (constants of Knuth's MMIX, from memory): any even
    /// spread of moments will do.
    pub(super) fn below(&mut self, bound: u64) -> u64 {
        self.random =
            self.random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.random >> 33) % bound
    }

    /// A moment to try a fault at: part of the draw, not a wait for something.
    pub(super) fn pause_a_little(&mut self) {
        let ms = self.below(40);
        std::thread::sleep(Duration::from_millis(ms));
    }

    /// How many readings are stored, at least.
    fn stored(&self) -> u64 {
        let latest = self.reader.latest_at().expect("the record can be read");
        let stored = latest.map_or(0, |latest| number_at(latest, STEP_S));
        self.flow.stored(stored);
        stored
    }

    /// Lets the sender go on while a fault is waited for.
    pub(super) fn keep_sending(&self) {
        self.flow.stored(self.stored());
    }

    fn wait_beyond(&mut self, number: u64) {
        let name = self.name;
        let began = Instant::now();
        let deadline = began + LIMIT;
        while self.stored() <= number {
            self.daemon.assert_alive();
            if self.broker_loses && began.elapsed() > Duration::from_secs(1) {
                // The sender does not wait for what is lost.
                self.flow.stored(self.flow.sent());
            }
            assert!(
                Instant::now() < deadline,
                "{name}: no reading is stored after {number}:\n{}",
                self.daemon.log()
            );
            std::thread::sleep(Duration::from_millis(2));
        }
        self.last = self.stored();
    }

    /// Readings are being stored.
    pub(super) fn wait_for_flow(&mut self) {
        self.wait_beyond(self.last + BETWEEN);
    }

    /// The daemon's process gets no time for so long.
    pub(super) fn stand_still(&self, seconds: u64) {
        self.daemon.pause();
        std::thread::sleep(Duration::from_secs(seconds));
        self.daemon.signal("CONT");
    }

    /// Waits, after a fault that is over now, until all that was sent before is stored, or
    /// what came after it.
    pub(super) fn recovers(&mut self) {
        let began = Instant::now();
        self.times += 1;
        self.wait_beyond(self.flow.sent());
        self.longest = self.longest.max(began.elapsed());
        self.note_memory();
    }

    /// The most memory that this process ever had (`proc_pid_status(5)`).
    pub(super) fn note_memory(&mut self) {
        let status =
            std::fs::read_to_string(format!("/proc/{}/status", self.daemon.process())).unwrap_or_default();
        let most = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = most.and_then(|text| text.split_whitespace().next()?.parse().ok()).unwrap_or(0);
        self.most_memory_kib = self.most_memory_kib.max(kib);
    }

    /// Waits until everything has arrived, and holds it against what was sent.
    pub(super) fn end(mut self) -> Outcome {
        let mut sent = self.flow.stop();
        let mut looks = 0;
        wait_until("the last reading", LIMIT, || {
            self.daemon.assert_alive();
            looks += 1;
            if self.broker_loses && looks % 100 == 0 {
                // What came before Trug had subscribed again went to nobody.
                sent = self.flow.send_more(self.broker.port());
            }
            let last = FlowReading::of(sent - 1, STEP_S);
            (self.reader.latest_at().expect("the record can be read") == Some(last.at)).then_some(())
        });
        wait_until("everybody to be told", LIMIT, || {
            let next = self.reader.next_due(Channel::MessageFile).expect("the record can be read");
            let letters = self.reader.letters(0, 1).expect("the record can be read");
            (next.is_none() && letters.is_empty()).then_some(())
        });
        self.note_memory();
        assert!(self.daemon.terminate().success());

        let stored = rows(&self.reader);
        let mut there: HashMap<(&str, i64), (u64, u32)> = HashMap::new();
        for row in &stored {
            there.entry((row.sensor.as_str(), row.at_ms)).or_insert((row.raw, 0)).1 += 1;
        }
        let acknowledged = self.proxy.as_ref().map(Proxy::acknowledged);
        let (mut lost, mut never_came) = (0, 0);
        let mut kept = Vec::new();
        for number in 0..sent {
            let it = FlowReading::of(number, STEP_S);
            let found = there.get(&(it.sensor.as_str(), it.at.as_millisecond()));
            if found.is_some_and(|(raw, _)| *raw == it.raw.to_bits()) {
                kept.push(it);
            } else if self.broker_loses
                && acknowledged
                    .as_ref()
                    .is_some_and(|them| !them.contains(&(it.topic().into_bytes(), it.payload())))
            {
                never_came += 1;
            } else {
                lost += 1;
            }
        }
        let doubled = stored.len() - there.len() + there.values().filter(|(_, times)| *times > 1).count();
        let more = stored.len() - doubled - kept.len();

        let expected = ExpectedAlarms::of(&self.garden, kept.into_iter());
        // The daemon's own alarms are about the fault itself.
        let steps: BTreeSet<_> = history(&self.reader)
            .into_iter()
            .filter(|it| !it.topic.ends_with("/trug"))
            .map(|it| (it.topic, it.at, it.since, it.state))
            .collect();
        let told = told_in(&std::fs::read_to_string(&self.told).unwrap_or_default());
        let missed_steps: Vec<_> = expected.steps.difference(&steps).collect();
        let false_steps: Vec<_> = steps.difference(&expected.steps).collect();
        let missed: Vec<_> = expected.told.iter().filter(|it| !told.contains_key(it)).collect();
        let twice: Vec<_> = told.iter().filter(|(_, times)| **times > 1).collect();
        if never_came > 0 {
            println!("the broker lost {never_came} readings that it had not brought");
        }
        println!("{} steps of alarms, {} times told", steps.len(), told.len());
        assert!(!told.is_empty() || sent < 5000, "an alarm is told once in a day");
        let mut wrong = String::new();
        for (what, is_wrong) in [
            (
                format!("lost: {lost}, doubled: {doubled}, stored and never sent: {more}"),
                lost + doubled + more > 0,
            ),
            (format!("steps missed: {missed_steps:?}"), !missed_steps.is_empty()),
            (format!("steps too many: {false_steps:?}"), !false_steps.is_empty()),
            (format!("not told: {missed:?}"), !missed.is_empty()),
            (format!("told twice: {twice:?}"), !twice.is_empty()),
        ] {
            if is_wrong {
                wrong = format!("{wrong}{what}\n");
            }
        }
        Outcome {
            name: self.name,
            times: self.times,
            sent,
            lost,
            doubled,
            missed: missed.len() + missed_steps.len(),
            twice: twice.len(),
            most_memory_kib: self.most_memory_kib,
            longest: self.longest,
            wrong,
        }
    }
}

/// Leaves a row for the table of `tests/faults`.
pub(super) fn write_row(name: &str, row: &str) {
    if let Some(folder) = std::env::var_os("FAULTS_ROWS") {
        std::fs::create_dir_all(&folder).expect("the folder of the rows");
        let file = name.replace(|c: char| !c.is_ascii_alphanumeric(), "-");
        std::fs::write(PathBuf::from(folder).join(format!("2-{file}")), row).expect("a row");
    }
}
