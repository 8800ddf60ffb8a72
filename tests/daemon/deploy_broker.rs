//! The broker's configuration in deploy/, in a real Mosquitto.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::GardenFile;
use crate::support::mosquitto::Mosquitto;
use crate::support::{free_port, program, wait_until};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, Packet, PubAckReason};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions};
use tempfile::TempDir;
use tokio::time::timeout;

const LIMIT: Duration = Duration::from_secs(60);

/// The users that the access list names; each one's password is its name.
const USERS: [&str; 4] = ["trug", "saltbush-gully", "saltbush-gully-screen", "saltbush-gully-office"];

/// A broker with the configuration as it is shipped, but on a free port and
/// with its files in a folder of the test's, without TLS.
fn broker() -> (Mosquitto, TempDir) {
    let (broker, folder, _) = broker_with_tls(&["localhost"], "");
    (broker, folder)
}

/// The shipped script for certificates, at work in `folder`.
fn certificates(folder: &Path, arguments: &[&str]) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/certificates");
    let run = Command::new(script).args(arguments).env("FOLDER", folder).output().expect("a shell");
    let said = String::from_utf8_lossy(&[run.stdout, run.stderr].concat()).into_owned();
    assert!(run.status.success(), "{arguments:?}: {said}");
    said
}

/// The same, and the port on which it speaks TLS, with a certificate for `names`. `more` is said
/// of that listener.
fn broker_with_tls(names: &[&str], more: &str) -> (Mosquitto, TempDir, u16) {
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy");
    let folder = tempfile::tempdir().expect("a folder for passwords and access list");
    let passwords = folder.path().join("trug.passwords");
    let access = folder.path().join("trug.acl");
    fs::write(&passwords, "").expect("the password file can be written");
    for user in USERS {
        let added =
            Command::new(program("mosquitto_passwd")).arg("-b").arg(&passwords).args([user, user]).output();
        let added = added.expect("mosquitto_passwd can be started");
        assert!(added.status.success(), "{}", String::from_utf8_lossy(&added.stderr));
    }
    fs::copy(shipped.join("mosquitto-trug.acl"), &access).expect("the access list can be copied");

    let authority = folder.path().join("authority");
    certificates(&authority, &[&["make"], names].concat());
    // Root's mosquitto of the test stays root, and Debian's group may be missing.
    let tls_port = free_port();

    let text = fs::read_to_string(shipped.join("mosquitto-trug.conf")).expect("the configuration is there");
    let mut lines = String::new();
    for line in text.lines() {
        match line.split_once(' ') {
            // `Mosquitto` adds a listener of its own.
            Some(("listener", "1883 127.0.0.1")) => {}
            Some(("listener", "8883")) => lines += &format!("listener {tls_port} 127.0.0.1\n{more}"),
            Some((key @ ("cafile" | "certfile" | "keyfile"), path)) => {
                let name = Path::new(path).file_name().expect("a file's name").to_string_lossy();
                lines += &format!("{key} {}\n", authority.join(name.as_ref()).display());
            }
            Some(("password_file", _)) => lines += &format!("password_file {}\n", passwords.display()),
            Some(("acl_file", _)) => lines += &format!("acl_file {}\n", access.display()),
            _ => lines += &format!("{line}\n"),
        }
    }
    assert!(lines.contains("allow_anonymous false"), "{lines}");
    assert!(lines.contains(&format!("listener {tls_port}")) && lines.contains("keyfile /"), "{lines}");
    (Mosquitto::start_with(&lines), folder, tls_port)
}

fn client(broker: &Mosquitto, id: &str, credentials: Option<(&str, &str)>) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", broker.port());
    options.set_keep_alive(Duration::from_secs(30));
    options.set_clean_start(false);
    options.set_session_expiry_interval(Some(7 * 24 * 3600));
    options.set_outgoing_inflight_upper_limit(50);
    if let Some((user, password)) = credentials {
        options.set_credentials(user, password);
    }
    AsyncClient::new(options, 3000)
}

/// Polls until `wanted` gives something.
async fn until<T>(events: &mut EventLoop, mut wanted: impl FnMut(Packet) -> Option<T>) -> T {
    let poll = async {
        loop {
            if let Event::Incoming(packet) = events.poll().await.expect("the session holds")
                && let Some(found) = wanted(packet)
            {
                return found;
            }
        }
    };
    timeout(LIMIT, poll).await.expect("the broker answers in time")
}

