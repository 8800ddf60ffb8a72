//! Programs of a timer, found in when beds grew wetter.
//!
//! Rain keeps no timetable. Rises of one bed that begin at one time of the local day,
//! give or take a reading's interval, on days of the week or every so many days, are a
//! timer's:
//!
//! - at least four of them, without rain in the gauge before;
//! - on at least four of five of the days on which it should then have run, days on which
//!   another cause is known left out;
//! - at most one in ten at that time on another day;
//! - and the last no longer ago than two of its intervals, or nine days.
//!
//! Beds whose rises begin together on the same days are one program. How long it runs
//! cannot be seen. The numbers are this project's own.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::program::{ProgramDays, Timetable};
use crate::model::{KeptTime, minute_of_day};

/// Fewest runs that make a program.
const RUNS_LEAST: usize = 4;
/// Times of day closer than this are one, minutes; a reading's interval where it is longer.
const SAME_TIME_MIN: i64 = 30;
/// Beds whose times are closer than this are watered together, minutes.
const TOGETHER_MIN: i64 = 45;
/// Longest interval that is looked for, days.
const EVERY_MAX: u16 = 7;
/// Longest time since the last run by days of the week, days.
const WEEK_OVER_D: i64 = 9;
/// Starts are told to this, minutes.
const ROUNDED_MIN: i64 = 5;
/// Longest run that is proposed, minutes; people put in their own.
const RUN_MIN: u16 = 20;
const DAY_MIN: i64 = 1440;

/// A rise of a bed's soil.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SeenRise {
    /// The bed's number.
    pub bed: u16,
    /// The last reading before it.
    pub onset: Timestamp,
    /// Between two readings of the probe, seconds.
    pub every_s: u32,
    /// Whether the gauge caught the rain that explains it.
    pub rained: bool,
}

/// The same as it is kept with its bed.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct BedRise {
    onset: KeptTime,
    every_s: u32,
    rained: bool,
}

impl From<SeenRise> for BedRise {
    fn from(SeenRise { bed: _, onset, every_s, rained }: SeenRise) -> Self {
        Self { onset: onset.into(), every_s, rained }
    }
}

impl BedRise {
    pub(crate) fn onset(self) -> Timestamp {
        self.onset.at()
    }

    /// The rise of the bed with which it was kept.
    pub(crate) fn of_bed(self, bed: u16) -> SeenRise {
        SeenRise { bed, onset: self.onset(), every_s: self.every_s, rained: self.rained }
    }
}

/// A program that rises speak for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FoundProgram {
    /// The beds' numbers, sorted.
    pub beds: Vec<u16>,
    /// Its minutes are a guess.
    pub timetable: Timetable,
    /// The runs that were seen, of the bed with most.
    pub runs: usize,
    /// The day of the last one.
    pub last: Date,
}

/// One time of day of one bed.
#[derive(Clone, Debug)]
struct BedTimes {
    bed: u16,
    minute: u16,
    days: ProgramDays,
    first: Date,
    last: Date,
    runs: usize,
}

/// The programs that rises up to `now` speak for, by their first start. `rises` are of
/// beds for which none is written down.
pub fn find_programs(rises: &[SeenRise], zone: &TimeZone, now: Timestamp) -> Vec<FoundProgram> {
    let today = zone.to_datetime(now).date();
    let mut beds: Vec<u16> = rises.iter().map(|rise| rise.bed).collect();
    beds.sort_unstable();
    beds.dedup();
    let mut times: Vec<BedTimes> =
        beds.into_iter().flat_map(|bed| bed_times(bed, rises, zone, today)).collect();
    times.sort_by_key(|it| (it.minute, it.bed));
    let mut found: Vec<FoundProgram> = Vec::new();
    for it in times {
        let same_days = |program: &&mut FoundProgram| same_days(&program.timetable.days, &it.days);
        let near = |program: &&mut FoundProgram| {
            let starts = &program.timetable.starts;
            starts.iter().any(|start| i64::from(it.minute) - i64::from(*start) < TOGETHER_MIN)
                && !program.beds.contains(&it.bed)
        };
        if let Some(program) = found.iter_mut().filter(same_days).find(near) {
            program.beds.push(it.bed);
            program.beds.sort_unstable();
            program.runs = program.runs.max(it.runs);
            program.last = program.last.max(it.last);
            program.timetable.from = program.timetable.from.min(Some(it.first));
            continue;
        }
        found.push(FoundProgram {
            beds: vec![it.bed],
            timetable: Timetable {
                days: it.days,
                starts: vec![it.minute],
                minutes: RUN_MIN,
                from: Some(it.first),
                to: None,
                off: Vec::new(),
            },
            runs: it.runs,
            last: it.last,
        });
    }
    joined(found)
}

