//! A month from the store to its files.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::alarms::{AlarmRecord, State};
use crate::analysis::month::{DaysInput, DaysMonth, Month, MonthInput, days_month, month};
use crate::garden::log::LogEntry;
use crate::garden::plan::Garden;
use crate::garden::plan::place_called;
use crate::history::{BinWidth, Point, bin_of};
use crate::model::{CalendarMonth, Id};
use crate::report::days::DaysContents;
use crate::report::{Contents, Level, Made, ReportError, ReportFile, files, fingerprints};
use crate::store::{AlarmRow, Reader, ReadingFilter, StoreError};
use crate::text::{labels, spoken};

/// How long before the month readings are looked at: so long ago a drying that reaches
/// into it may have begun.
pub(super) const LOOK_BACK: SignedDuration = SignedDuration::from_hours(15 * 24);

/// What is wanted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MonthRequest {
    pub which: CalendarMonth,
    /// The two beds to compare; `None`: what is alike, if anything is.
    pub compare: Option<(Id, Id)>,
    /// Whether people's notes are in it.
    pub notes: bool,
    /// For whom the first page is.
    pub level: Level,
}

/// A month and its files.
#[derive(Clone, Debug)]
pub struct MonthFiles {
    pub month: Month,
    pub made: Made,
    pub files: Vec<ReportFile>,
}

/// Why there is none.
#[derive(Debug, thiserror::Error)]
pub enum CannotMake {
    #[error("the month has not begun")]
    Future,
    #[error("the month holds more than {most} readings, which is more than are worked out at a time here")]
    TooMany { most: usize },
    /// Single readings of it have gone into their days' figures.
    #[error(
        "{said} A term or a year needs single readings: ask for days from then on, or for one month, which is made by its days."
    )]
    Summarised { said: String },
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Report(#[from] ReportError),
}

/// Until when a month is known at `now`: `None` where it is over, else the last full
/// hour of the site's clock, so that what is made within an hour is the same.
///
/// # Errors
///
/// [`CannotMake::Future`] where the month has not begun.
pub fn until(which: CalendarMonth, now: Timestamp, zone: &TimeZone) -> Result<Option<Timestamp>, CannotMake> {
    let (from, to) = which.span(zone).ok_or(CannotMake::Future)?;
    if now < from {
        return Err(CannotMake::Future);
    }
    Ok((now < to).then(|| bin_of(now, BinWidth::Hour, zone).0.max(from)))
}

/// Reads what a month is made from, works it out and makes the files. At most `most`
/// readings are taken into memory.
///
/// # Errors
///
/// See [`CannotMake`].
pub fn make(
    reader: &Reader,
    garden: &Garden,
    wanted: &MonthRequest,
    until: Option<Timestamp>,
    most: usize,
) -> Result<MonthFiles, CannotMake> {
    let zone = &garden.site.time_zone;
    let (from, to) = wanted.which.span(zone).ok_or(CannotMake::Future)?;
    let to = until.unwrap_or(to);
    refuse_summarised(reader, garden, from)?;
    let looked_from = from.checked_sub(LOOK_BACK).unwrap_or(Timestamp::MIN);
    let input = gather(reader, garden, [looked_from, from, to], most)?;
    let compare = wanted.compare.as_ref().map(|(first, second)| (first, second));
    let month = month(garden, wanted.which, &input, until, compare);
    let made = Made {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        command: command(garden, wanted),
        fingerprints: fingerprints(garden, &input),
        readings: input.readings.values().map(Vec::len).sum(),
        looked_from,
    };
    let files = files(&Contents { month: &month, made: &made, notes: wanted.notes, level: wanted.level })?;
    Ok(MonthFiles { month, made, files })
}

