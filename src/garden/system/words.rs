//! What the daemon's alarms about itself say.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::alarms::AlarmText;
use crate::garden::plan::Garden;
use crate::garden::system::health::{
    BrokerAway, BrokerFault, DiskHealth, Dropped, DroppedKind, HealthLimits, Jump, NotSent, QueueHealth,
    RecordHealth,
};
use crate::text::spoken::{self, bytes};
use crate::why::{Check, Equation};

const OURS: &str = "this project's own rule";
const NO_SOURCE: Check = Check::None("no publication gives the number; it is common practice");

const FAILING: Equation = Equation {
    gives: "when the record counts as failing",
    form: "time since the last write that was begun and kept nothing >= the rule's delay",
    source: OURS,
    check: NO_SOURCE,
};

const LOST: Equation = Equation {
    gives: "when the broker counts as lost",
    form: "no session for the rule's delay; or a session without a message for longer than broker_silent_min and than \
           3 x the quickest sensor's interval + 5 min",
    source: OURS,
    check: NO_SOURCE,
};

const BEHIND: Equation = Equation {
    gives: "how much of its limits a queue has used",
    form: "the larger of rows / most rows and age of the oldest / longest wait; above 1 is too much",
    source: OURS,
    check: NO_SOURCE,
};

const REFUSED: Equation = Equation {
    gives: "when a server counts as refusing readings",
    form: "readings that it refused for good and that were neither taken since nor let go > 0",
    source: OURS,
    check: NO_SOURCE,
};

const OVERFLOW: Equation = Equation {
    gives: "when what was dropped is told",
    form: "something was dropped in the last 24 h because more waited than is kept: 20 million readings for other \
           servers, 100,000 states of alarms for the broker, 10,000 messages to people",
    source: OURS,
    check: NO_SOURCE,
};

const FREE: Equation = Equation {
    gives: "when a disk is nearly full",
    form: "free < limit; the limit is 5 % of the disk, at least 500 MB and at most 10 GB, where none is set",
    source: OURS,
    check: NO_SOURCE,
};

const FILLED: Equation = Equation {
    gives: "days until the disk is full",
    form: "free / growth of the record in the last day",
    source: OURS,
    check: Check::Arithmetic,
};

const LARGE: Equation = Equation {
    gives: "when the record is larger than planned",
    form: "database + its log of recent writes > record_mb",
    source: OURS,
    check: Check::Arithmetic,
};

const JUMPED: Equation = Equation {
    gives: "by how much the clock jumped",
    form: "(clock now - clock before) - (time since boot now - time since boot before)",
    source: "clock_gettime(2): CLOCK_BOOTTIME goes on in sleep and cannot be set",
    check: Check::Arithmetic,
};

const NOT_SENT: Equation = Equation {
    gives: "when a group counts as not reached",
    form: "a message given up in the last 24 h, and none made at that time or later that arrived",
    source: OURS,
    check: NO_SOURCE,
};

pub(crate) fn store_failing(garden: &Garden, since: Timestamp, on_s: u32) -> AlarmText {
    let text = format!(
        "Trug has not been able to store readings since {}, so it judges nothing and sends no alarm.{} Then check the \
         computer: is its disk full, worn out or unplugged? New readings wait for a while; what does not fit is lost.",
        spoken::moment(since, &garden.site.time_zone),
        look_yourself(garden)
    );
    let step = FAILING.step(format!("nothing kept for {on_s} s, the delay is {on_s} s"));
    AlarmText::new(text, &[("unwritten_s", f64::from(on_s))], OURS).because(vec![step])
}

pub(crate) fn store_written() -> AlarmText {
    let text = "Trug stores readings again, also those that waited. Check once more today whether the disk is in order.";
    AlarmText::new(text.to_owned(), &[], OURS)
}

pub(crate) fn broker_away(garden: &Garden, away: &BrokerAway) -> AlarmText {
    let since = spoken::moment(away.since, &garden.site.time_zone);
    let reason = plain(&away.reason);
    let (what, look) = match away.fault {
        BrokerFault::Unreachable => (
            "Trug has not reached the broker (the program that collects the readings)",
            "Then check that the broker runs, and that its computer has power and network.",
        ),
        BrokerFault::Refused => (
            "The broker (the program that collects the readings) has refused Trug",
            "Then set the user, the password or the broker's access rules right; trug.toml has the first two.",
        ),
    };
    let text = format!(
        "{what} since {since}, so it judges nothing and sends no alarm.{} {look} The last answer was: {reason}.",
        look_yourself(garden)
    );
    let step = LOST.step(format!("no session since {}", away.since));
    AlarmText::new(text, &[], OURS).because(vec![step])
}

