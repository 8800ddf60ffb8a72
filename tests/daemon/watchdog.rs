//! What the service manager hears, and that it hears nothing from a keeper that is
//! stuck. The words are those of systemd's `sd_notify(3)`.

use std::future::Future;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex, mpsc as blocking};
use std::time::{Duration, Instant};

use crate::support::daemon::Daemon;
use crate::support::garden::{GardenFile, SHIPPED, settings_with};
use crate::support::keeper::Running;
use crate::support::{free_port, wait_until};
use jiff::Timestamp;
use trug::alarms::{Kind, State};
use trug::commands::daemon::direct;
use trug::deliver::channel::{Failure, MessageChannel};
use trug::engine::watchdog::{self, ServiceManager};
use trug::engine::{Engine, system_now};
use trug::garden::Clock;
use trug::garden::system::health::{BrokerFault, DiskHealth, SystemHealth};
use trug::settings::Settings;
use trug::store::Reader;
use trug::telling::Message;

const LIMIT: Duration = Duration::from_secs(60);

/// What a service manager hears.
struct Heard {
    socket: UnixDatagram,
    said: Vec<(Instant, String)>,
}

impl Heard {
    fn at(path: &Path) -> Self {
        let socket = UnixDatagram::bind(path).unwrap();
        socket.set_read_timeout(Some(Duration::from_millis(100))).unwrap();
        Self { socket, said: Vec::new() }
    }

    /// Takes what comes within a tenth of a second.
    fn listen(&mut self) {
        let mut packet = [0; 4096];
        if let Ok(length) = self.socket.recv(&mut packet) {
            let now = Instant::now();
            let text = String::from_utf8_lossy(&packet[..length]).into_owned();
            self.said.extend(text.lines().map(|line| (now, line.to_owned())));
        }
    }

    fn times(&self, line: &str) -> Vec<Instant> {
        self.said.iter().filter(|(_, said)| said == line).map(|(at, _)| *at).collect()
    }
}

/// The broker is away all the while: the daemon is ready without it.
#[test]
fn the_service_manager_hears_ready_alive_and_stopping() {
    const INTERVAL: Duration = Duration::from_secs(8);
    let mut daemon = Daemon::new(free_port(), &[("saltbush-gully", SHIPPED)]);
    daemon.arguments.clear();
    let path = daemon.folder().join("notify");
    let mut heard = Heard::at(&path);
    daemon.set("NOTIFY_SOCKET", &path.display().to_string());
    daemon.set("WATCHDOG_USEC", &INTERVAL.as_micros().to_string());
    daemon.start();
    wait_until("the daemon to be ready and its broker missed", LIMIT, || {
        daemon.assert_alive();
        heard.listen();
        let missed = "STATUS=The broker cannot be reached, so no readings come in.";
        (!heard.times("READY=1").is_empty() && !heard.times(missed).is_empty()).then_some(())
    });
    assert_eq!(heard.said[0].1, "READY=1");
    // Twice the interval: it is to be heard at least every half of it.
    let began = Instant::now();
    while began.elapsed() < 2 * INTERVAL {
        heard.listen();
    }
    let alive = heard.times("WATCHDOG=1");
    let longest = alive.windows(2).map(|two| two[1] - two[0]).max().expect("it was heard");
    assert!(longest <= INTERVAL / 2, "silent for {longest:?}");
    assert!(alive.last().expect("heard").elapsed() <= INTERVAL / 2);
    assert_eq!(heard.times("READY=1").len(), 1);
    assert!(heard.times("STOPPING=1").is_empty());
    assert!(daemon.terminate().success());
    wait_until("the word that it stops", LIMIT, || {
        heard.listen();
        (!heard.times("STOPPING=1").is_empty()).then_some(())
    });
}

#[test]
fn without_a_service_manager_nothing_is_told_and_nothing_fails() {
    let mut daemon = Daemon::new(free_port(), &[("saltbush-gully", SHIPPED)]);
    daemon.start_with_page();
    assert!(daemon.terminate().success());
    assert!(!daemon.log().contains("service manager"), "{}", daemon.log());
}

/// Takes messages and keeps them.
#[derive(Clone, Default)]
struct Taken(Arc<Mutex<Vec<Message>>>);

impl MessageChannel for Taken {
    fn send(&self, message: &Message) -> impl Future<Output = Result<(), Failure>> + Send {
        self.0.lock().unwrap().push(message.clone());
        std::future::ready(Ok(()))
    }
}

fn settings(folder: &Path) -> Settings {
    let trug = format!(
        "[broker]\nurl = \"mqtt://127.0.0.1:{}\"\n[store]\npath = \"{}\"\n",
        free_port(),
        folder.join("trug.db").display()
    );
    let garden = GardenFile::new("saltbush-gully").with(
        r#"
[[tell]]
who = "grounds"
alarms = ["store-failing", "disk-nearly-full"]
email = ["grounds@school.example"]
[alarms.store-failing]
on_delay_s = 2
off_delay_s = 0
[alarms.disk-nearly-full]
on_delay_s = 0
"#,
    );
    settings_with(&trug, garden.text())
}