/// Programs of the same beds and days as one with several starts.
fn joined(found: Vec<FoundProgram>) -> Vec<FoundProgram> {
    let mut joined: Vec<FoundProgram> = Vec::new();
    for mut program in found {
        let same = |it: &&mut FoundProgram| {
            it.beds == program.beds && same_days(&it.timetable.days, &program.timetable.days)
        };
        if let Some(known) = joined.iter_mut().find(same) {
            known.timetable.starts.append(&mut program.timetable.starts);
            known.timetable.from = known.timetable.from.min(program.timetable.from);
            known.last = known.last.max(program.last);
            known.runs = known.runs.max(program.runs);
        } else {
            joined.push(program);
        }
    }
    // Every so many days count from a day on which it ran.
    for Timetable { days, from, .. } in joined.iter_mut().map(|it| &mut it.timetable) {
        if let (ProgramDays::Every { from: first, .. }, Some(earliest)) = (days, *from) {
            *first = earliest;
        }
    }
    joined
}

fn same_days(one: &ProgramDays, other: &ProgramDays) -> bool {
    match (one, other) {
        (ProgramDays::Week(one), ProgramDays::Week(other)) => one == other,
        (ProgramDays::Every { days, from }, ProgramDays::Every { days: other_days, from: other }) => {
            days == other_days && days_apart(*from, *other).rem_euclid(i64::from(*days)) == 0
        }
        _ => false,
    }
}

/// The times of day at which one bed's rises keep to days.
fn bed_times(bed: u16, rises: &[SeenRise], zone: &TimeZone, today: Date) -> Vec<BedTimes> {
    let own: Vec<&SeenRise> = rises.iter().filter(|rise| rise.bed == bed).collect();
    let every_min = own.iter().map(|rise| i64::from(rise.every_s) / 60).max().unwrap_or(0);
    let width = SAME_TIME_MIN.max(every_min);
    let rained: Vec<Date> = {
        let wet = own.iter().filter(|rise| rise.rained);
        wet.map(|rise| zone.to_datetime(rise.onset).date()).collect()
    };
    let mut left: Vec<(i64, Date)> = own
        .iter()
        .filter(|rise| !rise.rained)
        .map(|rise| {
            let local = zone.to_datetime(rise.onset);
            (i64::from(minute_of_day(local)), local.date())
        })
        .collect();
    let mut found = Vec::new();
    while left.len() >= RUNS_LEAST {
        // The time of day with most rises; of equal ones the earliest.
        let at =
            |start: i64| left.iter().filter(move |(minute, _)| (minute - start).rem_euclid(DAY_MIN) <= width);
        let Some(start) = left.iter().map(|it| it.0).max_by_key(|it| (at(*it).count(), -it)) else { break };
        // A window that passes midnight keeps the day on which it began.
        let mut dates: Vec<Date> = at(start)
            .filter_map(|(minute, date)| if *minute < start { date.yesterday().ok() } else { Some(*date) })
            .collect();
        dates.sort_unstable();
        dates.dedup();
        if dates.len() < RUNS_LEAST {
            break;
        }
        if let Some(days) = regular(&dates, &rained, today)
            && let (Some(first), Some(last)) = (dates.first(), dates.last())
        {
            let off_days: usize = dates.iter().filter(|date| !holds(&days, **date)).count();
            let first = dates.iter().find(|date| holds(&days, **date)).unwrap_or(first);
            found.push(BedTimes {
                bed,
                minute: u16::try_from(start - start % ROUNDED_MIN).unwrap_or(0),
                days: match days {
                    ProgramDays::Every { days, .. } => ProgramDays::Every { days, from: *first },
                    week @ ProgramDays::Week(_) => week,
                },
                first: *first,
                last: *last,
                runs: dates.len() - off_days,
            });
        }
        left.retain(|(minute, _)| (minute - start).rem_euclid(DAY_MIN) > width);
    }
    found
}

