//! The page's password: made into a string that can be kept, and checked against it.
//!
//! The string is in PHC form, `$argon2id$v=19$m=19456,t=2,p=1$SALT$HASH`, with argon2id
//! (RFC 9106). New ones take 19 MiB, two passes and one lane, the second row of the
//! table in the OWASP Password Storage Cheat Sheet (from memory; also the default of the
//! `argon2` crate).

use std::fmt;

use argon2::password_hash::phc;
use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _};
use argon2::{Argon2, Params};

/// Bytes of a password at most. Longer ones only keep the computer busy.
pub const PASSWORD_MAX: usize = 1024;

/// Characters of a new password at least. Common practice; twelve and more are better.
pub const PASSWORD_MIN: usize = 8;

/// Memory of one check at most, KiB: two checks at a time must leave room for the rest.
const MEMORY_MAX_KIB: u32 = 256 * 1024;

/// Memory times passes, KiB: what one check costs. The weakest row of OWASP's table
/// is 7 MiB with five passes (from memory); the strongest that is taken needs about a
/// second on a small computer.
const COST_KIB: std::ops::RangeInclusive<u64> = 7 * 1024 * 5..=1024 * 1024;

const LANES_MAX: u32 = 8;

/// What is accepted as a password's string.
pub const ACCEPTED: &str = "the line that trug password prints, such as $argon2id$v=19$m=19456,t=2,p=1$...";

/// A password as it is kept. `Debug` does not show it.
#[derive(Clone, PartialEq, Eq)]
pub struct PasswordHash(String);

impl fmt::Debug for PasswordHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("PasswordHash(not shown)")
    }
}

/// Why a string is not taken as a password's.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    #[error("not an argon2id string")]
    NotArgon2id,
    #[error("argon2id with m={memory_kib}, t={passes}, p={lanes}, which is {why}")]
    Cost { memory_kib: u32, passes: u32, lanes: u32, why: &'static str },
    #[error("a salt or a hash that is too short")]
    Short,
    #[error("a password of {0} bytes; at most 1024 are taken")]
    Long(usize),
    #[error("no password could be made: {0}")]
    Making(String),
}

impl PasswordHash {
    /// Takes a string that was made earlier, here or by another program, within bounds
    /// of what its checking may cost and of how weak it may be.
    ///
    /// # Errors
    /// Why it is refused.
    pub fn parse(text: &str) -> Result<Self, Refused> {
        let hash = phc::PasswordHash::new(text).map_err(|_| Refused::NotArgon2id)?;
        let version = hash.version.is_none_or(|version| version == 0x13);
        if hash.algorithm.as_str() != "argon2id" || !version {
            return Err(Refused::NotArgon2id);
        }
        let params = Params::try_from(&hash).map_err(|_| Refused::NotArgon2id)?;
        let (memory_kib, passes, lanes) = (params.m_cost(), params.t_cost(), params.p_cost());
        let cost = u64::from(memory_kib) * u64::from(passes);
        let refused = |why| Err(Refused::Cost { memory_kib, passes, lanes, why });
        if memory_kib > MEMORY_MAX_KIB || lanes > LANES_MAX || cost > *COST_KIB.end() {
            return refused("too much work for each visitor");
        }
        if cost < *COST_KIB.start() {
            return refused("too easy to guess");
        }
        let (Some(salt), Some(output)) = (hash.salt, hash.hash) else { return Err(Refused::Short) };
        if salt.len() < 8 || output.as_bytes().len() < 16 {
            return Err(Refused::Short);
        }
        Ok(Self(text.to_owned()))
    }

    /// Makes the string of a password, with a salt of its own.
    ///
    /// # Errors
    /// When the password is too long, or the system gives no random numbers.
    pub fn of(password: &str) -> Result<Self, Refused> {
        if password.len() > PASSWORD_MAX {
            return Err(Refused::Long(password.len()));
        }
        let made: phc::PasswordHash = Argon2::default()
            .hash_password(password.as_bytes())
            .map_err(|fault| Refused::Making(fault.to_string()))?;
        Ok(Self(made.to_string()))
    }

    /// Whether `password` is the one. It takes some ten milliseconds and 19 MiB, or what
    /// the string asks for: not for a thread that serves.
    pub fn is_of(&self, password: &str) -> bool {
        password.len() <= PASSWORD_MAX
            && phc::PasswordHash::new(&self.0)
                .is_ok_and(|hash| Argon2::default().verify_password(password.as_bytes(), &hash).is_ok())
    }

    /// The string, for the file.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_is_known_again_and_no_other() {
        let hash = PasswordHash::of("wattle and saltbush").unwrap();
        assert!(hash.as_str().starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{}", hash.as_str());
        let again = PasswordHash::parse(hash.as_str()).unwrap();
        assert!(again.is_of("wattle and saltbush"));
        for wrong in ["", "wattle and saltbush ", "Wattle and saltbush", &"x".repeat(PASSWORD_MAX + 1)] {
            assert!(!again.is_of(wrong), "{wrong:?}");
        }
        assert_ne!(PasswordHash::of("a").unwrap(), PasswordHash::of("a").unwrap(), "salts differ");
        assert_eq!(format!("{hash:?}"), "PasswordHash(not shown)");
    }

    /// A string made by another implementation: the reference program of the authors of
    /// argon2 (its test vectors in `src/test.c`: version 0x13, 64 MiB, two passes, one
    /// lane, password "password", salt "somesalt"; from memory of that file, and it holds).
    #[test]
    fn a_string_of_the_reference_program_is_taken() {
        let text = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc";
        let hash = PasswordHash::parse(text).unwrap();
        assert!(hash.is_of("password"));
        assert!(!hash.is_of("differentpassword"));
    }

    #[test]
    fn what_is_too_dear_or_too_weak_is_refused() {
        const TAIL: &str = "$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc";
        let parse = |params: &str| PasswordHash::parse(&format!("$argon2id$v=19${params}{TAIL}"));
        for params in ["m=47104,t=1,p=1", "m=7168,t=5,p=1", "m=262144,t=4,p=8", "m=9216,t=4,p=4"] {
            assert!(parse(params).is_ok(), "{params}: {:?}", parse(params));
        }
        for params in [
            "m=262145,t=2,p=1",
            "m=262144,t=5,p=1",
            "m=4294967295,t=4294967295,p=1",
            "m=65536,t=2,p=9",
            "m=4096,t=3,p=1",
            "m=8,t=1,p=1",
        ] {
            assert!(matches!(parse(params), Err(Refused::Cost { .. })), "{params}: {:?}", parse(params));
        }
        for text in [
            "",
            "sesame",
            "$argon2i$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$wWKIMhR9lyDFvRz9YTZweHKfbftvj+qf+YFY4NeBbtA",
            "$argon2id$v=16$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
            "$2b$12$R9h/cIPz0gi.URNNX3kh2OPST9/PgBkqquzi.Ss7KIUgO2t0jWMUW",
            "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ",
            "$argon2id$v=19$m=x,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
        ] {
            assert!(PasswordHash::parse(text).is_err(), "{text}");
        }
    }
}