async fn subscribe_to_all(client: &AsyncClient, events: &mut EventLoop) {
    client.subscribe("#", QoS::AtLeastOnce).await.expect("the request is taken");
    until(events, |packet| matches!(packet, Packet::SubAck(_)).then_some(())).await;
}

/// Publishes at QoS 1 and waits for every acknowledgement.
async fn publish(client: &AsyncClient, events: &mut EventLoop, topic: &str, count: u32) {
    for number in 0..count {
        client
            .publish(topic, QoS::AtLeastOnce, false, number.to_string())
            .await
            .expect("the queue holds all of them");
    }
    let mut acknowledged = 0;
    until(events, |packet| {
        acknowledged += u32::from(matches!(packet, Packet::PubAck(_)));
        (acknowledged == count).then_some(())
    })
    .await;
}

/// Publishes where it is not allowed, and waits until the broker has said so:
/// by a refusing acknowledgement, or by hanging up.
async fn try_in_vain(broker: &Mosquitto, user: &str, topic: &str) {
    let (out, mut events) = client(broker, user, Some((user, user)));
    out.publish(topic, QoS::AtLeastOnce, false, "1").await.expect("the request is taken");
    let refusal = async {
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Packet::PubAck(answer))) => {
                    assert_ne!(answer.reason, PubAckReason::Success, "{user} may write {topic}");
                    return;
                }
                Ok(_) => {}
                Err(ConnectionError::MqttState(_)) => return,
                Err(fault) => panic!("{user} on {topic}: {fault}"),
            }
        }
    };
    timeout(LIMIT, refusal).await.expect("the broker answers in time");
}

#[tokio::test]
async fn nobody_comes_in_without_the_right_password() {
    let (broker, _folder) = broker();
    for credentials in [None, Some(("trug", "wrong")), Some(("nobody", "nobody"))] {
        let (_client, mut events) = client(&broker, "visitor", credentials);
        let refused = timeout(LIMIT, events.poll()).await.expect("the broker answers in time");
        assert!(
            matches!(
                refused,
                Err(ConnectionError::ConnectionRefused(
                    ConnectReturnCode::NotAuthorized | ConnectReturnCode::BadUserNamePassword
                ))
            ),
            "{credentials:?}: {refused:?}"
        );
    }
}

#[tokio::test]
async fn a_gateway_writes_its_own_garden_only_an_office_its_answers_and_a_screen_nothing() {
    let (broker, _folder) = broker();
    let (trug, mut heard) = client(&broker, "trug", Some(("trug", "trug")));
    subscribe_to_all(&trug, &mut heard).await;
    let [_, gateway, screen, office] = USERS;
    const ANSWER: &str = "trug/saltbush-gully/answer";
    for topic in ["another-garden/rain", "trug/saltbush-gully/status", "saltbush-gully-east/rain", ANSWER] {
        try_in_vain(&broker, gateway, topic).await;
    }
    try_in_vain(&broker, screen, ANSWER).await;
    for topic in ["trug/another-garden/answer", "trug/saltbush-gully/status", "saltbush-gully/rain"] {
        try_in_vain(&broker, office, topic).await;
    }
    try_in_vain(&broker, screen, "saltbush-gully/rain/from-the-screen").await;

    let (out, mut events) = client(&broker, gateway, Some((gateway, gateway)));
    publish(&out, &mut events, "saltbush-gully/rain", 1).await;
    let first = until(&mut heard, |packet| match packet {
        Packet::Publish(publish) => Some(publish.topic),
        _ => None,
    })
    .await;
    assert_eq!(first, "saltbush-gully/rain", "what came before it is not allowed");
    let (out, mut events) = client(&broker, office, Some((office, office)));
    publish(&out, &mut events, ANSWER, 1).await;
    let second = until(&mut heard, |packet| match packet {
        Packet::Publish(publish) => Some(publish.topic),
        _ => None,
    })
    .await;
    assert_eq!(second, ANSWER);
}