/// A month as it is worked out, without its files. At most `most` readings are taken into
/// memory.
///
/// # Errors
///
/// See [`CannotMake`].
pub fn figures(
    reader: &Reader,
    garden: &Garden,
    which: CalendarMonth,
    until: Option<Timestamp>,
    most: usize,
) -> Result<Month, CannotMake> {
    let (from, to) = which.span(&garden.site.time_zone).ok_or(CannotMake::Future)?;
    let to = until.unwrap_or(to);
    let looked_from = from.checked_sub(LOOK_BACK).unwrap_or(Timestamp::MIN);
    let input = gather(reader, garden, [looked_from, from, to], most)?;
    Ok(month(garden, which, &input, until, None))
}

/// The months that hold the days from the first to the last, both included, as far as they
/// have begun at `now`, without the hours of their sensors.
///
/// # Errors
///
/// See [`CannotMake`]; never [`CannotMake::Future`].
pub fn figures_between(
    reader: &Reader,
    garden: &Garden,
    (first, last): (Date, Date),
    now: Timestamp,
    most: usize,
) -> Result<Vec<Month>, CannotMake> {
    let begins = garden.site.time_zone.to_timestamp(first.at(0, 0, 0, 0)).unwrap_or(Timestamp::MIN);
    refuse_summarised(reader, garden, begins)?;
    let mut found = Vec::new();
    let mut next = Some(first.first_of_month());
    while let Some(month) = next.filter(|month| *month <= last) {
        let which = CalendarMonth { year: month.year(), month: month.month() };
        match until(which, now, &garden.site.time_zone)
            .and_then(|until| figures(reader, garden, which, until, most))
        {
            Ok(mut made) => {
                // A year of hours would fill the memory.
                made.sensors.iter_mut().for_each(|sensor| sensor.hours = Vec::new());
                found.push(made);
            }
            Err(CannotMake::Future) => break,
            Err(fault) => return Err(fault),
        }
        next = month.last_of_month().tomorrow().ok();
    }
    Ok(found)
}

/// The days of a term: from the day given, else the day after the last holiday that is over;
/// up to the day given or today. `None` where neither says where it begins.
pub fn term_days(
    garden: &Garden,
    from: Option<Date>,
    to: Option<Date>,
    now: Timestamp,
) -> Option<(Date, Date)> {
    let today = garden.site.time_zone.to_datetime(now).date();
    let last = to.map_or(today, |to| to.min(today));
    let term = garden.site.holidays.iter().map(|it| it.to).filter(|to| *to < last).max();
    let first = from.or_else(|| term.and_then(|to| to.tomorrow().ok()))?;
    Some((first, last))
}

/// Nothing is worked out from less than all readings.
fn refuse_summarised(reader: &Reader, garden: &Garden, from: Timestamp) -> Result<(), CannotMake> {
    match reader.single_readings_from(garden.site.id.as_str())? {
        Some(single) if from < single => {
            Err(CannotMake::Summarised { said: spoken::only_daily(single, &garden.site.time_zone) })
        }
        _ => Ok(()),
    }
}

/// A month by its days, and what its files say of it.
#[derive(Clone, Debug)]
pub struct DaysRecord {
    pub month: DaysMonth,
    /// From when on there are single readings, in a sentence.
    pub single: String,
    pub notes: bool,
    /// What makes the same files again.
    pub command: String,
}

impl DaysRecord {
    /// What its files are made of.
    pub fn contents(&self) -> DaysContents<'_> {
        let Self { month, single, notes, command } = self;
        DaysContents { month, single, notes: *notes, command, version: env!("CARGO_PKG_VERSION") }
    }
}

