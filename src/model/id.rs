//! Names of sites, places and sensors.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// A short name used in topics, commands and the database: lower-case letters,
/// digits and hyphens, 1 to 64 characters.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Id(Arc<str>);

impl Id {
    /// Wraps a name that the caller has checked.
    pub fn new(name: &str) -> Self {
        Self(Arc::from(name))
    }

    /// The name itself.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether `name` may be an id.
    pub fn is_valid(name: &str) -> bool {
        (1..=64).contains(&name.len())
            && name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
            && !name.starts_with('-')
            && !name.ends_with('-')
    }
}

impl fmt::Display for Id {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Debug for Id {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", &*self.0)
    }
}

impl Serialize for Id {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Id {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let name = String::deserialize(deserializer)?;
        if Self::is_valid(&name) { Ok(Self::new(&name)) } else { Err(de::Error::custom("it is no id")) }
    }
}
