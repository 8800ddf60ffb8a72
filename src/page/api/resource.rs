//! Everything that can be asked of the interface.

/// An address of the interface.
#[derive(Debug)]
pub(super) struct Resource {
    /// As the router and the description write it.
    pub(super) path: &'static str,
    /// The query parameters that it knows.
    pub(super) parameters: &'static [&'static str],
    /// The formats in which it answers, the preferred one first.
    pub(super) formats: &'static [AnswerFormat],
}

/// How an answer is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum AnswerFormat {
    Json,
    Csv,
}

impl AnswerFormat {
    /// Its media type, without parameters.
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Csv => "text/csv",
        }
    }
}

const JSON: &[AnswerFormat] = &[AnswerFormat::Json];
const CSV: &[AnswerFormat] = &[AnswerFormat::Csv];
const BOTH: &[AnswerFormat] = &[AnswerFormat::Json, AnswerFormat::Csv];

const PARTS: &[&str] = &["from", "to", "limit", "after"];

pub(super) const DESCRIPTION: &str = "/api/v1/openapi.json";
pub(super) const SITES: &str = "/api/v1/sites";
pub(super) const SITE: &str = "/api/v1/sites/{site}";
pub(super) const SENSORS: &str = "/api/v1/sites/{site}/sensors";
pub(super) const READINGS: &str = "/api/v1/sites/{site}/sensors/{sensor}/readings";
pub(super) const READINGS_CSV: &str = "/api/v1/sites/{site}/sensors/{sensor}/readings.csv";
pub(super) const ALARMS: &str = "/api/v1/sites/{site}/alarms";
pub(super) const ALARM_HISTORY: &str = "/api/v1/sites/{site}/alarms/history";
pub(super) const JOBS: &str = "/api/v1/sites/{site}/jobs";
pub(super) const LOG: &str = "/api/v1/sites/{site}/log";
pub(super) const REJECTS: &str = "/api/v1/sites/{site}/rejects";

impl Resource {
    pub(super) const ALL: [Self; 11] = [
        Self { path: DESCRIPTION, parameters: &[], formats: JSON },
        Self { path: SITES, parameters: &[], formats: JSON },
        Self { path: SITE, parameters: &[], formats: JSON },
        Self { path: SENSORS, parameters: &[], formats: JSON },
        Self { path: READINGS, parameters: &["from", "to", "step", "limit", "after"], formats: BOTH },
        Self { path: READINGS_CSV, parameters: &["from", "to", "step"], formats: CSV },
        Self { path: ALARMS, parameters: &[], formats: JSON },
        Self { path: ALARM_HISTORY, parameters: PARTS, formats: JSON },
        Self { path: LOG, parameters: &["from", "to", "limit", "after", "struck"], formats: JSON },
        Self { path: JOBS, parameters: &[], formats: JSON },
        Self { path: REJECTS, parameters: PARTS, formats: JSON },
    ];

    /// The resource of a route.
    pub(super) fn of(path: &str) -> Option<&'static Self> {
        const ALL: &[Resource] = &Resource::ALL;
        ALL.iter().find(|resource| resource.path == path)
    }
}