fn holds(days: &ProgramDays, date: Date) -> bool {
    match days {
        ProgramDays::Week(week) => {
            let day = usize::try_from(date.weekday().to_monday_zero_offset()).unwrap_or(7);
            week.get(day) == Some(&true)
        }
        ProgramDays::Every { days, from } => days_apart(*from, date).rem_euclid(i64::from(*days).max(1)) == 0,
    }
}

/// The days that dates keep to, if they do: those that leave fewest out; of equal ones
/// every so many days before days of the week.
fn regular(dates: &[Date], rained: &[Date], today: Date) -> Option<ProgramDays> {
    let (first, last) = (*dates.first()?, *dates.last()?);
    let span: Vec<Date> = {
        let days = std::iter::successors(Some(first), |day| day.tomorrow().ok());
        days.take_while(|day| *day <= last).collect()
    };
    let every = (1..=EVERY_MAX).flat_map(|days| {
        // From the first or, if that is off its days, from the last.
        [ProgramDays::Every { days, from: first }, ProgramDays::Every { days, from: last }]
    });
    let week = {
        let mut week = [false; 7];
        for (at, day) in week.iter_mut().enumerate() {
            let of = |date: &&Date| usize::try_from(date.weekday().to_monday_zero_offset()) == Ok(at);
            let hits = dates.iter().filter(of).count();
            let planned = span.iter().filter(of).filter(|date| !rained.contains(date)).count();
            *day = hits >= 2 && 2 * hits >= planned;
        }
        ProgramDays::Week(week)
    };
    let mut best: Option<(usize, ProgramDays)> = None;
    for days in every.chain([week]) {
        let hits = dates.iter().filter(|date| holds(&days, **date)).count();
        let off = dates.len() - hits;
        let planned = span
            .iter()
            .filter(|date| holds(&days, **date))
            .filter(|date| !rained.contains(date) || dates.contains(date))
            .count();
        let over_d = match &days {
            ProgramDays::Every { days, .. } => 2 * i64::from(*days),
            ProgramDays::Week(_) => WEEK_OVER_D,
        };
        let current = days_apart(last, today) <= over_d;
        if hits < RUNS_LEAST || 5 * hits < 4 * planned || 10 * off > dates.len() || !current {
            continue;
        }
        let wrong = planned.saturating_sub(hits) + off;
        if best.as_ref().is_none_or(|(least, _)| wrong < *least) {
            best = Some((wrong, days));
        }
    }
    let (_, days) = best?;
    // Each day of the week is every day.
    Some(match days {
        ProgramDays::Week([true, true, true, true, true, true, true]) => {
            ProgramDays::Every { days: 1, from: first }
        }
        days => days,
    })
}