pub(crate) fn broker_silent(
    garden: &Garden,
    heard: Timestamp,
    every_s: u32,
    silent_s: i64,
    now: Timestamp,
) -> AlarmText {
    let text = format!(
        "The broker (the program that collects the readings) has sent no reading since {}; one should come every {}.{} Then check that the gateways reach \
         the broker, and that its access rules let Trug read their topics.",
        spoken::moment_seen_from(heard, now, &garden.site.time_zone),
        spoken::duration(i64::from(every_s)),
        look_yourself(garden)
    );
    let values = [("silent_s", silent_s as f64), ("every_s", f64::from(every_s))];
    let step =
        LOST.step(format!("{silent_s} s without a message, the quickest sensor sends every {every_s} s"));
    AlarmText::new(text, &values, OURS).because(vec![step])
}

pub(crate) fn broker_back() -> AlarmText {
    let text = "Readings come from the broker again. What it kept meanwhile is stored now.";
    AlarmText::new(text.to_owned(), &[], OURS)
}

/// What people do themselves while nothing watches the garden: fish first.
fn look_yourself(garden: &Garden) -> &'static str {
    match (garden.tanks.is_empty(), garden.beds.is_empty()) {
        (false, false) => {
            " Look at the fish now, and measure their water with a hand-held thermometer. Feel the soil of the beds today \
             and every day."
        }
        (false, true) => " Look at the fish now, and measure their water with a hand-held thermometer.",
        (true, _) => " Feel the soil of the beds today and every day.",
    }
}

pub(crate) fn forwarding_behind(queue: &QueueHealth, age_s: i64, limits: &HealthLimits) -> AlarmText {
    let rows = grouped(queue.rows);
    let said =
        queue.waits_for.as_deref().map(|why| format!(" It said last: {}.", plain(why))).unwrap_or_default();
    let text = format!(
        "Readings do not reach the server {}: {rows} wait, the oldest for {}.{said} Check {} that the server runs and can \
         be reached from this computer. Nothing is lost while no more than 20 million wait.",
        queue.name,
        spoken::duration(age_s),
        spoken::WHEN,
    );
    let step = BEHIND.step(format!(
        "{} / {} rows and {age_s} s / {} s",
        queue.rows, limits.forward_rows, limits.forward_age_s
    ));
    let values = [("rows", queue.rows as f64), ("oldest_s", age_s as f64)];
    AlarmText::new(text, &values, OURS).because(vec![step])
}

/// What a server refused stays in the record; somebody puts the server right and sends it
/// again, or lets it go.
pub(crate) fn forwarding_refused(queue: &QueueHealth) -> AlarmText {
    let (readings, it) = if queue.refused == 1 {
        ("1 reading".to_owned(), "it is")
    } else {
        (format!("{} readings", grouped(queue.refused)), "they are")
    };
    let text = format!(
        "The server {name} has refused {readings}: {}. Nothing is lost: {it} still in Trug's own record. Put right what \
         the server says. Then send them again with: trug forward {name} --refused. If they are not wanted there, let \
         them go with: trug forward {name} --let-go.",
        plain(&queue.refused_why),
        name = queue.name,
    );
    let step = REFUSED.step(format!("{} refused by {}", queue.refused, queue.name));
    AlarmText::new(text, &[("rows", queue.refused as f64)], OURS).because(vec![step])
}

pub(crate) fn forwarding_accepted() -> AlarmText {
    let text = "The other server has every reading that it had refused, or they were let go.";
    AlarmText::new(text.to_owned(), &[], OURS)
}

