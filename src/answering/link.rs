//! Links with a signature, by which people who were told of an alarm say that they
//! have taken it on.
//!
//! A link carries a token: `base64url(claim) "." base64url(signature)`. The
//! signature is HMAC-SHA-256 (RFC 2104 with FIPS 180-4) over the claim's base64url
//! text (RFC 4648, section 5, without padding), with a prefix that says what it is
//! for, so that the same secret can sign nothing else. Checking takes the same time
//! wherever two signatures differ.
//!
//! Whoever has the link can acknowledge one occurrence of one alarm until it
//! expires, and nothing else. A link of a rehearsal acknowledges nothing: it says so,
//! and pressing its button is noted.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jiff::{SignedDuration, Timestamp};
use ring::hmac;

use crate::alarms::AlarmKey;
use crate::alarms::Kind;
use crate::model::Id;

/// Bytes that a secret has at least: the length of the hash's output, below which
/// RFC 2104, section 3, calls a key weaker.
pub const SECRET_MIN: usize = 32;

/// How long a link may hold at most, hours: 30 days.
pub const LINK_HOURS_MAX: u32 = 720;

/// Bytes of a token at most. The longest claim (two ids of 64, a kind, two times, a
/// group of 100 characters of four bytes) makes fewer than 900.
pub const TOKEN_MAX: usize = 1024;

const PURPOSE: &[u8] = b"trug answer link\n";
const VERSION: &str = "1";
const ACKNOWLEDGE: &str = "acknowledge";
const REHEARSE: &str = "rehearse";
/// Lines of a claim; the group comes last.
const LINES: usize = 8;

/// What a link says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Claim {
    pub key: AlarmKey,
    /// The occurrence: when its condition began, whole milliseconds.
    pub since: Timestamp,
    /// The group that was told.
    pub who: String,
    /// Nothing is the matter: it is tried whether an answer comes.
    pub rehearsal: bool,
    /// From then on the link holds no more, whole seconds.
    pub expires: Timestamp,
}

/// What a token is found to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Checked {
    Good(Claim),
    /// It is ours, and its time is over.
    Expired(Claim),
    /// It has a token's form, and its signature is not ours.
    Forged,
    /// It has not the form of a token.
    Malformed,
}

/// Makes links and checks them.
#[derive(Clone, Debug)]
pub struct Links {
    page_url: String,
    key: hmac::Key,
    holds: SignedDuration,
}

impl Links {
    /// `page_url` is the address at which people reach the page; `secret` has at
    /// least [`SECRET_MIN`] bytes; links hold for `hours`.
    pub fn new(page_url: &str, secret: &[u8], hours: u32) -> Self {
        Self {
            page_url: page_url.trim_end_matches('/').to_owned(),
            key: hmac::Key::new(hmac::HMAC_SHA256, secret),
            holds: SignedDuration::from_hours(i64::from(hours.min(LINK_HOURS_MAX))),
        }
    }

    /// The address of the page on which the group `who` acknowledges this occurrence
    /// of an alarm. `made_at` is when the message was made that carries it.
    pub fn address(&self, key: &AlarmKey, since: Timestamp, who: &str, made_at: Timestamp) -> String {
        format!("{}/answer?t={}", self.page_url, self.token(key, since, who, made_at))
    }

    /// The token of such an address.
    pub fn token(&self, key: &AlarmKey, since: Timestamp, who: &str, made_at: Timestamp) -> String {
        self.token_to(ACKNOWLEDGE, key, since, who, made_at)
    }

    /// The address of the page on which a group answers a rehearsal that began at `since`.
    pub fn rehearsal(&self, key: &AlarmKey, since: Timestamp, who: &str, made_at: Timestamp) -> String {
        format!("{}/answer?t={}", self.page_url, self.token_to(REHEARSE, key, since, who, made_at))
    }

