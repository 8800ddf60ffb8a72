//! `/metrics`: figures for programs that watch programs, in the OpenMetrics text format
//! (<https://prometheus.io/docs/specs/om/open_metrics_spec/>, version 1.0.0), or, for those
//! that ask for no such thing, in the older text format that it grew from
//! (<https://prometheus.io/docs/instrumenting/exposition_formats/>, version 0.0.4).

use std::fmt::Write as _;
use std::sync::Arc;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;

use super::DaemonFigures;
use super::PageSource;
use super::context::PageContext;
use super::wait::answered;
use crate::garden::system::health::{BrokerHealth, QueueHealth};
use crate::store::{StoreError, StoreFigures};

const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
const OLDER_TEXT: &str = "text/plain; version=0.0.4; charset=utf-8";

/// `/metrics`, as text in the format that the `Accept` header likes best.
pub(super) async fn metrics<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    headers: HeaderMap,
) -> Response {
    let read = context
        .record
        .read("figures", |reader| -> Result<_, StoreError> { Ok((reader.figures()?, reader.forwarding()?)) });
    const FAILED: &str = "the figures cannot be counted";
    let Ok((store, queues)) = answered(FAILED, FAILED, read).await else {
        return (StatusCode::SERVICE_UNAVAILABLE, "the record cannot be read just now\n").into_response();
    };
    let accept = headers.get_all(header::ACCEPT).iter().filter_map(|value| value.to_str().ok());
    let open = prefers_open_metrics(accept);
    let text = exposition(&context.views.figures(), &store, &queues, context.views.now(), open);
    let content_type = if open { OPEN_METRICS } else { OLDER_TEXT };
    ([(header::CONTENT_TYPE, content_type), (header::VARY, "Accept")], text).into_response()
}

/// Whether these values of `Accept` like OpenMetrics at least as well as plain text (RFC 9110,
/// section 12.5.1). A range such as `*/*` does not name it.
fn prefers_open_metrics<'h>(accept: impl Iterator<Item = &'h str>) -> bool {
    let (mut open, mut plain) = (0.0, 0.0);
    for range in accept.flat_map(|value| value.split(',')) {
        let mut parts = range.split(';').map(str::trim);
        let name = parts.next().unwrap_or_default().to_ascii_lowercase();
        let weight = parts
            .filter_map(|part| part.split_once('='))
            .find(|(key, _)| key.trim().eq_ignore_ascii_case("q"))
            .map_or(1.0, |(_, q)| q.trim().parse::<f32>().unwrap_or(0.0));
        match name.as_str() {
            "application/openmetrics-text" => open = weight.max(open),
            "text/plain" => plain = weight.max(plain),
            _ => {}
        }
    }
    open > 0.0 && open >= plain
}

/// What a family of figures is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Family {
    /// Only grows, until the daemon is started again or for ever.
    Counter,
    Gauge,
    /// A 1 with labels that say something.
    Info,
}

/// A text as it grows.
struct Exposition {
    text: String,
    open: bool,
}

impl Exposition {
    /// Begins a family: its name without the ending of its samples, its unit, what it is.
    fn family(&mut self, name: &str, family: Family, unit: &str, help: &str) {
        let (kind, older) = match family {
            Family::Counter => ("counter", "counter"),
            Family::Gauge => ("gauge", "gauge"),
            Family::Info => ("info", "gauge"),
        };
        // The older format names the samples, and knows no unit.
        let (shown, kind) =
            if self.open { (name.to_owned(), kind) } else { (sample_name(name, family), older) };
        let _ = writeln!(self.text, "# TYPE {shown} {kind}");
        if self.open && !unit.is_empty() {
            let _ = writeln!(self.text, "# UNIT {shown} {unit}");
        }
        let _ = writeln!(self.text, "# HELP {shown} {}", escaped(help, self.open));
    }

    fn sample(&mut self, name: &str, family: Family, labels: &[(&str, &str)], value: f64) {
        self.text.push_str(&sample_name(name, family));
        for (number, (label, value)) in labels.iter().enumerate() {
            let before = if number == 0 { '{' } else { ',' };
            let _ = write!(self.text, "{before}{label}=\"{}\"", escaped(value, true));
        }
        if !labels.is_empty() {
            self.text.push('}');
        }
        let _ = writeln!(self.text, " {value}");
    }

    /// A family with one sample.
    fn one(&mut self, name: &str, family: Family, unit: &str, help: &str, value: f64) {
        self.family(name, family, unit, help);
        self.sample(name, family, &[], value);
    }

    fn counter(&mut self, name: &str, help: &str, value: u64) {
        self.one(name, Family::Counter, "", help, value as f64);
    }

    fn gauge(&mut self, name: &str, unit: &str, help: &str, value: f64) {
        self.one(name, Family::Gauge, unit, help, value);
    }
}

fn sample_name(name: &str, family: Family) -> String {
    match family {
        Family::Counter => format!("{name}_total"),
        Family::Gauge => name.to_owned(),
        Family::Info => format!("{name}_info"),
    }
}

/// A text in which nothing ends its line or its quotation marks.
fn escaped(text: &str, quotes: bool) -> String {
    let text = text.replace('\\', "\\\\").replace('\n', "\\n");
    if quotes { text.replace('"', "\\\"") } else { text }
}