/// What was dropped, by what is to be done first.
pub(crate) fn dropped(dropped: &[Dropped]) -> AlarmText {
    let of = |kind| dropped.iter().find(|it| it.what == kind);
    let mut what = Vec::new();
    let mut to_do = String::new();
    if let Some(it) = of(DroppedKind::Messages) {
        what.push(few(it.count, "message to people", "messages to people"));
        to_do.push_str(" Open the Alarms page now, and tell people yourself what is there.");
    }
    if let Some(it) = of(DroppedKind::Publications) {
        what.push(few(it.count, "state of an alarm for the broker", "states of alarms for the broker"));
        to_do.push_str(" Programs that follow the alarms over MQTT may show old ones: use the Alarms page.");
    }
    if let Some(it) = of(DroppedKind::Readings) {
        what.push(few(it.count, "reading for other servers", "readings for other servers"));
        to_do.push_str(
            " The readings are still in Trug's own record. When the other server answers, send them again with: \
             trug forward SERVER --from DATE.",
        );
    }
    let text = format!(
        "More waited to be delivered than Trug keeps, so it has dropped {}.{to_do} Check today why they waited.",
        spoken::list(&what)
    );
    let counts: Vec<String> = dropped.iter().map(|it| format!("{} until {}", it.count, it.last)).collect();
    let values: Vec<(&'static str, f64)> =
        dropped.iter().map(|it| (dropped_value(it.what), it.count as f64)).collect();
    AlarmText::new(text, &values, OURS).because(vec![OVERFLOW.step(counts.join(", "))])
}

fn dropped_value(what: DroppedKind) -> &'static str {
    match what {
        DroppedKind::Messages => "messages",
        DroppedKind::Publications => "publications",
        DroppedKind::Readings => "readings",
    }
}

fn few(count: u64, one: &str, many: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{} {many}", grouped(count)) }
}

pub(crate) fn nothing_dropped() -> AlarmText {
    let text = "Nothing was dropped in the last 24 hours. What was dropped before was not delivered.";
    AlarmText::new(text.to_owned(), &[], OURS)
}

pub(crate) fn forwarding_well() -> AlarmText {
    AlarmText::new("Readings reach the servers again.".to_owned(), &[], OURS)
}

pub(crate) fn disk(active: bool, disk: &DiskHealth, limit: u64) -> AlarmText {
    let (free, total) = (bytes(disk.free_bytes), bytes(disk.total_bytes));
    let days =
        disk.grown_bytes_a_day.filter(|grown| *grown > 0.0).map(|grown| disk.free_bytes as f64 / grown);
    let mut why = vec![FREE.step(format!("{free} of {total} are free, the limit is {}", bytes(limit)))];
    let mut values = vec![("free_bytes", disk.free_bytes as f64), ("limit_bytes", limit as f64)];
    if let (Some(days), Some(grown)) = (days, disk.grown_bytes_a_day) {
        why.push(FILLED.step(format!("{free} / {} a day = {days:.1} days", bytes(grown as u64))));
        values.push(("days_left", days));
    }
    let text = if active {
        let (left, by_when) = match days {
            Some(days) if days < 1.5 => {
                (" As the record grew in the last day, the disk is full in a day or less.".to_owned(), "now")
            }
            Some(days) => {
                let whole = (days as u64).min(36_500);
                let left =
                    format!(" As the record grew in the last day, that lasts for {} days.", grouped(whole));
                (left, if days < 8.0 { "today" } else { "within the week" })
            }
            None => (String::new(), "today"),
        };
        format!(
            "The disk with the garden's record is nearly full: {free} of {total} are free, and it should be {} or more.\
             {left} Make room {by_when}: take off what is not needed, or move the record to a larger disk. Once it is \
             full, no reading is stored and no alarm comes.",
            bytes(limit),
        )
    } else {
        format!("The disk with the garden's record has room again: {free} of {total} are free.")
    };
    AlarmText::new(text, &values, OURS).because(why)
}

/// What is planned is what somebody has set; `None` where that was taken out again.
pub(crate) fn record(active: bool, record: &RecordHealth, limit: Option<u64>) -> AlarmText {
    let takes = bytes(record.bytes);
    let Some(limit) = limit else {
        return AlarmText::new(
            format!("No limit is set for the garden's record; it takes {takes}."),
            &[],
            OURS,
        );
    };
    let planned = bytes(limit);
    let why = LARGE.step(format!("{} of {limit} bytes", record.bytes));
    let values = [("record_bytes", record.bytes as f64), ("limit_bytes", limit as f64)];
    let text = if active {
        let grown =
            record.grown_bytes_a_day.filter(|grown| *grown >= 1000.0).map_or_else(String::new, |grown| {
                format!(" It grew by {} in the last day.", bytes(grown as u64))
            });
        // Less is not worth stopping for.
        let gaps = record.unused_bytes;
        let unused = if gaps > limit / 20 {
            format!(" Of this, {} is empty: stop Trug and run trug compact to give it back.", bytes(gaps))
        } else {
            String::new()
        };
        format!(
            "The garden's record takes {takes} of the disk, and {planned} are planned for it.{grown}{unused} Within the \
             month, raise record_mb in trug.toml if the disk has room. Or run trug export, then set keep_readings_days \
             there: older single readings go, and each day's figures stay for ever."
        )
    } else {
        format!("The garden's record takes {takes} of the disk, and {planned} are planned for it.")
    };
    AlarmText::new(text, &values, OURS).because(vec![why])
}

