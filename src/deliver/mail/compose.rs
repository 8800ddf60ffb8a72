//! A message as an e-mail: its headers, and both forms of its text.

use std::time::{Duration, SystemTime};

use lettre::Address;
use lettre::message::header::{HeaderName, HeaderValue};
use lettre::message::{Mailbox, MultiPart, SinglePart};
use ring::digest::{SHA256, digest};

use super::content::MailContent;
use super::html::html;
use super::plain::plain;
use crate::alarms::{Priority, State};
use crate::telling::Message;

/// Longest left half of a `Message-ID`: with the domain it stays within the 998
/// characters of a line (RFC 5322, section 2.1.1).
const ID_MAX: usize = 200;

/// The e-mail that brings `message`. Nothing in it is by chance: the same message
/// gives the same bytes.
///
/// # Errors
///
/// When the address is none, in words.
pub(super) fn compose(
    from: &Mailbox,
    message: &Message,
    content: &MailContent,
) -> Result<lettre::Message, String> {
    let to = address(&message.address.to)
        .map_err(|reason| format!("{:?} is no e-mail address: {reason}", message.address.to))?;
    let digest = digest(&SHA256, message.key.as_bytes());
    let hex: String = digest.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
    let id = if is_dot_atom(&message.key) { &message.key } else { &hex };
    let key: String = message.key.chars().filter(char::is_ascii_graphic).take(ID_MAX).collect();
    let mut builder = lettre::Message::builder()
        .from(from.clone())
        .to(Mailbox::new(None, to))
        .subject(header_text(&content.subject))
        .date(date(message))
        .message_id(Some(format!("<{id}@{}>", from.email.domain())))
        .raw_header(header("Trug-Key", key))
        // RFC 3834, section 5: no holiday notice is to answer this.
        .raw_header(header("Auto-Submitted", "auto-generated".to_owned()));
    let urgent = message.priority == Priority::High && message.items.iter().any(|i| i.state != State::Normal);
    if urgent {
        // RFC 2156, section 5.3.6.
        builder = builder.raw_header(header("Importance", "high".to_owned()));
    }
    // 32 hex digits of a digest stand in no text by chance.
    let boundary = format!("trug-{}", hex.get(..32).unwrap_or(&hex));
    builder
        .multipart(
            MultiPart::alternative()
                .boundary(boundary)
                .singlepart(SinglePart::plain(plain(content)))
                .singlepart(SinglePart::html(html(content))),
        )
        .map_err(|e| format!("the e-mail could not be made: {e}"))
}

/// An address with its domain as the DNS has it, so that only a name before the @
/// that is not ASCII asks a server for more than the oldest standard.
pub(super) fn address(text: &str) -> Result<Address, String> {
    let address: Address = text.parse().map_err(|e: lettre::address::AddressError| e.to_string())?;
    if address.domain().is_ascii() {
        return Ok(address);
    }
    let domain = url::Host::parse(address.domain()).map_err(|e| e.to_string())?;
    Address::new(address.user(), domain.to_string()).map_err(|e| e.to_string())
}

fn header(name: &'static str, value: String) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value)
}

/// Text that a mail program shows as it is: `=?` would begin an encoded word (RFC 2047).
fn header_text(text: &str) -> String {
    text.replace("=?", "= ?")
}

/// Whether a text may be the left half of a `Message-ID` (RFC 5322, sections 3.2.3
/// and 3.6.4), as a key of letters, digits and `-./` mostly is.
fn is_dot_atom(text: &str) -> bool {
    (1..=ID_MAX).contains(&text.len())
        && text.split('.').all(|part| {
            !part.is_empty()
                && part.bytes().all(|b| b.is_ascii_alphanumeric() || b"!#$%&'*+-/=?^_`{|}~".contains(&b))
        })
}

