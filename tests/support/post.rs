//! A store with messages to people, a courier, and a keeper that notes what came of
//! them. The time is the runtime's, so that hours pass in a moment where it is paused.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicI64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::Connection;
use tempfile::TempDir;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use trug::deliver::channel::{Failure, MessageChannel};
use trug::deliver::worker::{self, DeliveryWorker, GiveUp, MessageSource, WorkerPace};
use trug::garden::plan;
use trug::garden::record::Batch;
use trug::store::{MessageRecord, MessageState, Reader, Store, Transaction, Tried};
use trug::telling::{GivenUp, Message};

use super::garden::{at, only, school};

/// What a courier gave back.
type Report = (Tried, Option<GivenUp>);

pub(crate) struct Post {
    _folder: TempDir,
    counting: Connection,
    store: Arc<Mutex<Store>>,
    pub(crate) reader: Reader,
    wake: watch::Sender<i64>,
    /// Everything that was reported, in order.
    reports: Arc<Mutex<Vec<Report>>>,
    clock: Clock,
    /// How long the keeper takes before it commits.
    pub(crate) keeper_wait: Duration,
    pub(crate) give_up: GiveUp,
    running: Option<(CancellationToken, JoinHandle<()>, JoinHandle<()>)>,
}

/// The computer's clock: it goes with the runtime's time and may be put on or back.
#[derive(Clone)]
pub(crate) struct Clock {
    start: Instant,
    ahead_ms: Arc<AtomicI64>,
}

impl Clock {
    pub(crate) fn now(&self) -> Timestamp {
        let gone = i64::try_from(self.start.elapsed().as_millis()).expect("a test is short");
        at(gone + self.ahead_ms.load(Ordering::SeqCst))
    }

    /// Milliseconds since the start.
    pub(crate) fn ms(&self) -> i64 {
        self.now().as_millisecond() - at(0).as_millisecond()
    }

    pub(crate) fn put_on(&self, ms: i64) {
        self.ahead_ms.fetch_add(ms, Ordering::SeqCst);
    }
}

impl Post {
    pub(crate) fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let path: PathBuf = folder.path().join("trug.db");
        let store = Store::open(&path, &[school()]).expect("a new store");
        let reader = Reader::open(&path).expect("it can be read");
        Self {
            _folder: folder,
            counting: Connection::open(&path).expect("a second connection"),
            store: Arc::new(Mutex::new(store)),
            reader,
            wake: watch::channel(0).0,
            reports: Arc::default(),
            clock: Clock { start: Instant::now(), ahead_ms: Arc::default() },
            keeper_wait: Duration::ZERO,
            give_up: GiveUp { after: Duration::from_secs(86_400), urgent_after: Duration::from_secs(1800) },
            running: None,
        }
    }

    pub(crate) fn clock(&self) -> Clock {
        self.clock.clone()
    }

    /// Keeps messages and wakes the courier, as the keeper does.
    pub(crate) fn add(&self, messages: &[Message]) {
        let empty = Batch::default();
        let add = Transaction { messages, at: self.clock.now(), ..only(&empty) };
        self.store.lock().expect("no test panicked").commit(&add).expect("they are kept");
        self.wake.send_modify(|times| *times += 1);
    }

    pub(crate) fn start(&mut self, kind: plan::Channel, by: impl MessageChannel + 'static) {
        let reader = self.reader.clone();
        self.start_with(kind, by, reader, WorkerPace::default());
    }

    pub(crate) fn start_with(
        &mut self,
        kind: plan::Channel,
        by: impl MessageChannel + 'static,
        source: impl MessageSource,
        pace: WorkerPace,
    ) {
        let (tell_tried, mut tried) = mpsc::channel::<Report>(256);
        let stop = CancellationToken::new();
        let (store, reports, clock) = (Arc::clone(&self.store), Arc::clone(&self.reports), self.clock());
        let wait = self.keeper_wait;
        let keeping = tokio::spawn(async move {
            let mut batch: Vec<Report> = Vec::new();
            while tried.recv_many(&mut batch, 256).await > 0 {
                if !wait.is_zero() {
                    tokio::time::sleep(wait).await;
                }
                let tries: Vec<Tried> = batch.iter().map(|(tried, _)| tried.clone()).collect();
                let empty = Batch::default();
                let note = Transaction { tries: &tries, at: clock.now(), ..only(&empty) };
                store.lock().expect("no test panicked").commit(&note).expect("they are noted");
                reports.lock().unwrap_or_else(PoisonError::into_inner).append(&mut batch);
            }
        });
        let clock = self.clock();
        let worker = DeliveryWorker {
            kind,
            by: Arc::new(by),
            source,
            give_up: self.give_up,
            pace,
            now: Box::new(move || clock.now()),
        };
        let never_closing = CancellationToken::new();
        let work = worker::run(worker, tell_tried, self.wake.subscribe(), never_closing, stop.clone());
        self.running = Some((stop, tokio::spawn(work), keeping));
    }

    /// Ends the courier; what it has said is noted.
    pub(crate) async fn stop(&mut self) {
        let (stop, running, keeping) = self.running.take().expect("it was started");
        stop.cancel();
        running.await.expect("it ends");
        keeping.await.expect("it ends");
    }

    /// Ends the courier at once, and nothing more is noted: what a power cut does.
    pub(crate) async fn kill(&mut self) {
        let (_, running, keeping) = self.running.take().expect("it was started");
        running.abort();
        keeping.abort();
        let _ = (running.await, keeping.await);
    }

    /// Every message as it is kept.
    pub(crate) fn kept(&self) -> Vec<MessageRecord> {
        self.reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the store can be read")
    }

    /// How many wait.
    pub(crate) fn waiting(&self) -> usize {
        let sql = "SELECT count(*) FROM message WHERE state = 'waiting'";
        let waiting: i64 = self.counting.query_row(sql, [], |row| row.get(0)).expect("a count");
        usize::try_from(waiting).expect("a count")
    }

    /// Waits until none waits.
    pub(crate) async fn all_done(&self, limit: Duration) {
        let step = (limit / 5000).max(Duration::from_millis(20));
        let wait = async {
            while self.waiting() > 0 {
                tokio::time::sleep(step).await;
            }
        };
        if tokio::time::timeout(limit, wait).await.is_err() {
            panic!("{} messages still wait after {limit:?}", self.waiting());
        }
    }

    pub(crate) fn reports(&self) -> Vec<Report> {
        self.reports.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Those that were given up, as they were reported.
    pub(crate) fn given_up(&self) -> Vec<GivenUp> {
        self.reports().into_iter().filter_map(|(_, given_up)| given_up).collect()
    }

    pub(crate) fn states(&self) -> HashMap<String, MessageState> {
        self.kept().into_iter().map(|it| (it.message.key, it.state)).collect()
    }
}