pub(crate) fn clock_jumped(jump: &Jump, zone: &TimeZone, limits: &HealthLimits) -> AlarmText {
    let by_s = jump.by_s();
    let way = if by_s < 0 { "back" } else { "forward" };
    let text = format!(
        "The computer's clock jumped {way} by {}: from {} to {}. Check {} that the \
         time is right, and that the computer's time service runs (`timedatectl` shows it). Until then readings may \
         stand under a wrong time, and alarms may come early or late.",
        spoken::duration(by_s.saturating_abs()),
        spoken::moment(jump.from, zone),
        spoken::moment(jump.to, zone),
        spoken::WHEN,
    );
    let step = JUMPED.step(format!("{by_s} s, more than {} s", limits.clock_jump_s));
    AlarmText::new(text, &[("jump_s", by_s as f64)], OURS).because(vec![step])
}

pub(crate) fn clock_steady(off_s: u32) -> AlarmText {
    let text = format!("The computer's clock has not jumped for {}.", spoken::duration(i64::from(off_s)));
    AlarmText::new(text, &[], OURS)
}

pub(crate) fn message_not_sent(message: &NotSent, zone: &TimeZone) -> AlarmText {
    let way = message.channel.noun();
    let others = match message.others {
        0 => String::new(),
        1 => " One other group was not reached either.".to_owned(),
        n => format!(" {n} other groups were not reached either."),
    };
    let text = format!(
        "A message to {} at {} did not arrive: given up by {way} at {}. The last answer was: {}.{others} Tell them \
         {} yourself what the alarms say. Then set their address or the server right; `trug tell --test {}` tries it.",
        message.who,
        message.garden,
        spoken::moment(message.at, zone),
        plain(&message.reason),
        spoken::WHEN,
        message.who,
    );
    let step = NOT_SENT.step(format!("given up by {way} at {}, nothing arrived since", message.at));
    AlarmText::new(text, &[("groups", (message.others + 1) as f64)], OURS).because(vec![step])
}

pub(crate) fn messages_reach() -> AlarmText {
    AlarmText::new("Messages reach their groups again, or none has failed for a day.".to_owned(), &[], OURS)
}

/// What a server said, fit for a sentence: one line, short, and without anybody's
/// address, since alarms are published.
fn plain(reason: &str) -> String {
    const LONGEST: usize = 160;
    let one_line: String = reason.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let kept: Vec<&str> = one_line
        .split_whitespace()
        .map(|word| if word.contains('@') { "(an address)" } else { word })
        .collect();
    let text = kept.join(" ");
    let text = text.trim_end_matches('.');
    match text.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("{}...", &text[..end]),
        None if text.is_empty() => "none".to_owned(),
        None => text.to_owned(),
    }
}

/// "12,345".
fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_and_counts_read_as_spoken() {
        for (given, expected) in [
            (0, "0 kB"),
            (999_000_000, "999 MB"),
            (1_500_000_000, "1.5 GB"),
            (29_000_000_000, "29 GB"),
            (u64::MAX, "18446744074 GB"),
        ] {
            assert_eq!(bytes(given), expected);
        }
        for (given, expected) in [(0, "0"), (999, "999"), (12_345, "12,345"), (100_000, "100,000")] {
            assert_eq!(grouped(given), expected);
        }
    }

    #[test]
    fn what_a_server_says_gives_nobodys_address_away() {
        assert_eq!(
            plain("550 5.1.1 <grounds@school.example>:\r\nRecipient unknown."),
            "550 5.1.1 (an address) Recipient unknown"
        );
        assert_eq!(plain("\u{0}\r\n"), "none");
        assert_eq!(plain(&"é".repeat(500)).chars().count(), 163);
    }
}