/// A write that does not come back, as when a disk hangs: here it is held up after its
/// last step, by what is called with each alarm. No word of life goes out, people are
/// told past the record once, and when the write has come back the history has the
/// alarm with its true times, and the outbox does not tell it again.
#[test]
fn a_keeper_that_is_stuck_is_not_called_alive_and_people_hear_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let settings = settings(folder.path());
    let mut keeper = Engine::open(&settings, Clock::Arrival).unwrap();
    let (stuck, is_stuck) = blocking::channel();
    let (release, released) = blocking::channel::<()>();
    let mut first = true;
    keeper.on_change(Box::new(move |_| {
        if std::mem::replace(&mut first, false) {
            stuck.send(()).unwrap();
            released.recv().unwrap();
        }
    }));
    let mut running = Running::start(keeper, system_now);
    let (daemon_health, stop) = (Arc::clone(&running.daemon_health), running.stop.clone());

    let said: Arc<Mutex<Vec<String>>> = Arc::default();
    let tell = {
        let said = Arc::clone(&said);
        move |states: &[sd_notify::NotifyState<'_>]| {
            said.lock().unwrap().extend(states.iter().map(ToString::to_string));
            Ok(())
        }
    };
    let times = |line: &str| said.lock().unwrap().iter().filter(|it| *it == line).count();
    let alive = || times("WATCHDOG=1");
    let manager = ServiceManager { watchdog: Some(Duration::from_secs(1)), tell: Arc::new(tell) };
    running.runtime.spawn(watchdog::run(
        manager,
        Arc::clone(&daemon_health),
        "Well.".to_owned(),
        stop.clone(),
    ));
    let taken = Taken::default();
    let channels = Arc::new(taken.clone());
    let direct = direct::Direct {
        channels,
        broker: settings.broker.clone(),
        daemon_health: Arc::clone(&daemon_health),
        now: system_now,
    };
    running.runtime.spawn(direct::run(direct, stop));

    wait_until("a word of life", LIMIT, || (alive() > 0).then_some(()));
    assert_eq!(said.lock().unwrap()[0], "READY=1");

    let disk = DiskHealth { free_bytes: 1, total_bytes: 32_000_000_000, grown_bytes_a_day: None };
    running.look(SystemHealth { disk: Some(disk), ..SystemHealth::default() });
    is_stuck.recv_timeout(LIMIT).unwrap();
    let since = wait_until("the write to be noted", LIMIT, || daemon_health.store_watch.writing_since());
    // Another line for the manager, said by a look that came after all that was before it.
    let looks_again = |away: bool, line: &str| {
        let before = times(line);
        if away {
            daemon_health.broker.lost(system_now(), BrokerFault::Unreachable, "no route".to_owned());
        } else {
            daemon_health.broker.found(system_now());
        }
        wait_until(line, LIMIT, || (times(line) > before).then_some(()));
    };
    looks_again(true, "STATUS=The broker cannot be reached, so no readings come in.");
    let (before, rounds) = (alive(), daemon_health.pulse.rounds());
    let told = wait_until("the message past the store", LIMIT, || taken.0.lock().unwrap().first().cloned());
    // A keeper that runs takes each look at once and goes round for it.
    wait_until("looks that nobody takes", LIMIT, || (!running.offer(SystemHealth::default())).then_some(()));
    looks_again(false, "STATUS=Well.");
    assert_eq!(daemon_health.pulse.rounds(), rounds, "the keeper went round while its write was held");
    assert_eq!(alive(), before, "a keeper that is stuck was called alive");
    assert_eq!((told.who.as_str(), told.items.len()), ("grounds", 1));
    assert_eq!(told.items[0].key.kind, Kind::StoreFailing);
    assert!(
        told.items[0].text.contains("has not been able to store readings since"),
        "{}",
        told.items[0].text
    );

    let released_at = system_now();
    release.send(()).unwrap();
    wait_until("a word of life after it", LIMIT, || (alive() > before).then_some(()));
    let reader = Reader::open(&settings.store.path).unwrap();
    let changes = wait_until("the alarm's history", LIMIT, || {
        let all = reader.alarm_changes(Timestamp::UNIX_EPOCH, Timestamp::MAX, None).unwrap();
        let of_store: Vec<_> = all.into_iter().filter(|c| c.record.key.kind == Kind::StoreFailing).collect();
        (of_store.len() == 2).then_some(of_store)
    });
    let ms = |at: Timestamp| at.as_millisecond();
    assert_eq!(changes[0].record.state, State::Unacknowledged);
    assert_eq!((ms(changes[0].record.since), ms(changes[0].record.at)), (ms(since), ms(since) + 2000));
    assert_eq!(changes[1].record.state, State::ReturnedUnacknowledged);
    assert!(ms(changes[1].record.at) >= ms(released_at), "it came back when it was let go");
    running.end();
    assert_eq!(taken.0.lock().unwrap().len(), 1, "nobody is told twice");
    let messages: Vec<String> = rusqlite::Connection::open(&settings.store.path)
        .unwrap()
        .prepare("SELECT state FROM message WHERE body LIKE '%has not been able to store readings since%'")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    assert_eq!(messages, ["sent"], "it is kept once, as one that was sent");
}

/// systemd's own check of the unit.
#[test]
fn the_unit_is_one_that_systemd_takes() {
    let unit = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/trug.service");
    let text = std::fs::read_to_string(&unit).unwrap();
    for line in ["Type=notify", "NotifyAccess=main", "WatchdogSec=120", "Restart=on-failure"] {
        assert!(text.lines().any(|it| it == line), "{line} is missing");
    }
    // The program stands elsewhere here; everything else is as it is shipped.
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("trug.service");
    std::fs::write(&copy, text.replace("/usr/bin/trug", env!("CARGO_BIN_EXE_trug"))).unwrap();
    let output = Command::new(crate::support::program("systemd-analyze"))
        .args(["verify", "--man=no", "--recursive-errors=no"])
        .arg(&copy)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    assert!(!said.contains("trug.service"), "{said}");
}