    fn token_to(
        &self,
        action: &str,
        key: &AlarmKey,
        since: Timestamp,
        who: &str,
        made_at: Timestamp,
    ) -> String {
        let expires = made_at.saturating_add(self.holds).unwrap_or(made_at);
        let claim = format!(
            "{VERSION}\n{action}\n{}\n{}\n{}\n{}\n{}\n{who}",
            key.site,
            key.kind.name(),
            key.place,
            since.as_millisecond(),
            expires.as_second(),
        );
        let claim = URL_SAFE_NO_PAD.encode(claim);
        let signature = URL_SAFE_NO_PAD.encode(hmac::sign(&self.key, &signed(&claim)));
        format!("{claim}.{signature}")
    }

    /// What the token is at `now`. No bytes make it fail otherwise.
    pub fn check(&self, token: &str, now: Timestamp) -> Checked {
        let Some((claim, signature)) = form(token) else { return Checked::Malformed };
        // A last letter with bits that no encoder leaves is refused by the decoder.
        let genuine = URL_SAFE_NO_PAD
            .decode(signature)
            .is_ok_and(|bytes| hmac::verify(&self.key, &signed(claim), &bytes).is_ok());
        if !genuine {
            return Checked::Forged;
        }
        match read(claim) {
            Some(claim) if now < claim.expires => Checked::Good(claim),
            Some(claim) => Checked::Expired(claim),
            // Signed by another version of this program.
            None => Checked::Malformed,
        }
    }
}

fn signed(claim: &str) -> Vec<u8> {
    [PURPOSE, claim.as_bytes()].concat()
}

/// The two parts of a token, if it has its form.
fn form(token: &str) -> Option<(&str, &str)> {
    let (claim, signature) = token.split_once('.')?;
    let base64url = |part: &str| part.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_');
    let fits = token.len() <= TOKEN_MAX
        && !claim.is_empty()
        && !signature.is_empty()
        && base64url(claim)
        && base64url(signature);
    fits.then_some((claim, signature))
}

