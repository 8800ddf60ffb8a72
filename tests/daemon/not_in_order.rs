//! Installations that are not in order: each is told in words that say what to do, nothing
//! goes on in secret, and nothing is written where it must not be.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair, date_time_ymd};

use crate::support::daemon::Daemon;
use crate::support::flow::{SENSORS, garden_file, send_range};
use crate::support::garden::{GardenFile, SHIPPED};
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::{ChildGuard, free_port, wait_until};

const LIMIT: Duration = Duration::from_secs(60);
/// Nobody, on every Linux.
const NOBODY: u32 = 65_534;

fn is_root() -> bool {
    Command::new("id").arg("-u").output().is_ok_and(|id| id.stdout.trim_ascii() == b"0")
}

/// A daemon of one rain gauge at this address.
fn daemon_at(url: &str) -> Daemon {
    let garden = GardenFile::new("saltbush-gully").sensor("rain", "rain", "");
    let mut daemon = Daemon::new(1, &[("saltbush-gully", garden.text())]);
    daemon.set("TRUG__BROKER__URL", url);
    daemon
}

/// The lines of a Mosquitto's listener with TLS whose certificate holds between these years, and
/// the file of its authority.
fn tls_listener(folder: &Path, port: u16, years: (i32, i32)) -> (String, std::path::PathBuf) {
    let mut authority = CertificateParams::new(Vec::new()).unwrap();
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority = CertifiedIssuer::self_signed(authority, KeyPair::generate().unwrap()).unwrap();
    let key = KeyPair::generate().unwrap();
    let mut broker = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    (broker.not_before, broker.not_after) = (date_time_ymd(years.0, 1, 1), date_time_ymd(years.1, 1, 1));
    let broker = broker.signed_by(&key, &authority).unwrap();
    let file = |name: &str, text: &str| {
        let path = folder.join(name);
        fs::write(&path, text).unwrap();
        path
    };
    let authority = file("authority.crt", &authority.pem());
    let lines = format!(
        "allow_anonymous true\nlistener {port} 127.0.0.1\ncafile {}\ncertfile {}\nkeyfile {}\n",
        authority.display(),
        file("broker.crt", &broker.pem()).display(),
        file("broker.key", &key.serialize_pem()).display()
    );
    (lines, authority)
}

#[test]
fn a_broker_whose_certificate_does_not_hold_today_is_not_spoken_to() {
    for (years, words) in [((2001, 2002), "expired"), ((2090, 2091), "not valid yet")] {
        let folder = tempfile::tempdir().unwrap();
        let port = free_port();
        let (lines, authority) = tls_listener(folder.path(), port, years);
        let _broker = Mosquitto::start_with(&lines);
        let mut daemon = daemon_at(&format!("mqtts://localhost:{port}"));
        daemon.set("TRUG__BROKER__CA_FILE", &authority.display().to_string());
        daemon.start_with_page();
        wait_until(words, LIMIT, || daemon.log().contains(words).then_some(()));
        let health = daemon.get("/health").expect("the page answers");
        assert_ne!(health.status, 200, "{}", health.body);
        assert!(daemon.terminate().success());
    }
}

/// Takes connections, reads the first packet, answers with `bytes` and closes.
fn answering(bytes: &'static [u8]) -> u16 {
    let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for connection in listener.incoming() {
            let Ok(mut connection) = connection else { continue };
            let mut packet = [0; 512];
            let read = connection.read(&mut packet).unwrap_or(0);
            // CONNECT of protocol level 5, MQTT 5.0, section 3.1.2.2.
            assert!(read > 8 && packet[0] == 0x10 && packet[2..9] == *b"\0\x04MQTT\x05", "{packet:?}");
            let _ = connection.write_all(bytes);
        }
    });
    port
}

/// A broker that knows MQTT 3.1.1 alone answers with return code 1 (MQTT 3.1.1, section 3.2.2.3) or
/// with reason code 0x84 (MQTT 5.0, section 3.1.2.2), or closes.
#[test]
fn a_broker_of_older_mqtt_is_said_to_be_one() {
    for (answer, words) in [
        (&[0x20, 0x02, 0x00, 0x01][..], "older MQTT"),
        (&[0x20, 0x03, 0x00, 0x84, 0x00], "older MQTT"),
        (&[], "older MQTT"),
    ] {
        let mut daemon = daemon_at(&format!("mqtt://127.0.0.1:{}", answering(answer)));
        daemon.start_with_page();
        wait_until("the reason", LIMIT, || daemon.log().contains(words).then_some(()));
        daemon.assert_alive();
        assert!(!daemon.log().contains("panicked"), "{}", daemon.log());
        assert_ne!(daemon.get("/health").expect("the page answers").status, 200);
        assert!(daemon.terminate().success());
    }
}

/// Runs a command to its end as a user without rights to what root has.
fn as_nobody(daemon: &Daemon, arguments: &[&str]) -> Output {
    let mut command = daemon.command(arguments);
    if is_root() {
        command.uid(NOBODY).gid(NOBODY);
    }
    command.current_dir("/").stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = ChildGuard(command.spawn().expect("trug can be started"));
    wait_until("trug to end", LIMIT, || child.0.try_wait().unwrap());
    let mut output = Output { status: child.0.wait().unwrap(), stdout: Vec::new(), stderr: Vec::new() };
    child.0.stdout.take().unwrap().read_to_end(&mut output.stdout).unwrap();
    child.0.stderr.take().unwrap().read_to_end(&mut output.stderr).unwrap();
    output
}

