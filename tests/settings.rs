//! The configuration that ships with the program, and the environment over it.

use std::path::{Path, PathBuf};

use trug::settings::{Faults, Settings, load};

fn shipped() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config/trug.toml")
}

fn load_with(env: &[(&str, &str)]) -> Result<Settings, Faults> {
    load(&shipped(), env.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())))
}

#[test]
fn shipped_configuration_has_no_fault() {
    let settings = load_with(&[]).unwrap_or_else(|faults| panic!("{faults}"));
    let garden = &settings.gardens[0];
    assert_eq!(settings.gardens.len(), 1);
    assert_eq!((garden.beds.len(), garden.tanks.len(), garden.sensors.len()), (4, 1, 11));
    assert_eq!((settings.broker.host.as_str(), settings.broker.port), ("127.0.0.1", 1883));
}