fn read(claim: &str) -> Option<Claim> {
    let text = String::from_utf8(URL_SAFE_NO_PAD.decode(claim).ok()?).ok()?;
    let lines: Vec<&str> = text.splitn(LINES, '\n').collect();
    let &[VERSION, action, site, kind, place, since, expires, who] = lines.as_slice() else { return None };
    let rehearsal = match action {
        ACKNOWLEDGE => false,
        REHEARSE => true,
        _ => return None,
    };
    let id = |text: &str| Id::is_valid(text).then(|| Id::new(text));
    Some(Claim {
        key: AlarmKey { site: id(site)?, kind: Kind::from_name(kind)?, place: id(place)? },
        since: Timestamp::from_millisecond(since.parse().ok()?).ok()?,
        who: who.to_owned(),
        rehearsal,
        expires: Timestamp::from_second(expires.parse().ok()?).ok()?,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const SECRET: &[u8] = b"thirty-two bytes of a test's own";

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    fn key() -> AlarmKey {
        AlarmKey { site: Id::new("saltbush-gully"), kind: Kind::DryBed, place: Id::new("kitchen-bed") }
    }

    fn links() -> Links {
        Links::new("https://garden.school.example/", SECRET, 72)
    }

    fn token() -> String {
        links().token(&key(), at("2026-04-17T05:30:00.25Z"), "grounds", at("2026-04-17T06:00:00Z"))
    }

    /// One letter of a claim is all that tells them apart, and it is signed.
    #[test]
    fn a_link_of_a_rehearsal_says_so() {
        let made = at("2026-04-17T06:00:00Z");
        let address = links().rehearsal(&key(), made, "grounds", made);
        let token = address.strip_prefix("https://garden.school.example/answer?t=").expect("the page");
        let Checked::Good(claim) = links().check(token, made) else { panic!("{address}") };
        assert!(claim.rehearsal && claim.key == key() && claim.who == "grounds");
        let earnest = links().token(&key(), made, "grounds", made);
        assert_eq!(links().check(&earnest, made), Checked::Good(Claim { rehearsal: false, ..claim }));
        let (_, signature) = token.split_once('.').expect("two parts");
        let (claim, _) = earnest.split_once('.').expect("two parts");
        assert_eq!(links().check(&format!("{claim}.{signature}"), made), Checked::Forged);
    }

    /// RFC 4231, section 4, test cases 1 to 4, 6 and 7 (case 5 is of a truncated
    /// output): the primitive gives the published codes.
    #[test]
    fn the_codes_are_those_of_rfc_4231() {
        let hex = |text: &str| -> Vec<u8> {
            (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap()).collect()
        };
        let long = "Test Using Larger Than Block-Size Key - Hash Key First";
        let longer = "This is a test using a larger than block-size key and a larger than block-size data. \
                      The key needs to be hashed before being used by the HMAC algorithm.";
        let cases: [(Vec<u8>, Vec<u8>, &str); 6] = [
            (
                vec![0x0b; 20],
                b"Hi There".to_vec(),
                "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
            ),
            (
                b"Jefe".to_vec(),
                b"what do ya want for nothing?".to_vec(),
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
            ),
            (
                vec![0xaa; 20],
                vec![0xdd; 50],
                "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe",
            ),
            (
                (1..=25).collect(),
                vec![0xcd; 50],
                "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
            ),
            (
                vec![0xaa; 131],
                long.into(),
                "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            ),
            (
                vec![0xaa; 131],
                longer.into(),
                "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
            ),
        ];
        for (number, (secret, data, code)) in cases.iter().enumerate() {
            let key = hmac::Key::new(hmac::HMAC_SHA256, secret);
            assert_eq!(hmac::sign(&key, data).as_ref(), hex(code), "case {number}");
            assert!(hmac::verify(&key, data, &hex(code)).is_ok(), "case {number}");
        }
    }

    #[test]
    fn a_link_says_which_occurrence_of_which_alarm() {
        let made = at("2026-04-17T06:00:00Z");
        let address = links().address(&key(), at("2026-04-17T05:30:00.25Z"), "grounds", made);
        let token =
            address.strip_prefix("https://garden.school.example/answer?t=").expect("the page's address");
        let claim = Claim {
            key: key(),
            since: at("2026-04-17T05:30:00.25Z"),
            who: "grounds".into(),
            rehearsal: false,
            expires: at("2026-04-20T06:00:00Z"),
        };
        assert_eq!(links().check(token, made), Checked::Good(claim.clone()));
        assert_eq!(links().check(token, at("2026-04-20T05:59:59.999Z")), Checked::Good(claim.clone()));
        assert_eq!(links().check(token, at("2026-04-20T06:00:00Z")), Checked::Expired(claim));
        let again = links().token(&key(), at("2026-04-17T05:30:00.25Z"), "grounds", made);
        assert_eq!(again, token, "the same message has the same link");
        assert!(token.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(&b)), "{token}");
    }

    #[test]
    fn the_longest_claim_fits() {
        let id = Id::new(&"a".repeat(64));
        let key = AlarmKey { site: id.clone(), kind: Kind::TankTemperatureShock, place: id };
        let who = "\u{1F33B}".repeat(100);
        let token = links().token(&key, Timestamp::MIN, &who, Timestamp::MAX);
        assert!(token.len() < 900, "{}", token.len());
        assert!(matches!(links().check(&token, Timestamp::MIN), Checked::Good(claim) if claim.who == who));
    }

    #[test]
    fn another_secret_signs_nothing_here() {
        let other = Links::new("https://garden.school.example", b"another thirty-two bytes of text", 72);
        let now = at("2026-04-17T06:00:00Z");
        assert_eq!(other.check(&token(), now), Checked::Forged);
        // Signed with the right secret for another purpose.
        let (claim, _) = token().split_once('.').map(|(a, b)| (a.to_owned(), b.to_owned())).expect("a dot");
        let key = hmac::Key::new(hmac::HMAC_SHA256, SECRET);
        let code = URL_SAFE_NO_PAD.encode(hmac::sign(&key, claim.as_bytes()));
        assert_eq!(links().check(&format!("{claim}.{code}"), now), Checked::Forged);
    }

    #[test]
    fn what_has_not_the_form_is_malformed() {
        for text in ["", ".", "a", "a.", ".a", "a.b.c", "a b.c", "a.b=", "ä.b", &"a".repeat(3000), "a.b\n"] {
            assert_eq!(links().check(text, Timestamp::UNIX_EPOCH), Checked::Malformed, "{text:?}");
        }
        let too_long = format!("{}.{}", "a".repeat(TOKEN_MAX), "b".repeat(43));
        assert_eq!(links().check(&too_long, Timestamp::UNIX_EPOCH), Checked::Malformed);
        // Ours by its signature, and of a version that is not known.
        let claim = URL_SAFE_NO_PAD.encode("2\nacknowledge\na\ndry-bed\nb\n0\n0\nc");
        let code = URL_SAFE_NO_PAD.encode(hmac::sign(&links().key, &signed(&claim)));
        assert_eq!(links().check(&format!("{claim}.{code}"), Timestamp::UNIX_EPOCH), Checked::Malformed);
    }

    /// Every byte of a token, changed to every other byte that may stand in text.
    #[test]
    fn any_change_of_any_byte_is_seen() {
        let token = token();
        let now = at("2026-04-17T06:00:00Z");
        let mut forged = 0;
        for place in 0..token.len() {
            for byte in 0..128 {
                let mut bytes = token.clone().into_bytes();
                if bytes[place] == byte {
                    continue;
                }
                bytes[place] = byte;
                let changed = String::from_utf8(bytes).expect("ASCII");
                match links().check(&changed, now) {
                    Checked::Forged => forged += 1,
                    Checked::Malformed => {
                        let letter = byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_';
                        assert!(!letter || token.as_bytes()[place] == b'.', "{changed}");
                    }
                    other => panic!("{changed} is {other:?}"),
                }
            }
        }
        assert!(forged > 60 * (token.len() - 1), "{forged}");
    }

    proptest! {
        #[test]
        fn no_text_makes_it_fail(text in ".{0,200}", seconds in -10_000_000_000_i64..10_000_000_000) {
            let now = Timestamp::from_second(seconds).expect("in range");
            let checked = links().check(&text, now);
            prop_assert!(matches!(checked, Checked::Forged | Checked::Malformed));
        }

        #[test]
        fn no_bytes_in_a_claim_make_it_fail(claim in prop::collection::vec(any::<u8>(), 0..300)) {
            // Signed with the right secret: the reader of the claim sees every byte.
            let claim = URL_SAFE_NO_PAD.encode(claim);
            let code = URL_SAFE_NO_PAD.encode(hmac::sign(&links().key, &signed(&claim)));
            let checked = links().check(&format!("{claim}.{code}"), Timestamp::UNIX_EPOCH);
            prop_assert_eq!(checked, Checked::Malformed);
        }

        #[test]
        fn what_goes_in_comes_out(
            site in "[a-z0-9]{1,64}", place in "[a-z0-9]{1,64}", kind in 0..Kind::ALL.len(),
            since_ms in -60_000_000_000_000_i64..60_000_000_000_000, who in ".{0,100}",
            made_s in -60_000_000_000_i64..60_000_000_000,
        ) {
            let key = AlarmKey { site: Id::new(&site), kind: Kind::ALL[kind], place: Id::new(&place) };
            let since = Timestamp::from_millisecond(since_ms).expect("in range");
            let made_at = Timestamp::from_second(made_s).expect("in range");
            let token = links().token(&key, since, &who, made_at);
            let expires = made_at + SignedDuration::from_hours(72);
            let claim = Claim { key, since, who, rehearsal: false, expires };
            prop_assert_eq!(links().check(&token, made_at), Checked::Good(claim));
        }
    }
}