fn days_apart(from: Date, to: Date) -> i64 {
    to.since(from).map_or(0, |span| i64::from(span.get_days()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::add_seconds;
    use jiff::ToSpan;

    fn zone() -> TimeZone {
        TimeZone::get("Australia/Adelaide").expect("bundled")
    }

    /// Adelaide's clock goes back on 5 April, among these days.
    fn date(day: i64) -> Date {
        jiff::civil::date(2026, 3, 23).checked_add(day.days()).expect("a date")
    }

    fn rise(bed: u16, day: i64, minute: i16) -> SeenRise {
        let at = date(day).at(0, 0, 0, 0).checked_add(i64::from(minute).minutes()).expect("a time");
        let onset = zone().to_timestamp(at).expect("a time");
        SeenRise { bed, onset, every_s: 900, rained: false }
    }

    fn found(rises: &[SeenRise], today: i64) -> Vec<FoundProgram> {
        let now = add_seconds(zone().to_timestamp(date(today).at(12, 0, 0, 0)).expect("a time"), 0);
        find_programs(rises, &zone(), now)
    }

    /// A number from 0 to `below`, the same in each run.
    fn drawn(seed: &mut u64, below: i64) -> i64 {
        *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        i64::try_from((*seed >> 33) % u64::try_from(below).expect("above 0")).expect("small")
    }

    #[test]
    fn a_timer_on_every_second_day_is_found_with_its_beds_across_the_clocks_change() {
        let mut rises = Vec::new();
        for day in (1..28).step_by(2) {
            // The soil takes a reading or two to answer.
            let late = i16::try_from(day % 3).expect("small") * 15;
            rises.extend([rise(0, day, 360 + late), rise(2, day, 375)]);
        }
        let [program] = <[FoundProgram; 1]>::try_from(found(&rises, 29)).expect("one");
        assert_eq!((program.beds.as_slice(), program.runs, program.last), (&[0, 2][..], 14, date(27)));
        assert_eq!(program.timetable.starts, [360]);
        assert_eq!(program.timetable.days, ProgramDays::Every { days: 2, from: date(1) });
    }

    #[test]
    fn days_of_the_week_are_found_and_a_day_of_rain_or_a_run_that_failed_is_no_harm() {
        // Monday, Wednesday and Friday.
        let days: Vec<i64> = (0..28).filter(|day| [0, 2, 4].contains(&(day % 7))).collect();
        let mut rises: Vec<SeenRise> = days.iter().map(|day| rise(1, *day, 1170)).collect();
        rises.remove(4);
        rises[6].rained = true;
        let [program] = <[FoundProgram; 1]>::try_from(found(&rises, 28)).expect("one");
        let week = ProgramDays::Week([true, false, true, false, true, false, false]);
        assert_eq!((program.timetable.days, program.timetable.starts), (week, vec![1170]));
        let weekly: Vec<SeenRise> = [1, 8, 15, 22].iter().map(|day| rise(1, *day, 1170)).collect();
        assert_eq!(found(&weekly, 28)[0].timetable.days, ProgramDays::Every { days: 7, from: date(1) });
        assert_eq!(found(&weekly[1..], 28), [], "three are too few");
    }

    #[test]
    fn two_starts_a_day_are_one_program_and_hourly_readings_will_do() {
        let hourly = |day: i64, minute: i16| SeenRise { every_s: 3600, ..rise(0, day, minute) };
        let rises: Vec<SeenRise> = (0..9)
            .flat_map(|day| [hourly(day, if day % 3 == 0 { 300 } else { 360 }), hourly(day, 1140)])
            .collect();
        let [program] = <[FoundProgram; 1]>::try_from(found(&rises, 9)).expect("one");
        assert_eq!(program.timetable.starts, [300, 1140]);
        assert_eq!(program.timetable.days, ProgramDays::Every { days: 1, from: date(0) });
    }

    #[test]
    fn one_that_has_ended_is_not_proposed() {
        let rises: Vec<SeenRise> = (0..12).step_by(3).map(|day| rise(0, day, 330)).collect();
        assert_eq!(found(&rises, 15).len(), 1);
        assert_eq!(found(&rises, 16), []);
    }

    /// Forty rises in four weeks over three beds, at any time of any day: a dead gauge's
    /// showers, hoses and cans.
    #[test]
    fn rises_without_a_timetable_hardly_ever_look_like_a_timer() {
        let mut seed = 7;
        let mut seen = 0;
        for _ in 0..500 {
            let mut rises = Vec::new();
            for _ in 0..14 {
                let (day, minute) = (drawn(&mut seed, 28), drawn(&mut seed, 96) * 15);
                for bed in 0..3 {
                    rises.push(rise(bed, day, i16::try_from(minute).expect("small")));
                }
            }
            seen += usize::from(!found(&rises, 28).is_empty());
        }
        assert!(seen <= 1, "{seen} of 500");
        // What the gauge explains is no timer, however regular.
        let wet: Vec<SeenRise> = (0..14).map(|day| SeenRise { rained: true, ..rise(0, day, 360) }).collect();
        assert_eq!(found(&wet, 14), []);
    }
}