/// More than the thousand messages that Mosquitto holds by default, and the
/// broker is restarted in between.
#[tokio::test]
async fn the_kept_session_holds_a_night_of_readings_across_a_restart() {
    const READINGS: u32 = 2500;
    let (mut broker, _folder) = broker();
    let (trug, mut heard) = client(&broker, "trug", Some(("trug", "trug")));
    subscribe_to_all(&trug, &mut heard).await;
    drop((trug, heard));

    let gateway = USERS[1];
    let (out, mut events) = client(&broker, gateway, Some((gateway, gateway)));
    publish(&out, &mut events, "saltbush-gully/rain", READINGS).await;
    drop((out, events));
    broker.stop();
    broker.start_again();

    let (_trug, mut heard) = client(&broker, "trug", Some(("trug", "trug")));
    let kept = until(&mut heard, |packet| match packet {
        Packet::ConnAck(answer) => Some(answer.session_present),
        _ => None,
    })
    .await;
    assert!(kept, "the session is gone");
    let mut numbers = BTreeSet::new();
    until(&mut heard, |packet| {
        if let Packet::Publish(publish) = packet {
            numbers.insert(String::from_utf8_lossy(&publish.payload).into_owned());
        }
        (numbers.len() == READINGS as usize).then_some(())
    })
    .await;
}

/// Trug with one rain gauge, at a broker of this host and port by TLS.
fn trug_by_tls(host: &str, port: u16, authority: &Path) -> Daemon {
    let garden = GardenFile::new("saltbush-gully").sensor("rain", "rain", "");
    let mut daemon = Daemon::new(1, &[("saltbush-gully", garden.text())]);
    daemon.set("TRUG__BROKER__URL", &format!("mqtts://{host}:{port}"));
    daemon.set("TRUG__BROKER__CA_FILE", &authority.join("authority.crt").display().to_string());
    daemon
}

fn connected(daemon: &Daemon) {
    wait_until("the broker to be reached", LIMIT, || {
        daemon.get("/health").filter(|answer| answer.status == 200)
    });
}

#[test]
fn trug_reaches_the_shipped_broker_by_tls_and_its_password_is_nowhere_to_be_read() {
    let (_broker, folder, port) = broker_with_tls(&["localhost"], "");
    let authority = folder.path().join("authority");
    let password = folder.path().join("password");
    fs::write(&password, "trug\n").expect("the password's file");
    fs::set_permissions(&password, fs::Permissions::from_mode(0o600)).expect("its mode");
    let mut daemon = trug_by_tls("localhost", port, &authority);
    daemon.set("TRUG__BROKER__USERNAME", "trug");
    daemon.set("TRUG__BROKER__PASSWORD_FILE", &password.display().to_string());
    daemon.set("TRUG__LOG__LEVEL", "trace");
    daemon.start_with_page();
    connected(&daemon);
    let process = daemon.process();
    for of in ["cmdline", "environ"] {
        let told = fs::read_to_string(format!("/proc/{process}/{of}")).expect("the process is there");
        assert!(!told.contains("PASSWORD=") && !told.contains("password=trug"), "{of}: {told}");
    }
    assert!(daemon.terminate().success());
    let log = daemon.log();
    assert!(!log.contains("password: \"trug\"") && !log.contains("Some(\"trug\")"), "{log}");
}

#[test]
fn a_broker_of_another_name_or_authority_is_not_spoken_to() {
    let (_broker, folder, port) = broker_with_tls(&["garden-box.school.example"], "");
    let authority = folder.path().join("authority");
    let stranger = folder.path().join("stranger");
    certificates(&stranger, &["make", "garden-box.school.example"]);
    for (authority, words) in [(&authority, "not valid for name"), (&stranger, "UnknownIssuer")] {
        let mut daemon = trug_by_tls("127.0.0.1", port, authority);
        daemon.start_with_page();
        wait_until(words, LIMIT, || daemon.log().contains(words).then_some(()));
        let health = daemon.get("/health").expect("the page answers");
        assert_ne!(health.status, 200, "{}", health.body);
        assert!(daemon.terminate().success());
    }
}