/// All figures, room by room.
fn exposition(
    daemon: &DaemonFigures,
    store: &StoreFigures,
    queues: &[QueueHealth],
    now: Timestamp,
    open: bool,
) -> String {
    let mut out = Exposition { text: String::new(), open };
    let version = env!("CARGO_PKG_VERSION");
    out.family("trug_build", Family::Info, "", "The program.");
    out.sample("trug_build", Family::Info, &[("version", version)], 1.0);
    readings(&mut out, daemon, store);
    if let Some(broker) = &daemon.broker {
        broker_figures(&mut out, broker);
    }
    record(&mut out, daemon);
    outbox(&mut out, store);
    if !queues.is_empty() {
        forwarding(&mut out, store, queues, now);
    }
    alarms(&mut out, store);
    if open {
        out.text.push_str("# EOF\n");
    }
    out.text
}

/// What came in, and what became of it.
fn readings(out: &mut Exposition, daemon: &DaemonFigures, store: &StoreFigures) {
    out.counter("trug_readings_stored", "Readings stored since the start.", daemon.stored);
    out.counter("trug_readings_repeated", "Readings that were stored already.", daemon.repeated);
    out.counter(
        "trug_readings_conflicting",
        "Readings of a time that has another value; not stored.",
        daemon.conflicting,
    );
    out.counter(
        "trug_readings_summarised",
        "Readings of days of which only daily figures are kept; not stored.",
        daemon.summarised,
    );
    out.counter("trug_readings_late", "Readings that came too late to be judged.", daemon.late);
    out.counter("trug_messages_refused", "Messages that are no reading.", daemon.refused);
    out.counter("trug_messages_over_limit", "Messages over a sensor's limit; not stored.", daemon.over_limit);
    out.counter(
        "trug_messages_redelivered",
        "Messages that the broker sent again and that were known.",
        daemon.redelivered,
    );
    out.gauge(
        "trug_topics_unplaced",
        "",
        "Topics without a sensor that are listed.",
        store.unplaced_topics as f64,
    );
}

fn broker_figures(out: &mut Exposition, broker: &BrokerHealth) {
    let connected = matches!(broker, BrokerHealth::Listening { .. });
    out.gauge("trug_broker_connected", "", "1 while the broker is reached.", f64::from(connected));
    if let BrokerHealth::Listening { heard } = broker {
        out.gauge(
            "trug_broker_last_message_timestamp_seconds",
            "seconds",
            "When the broker last sent something.",
            heard.as_millisecond() as f64 / 1000.0,
        );
    }
}

/// The record and its disk.
fn record(out: &mut Exposition, daemon: &DaemonFigures) {
    out.gauge(
        "trug_store_failing",
        "",
        "1 while the record cannot be written.",
        f64::from(daemon.store_fails),
    );
    if let Some(bytes) = daemon.store_bytes {
        out.gauge("trug_store_size_bytes", "bytes", "The record with its log.", bytes as f64);
    }
    if let Some(bytes) = daemon.store_limit_bytes {
        out.gauge("trug_store_limit_bytes", "bytes", "What the record may take.", bytes as f64);
    }
    if let Some(bytes) = daemon.store_unused_bytes {
        out.gauge("trug_store_unused_bytes", "bytes", "Empty within the record.", bytes as f64);
    }
    if let Some(disk) = &daemon.disk {
        out.gauge("trug_disk_free_bytes", "bytes", "Free on the record's disk.", disk.free_bytes as f64);
        out.gauge("trug_disk_size_bytes", "bytes", "The record's disk.", disk.total_bytes as f64);
    }
}

/// What goes out to people and as states of alarms.
fn outbox(out: &mut Exposition, store: &StoreFigures) {
    out.gauge(
        "trug_notifications_waiting",
        "",
        "Messages to people that wait.",
        store.messages_waiting as f64,
    );
    out.counter(
        "trug_notifications_dropped",
        "Messages to people that were dropped because too many waited.",
        store.messages_dropped,
    );
    out.gauge(
        "trug_publications_waiting",
        "",
        "States of alarms that wait for the broker.",
        store.publications_waiting as f64,
    );
    out.counter(
        "trug_publications_dropped",
        "States of alarms that were dropped because too many waited.",
        store.publications_dropped,
    );
}

/// What goes out to time-series servers.
fn forwarding(out: &mut Exposition, store: &StoreFigures, queues: &[QueueHealth], now: Timestamp) {
    out.counter(
        "trug_forward_dropped",
        "Readings that were dropped before every server had them; they stay in the record.",
        store.forward_dropped,
    );
    type Figure = (&'static str, &'static str, &'static str, fn(&QueueHealth, Timestamp) -> f64);
    const EACH: [Figure; 3] = [
        ("trug_forward_waiting", "", "Readings that wait for a server.", |queue, _| queue.rows as f64),
        (
            "trug_forward_lag_seconds",
            "seconds",
            "Age of the oldest reading that waits for a server.",
            |queue, now| {
                let age = |oldest: Timestamp| now.as_millisecond() - oldest.as_millisecond();
                queue.oldest.map_or(0.0, |oldest| age(oldest).max(0) as f64 / 1000.0)
            },
        ),
        (
            "trug_forward_refused",
            "",
            "Readings that a server refused and has not taken since.",
            |queue, _| queue.refused as f64,
        ),
    ];
    for (name, unit, help, value) in EACH {
        out.family(name, Family::Gauge, unit, help);
        for queue in queues {
            out.sample(name, Family::Gauge, &[("server", &queue.name)], value(queue, now));
        }
    }
}

fn alarms(out: &mut Exposition, store: &StoreFigures) {
    out.family("trug_alarms", Family::Gauge, "", "Alarms that are not normal.");
    for (site, kind, state, count) in &store.alarms {
        let labels = [("site", site.as_str()), ("kind", kind.as_str()), ("state", state.as_str())];
        out.sample("trug_alarms", Family::Gauge, &labels, *count as f64);
    }
}

#[cfg(test)]
mod tests;
