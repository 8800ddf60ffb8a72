//! The daemon is killed between the commit of a message and its delivery: the message
//! goes out after the next start, with the same key, and the alarm is told in no second
//! message.
//!
//! The moments of the last test are drawn from a seed that is printed;
//! `KILL_SEED=...` plays one again (as far as the computer's own timing allows).

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::{free_port, wait_until};
use jiff::Timestamp;
use trug::store::{MessageRecord, MessageState, Reader};
use trug::telling::Purpose;

const LIMIT: Duration = Duration::from_secs(90);

/// What the server does with a request that it has read.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Does {
    /// It holds the connection and says nothing.
    Nothing,
    /// It takes the message.
    Take,
}

/// A request, read whole.
#[derive(Clone, Debug, PartialEq)]
struct Request {
    key: String,
    body: serde_json::Value,
}

struct Heard {
    does: Does,
    requests: Vec<Request>,
    taken: Vec<String>,
}

/// A server on this computer that gets messages to people.
struct Server {
    port: u16,
    heard: Arc<Mutex<Heard>>,
}

impl Server {
    fn start(does: Does) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let heard = Arc::new(Mutex::new(Heard { does, requests: Vec::new(), taken: Vec::new() }));
        let shared = Arc::clone(&heard);
        // It ends with the test's process.
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let heard = Arc::clone(&shared);
                std::thread::spawn(move || serve(&stream, &heard));
            }
        });
        Self { port, heard }
    }

    fn does(&self, does: Does) {
        self.heard.lock().unwrap().does = does;
    }

    fn requests(&self) -> Vec<Request> {
        self.heard.lock().unwrap().requests.clone()
    }

    fn taken(&self) -> Vec<String> {
        self.heard.lock().unwrap().taken.clone()
    }
}