/// With `require_certificate` a gateway's certificate stands for name and password, on the topics
/// of that name alone.
#[test]
fn a_certificate_stands_for_a_name_and_a_password() {
    let certified = "require_certificate true\nuse_identity_as_username true\n";
    let (_broker, folder, port) = broker_with_tls(&["localhost"], certified);
    let authority = folder.path().join("authority");
    for name in ["trug", "saltbush-gully"] {
        certificates(&authority, &["gateway", name]);
    }
    let mut daemon = trug_by_tls("localhost", port, &authority);
    // Nobody without one.
    daemon.start_with_page();
    wait_until("the refusal", LIMIT, || daemon.log().to_lowercase().contains("certificate").then_some(()));
    assert_ne!(daemon.get("/health").expect("the page answers").status, 200);
    assert!(daemon.terminate().success());

    let file = |name: &str| authority.join(name).display().to_string();
    daemon.set("TRUG__BROKER__CERTIFICATE_FILE", &file("gateway-trug.crt"));
    daemon.set("TRUG__BROKER__KEY_FILE", &file("gateway-trug.key"));
    daemon.start_with_page();
    connected(&daemon);
    let publish = |topic: &str| {
        Command::new(program("mosquitto_pub"))
            .args([
                "-V",
                "5",
                "-q",
                "1",
                "-d",
                "-h",
                "localhost",
                "-p",
                &port.to_string(),
                "-t",
                topic,
                "-m",
                "1",
            ])
            .args(["--cafile", &file("authority.crt"), "--cert", &file("gateway-saltbush-gully.crt")])
            .args(["--key", &file("gateway-saltbush-gully.key")])
            .output()
            .expect("mosquitto_pub can be started")
    };
    let said = |output: std::process::Output| {
        String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned()
    };
    let allowed = said(publish("saltbush-gully/rain"));
    assert!(
        allowed.contains("RC:0") || allowed.contains("PUBACK") && !allowed.contains("RC:135"),
        "{allowed}"
    );
    // What deploy/README.md tells a newcomer to look for.
    let denied = said(publish("another-garden/rain"));
    assert!(denied.contains("RC:135") || denied.contains("Not authorized"), "{denied}");
    assert!(daemon.terminate().success());
}

#[test]
fn certificates_are_renewed_before_they_end_and_never_made_twice() {
    let folder = tempfile::tempdir().expect("a folder");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/certificates");
    let run = |days: &str, arguments: &[&str]| {
        let mut command = Command::new(&script);
        let output =
            command.args(arguments).env("FOLDER", folder.path().join("a")).env("DAYS", days).output();
        let output = output.expect("a shell");
        (
            output.status.success(),
            String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned(),
        )
    };
    for bad in ["", "a/b", "-x", "two words", "a,DNS:b"] {
        let (taken, said) = run("30", &["make", bad]);
        assert!(!taken && said.contains("are accepted"), "{bad}: {said}");
    }
    assert!(run("30", &["make", "localhost", "192.168.1.20", "fd00::1"]).0);
    assert!(!run("30", &["make", "localhost"]).0, "a second authority would cut off every device");
    assert!(run("30", &["gateway", "saltbush-gully"]).0 && !run("30", &["gateway", "Saltbush Gully"]).0);
    let key = |name: &str| fs::read(folder.path().join("a").join(name)).expect("a key");
    let before = (key("authority.key"), key("broker.key"), key("authority.crt"), key("broker.crt"));
    let (renewed, said) = run("397", &["renew"]);
    assert!(renewed && said.contains("broker.crt") && said.contains("gateway-saltbush-gully.crt"), "{said}");
    let after = (key("authority.key"), key("broker.key"), key("authority.crt"), key("broker.crt"));
    assert_eq!((&before.0, &before.1, &before.2), (&after.0, &after.1, &after.2));
    assert_ne!(before.3, after.3);
    assert!(run("397", &["renew"]).1.contains("nothing ends within 60 days"));
    let names = Command::new("openssl")
        .args(["x509", "-noout", "-ext", "subjectAltName", "-in"])
        .arg(folder.path().join("a/broker.crt"))
        .output()
        .expect("openssl can be started");
    let names = String::from_utf8_lossy(&names.stdout).into_owned();
    assert!(
        ["localhost", "192.168.1.20", "FD00:0:0:0:0:0:0:1"].iter().all(|it| names.contains(it)),
        "{names}"
    );
}
