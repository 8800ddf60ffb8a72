//! What an answer of a server means.

use reqwest::StatusCode;

/// What keeps the forwarder from its work; said once for each change.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum ForwardFault {
    /// It may mend itself.
    Later,
    /// Somebody has to change something.
    Settings(StatusCode),
    /// The server refuses every line that was tried, in words that are not known.
    Unclear,
    Store,
}

/// The result of one request.
pub(super) enum ServerAnswer {
    Written,
    TooLarge,
    /// Lines were refused; `all` when the server says that it kept none.
    Lines {
        why: String,
        all: bool,
    },
    /// It is not clear whether the lines or the request are at fault.
    Unclear(String),
    /// The server does not take compressed requests.
    NotCompressed,
    ForwardFault(ForwardFault, String),
}

/// What an answer other than 2xx means for a batch of `count` lines.
pub(super) fn judge(status: StatusCode, text: &str, count: usize) -> ServerAnswer {
    let why = || if text.is_empty() { "no reason given".to_owned() } else { text.to_owned() };
    match status {
        StatusCode::PAYLOAD_TOO_LARGE => ServerAnswer::TooLarge,
        StatusCode::BAD_REQUEST | StatusCode::UNPROCESSABLE_ENTITY if is_about_lines(text) => {
            ServerAnswer::Lines { why: why(), all: dropped(text).is_some_and(|dropped| dropped >= count) }
        }
        StatusCode::BAD_REQUEST | StatusCode::UNPROCESSABLE_ENTITY if !is_about_request(text) => {
            ServerAnswer::Unclear(format!("{status}: {}", why()))
        }
        StatusCode::UNSUPPORTED_MEDIA_TYPE => ServerAnswer::NotCompressed,
        StatusCode::REQUEST_TIMEOUT | StatusCode::TOO_MANY_REQUESTS => ServerAnswer::ForwardFault(
            ForwardFault::Later,
            format!("the server answered {status}: {}", why()),
        ),
        _ if status.is_server_error() => ServerAnswer::ForwardFault(
            ForwardFault::Later,
            format!("the server answered {status}: {}", why()),
        ),
        _ => ServerAnswer::ForwardFault(ForwardFault::Settings(status), why()),
    }
}

/// Whether a refusal is about what the lines say, not about the request. The words
/// are those of InfluxDB 1.x and 2.x.
fn is_about_lines(text: &str) -> bool {
    ["partial write", "unable to parse", "field type conflict", "retention policy", "max-values-per-tag"]
        .iter()
        .any(|words| text.contains(words))
}

/// Whether a refusal is about the request, by the words of InfluxDB 1.x. Of other servers'
/// words nothing is known: whether the server takes another line then tells.
fn is_about_request(text: &str) -> bool {
    ["database is required", "database not found", "missing required"]
        .iter()
        .any(|words| text.contains(words))
}

/// How many points the server says that it dropped (`... dropped=12`).
fn dropped(text: &str) -> Option<usize> {
    let (_, after) = text.rsplit_once("dropped=")?;
    let digits = after.find(|c: char| !c.is_ascii_digit()).map_or(after, |end| &after[..end]);
    digits.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The texts are what influxd 1.6.7 answered to such writes.
    #[test]
    fn a_refusal_of_lines_is_told_from_one_of_the_request() {
        let partial = r#"{"error":"partial write: field type conflict: input field \"raw\" on measurement \"garden_reading\" is type float, already exists as type string dropped=2"}"#;
        assert!(matches!(judge(StatusCode::BAD_REQUEST, partial, 3), ServerAnswer::Lines { all: false, .. }));
        assert!(matches!(judge(StatusCode::BAD_REQUEST, partial, 2), ServerAnswer::Lines { all: true, .. }));
        let parse = r#"{"error":"unable to parse 'garden_reading x': missing fields"}"#;
        assert!(matches!(judge(StatusCode::BAD_REQUEST, parse, 1), ServerAnswer::Lines { all: false, .. }));
        let request = r#"{"error":"database is required"}"#;
        let answer = judge(StatusCode::BAD_REQUEST, request, 1);
        assert!(matches!(
            answer,
            ServerAnswer::ForwardFault(ForwardFault::Settings(StatusCode::BAD_REQUEST), _)
        ));
        let other = judge(StatusCode::UNPROCESSABLE_ENTITY, "line 3: value out of range", 9);
        assert!(matches!(other, ServerAnswer::Unclear(_)));
    }
}
