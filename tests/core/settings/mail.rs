//! `[mail]`: what is accepted, and every fault at its line and key.

use std::time::Duration;

use trug::commands::check;
use trug::settings::{Fault, Mail, MailSecurity, Settings, from_text};

const TRUG: &str = r#"[broker]
url = "mqtt://127.0.0.1:1883"
[store]
path = "var/trug.db"
[mail]
host = "mail.school.example"
security = "starttls"
from = "Trug <trug@school.example>"
"#;

const GARDEN: &str = r#"[site]
id = "creek"
name = "Creek"
time_zone = "Australia/Adelaide"
latitude_deg = -34.9
elevation_m = 10
[[tell]]
who = "grounds"
alarms = ["sensor-silent"]
email = ["grounds@school.example"]
"#;

fn read(trug: &str, variables: &[(&str, &str)]) -> Result<Settings, Vec<Fault>> {
    let env = variables.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned()));
    from_text(("trug.toml", trug), &[("creek.toml", GARDEN)], env)
        .map_err(|faults| faults.as_slice().to_vec())
}

fn mail(trug: &str) -> Mail {
    read(trug, &[]).unwrap_or_else(|faults| panic!("{faults:#?}")).channels.mail.expect("a section [mail]")
}

fn replaced(from: &str, to: &str) -> String {
    assert_eq!(TRUG.matches(from).count(), 1, "{from:?} must stand once in the base text");
    TRUG.replace(from, to)
}

/// Ports: RFC 6409 (587), RFC 8314 (465), RFC 5321 (25).
#[test]
fn what_is_not_given_follows_from_the_rest() {
    let found = mail(TRUG);
    assert_eq!((found.host.as_str(), found.port), ("mail.school.example", 587));
    assert_eq!(found.security, MailSecurity::StartTls);
    assert_eq!((found.login, found.ca_file), (None, None));
    assert_eq!(found.timeout, Duration::from_secs(30));
    assert_eq!(
        (found.from.name.as_deref(), found.from.address.as_str()),
        (Some("Trug"), "trug@school.example")
    );

    assert_eq!(mail(&replaced("security = \"starttls\"\n", "")).security, MailSecurity::StartTls);
    assert_eq!(mail(&replaced("\"starttls\"", "\"tls\"")).port, 465);
    let local = replaced("\"starttls\"", "\"none\"").replace("mail.school.example", "localhost");
    assert_eq!(mail(&local).port, 25);
    assert_eq!(mail(&replaced("security", "port = 2525\nsecurity")).port, 2525);
    assert!(
        read("[broker]\nurl = \"mqtt://h\"\n[store]\npath = \"t\"\n", &[])
            .expect("no faults")
            .channels
            .mail
            .is_none()
    );
}

