//! The broker's configuration in deploy/, in a real Mosquitto.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::support::mosquitto::Mosquitto;
use crate::support::program;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, Packet, PubAckReason};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions};
use tempfile::TempDir;
use tokio::time::timeout;

const LIMIT: Duration = Duration::from_secs(60);

/// The users that the access list names; each one's password is its name.
const USERS: [&str; 4] = ["trug", "saltbush-gully-gateway", "saltbush-gully-screen", "saltbush-gully-office"];

/// A broker with the configuration as it is shipped, but on a free port and
/// with its files in a folder of the test's.
fn broker() -> (Mosquitto, TempDir) {
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

    let text = fs::read_to_string(shipped.join("mosquitto-trug.conf")).expect("the configuration is there");
    let mut lines = String::new();
    for line in text.lines() {
        match line.split_once(' ') {
            // `Mosquitto` adds a listener of its own.
            Some(("listener", "1883")) => {}
            Some(("password_file", _)) => lines += &format!("password_file {}\n", passwords.display()),
            Some(("acl_file", _)) => lines += &format!("acl_file {}\n", access.display()),
            _ => lines += &format!("{line}\n"),
        }
    }
    assert!(lines.contains("allow_anonymous false"), "{lines}");
    (Mosquitto::start_with(&lines), folder)
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