/// The moment of the message; before 1970 there was no e-mail of ours.
fn date(message: &Message) -> SystemTime {
    let seconds = u64::try_from(message.made_at.as_second()).unwrap_or(0);
    SystemTime::UNIX_EPOCH + Duration::from_secs(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By the grammar of RFC 5322, section 3.2.3.
    #[test]
    fn only_a_dot_atom_becomes_an_id_as_it_is() {
        for (text, fits) in [
            ("saltbush-gully/dry-bed/kitchen-bed/1776403200000/email", true),
            ("a.b", true),
            ("", false),
            (".a", false),
            ("a.", false),
            ("a..b", false),
            ("a b", false),
            ("a>b", false),
            ("a\r\nBcc: c", false),
            ("ä", false),
        ] {
            assert_eq!(is_dot_atom(text), fits, "{text:?}");
        }
        assert!(!is_dot_atom(&"a".repeat(ID_MAX + 1)));
    }

    /// The A-label is the one of RFC 3492's algorithm as registries show it for
    /// `bücher` (from memory).
    #[test]
    fn a_domain_becomes_what_the_dns_has() {
        assert_eq!(address("buero@bücher.example").unwrap().to_string(), "buero@xn--bcher-kva.example");
        assert_eq!(address("büro@school.example").unwrap().to_string(), "büro@school.example");
        assert!(address("nobody").is_err());
        assert!(address("a@b\r\nBcc: c@d").is_err());
    }

    fn message(text: &str, to: &str) -> Message {
        use crate::alarms::AlarmKey;
        use crate::garden::plan::{Address, Channel};
        use crate::model::Id;
        use crate::telling::{Item, Purpose};
        let text = text.to_owned();
        Message {
            key: text.clone(),
            site: Id::new("creek"),
            garden: text.clone(),
            who: text.clone(),
            address: Address { channel: Channel::Email, to: to.to_owned() },
            made_at: jiff::Timestamp::MIN,
            priority: Priority::High,
            purpose: Purpose::NotAnswered { by: text.clone() },
            subject: text.clone(),
            opening: text.clone(),
            items: vec![Item {
                key: AlarmKey {
                    site: Id::new("creek"),
                    kind: crate::alarms::Kind::Ph,
                    place: Id::new("tank"),
                },
                place_name: text.clone(),
                state: State::LatchedUnacknowledged,
                priority: Priority::High,
                by: String::new(),
                since: jiff::Timestamp::MAX,
                since_local: text.clone(),
                text,
                source: String::new(),
            }],
        }
    }

    fn from() -> Mailbox {
        Mailbox::new(Some("Trug".to_owned()), address("trug@school.example").unwrap())
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(300))]

        /// Whatever stands in a message, its headers are these and no other, every
        /// line is ASCII and short enough for SMTP.
        #[test]
        fn no_text_makes_a_header(text in "(?s)(.|\r|\n|\r\n|Bcc: |\\.|=\\?){0,300}") {
            let message = message(&text, "teacher@school.example");
            let content = MailContent::of(&message, None, Some(&text));
            let mail = compose(&from(), &message, &content).unwrap();
            let bytes = String::from_utf8(mail.formatted()).unwrap();
            let (head, _) = bytes.split_once("\r\n\r\n").unwrap();
            let names: Vec<&str> = head
                .split("\r\n")
                .filter(|line| !line.starts_with([' ', '\t']))
                .map(|line| line.split_once(':').unwrap().0)
                .collect();
            assert_eq!(names, [
                "From", "To", "Subject", "Date", "Message-ID", "Trug-Key", "Auto-Submitted", "Importance",
                "MIME-Version", "Content-Type",
            ]);
            for line in bytes.split("\r\n") {
                assert!(line.is_ascii() && line.len() <= 998 && !line.contains(['\r', '\n', '\0']), "{line:?}");
            }
        }

        #[test]
        fn no_address_makes_a_panic(to in "(?s).{0,40}@?.{0,40}") {
            let message = message("a", &to);
            if let Ok(mail) = compose(&from(), &message, &MailContent::of(&message, None, None)) {
                let to = &mail.envelope().to()[0].to_string();
                assert!(!to.contains(['\r', '\n', '<', '>']), "{to:?}");
            }
        }
    }
}
