//! People with a name and a password of their own: what they see, and what they do not.

use std::sync::OnceLock;

use trug::engine::daemon_health::HealthFault;
use trug::model::Id;
use trug::page::access::Rules;
use trug::password::PasswordHash;
use trug::settings::PageUser;

use crate::access::{PASSWORD, cookie, form_token, get, hash, post};
use crate::support::http::{Answer, Served};
use crate::support::views::{self, Fixed};

/// Somewhere else than this computer.
const HOST: &str = "192.168.1.5:8470";
const SHORT: &str = "a bucket of worms";

fn short_hash() -> PasswordHash {
    static HASH: OnceLock<PasswordHash> = OnceLock::new();
    HASH.get_or_init(|| PasswordHash::of(SHORT).expect("a hash")).clone()
}

fn user(name: &str, gardens: Option<&[&str]>, may_change: bool) -> PageUser {
    let gardens = gardens.map(|ids| ids.iter().map(|&id| Id::new(id)).collect());
    PageUser { name: name.to_owned(), password: short_hash(), gardens, may_change }
}

/// Two schools: somebody of one, somebody who reads both, and the password of all.
fn district() -> Served {
    district_with(Vec::new())
}

fn district_with(faults: Vec<HealthFault>) -> Served {
    let mut second = views::busy();
    second.id = Id::new("creek-road");
    second.name = "Creek Road School".to_owned();
    second.alarms.clear();
    let users = vec![
        user("Creek Road", Some(&["creek-road"]), true),
        user("Gully", Some(&["saltbush-gully"]), true),
        user("Visitor", None, false),
        user("Gone", Some(&["no-more"]), true),
    ];
    let rules = Rules { password: Some(hash()), users, ..Rules::default() };
    Served::ruled(Fixed { faults, ..Fixed::of(vec![views::busy(), second]) }, rules, None)
}

fn enter(served: &Served, name: &str, password: &str) -> Answer {
    let mut form = url::form_urlencoded::Serializer::new(String::new());
    form.extend_pairs([("password", password), ("name", name), ("to", "/")]);
    post(served, "/enter", HOST, "", &form.finish())
}

fn entered(served: &Served, name: &str, password: &str) -> String {
    let answer = enter(served, name, password);
    assert_eq!(answer.status, 303, "{name}: {}", answer.body);
    cookie(&answer)
}

#[test]
fn each_sees_the_own_gardens_and_no_others() {
    let served = district();
    let creek = entered(&served, "creek road", SHORT);
    let home = get(&served, "/", HOST, &creek);
    assert!(
        home.body.contains("Creek Road School") && !home.body.contains("saltbush-gully"),
        "{}",
        home.body
    );
    assert!(home.body.contains("What to do today"), "the one garden is the first page");
    for path in ["/site/creek-road", "/site/creek-road/alarms"] {
        assert_eq!(get(&served, path, HOST, &creek).status, 200, "{path}");
    }
    let gully = entered(&served, "Gully", SHORT);
    assert_eq!(get(&served, "/api/v1/sites/saltbush-gully", HOST, &gully).status, 200);
    for path in [
        "/site/saltbush-gully",
        "/site/saltbush-gully/alarms",
        "/site/saltbush-gully/month",
        "/site/saltbush-gully/write",
        "/site/%73altbush-gully",
        "/site/saltbush%2Dgully",
        "/site/creek-road%2F..%2Fsaltbush-gully",
        "/api/v1/sites/saltbush-gully",
        "/api/v1/sites/saltbush-gully/alarms",
        "/api/v1/sites/saltbush%2Dgully",
        "/metrics",
    ] {
        let answer = get(&served, path, HOST, &creek);
        assert_eq!(answer.status, 404, "{path}");
        assert!(!answer.body.contains("saltbush-gully\""), "{path}: {}", answer.body);
    }
    let sites = get(&served, "/api/v1/sites", HOST, &creek).body;
    assert!(sites.contains("creek-road") && !sites.contains("saltbush"), "{sites}");

    let token = form_token(&home.body).to_owned();
    let sent = post(&served, "/site/saltbush-gully/write", HOST, &creek, &format!("token={token}&kind=fed"));
    assert_eq!(sent.status, 404, "{}", sent.body);

    let everybody = entered(&served, "Ada", PASSWORD);
    let all = get(&served, "/", HOST, &everybody).body;
    assert!(all.contains("Creek Road School") && all.contains("/site/saltbush-gully\""), "{all}");
    assert_eq!(get(&served, "/metrics", HOST, &everybody).status, 200);

    let gone = entered(&served, "Gone", SHORT);
    let nothing = get(&served, "/", HOST, &gone);
    assert!(
        nothing.body.contains("are not here any more") && !nothing.body.contains("School"),
        "{}",
        nothing.body
    );
}