/// What a scripted channel does with a message.
#[derive(Clone, Debug)]
pub(crate) enum Does {
    Takes,
    /// It takes it after so long.
    TakesAfter(Duration),
    Fails(Failure),
    /// It never answers.
    Hangs,
    /// It takes the message, and then the answer is lost.
    TakesAndFails,
    Panics,
}

type Script = dyn Fn(usize, &Message) -> Does + Send + Sync;

/// A channel that does what a test says, and writes down what it was given.
#[derive(Clone)]
pub(crate) struct Scripted {
    clock: Clock,
    script: Arc<Script>,
    tried: Arc<Mutex<Vec<(i64, String, String)>>>,
    taken: Arc<Mutex<Vec<String>>>,
    busy: Arc<Mutex<HashMap<String, usize>>>,
    at_once: Arc<AtomicUsize>,
    most: Arc<AtomicUsize>,
    most_each: Arc<AtomicUsize>,
}

impl Scripted {
    /// `script` gets the number of the try, from 1, and the message.
    pub(crate) fn new(
        clock: Clock,
        script: impl Fn(usize, &Message) -> Does + Send + Sync + 'static,
    ) -> Self {
        Self {
            clock,
            script: Arc::new(script),
            tried: Arc::default(),
            taken: Arc::default(),
            busy: Arc::default(),
            at_once: Arc::default(),
            most: Arc::default(),
            most_each: Arc::default(),
        }
    }

    /// Every try: milliseconds since the start, address, key.
    pub(crate) fn tried(&self) -> Vec<(i64, String, String)> {
        self.tried.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The keys that were taken, in order.
    pub(crate) fn taken(&self) -> Vec<String> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The most tries at one time, and to one address.
    pub(crate) fn most(&self) -> (usize, usize) {
        (self.most.load(Ordering::SeqCst), self.most_each.load(Ordering::SeqCst))
    }

    fn take(&self, message: &Message) {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner).push(message.key.clone());
    }
}

/// Counts a try until it ends, also where it is ended from outside.
struct Busy<'a>(&'a Scripted, &'a str);

impl Drop for Busy<'_> {
    fn drop(&mut self) {
        self.0.at_once.fetch_sub(1, Ordering::SeqCst);
        let mut busy = self.0.busy.lock().unwrap_or_else(PoisonError::into_inner);
        *busy.entry(self.1.to_owned()).or_default() -= 1;
    }
}

impl MessageChannel for Scripted {
    async fn send(&self, message: &Message) -> Result<(), Failure> {
        let to = &message.address.to;
        let number = {
            let mut tried = self.tried.lock().unwrap_or_else(PoisonError::into_inner);
            tried.push((self.clock.ms(), to.clone(), message.key.clone()));
            tried.len()
        };
        self.most.fetch_max(self.at_once.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
        {
            let mut busy = self.busy.lock().unwrap_or_else(PoisonError::into_inner);
            let busy = busy.entry(to.clone()).or_default();
            *busy += 1;
            self.most_each.fetch_max(*busy, Ordering::SeqCst);
        }
        let _busy = Busy(self, to);
        match (self.script)(number, message) {
            Does::Takes => {}
            Does::TakesAfter(time) => tokio::time::sleep(time).await,
            Does::Fails(failure) => return Err(failure),
            Does::Hangs => std::future::pending().await,
            Does::TakesAndFails => {
                self.take(message);
                return Err(Failure::Later("the answer was lost".to_owned()));
            }
            Does::Panics => panic!("the channel is broken, as the test wants it"),
        }
        self.take(message);
        Ok(())
    }
}
