//! Programs of timers that nobody has written down, as lines for the garden's file.

use jiff::Timestamp;

use crate::garden::plan::Garden;
use crate::garden::site::SiteState;
use crate::model::{WEEK, add_seconds, clock, push_tight};
use crate::text::spoken;
use crate::watering::{FoundProgram, ProgramDays, SeenRise, WateringMethods, find_programs};

/// Rises that are remembered for a bed: six weeks, two a day at most.
const RISES_MAX: usize = 84;
const REMEMBERED_S: i64 = 42 * 86_400;
/// Shortest run that is proposed, minutes.
const RUN_LEAST_MIN: u16 = 5;

/// A program that the beds speak for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProposedProgram {
    /// What was seen, in a sentence.
    pub words: String,
    /// The lines to paste into the garden's file.
    pub lines: String,
}

impl SiteState {
    /// Remembers a rise of a bed's top probe.
    pub(crate) fn remember_rise(&mut self, rise: SeenRise) {
        let kept = &mut self.beds[usize::from(rise.bed)].rises;
        push_tight(kept, rise.into());
        while kept.len() > RISES_MAX
            || kept.front().is_some_and(|old| old.onset() < add_seconds(rise.onset, -REMEMBERED_S))
        {
            kept.pop_front();
        }
    }

    /// The programs that the beds' rises speak for.
    pub(crate) fn proposed_programs(&self, now: Timestamp) -> Vec<ProposedProgram> {
        let beds = (0u16..).zip(&self.beds);
        let rises: Vec<SeenRise> =
            beds.flat_map(|(index, bed)| bed.rises.iter().map(move |rise| rise.of_bed(index))).collect();
        proposed_programs(&self.garden, &rises, now)
    }
}

/// The programs that rises up to `now` speak for in beds that no program of the file
/// waters, within the beds' allowed hours.
pub fn proposed_programs(garden: &Garden, rises: &[SeenRise], now: Timestamp) -> Vec<ProposedProgram> {
    let written = |bed: u16| garden.programs.iter().any(|program| program.beds.contains(&bed));
    let rises: Vec<SeenRise> = rises.iter().copied().filter(|rise| !written(rise.bed)).collect();
    let mut names: Vec<String> = garden.programs.iter().map(|program| program.name.clone()).collect();
    let found = find_programs(&rises, &garden.site.time_zone, now).into_iter();
    let found = found.filter_map(|program| within_hours(garden, program));
    found
        .map(|program| {
            let first = program.timetable.starts.first().copied().unwrap_or(0);
            let base = format!("timer at {}", clock(first));
            let mut name = base.clone();
            for more in 2.. {
                if !names.contains(&name) {
                    break;
                }
                name = format!("{base}, {more}");
            }
            names.push(name.clone());
            ProposedProgram { words: words(garden, &program), lines: lines(garden, &program, &name) }
        })
        .collect()
}

/// The program with runs short enough for the hours of its beds; `None` where it begins
/// outside them: it is told of then, and a file with it would be refused.
fn within_hours(garden: &Garden, mut program: FoundProgram) -> Option<FoundProgram> {
    let table = &program.timetable;
    let room = program.beds.iter().flat_map(|bed| {
        let bed = garden.bed(*bed);
        let hours = garden
            .watering_rules(bed)
            .any(bed.method.map_or(WateringMethods::INSTALLED, WateringMethods::one));
        table.starts.iter().map(move |start| table.minutes_within(*start, hours).0)
    });
    let minutes = room.min()?;
    program.timetable.minutes = minutes;
    (minutes >= RUN_LEAST_MIN).then_some(program)
}

/// "Pea bed grew wetter at about 7:30 pm every 2 days, 12 times since Sunday 29 March,
/// and no rain explains it."
fn words(garden: &Garden, program: &FoundProgram) -> String {
    let table = &program.timetable;
    let beds: Vec<String> = program.beds.iter().map(|bed| garden.bed(*bed).name.clone()).collect();
    let starts: Vec<String> = table.starts.iter().map(|start| spoken::clock(*start)).collect();
    let since = table.from.map_or_else(String::new, |from| format!(" since {}", spoken::day(from)));
    format!(
        "{} grew wetter at about {} {}, {} times{since}, and no rain explains it.",
        spoken::list(&beds),
        spoken::list(&starts),
        days_words(&table.days),
        program.runs
    )
}

/// "every 2 days", "on Mondays and Fridays".
pub(crate) fn days_words(days: &ProgramDays) -> String {
    const NAMES: [&str; 7] =
        ["Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays"];
    match days {
        ProgramDays::Every { days: 1, .. } => "every day".to_owned(),
        ProgramDays::Every { days, .. } => format!("every {days} days"),
        ProgramDays::Week(week) => {
            let on = week.iter().zip(NAMES).filter(|(on, _)| **on);
            format!("on {}", spoken::list(&on.map(|(_, name)| name.to_owned()).collect::<Vec<_>>()))
        }
    }
}

fn lines(garden: &Garden, program: &FoundProgram, name: &str) -> String {
    let table = &program.timetable;
    let quoted = |texts: Vec<String>| {
        let texts: Vec<String> = texts.iter().map(|text| format!("\"{text}\"")).collect();
        texts.join(", ")
    };
    let beds = quoted(program.beds.iter().map(|bed| garden.bed(*bed).id.to_string()).collect());
    let starts = quoted(table.starts.iter().map(|start| clock(*start)).collect());
    let days = match &table.days {
        ProgramDays::Every { days, from } => format!("every_days = {days}\nfrom = {from}"),
        ProgramDays::Week(week) => {
            let on = week.iter().zip(WEEK).filter(|(on, _)| **on);
            format!("days = [{}]", quoted(on.map(|(_, name)| name.to_owned()).collect()))
        }
    };
    format!(
        "[[program]]\nname = \"{name}\"\nbeds = [{beds}]\n{days}\nstarts = [{starts}]\nminutes = {}   # put in what the timer \
         shows\n",
        table.minutes
    )
}