/// Reads requests until the other side is gone.
fn serve(stream: &TcpStream, heard: &Mutex<Heard>) {
    let mut reader = BufReader::new(stream);
    while let Some(request) = read(&mut reader) {
        let key = request.key.clone();
        heard.lock().unwrap().requests.push(request);
        loop {
            if is_gone(stream) {
                return;
            }
            let mut heard = heard.lock().unwrap();
            if heard.does == Does::Take {
                let mut stream = stream;
                if stream.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").is_ok() {
                    heard.taken.push(key);
                }
                break;
            }
            drop(heard);
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

/// Whether the other side has closed the connection.
fn is_gone(stream: &TcpStream) -> bool {
    stream.set_nonblocking(true).unwrap();
    let peeked = stream.peek(&mut [0]);
    stream.set_nonblocking(false).unwrap();
    match peeked {
        Ok(count) => count == 0,
        Err(error) => error.kind() != std::io::ErrorKind::WouldBlock,
    }
}

/// One request (RFC 9112); `None` at the end or where it breaks off.
fn read(reader: &mut BufReader<&TcpStream>) -> Option<Request> {
    let mut line = String::new();
    let (mut key, mut length) = (None, 0);
    loop {
        line.clear();
        if reader.read_line(&mut line).ok()? == 0 {
            return None;
        }
        if line == "\r\n" {
            break;
        }
        if let Some((name, value)) = line.split_once(':') {
            match name.to_ascii_lowercase().as_str() {
                "trug-key" => key = Some(value.trim().to_owned()),
                "content-length" => length = value.trim().parse().ok()?,
                _ => {}
            }
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    Some(Request { key: key?, body: serde_json::from_slice(&body).ok()? })
}

/// A daemon whose groups are told by this server. Its broker is not there: what people
/// write down needs none.
fn daemon(server: &Server, more_tanks: usize) -> Daemon {
    let mut garden = SHIPPED
        .replace("email = [\"grounds@school.example\"]", "webhook = [\"office\"]")
        .replace("email = [\"teacher@school.example\"]", "webhook = [\"office\"]")
        .replace("email = [\"office@school.example\"]", "webhook = [\"office\"]");
    assert!(!garden.contains("\nemail ="), "every group is told by the server");
    for n in 0..more_tanks {
        garden.push_str(&format!(
            "\n[[tank]]\nid = \"tank-{n}\"\nname = \"Tank {n}\"\nvolume_l = 500\nspecies = \"silver perch\"\n\
             [[sensor]]\nid = \"water-{n}\"\nmeasures = \"water-temperature\"\ntank = \"tank-{n}\"\n\
             topic = \"saltbush-gully/tank-{n}/temperature\"\npayload = \"number\"\nevery_s = 86400\n"
        ));
    }
    let mut daemon = Daemon::new(free_port(), &[("saltbush-gully", &garden)]);
    daemon.arguments.clear();
    let folder = daemon.folder().to_owned();
    std::fs::write(folder.join("office-secret"), "a-secret-of-this-test-and-nothing-else\n").unwrap();
    restrict(&folder.join("office-secret"));
    let file = folder.join("trug.toml");
    let mut text = std::fs::read_to_string(&file).unwrap();
    text.push_str(&format!(
        "\n[[webhook]]\nname = \"office\"\nurl = \"http://127.0.0.1:{}/garden\"\nsecret_file = \"office-secret\"\n\
         timeout_s = 60\n",
        server.port
    ));
    std::fs::write(&file, text).unwrap();
    daemon
}

fn restrict(path: &std::path::Path) {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).unwrap();
}

/// Somebody writes down a test of the water that is far beyond every limit.
fn bad_water(daemon: &Daemon, tank: &str) {
    let test = ["log", "water-test", tank, "--ammonia", "4", "--ph", "8.6", "--temp-c", "24"];
    let done = daemon.ask(test);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

fn messages(reader: &Reader) -> Vec<MessageRecord> {
    reader.messages(Timestamp::MIN, Timestamp::MAX, None).unwrap()
}

/// Waits until the one message of the store is there.
fn the_message(daemon: &mut Daemon, reader: &Reader) -> MessageRecord {
    let found = wait_until("the message in the store", LIMIT, || {
        daemon.assert_alive();
        messages(reader).pop()
    });
    assert!(found.message.items.iter().any(|it| it.key.kind.name() == "ammonia"), "{found:?}");
    found
}

/// Waits until everything is sent, and nothing is under way.
fn all_sent(daemon: &mut Daemon, reader: &Reader) -> Vec<MessageRecord> {
    wait_until("every message to be sent", LIMIT, || {
        daemon.assert_alive();
        let all = messages(reader);
        (!all.is_empty() && all.iter().all(|it| it.state == MessageState::Sent)).then_some(all)
    })
}

#[test]
fn a_message_that_was_committed_goes_out_after_a_kill_with_the_same_key() {
    for held_by_the_server in [false, true] {
        let server = Server::start(Does::Nothing);
        let mut daemon = daemon(&server, 0);
        daemon.start();
        let reader = daemon.reader();
        bad_water(&daemon, "perch-tank");
        let committed = the_message(&mut daemon, &reader);
        if held_by_the_server {
            wait_until("the server to have the message", LIMIT, || server.requests().pop());
        }
        daemon.kill();
        let left = messages(&reader);
        assert_eq!(left.len(), 1);
        assert_eq!((left[0].state, &left[0].message.key), (MessageState::Waiting, &committed.message.key));
        assert_eq!(server.taken(), [""; 0], "nothing was taken yet");

        server.does(Does::Take);
        daemon.start();
        let sent = all_sent(&mut daemon, &reader);
        assert_eq!(sent.len(), 1, "told in one message: {sent:?}");
        assert_eq!(sent[0].message, committed.message);
        assert_eq!(server.taken(), [committed.message.key.as_str()]);
        let requests = server.requests();
        assert!(requests.len() > usize::from(held_by_the_server), "{requests:?}");
        for request in &requests {
            assert_eq!(request, &requests[0], "each try is the same message");
            assert_eq!(request.body["key"], committed.message.key.as_str());
        }
    }
}

#[test]
fn a_message_that_was_taken_but_not_noted_comes_again_with_the_same_key() {
    let server = Server::start(Does::Nothing);
    let mut daemon = daemon(&server, 0);
    daemon.start();
    let reader = daemon.reader();
    bad_water(&daemon, "perch-tank");
    let committed = the_message(&mut daemon, &reader);
    let request = wait_until("the server to have the message", LIMIT, || server.requests().pop());

    // While another program holds the file nothing can be noted.
    let holder = rusqlite::Connection::open(daemon.store()).unwrap();
    holder.busy_timeout(Duration::from_secs(30)).unwrap();
    holder.execute_batch("BEGIN IMMEDIATE").unwrap();
    server.does(Does::Take);
    wait_until("the server to take the message", LIMIT, || server.taken().pop());
    wait_until("the daemon to try to note it", LIMIT, || {
        daemon.assert_alive();
        daemon.log().contains("the store cannot be written").then_some(())
    });
    daemon.kill();
    holder.execute_batch("ROLLBACK").unwrap();
    drop(holder);
    let left = messages(&reader);
    assert_eq!((left.len(), left[0].state, left[0].tries), (1, MessageState::Waiting, 0));

    daemon.start();
    let sent = all_sent(&mut daemon, &reader);
    assert_eq!(sent.len(), 1, "told in one message: {sent:?}");
    assert_eq!(sent[0].message, committed.message);
    assert_eq!(
        server.taken(),
        [&*committed.message.key, &*committed.message.key],
        "twice, and known by its key"
    );
    assert_eq!(server.requests(), [request.clone(), request], "word for word the same");
}

/// Any even spread of moments will do.
fn seed() -> u64 {
    match std::env::var("KILL_SEED") {
        Ok(text) => text.parse().expect("KILL_SEED is a whole number"),
        Err(_) => {
            use std::hash::{BuildHasher as _, Hasher as _};
            std::hash::RandomState::new().build_hasher().finish() % 1_000_000
        }
    }
}

#[test]
fn kills_at_any_moment_lose_no_message_and_make_no_second_one() {
    const TANKS: usize = 12;
    let seed = seed();
    println!("KILL_SEED={seed}");
    let server = Server::start(Does::Take);
    let mut daemon = daemon(&server, TANKS);
    daemon.start();
    let reader = daemon.reader();
    // A linear congruential sequence (constants of Knuth's MMIX, from memory): any even
    // spread of moments will do.
    let mut state = seed;
    let mut below = |bound: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % bound
    };
    for n in 0..TANKS {
        let tank = format!("tank-{n}");
        bad_water(&daemon, &tank);
        if n % 3 == 2 {
            // Before the daemon has read it, or while it starts.
            std::thread::sleep(Duration::from_millis(below(400)));
        } else {
            wait_until("the alarm", LIMIT, || {
                daemon.assert_alive();
                let open = reader.alarms_present().unwrap();
                open.iter().any(|it| it.record.key.place.as_str() == tank).then_some(())
            });
            // While its message is made, sent, taken or noted.
            std::thread::sleep(Duration::from_millis(below(40)));
        }
        daemon.kill();
        daemon.start();
    }
    let wanted: BTreeSet<String> = (0..TANKS).map(|n| format!("tank-{n}")).collect();
    let told = |all: &[MessageRecord]| -> Vec<String> {
        let news = all.iter().filter(|it| it.message.purpose == Purpose::News);
        let items = news.flat_map(|it| &it.message.items).filter(|it| it.key.kind.name() == "ammonia");
        items.map(|it| it.key.place.to_string()).collect()
    };
    wait_until(&format!("every tank to be told of (KILL_SEED={seed})"), LIMIT, || {
        daemon.assert_alive();
        (told(&messages(&reader)).into_iter().collect::<BTreeSet<_>>() == wanted).then_some(())
    });
    let all = all_sent(&mut daemon, &reader);
    assert_eq!(told(&all).len(), TANKS, "KILL_SEED={seed}: a tank is in two messages: {all:?}");
    let mut times: BTreeMap<String, usize> = BTreeMap::new();
    for key in server.taken() {
        *times.entry(key).or_default() += 1;
    }
    let kept: BTreeSet<&String> = all.iter().map(|it| &it.message.key).collect();
    assert_eq!(times.keys().collect::<BTreeSet<_>>(), kept, "KILL_SEED={seed}");
    println!("{} messages, {} of them taken twice", kept.len(), times.values().filter(|&&it| it > 1).count());
}