#[test]
fn a_form_sent_with_a_password_reaches_the_own_gardens_only() {
    let served = district();
    let mut form = url::form_urlencoded::Serializer::new(String::new());
    form.extend_pairs([("password", SHORT), ("name", "Gully"), ("kind", "fed"), ("place", "perch-tank")]);
    let form = form.finish();
    let answer = post(&served, "/site/creek-road/write", HOST, "", &form);
    assert_eq!(answer.status, 404, "{}", answer.body);
    assert!(answer.header("set-cookie").is_none());
    let answer = post(&served, "/site/saltbush-gully/write", HOST, "", &form);
    assert!(
        answer.status != 404 && answer.header("set-cookie").is_some(),
        "{}: {}",
        answer.status,
        answer.body
    );
}

#[test]
fn who_may_only_read_is_told_so_and_changes_nothing() {
    let served = district();
    let visitor = entered(&served, "VISITOR", SHORT);
    let alarms = get(&served, "/site/saltbush-gully/alarms", HOST, &visitor);
    assert_eq!(alarms.status, 200);
    assert!(!alarms.body.contains("action=\"/site/saltbush-gully/alarms/answer\""), "{}", alarms.body);
    assert!(alarms.body.contains("Sign out, Visitor"), "{}", alarms.body);
    let token = form_token(&alarms.body).to_owned();
    for path in
        ["/site/saltbush-gully/write", "/site/saltbush-gully/alarms/answer", "/site/saltbush-gully/drawing"]
    {
        let answer = post(&served, path, HOST, &visitor, &format!("token={token}"));
        assert_eq!(answer.status, 403, "{path}");
        assert!(answer.body.contains("This sign-in only reads"), "{path}: {}", answer.body);
    }
    assert!(get(&served, "/enter", HOST, &visitor).body.contains("You are signed in"));
    assert_eq!(post(&served, "/leave", HOST, &visitor, "token=x").status, 403);
    assert_eq!(post(&served, "/leave", HOST, &visitor, &format!("token={token}")).status, 303);
    assert_eq!(get(&served, "/", HOST, &visitor).status, 303, "signed out");
}

#[test]
fn a_name_goes_with_its_own_password() {
    let served = district();
    for (name, password) in [
        ("Creek Road", PASSWORD),
        ("Visitor", PASSWORD),
        ("Ada", SHORT),
        ("", SHORT),
        ("Creek Road\u{0}", SHORT),
        ("Creek", SHORT),
    ] {
        let answer = enter(&served, name, password);
        assert_eq!(answer.status, 403, "{name:?}");
        assert!(answer.header("set-cookie").is_none(), "{name:?}");
    }
    let page = get(&served, "/enter", HOST, "").body;
    assert!(page.contains("Your sign-in name") && page.contains("autocomplete=\"username\""), "{page}");
    // Without the password of all, the users' are the only ones.
    let rules = Rules { users: vec![user("Creek Road", None, true)], ..Rules::default() };
    let served = Served::ruled(Fixed::of(vec![views::busy()]), rules, None);
    assert_eq!(enter(&served, "Ada", SHORT).status, 403);
    let cookie = entered(&served, " Creek road ", SHORT);
    assert_eq!(get(&served, "/site/saltbush-gully", HOST, &cookie).status, 200);
}

/// `/health` is open to everybody: what names a garden is for who may read of it.
#[test]
fn faults_that_name_a_garden_are_told_to_who_sees_it() {
    let of_gully = HealthFault {
        words: "The stored alarm dry-bed/kitchen-bed at saltbush-gully was set aside.".to_owned(),
        garden: Some(Id::new("saltbush-gully")),
        more: None,
    };
    let server = HealthFault {
        words: "The server school has refused 2 readings; see trug forward".to_owned(),
        garden: None,
        more: Some(": no such field: creek-road-cress".to_owned()),
    };
    let served = district_with(vec![server, of_gully.clone()]);
    let health = |cookie: &str| get(&served, "/health", HOST, cookie);
    let of_server = "The server school has refused 2 readings; see trug forward";
    let stranger = health("");
    assert_eq!(stranger.status, 503);
    assert_eq!(
        stranger.body,
        format!(
            "{of_server}\nSomething is the matter with a garden. Sign in on the page, then look here again.\n"
        )
    );
    let creek = health(&entered(&served, "Creek Road", SHORT));
    assert_eq!(creek.body, format!("{of_server}\n"));
    let gully = health(&entered(&served, "Gully", SHORT));
    assert_eq!(gully.body, format!("{of_server}\n{}\n", of_gully.words));
    let all = health(&entered(&served, "Visitor", SHORT));
    assert_eq!(all.body, format!("{of_server}: no such field: creek-road-cress\n{}\n", of_gully.words));

    let served = district_with(vec![of_gully.clone()]);
    let creek = get(&served, "/health", HOST, &entered(&served, "Creek Road", SHORT));
    assert_eq!((creek.status, creek.body.as_str()), (200, "ok\n"), "nothing of theirs is the matter");
    // Where everybody reads without a password, everybody is told.
    let open = Rules { open_reading: true, ..Rules::default() };
    let open = Served::ruled(Fixed { faults: vec![of_gully.clone()], ..Fixed::default() }, open, None);
    assert_eq!(get(&open, "/health", HOST, "").body, format!("{}\n", of_gully.words));
}
