//! Files that the settings name: pipes, devices, what others may read, and certificates
//! that are none.

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use trug::settings::{Settings, from_text};

use crate::support::garden::GardenFile;

fn read(broker: &str) -> Result<Settings, String> {
    let text =
        format!("[broker]\nurl = \"mqtts://broker.school.example\"\n{broker}\n[store]\npath = \"trug.db\"\n");
    let garden = GardenFile::new("school").text().to_owned();
    from_text(("trug.toml", &text), &[("garden.toml", &garden)], std::iter::empty())
        .map_err(|e| e.to_string())
}

fn password(path: &Path) -> Result<Settings, String> {
    read(&format!("username = \"trug\"\npassword_file = '{}'", path.display()))
}

#[test]
fn odd_keys_are_told_as_they_are_written() {
    for (line, told) in
        [("\"\" = 1", "broker.\"\""), ("\"x y\" = 1", "broker.\"x y\""), ("x-y = 1", "broker.x-y")]
    {
        let fault = read(line).expect_err(line);
        assert!(fault.contains(&format!("line 3: {told}\n")), "{line}: {fault}");
    }
}

#[test]
fn a_secret_is_never_read_from_a_pipe_or_a_device() {
    let folder = tempfile::tempdir().expect("a folder");
    let pipe = folder.path().join("pipe");
    assert!(Command::new("mkfifo").arg(&pipe).status().expect("mkfifo").success());
    let began = Instant::now();
    for path in [&pipe, Path::new("/dev/zero"), folder.path()] {
        let fault = password(path).expect_err("it is no file");
        assert!(fault.contains("not a file but a folder, a pipe or a device"), "{fault}");
    }
    let long = folder.path().join("long");
    std::fs::write(&long, vec![b'x'; 70_000]).expect("a file");
    assert!(password(&long).expect_err("it is too long").contains("more than 65536 bytes"));
    assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
}

#[test]
fn a_secret_that_everybody_may_read_is_refused_by_check_and_the_daemon_runs() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("password");
    std::fs::write(&path, "open sesame\n").expect("a file");
    for (mode, refused) in [(0o640, false), (0o600, false), (0o644, true), (0o602, true)] {
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).expect("the file is ours");
        let settings = password(&path).unwrap_or_else(|faults| panic!("{faults}"));
        let told = settings.borne.map(|faults| faults.to_string());
        assert_eq!(told.is_some(), refused, "{mode:o}: {told:?}");
        if let Some(told) = told {
            assert!(told.contains("everybody on this computer") && told.contains("chmod o-rwx"), "{told}");
            assert!(told.contains("broker.password_file") && !told.contains("sesame"), "{told}");
        }
    }
}

#[test]
fn a_file_that_holds_no_certificate_is_told_with_what_it_holds() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("ca");
    let authority =
        rcgen::generate_simple_self_signed(vec!["broker.school.example".to_owned()]).expect("a certificate");
    let bad = "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n";
    for (bytes, words) in [
        (authority.cert.der().to_vec(), "DER form; openssl x509 -inform der"),
        (authority.signing_key.serialize_pem().into_bytes(), "it holds a private key and no certificate"),
        (Vec::new(), "there is no certificate in it"),
        (b"not a certificate".to_vec(), "there is no certificate in it"),
        (bad.as_bytes().to_vec(), "certificate 1 in it cannot be used"),
        (format!("{}{bad}", authority.cert.pem()).into_bytes(), "certificate 2 in it cannot be used"),
    ] {
        std::fs::write(&path, bytes).expect("a file");
        let fault = read(&format!("ca_file = '{}'", path.display())).expect_err(words);
        assert!(fault.contains(words) && fault.contains("broker.ca_file"), "{words}: {fault}");
    }
    std::fs::write(&path, authority.cert.pem()).expect("a file");
    read(&format!("ca_file = '{}'", path.display())).unwrap_or_else(|faults| panic!("{faults}"));
}

#[test]
fn a_certificate_of_trug_s_own_has_its_key_beside_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).expect("a file");
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).expect("its mode");
        path.display().to_string()
    };
    let made = || rcgen::generate_simple_self_signed(vec!["trug".to_owned()]).expect("a certificate");
    let (mine, other) = (made(), made());
    let certificate = file("trug.crt", &mine.cert.pem());
    let key = file("trug.key", &mine.signing_key.serialize_pem());
    let stranger = file("stranger.key", &other.signing_key.serialize_pem());
    let lines = |certificate: &str, key: &str| {
        read(&format!("certificate_file = '{certificate}'\nkey_file = '{key}'"))
    };

    let settings = lines(&certificate, &key).unwrap_or_else(|faults| panic!("{faults}"));
    let identity = settings.broker.identity.expect("it is there");
    assert_eq!(identity.certificate_file.display().to_string(), certificate);
    assert_eq!(settings.borne, None);
    for (certificate, key, at, words) in [
        (&certificate, &stranger, "broker.key_file", "the key of another certificate"),
        (&certificate, &certificate, "broker.key_file", "there is no key in it"),
        (&key, &key, "broker.certificate_file", "there is no certificate in it"),
        (&"no/such".to_owned(), &key, "broker.certificate_file", "own certificate in PEM form"),
    ] {
        let fault = lines(certificate, key).expect_err(words);
        assert!(fault.contains(at) && fault.contains(words), "{at} {words}: {fault}");
        assert!(!fault.contains("BEGIN"), "{fault}");
    }
    for (line, lacks) in [("certificate_file", "broker.key_file"), ("key_file", "broker.certificate_file")] {
        let fault = read(&format!("{line} = '{certificate}'")).expect_err(lacks);
        assert!(fault.contains(lacks) && fault.contains("PEM"), "{fault}");
    }
    // A key that everybody may read is borne, and said.
    std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o644)).expect("its mode");
    let borne = lines(&certificate, &key).expect("it is borne").borne.expect("and said");
    assert!(borne.to_string().contains("chmod o-rwx"), "{borne}");
}

/// As systemd hands over a credential: a file below a folder that it names, by the environment.
#[test]
fn a_secret_comes_from_a_file_that_the_environment_names() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("broker-password");
    std::fs::write(&path, "sesame\n").expect("a file");
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o400)).expect("its mode");
    let text =
        "[broker]\nurl = \"mqtts://broker.school.example\"\nusername = \"trug\"\n[store]\npath = \"t.db\"\n";
    let garden = GardenFile::new("school").text().to_owned();
    let variable = ("TRUG__BROKER__PASSWORD_FILE".to_owned(), path.display().to_string());
    let settings = from_text(("trug.toml", text), &[("garden.toml", &garden)], [variable].into_iter())
        .unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(settings.broker.password.as_ref().map(|it| it.reveal()), Some("sesame"));
    assert!(!format!("{settings:?}").contains("sesame"));
}