#[test]
fn a_sender_is_an_address_with_or_without_a_name() {
    for (from, name, address) in [
        ("trug@school.example", None, "trug@school.example"),
        ("<trug@school.example>", None, "trug@school.example"),
        ("Trug, the garden's <trug@school.example>", Some("Trug, the garden's"), "trug@school.example"),
        (r#"\"Trug, at school\" <trug@school.example>"#, Some("Trug, at school"), "trug@school.example"),
        ("Gärtnerei <büro@bücher.example>", Some("Gärtnerei"), "büro@bücher.example"),
    ] {
        let found = mail(&replaced("Trug <trug@school.example>", from)).from;
        assert_eq!((found.name.as_deref(), found.address.as_str()), (name, address), "{from}");
    }
}

#[test]
fn hosts_of_every_kind_are_taken() {
    for (host, expected) in [
        ("MAIL.school.example", "mail.school.example"),
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8::7", "2001:db8::7"),
        ("[2001:db8::7]", "2001:db8::7"),
        ("bücher.example", "xn--bcher-kva.example"),
    ] {
        assert_eq!(mail(&replaced("mail.school.example", host)).host, expected);
    }
    for host in ["localhost", "127.0.0.1", "127.9.9.9", "::1", "[::1]", "::ffff:127.0.0.1"] {
        let local = replaced("\"starttls\"", "\"none\"").replace("mail.school.example", host);
        assert_eq!(mail(&local).security, MailSecurity::None, "{host}");
    }
}

#[test]
fn the_environment_can_give_the_login() {
    let variables = [
        ("TRUG__MAIL__USERNAME", "trug"),
        ("TRUG__MAIL__PASSWORD", "open sesame"),
        ("TRUG__MAIL__PORT", "2525"),
        ("TRUG__MAIL__TIMEOUT_S", "5"),
    ];
    let found = read(TRUG, &variables).expect("no faults").channels.mail.expect("a section [mail]");
    let login = found.login.as_ref().expect("a login");
    assert_eq!((login.username.as_str(), login.password.reveal()), ("trug", "open sesame"));
    assert_eq!((found.port, found.timeout.as_secs()), (2525, 5));
    assert!(!format!("{found:?}").contains("sesame"));
}

#[test]
fn every_fault_is_told_at_its_line() {
    let host = r#"host = "mail.school.example""#;
    let starttls = r#"security = "starttls""#;
    let from = "Trug <trug@school.example>";
    let with = |line: &str| format!("{starttls}\n{line}");
    let cases: Vec<(&str, String, usize, &str, &str)> = vec![
        (host, String::new(), 5, "mail.host", "nothing"),
        (host, "host = 7".into(), 6, "mail.host", "without a port"),
        (host, r#"host = """#.into(), 6, "mail.host", "without a port"),
        (host, r#"host = "mail.school.example:587""#.into(), 6, "mail.host", "without a port"),
        (host, r#"host = "smtps://mail.school.example""#.into(), 6, "mail.host", "without a port"),
        (host, r#"host = "mail school""#.into(), 6, "mail.host", "without a port"),
        (host, r#"host = "mail\r\nschool""#.into(), 6, "mail.host", "without a port"),
        (starttls, r#"security = "startls""#.into(), 7, "mail.security", "nearest:  starttls"),
        (starttls, "security = true".into(), 7, "mail.security", "starttls, tls or none"),
        (starttls, r#"security = "none""#.into(), 6, "mail.host", "this computer"),
        (starttls, with("port = 0"), 8, "mail.port", "from 1 to 65535"),
        (starttls, with("port = 70000"), 8, "mail.port", "from 1 to 65535"),
        (starttls, with("port = \"587\""), 8, "mail.port", "587 for starttls"),
        (starttls, with("timeout_s = 0"), 8, "mail.timeout_s", "from 1 to 100"),
        (starttls, with("timeout_s = 101"), 8, "mail.timeout_s", "from 1 to 100"),
        (starttls, with("username = \"trug\""), 5, "mail.password_file", "this user's password"),
        (starttls, with("username = \"tr\\nug\""), 8, "mail.username", "control characters"),
        (starttls, with("password = \"sesame\""), 8, "mail.password", "password_file"),
        (starttls, with("password_file = \"no/such\""), 8, "mail.password_file", "no/such"),
        (starttls, with("ca_file = \"no/such\""), 8, "mail.ca_file", "PEM"),
        (starttls, with("hostname = \"x\""), 8, "mail.hostname", "not known"),
        (r#"from = "Trug <trug@school.example>""#, String::new(), 5, "mail.from", "nothing"),
        (from, "Trug".into(), 8, "mail.from", "a name and an address"),
        (from, "Trug <trug>".into(), 8, "mail.from", "a name and an address"),
        (from, "Trug <trug@school.example".into(), 8, "mail.from", "a name and an address"),
        (from, "Trug trug@school.example".into(), 8, "mail.from", "a name and an address"),
        (from, "a@b.example, c@d.example".into(), 8, "mail.from", "a name and an address"),
        (from, "Trug\\r\\nBcc: x <trug@school.example>".into(), 8, "mail.from", "\\r\\nBcc"),
        (from, "Trug \\u202egurt <trug@school.example>".into(), 8, "mail.from", "\\u{202e}"),
        (from, "Trug <a> <trug@school.example>".into(), 8, "mail.from", "a name and an address"),
        (from, "tr..ug@school.example".into(), 8, "mail.from", "a name and an address"),
    ];
    let mut wrong = Vec::new();
    for (from, to, line, key, words) in cases {
        let faults = read(&replaced(from, &to), &[]).map_or_else(|faults| faults, |_| Vec::new());
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        let found: Vec<_> = faults.iter().map(|fault| (fault.line, fault.key.as_str())).collect();
        if found != [(Some(line), key)] || !told.concat().contains(words) || told.concat().contains("sesame")
        {
            wrong
                .push(format!("{to:?}: line {line}, {key}, {words:?} expected, not:\n{}", told.join("\n\n")));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n---\n\n"));
}

/// A demonstration has addresses and no server: that is no fault, and said.
#[test]
fn addresses_without_a_mail_server_are_noted() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(folder.path().join("gardens")).expect("a folder");
    std::fs::write(folder.path().join("gardens/creek.toml"), GARDEN).expect("a file");
    let config = folder.path().join("trug.toml");
    let (without, _) = TRUG.split_once("[mail]").expect("it has a section [mail]");
    for (trug, notes) in [(TRUG, 0), (without, 1)] {
        std::fs::write(&config, trug).expect("a file");
        let checked = |as_json| {
            let mut out = Vec::new();
            let exit =
                check::run(&config, std::iter::empty(), None, as_json, &mut out).expect("it can be written");
            assert_eq!(exit.code(), 0);
            String::from_utf8(out).expect("UTF-8")
        };
        let note = "note: 1 group is told by e-mail, and the daemon's file has no section [mail]";
        let text = checked(false);
        assert_eq!(text.matches(note).count(), notes, "{text}");
        assert!(text.ends_with("\nno faults\n"), "{text}");
        let json: serde_json::Value = serde_json::from_str(&checked(true)).expect("JSON");
        let all = json["notes"].as_array().expect("a list");
        let of_mail = all.iter().filter(|note| note.as_str().is_some_and(|note| note.contains("by e-mail")));
        assert_eq!(of_mail.count(), notes, "{json:#}");
        // Its only group is told of beds, and it has none.
        let unreached =
            "creek: no alarm reaches the group grounds: none of its alarms can come at its places";
        assert!(all.iter().any(|note| note == unreached), "{json:#}");
    }
}