fn set_mode(path: &Path, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

/// Each file that cannot be read or written is named, with what stands in the way.
#[test]
fn files_of_the_wrong_owner_are_named() {
    let daemon = || {
        let mut daemon = Daemon::new(1, &[("saltbush-gully", SHIPPED)]);
        set_mode(daemon.folder(), 0o755);
        let record = daemon.folder().join("record");
        fs::create_dir(&record).unwrap();
        set_mode(&record, 0o777);
        daemon.set("TRUG__STORE__PATH", &record.join("trug.db").display().to_string());
        daemon
    };
    let password = |daemon: &Daemon| daemon.folder().join("broker-password");
    for file in ["trug.toml", "gardens/saltbush-gully.toml", "broker-password"] {
        let mut daemon = daemon();
        if file == "broker-password" {
            fs::write(password(&daemon), "sesame").unwrap();
            daemon.set("TRUG__BROKER__USERNAME", "trug");
            daemon.set("TRUG__BROKER__PASSWORD_FILE", &password(&daemon).display().to_string());
        }
        set_mode(&daemon.folder().join(file), 0o000);
        for command in ["check", "run"] {
            let ended = as_nobody(&daemon, &[command]);
            assert_eq!(ended.status.code(), Some(2), "{file}: {ended:?}");
            let said = String::from_utf8_lossy(&[ended.stdout, ended.stderr].concat()).into_owned();
            assert!(
                said.contains(file) && said.to_lowercase().contains("permission denied"),
                "{file}: {said}"
            );
        }
    }

    // The record's folder, then the record itself, may be read and not written.
    let folder = daemon();
    set_mode(&folder.folder().join("record"), 0o555);
    let file = daemon();
    fs::write(file.store(), b"").unwrap();
    set_mode(&file.store(), 0o444);
    for daemon in [folder, file] {
        let ended = as_nobody(&daemon, &["run"]);
        assert_eq!(ended.status.code(), Some(3), "{ended:?}");
        let said = String::from_utf8_lossy(&ended.stderr).into_owned();
        assert!(said.contains("record/trug.db"), "{said}");
        let why = ["permission denied", "readonly", "read-only"];
        assert!(why.iter().any(|it| said.to_lowercase().contains(it)), "{said}");
    }
}

/// While the holder of the record's lock is stopped, as one is whose disk hangs, nobody takes
/// over: it may still write. Once it has ended, whatever it had not stored comes to the second.
#[test]
fn nobody_takes_over_from_a_daemon_that_hangs_before_it_has_ended() {
    let broker = Mosquitto::start();
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", &garden_file(900))]);
    let told = daemon.folder().join("told.jsonl");
    daemon.add(&format!("[[told_file]]\nname = \"record\"\npath = \"{}\"\n", told.display()));
    daemon.start();
    let listener = Listener::start(broker.port(), &["trug/#"]);
    listener.wait_for_last("trug/saltbush-gully/status", "online");
    send_range(broker.port(), 0, SENSORS, 900);
    daemon.wait_for(usize::try_from(SENSORS).unwrap(), LIMIT);
    daemon.stand_by();
    daemon.pause();
    send_range(broker.port(), SENSORS, 4 * SENSORS, 900);
    // Some looks at the lock.
    std::thread::sleep(Duration::from_secs(4));
    assert_eq!(daemon.log().matches("trug is running").count(), 1, "{}", daemon.log());
    assert_eq!(daemon.reader().count().unwrap(), SENSORS);
    daemon.fail_over();
    daemon.wait_for(usize::try_from(4 * SENSORS).unwrap(), LIMIT);
    wait_until("the second to run", LIMIT, || {
        (daemon.log().matches("trug is running").count() == 2).then_some(())
    });
    assert!(daemon.terminate().success());
}

/// What was kept of a garden by a newer program is set aside at the start, and that is said.
#[test]
fn what_a_newer_program_kept_of_a_garden_is_set_aside_and_said() {
    // No broker is asked for.
    let mut daemon = Daemon::new(1, &[("saltbush-gully", SHIPPED)]);
    daemon.start();
    let reader = daemon.reader();
    wait_until("the day's state to be kept", LIMIT, || reader.snapshot("saltbush-gully").unwrap());
    daemon.kill();
    let record = rusqlite::Connection::open(daemon.store()).unwrap();
    assert_eq!(record.execute("UPDATE snapshot SET format = format + 1", []).unwrap(), 1);
    drop(record);
    daemon.start();
    wait_until("the second run", LIMIT, || {
        (daemon.log().matches("trug is running").count() == 2).then_some(())
    });
    let log = daemon.log();
    assert_eq!(log.matches("what was kept of the garden is not used").count(), 1, "{log}");
    assert_eq!(log.matches("go_on=0").count(), 2, "{log}");
    assert!(daemon.terminate().success());
}
