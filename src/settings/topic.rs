//! MQTT topic names and filters.
//!
//! Source: OASIS MQTT 5.0, sections 1.5.4 (strings), 4.7 (names and filters)
//! and 4.8.2 (shared subscriptions).

/// Longest topic name or filter, bytes of UTF-8 (section 1.5.4).
const LENGTH_MAX: usize = 65_535;

/// What a sensor's topic may be.
pub(super) const TOPIC_ACCEPTED: &str =
    "a topic name without the wildcards + and #, not beginning with $ and not under trug/";

/// Why `topic` cannot be a sensor's, if it cannot.
pub(super) fn refused_topic(topic: &str) -> Option<&'static str> {
    if topic.is_empty() {
        return Some("an empty topic");
    }
    if topic.len() > LENGTH_MAX {
        return Some("more than 65535 bytes");
    }
    if topic.chars().any(char::is_control) {
        return Some("control characters");
    }
    if topic.contains(['+', '#']) {
        return Some("a wildcard");
    }
    if topic.starts_with('$') {
        return Some("a broker's own topic");
    }
    // What trug itself publishes must never come back as a reading.
    (topic == "trug" || topic.starts_with("trug/")).then_some("a topic that trug publishes on")
}

/// Whether `filter` is a topic filter, shared or not.
pub(super) fn is_filter(filter: &str) -> bool {
    if filter.is_empty() || filter.len() > LENGTH_MAX || filter.chars().any(char::is_control) {
        return false;
    }
    let inner = match filter.strip_prefix("$share/") {
        Some(shared) => match shared.split_once('/') {
            Some((name, inner)) if !name.is_empty() && !name.contains(['+', '#']) => inner,
            _ => return false,
        },
        None => filter,
    };
    let levels: Vec<&str> = inner.split('/').collect();
    !inner.is_empty()
        && levels.iter().enumerate().all(|(at, level)| {
            !level.contains(['+', '#']) || *level == "+" || (*level == "#" && at + 1 == levels.len())
        })
}

/// Whether a message on `topic` is delivered to a subscription to `filter`.
pub(super) fn covers(filter: &str, topic: &str) -> bool {
    let filter = match filter.strip_prefix("$share/") {
        Some(shared) => shared.split_once('/').map_or("", |(_, inner)| inner),
        None => filter,
    };
    let mut filter = filter.split('/');
    let mut topic = topic.split('/');
    loop {
        match (filter.next(), topic.next()) {
            // "sport/#" also matches "sport", so the end of the topic may come first.
            (Some("#"), _) | (None, None) => return true,
            (Some("+"), Some(_)) => {}
            (Some(wanted), Some(level)) if wanted == level => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Examples of OASIS MQTT 5.0, sections 4.7.1.2 and 4.7.1.3.
    #[test]
    fn filters_follow_the_standards_examples() {
        for valid in ["#", "sport/tennis/#", "+", "+/tennis/#", "sport/+/player1", "/finance", "/+"] {
            assert!(is_filter(valid), "{valid}");
        }
        for invalid in ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "$share/a", "$share//x"] {
            assert!(!is_filter(invalid), "{invalid}");
        }
        let player = "sport/tennis/player1";
        for topic in ["sport/tennis/player1", "sport/tennis/player1/ranking", "sport/tennis/player1/score/a"]
        {
            assert!(covers("sport/tennis/player1/#", topic), "{topic}");
        }
        assert!(covers("sport/#", "sport"));
        assert!(covers("sport/tennis/+", player));
        assert!(!covers("sport/tennis/+", "sport/tennis/player1/ranking"));
        assert!(!covers("sport/+", "sport"));
        assert!(covers("sport/+", "sport/"));
        assert!(covers("+/+", "/finance") && covers("/+", "/finance") && !covers("+", "/finance"));
        assert!(covers("$share/group/sport/+", "sport/x"));
    }
}