/// A month by its days, where single readings of it have gone into days' figures; `None`
/// where all are kept.
///
/// # Errors
///
/// When the store cannot be read.
pub fn days_of(
    reader: &Reader,
    garden: &Garden,
    which: CalendarMonth,
    until: Option<Timestamp>,
    notes: bool,
) -> Result<Option<DaysRecord>, StoreError> {
    let (site, zone) = (garden.site.id.as_str(), &garden.site.time_zone);
    let Some((from, to)) = which.span(zone) else { return Ok(None) };
    let Some(single) = reader.single_readings_from(site)?.filter(|single| from < *single) else {
        return Ok(None);
    };
    let end = until.unwrap_or(to);
    let ids: Vec<&str> = garden.sensors.iter().map(|sensor| sensor.id.as_str()).collect();
    let days = reader.bins_of(site, &ids, from, end, BinWidth::Day, zone)?;
    let input = DaysInput {
        days: garden.sensors.iter().map(|sensor| sensor.id.clone()).zip(days).collect(),
        log: log_to(reader, garden, end)?,
        alarms: alarms_between(reader, garden, from, end)?,
    };
    let wanted = MonthRequest { which, compare: None, notes, level: Level::default() };
    Ok(Some(DaysRecord {
        month: days_month(garden, which, &input, until),
        single: spoken::only_daily(single, zone),
        notes,
        command: command(garden, &wanted),
    }))
}

/// The garden's log before `to`, in order of time.
fn log_to(reader: &Reader, garden: &Garden, to: Timestamp) -> Result<Vec<LogEntry>, StoreError> {
    let mut log: Vec<_> = reader.log(0)?.into_iter().map(|row| row.entry).collect();
    log.retain(|entry| entry.site == garden.site.id && entry.at < to);
    log.sort_by_key(|entry| entry.at);
    Ok(log)
}

/// Alarms raised in a time: when, the kind's words, the place's name.
fn alarms_between(
    reader: &Reader,
    garden: &Garden,
    from: Timestamp,
    to: Timestamp,
) -> Result<Vec<(Timestamp, String, String)>, StoreError> {
    let steps = reader.alarm_changes(from, to, Some(garden.site.id.as_str()))?.into_iter();
    Ok(steps
        .filter(|step| step.record.state == State::Unacknowledged && step.from != Some(State::Acknowledged))
        .map(|AlarmRow { record: AlarmRecord { key, at, .. }, .. }| {
            (at, labels::kind(key.kind).to_owned(), place_called(garden, &key.place))
        })
        .collect())
}

/// What makes the same files again.
fn command(garden: &Garden, wanted: &MonthRequest) -> String {
    let mut command = format!("trug report --month {} --site {}", wanted.which, garden.site.id);
    if let Some((first, second)) = &wanted.compare {
        command.push_str(&format!(" --bed {first} --bed {second}"));
    }
    if wanted.level != Level::default() {
        command.push_str(&format!(" --level {}", wanted.level.name()));
    }
    if !wanted.notes {
        command.push_str(" --without-notes");
    }
    command
}

/// Readings of the garden's own sensors and its log up to `to`, alarms from `from` on.
fn gather(
    reader: &Reader,
    garden: &Garden,
    [looked_from, from, to]: [Timestamp; 3],
    most: usize,
) -> Result<MonthInput, CannotMake> {
    let site = &garden.site.id;
    let mut readings: BTreeMap<Id, Vec<Point>> =
        garden.sensors.iter().map(|sensor| (sensor.id.clone(), Vec::new())).collect();
    let filter = ReadingFilter {
        site: Some(site.as_str().to_owned()),
        sensors: garden.sensors.iter().map(|sensor| sensor.id.as_str().to_owned()).collect(),
        place: None,
        from: Some(looked_from),
        to: Some(to),
    };
    let mut count = 0_usize;
    if !garden.sensors.is_empty() {
        reader.readings(&filter, |row| {
            count += 1;
            if count > most {
                return ControlFlow::Break(());
            }
            // A sensor that now measures something else keeps its old readings to itself.
            let sensor = garden.sensors.iter().find(|sensor| sensor.id.as_str() == row.series.sensor);
            if let Some(sensor) = sensor.filter(|sensor| sensor.measures.name() == row.series.quantity)
                && let Some(points) = readings.get_mut(&sensor.id)
            {
                points.push(row.point());
            }
            ControlFlow::Continue(())
        })?;
    }
    if count > most {
        return Err(CannotMake::TooMany { most });
    }
    let (log, alarms) = (log_to(reader, garden, to)?, alarms_between(reader, garden, from, to)?);
    Ok(MonthInput { readings, log, alarms })
}
