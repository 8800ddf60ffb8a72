//! How the alarms do, in words: each figure beside what the standard wants of it.

use maud::{Markup, html};

use super::markup::{columns, item};
use crate::alarms::figures::{Figures, Period};
use crate::alarms::targets::{
    BUSY_ABOVE, BUSY_PART, FREQUENT_PART, HOUR_ACCEPTABLE, HOUR_MOST, PRIORITIES_FROM, PRIORITY_PARTS,
    STANDING_TOO_MANY, Verdict,
};
use crate::garden::view::SiteView;
use crate::model::Id;
use crate::text::labels;
use crate::text::spoken::{counted, duration, list};

/// The figures of one garden and of each of its groups.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteFigures {
    pub site: Id,
    /// `None`: nothing was watched in the time that was asked for.
    pub all: Option<Figures>,
    /// Of each group what concerned it, and what was sent to it.
    pub groups: Vec<GroupFigures>,
    /// Whether older steps were left out because there are too many.
    pub cut: bool,
}

/// One group's figures.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupFigures {
    pub who: String,
    pub figures: Figures,
    /// Messages in the period, and on the day with the most.
    pub messages: u32,
    pub messages_most: u32,
}

/// Fewer messages a day than this are wanted; this project's own aim.
pub const MESSAGES_A_DAY: f64 = 2.0;

impl GroupFigures {
    /// Messages a day; `None` without a time.
    pub fn messages_a_day(&self) -> Option<f64> {
        let days = self.figures.period.length_s() / 86_400.0;
        (days > 0.0).then(|| f64::from(self.messages) / days)
    }
}

/// One figure as people read it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct FigureRow {
    /// The name for programs.
    pub(crate) name: &'static str,
    pub(crate) title: &'static str,
    pub(crate) value: String,
    pub(crate) target: &'static str,
    pub(crate) verdict: Verdict,
    /// Whether a number of the target is from memory.
    pub(crate) from_memory: bool,
}

/// What a verdict says to people.
pub(crate) fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Within => "within",
        Verdict::Above => "above",
        Verdict::TooFew => "too few to judge",
        Verdict::NoTarget => "",
    }
}

/// Where the targets are from, and which of them nobody has read there.
pub(crate) const SOURCE: &str = "Targets: ANSI/ISA-18.2-2016, clause 16, as public documents quote it; they are made \
                                 for one operator of a plant, and a garden should stay far below the first ones.";
pub(crate) const FROM_MEMORY: &str =
    "* The numbers of this target are from memory and were not read in the standard.";

/// The name for programs, the title and the target of each figure, in the order of [`rows`].
const ROWS: [(&str, &str, &str); 12] = [
    ("raised", "Alarms raised", "about 6 an hour for one person, 12 at most"),
    ("ten-minutes-most", "Most in any ten minutes", "10 at most"),
    ("ten-minutes-busy", "Ten-minute spans with more than 10", "less than about 1 %"),
    (
        "flood",
        "Time in a flood of alarms",
        "less than about 1 %; a flood begins above 10 in ten minutes and ends below 5",
    ),
    (TARGET_FROM_MEMORY, "Alarms raised 3 times or more in a minute", "none"),
    ("changing", "Alarms that changed more than 5 times in five minutes", "none"),
    ("fleeting", "Alarms over within 10 seconds and not back within a minute", "none"),
    ("standing", "Standing for more than a day", "fewer than 5 on any day"),
    ("frequent", "The ten most frequent alarms", "about 1 to 5 % of all"),
    ("priorities", "Of low, medium and high priority", "about 80, 15 and 5 %"),
    ("answered", "Until somebody answered", ""),
    ("hidden", "Out of sight at the end", "none without a reason"),
];

/// The figure of whose target a number is from memory.
const TARGET_FROM_MEMORY: &str = "chattering";

/// Each figure in words.
pub(crate) fn rows(f: &Figures) -> Vec<FigureRow> {
    let an_hour = f.an_hour().unwrap_or(0.0);
    let a_day = short(an_hour * 24.0);
    let part = |spans: usize| if f.spans == 0 { 0.0 } else { spans as f64 / f.spans as f64 };
    let count = |n: usize| if n == 0 { "none".to_owned() } else { n.to_string() };
    let rate = if an_hour > HOUR_MOST {
        ", more than one person can take"
    } else if an_hour > HOUR_ACCEPTABLE {
        ", more than is very likely acceptable"
    } else {
        ""
    };
    let raised = format!("{}, which is {a_day} a day and {} an hour{rate}", f.raised, short(an_hour));
    let standing = match (f.standing_most, f.standing_now) {
        (0, 0) => "none".to_owned(),
        (most, now) => format!("{most} on the worst day, {now} at the end"),
    };
    let frequent_enough = match f.frequent_part() {
        // Ten of ten are all, however seldom they come.
        Some(part) if f.different > 10 => Verdict::of(part <= FREQUENT_PART),
        _ => Verdict::TooFew,
    };
    let well_spread = if f.raised < PRIORITIES_FROM {
        Verdict::TooFew
    } else {
        let part = |p: usize| f.by_priority[p] as f64 / f.raised as f64;
        Verdict::of(part(1) <= PRIORITY_PARTS[1] && part(2) <= PRIORITY_PARTS[2])
    };
    let values: [(String, Verdict); ROWS.len()] = [
        (raised, Verdict::of(an_hour <= HOUR_ACCEPTABLE)),
        (count(f.ten_minutes_most), Verdict::of(f.ten_minutes_most <= BUSY_ABOVE)),
        (of_all(f.spans_busy, f.spans), Verdict::of(part(f.spans_busy) < BUSY_PART)),
        (of_all(f.spans_flood, f.spans), Verdict::of(part(f.spans_flood) < BUSY_PART)),
        (count(f.chattering), Verdict::of(f.chattering == 0)),
        (count(f.changing), Verdict::of(f.changing == 0)),
        (count(f.fleeting), Verdict::of(f.fleeting == 0)),
        (standing, Verdict::of(f.standing_most < STANDING_TOO_MANY)),
        (frequent(f), frequent_enough),
        (priorities(f), well_spread),
        (answered(f), Verdict::NoTarget),
        (hidden(f), Verdict::of(f.hidden_without_reason == 0)),
    ];
    let row = |((name, title, target), (value, verdict))| {
        let from_memory = name == TARGET_FROM_MEMORY;
        FigureRow { name, title, value, target, verdict, from_memory }
    };
    ROWS.into_iter().zip(values).map(row).collect()
}

/// "0.4", "12": a rate, with one digit below ten and two below a tenth.
fn short(rate: f64) -> String {
    match rate {
        r if r >= 10.0 => format!("{r:.0}"),
        r if r >= 0.1 => format!("{r:.1}"),
        r if r >= 0.005 => format!("{r:.2}"),
        r if r > 0.0 => "less than 0.01".to_owned(),
        _ => "0".to_owned(),
    }
}

fn of_all(some: usize, all: usize) -> String {
    if some == 0 {
        return format!("none of {all}");
    }
    format!("{some} of {all} ({:.1} %)", 100.0 * some as f64 / all as f64)
}

fn frequent(f: &Figures) -> String {
    /// Names that one line bears.
    const NAMED: usize = 3;
    let Some(part) = f.frequent_part() else { return "none was raised".to_owned() };
    let named: Vec<String> = f
        .frequent
        .iter()
        .take(NAMED)
        .map(|(key, times)| format!("{} at {} ({times})", labels::kind(key.kind), key.place))
        .collect();
    let all = if f.different > 10 {
        format!("{:.0} % of all", 100.0 * part)
    } else {
        format!("all of them: {} different", f.different)
    };
    format!("{all}; most often {}", list(&named))
}

fn priorities(f: &Figures) -> String {
    if f.raised == 0 {
        return "none was raised".to_owned();
    }
    let part = |p: usize| format!("{:.0}", 100.0 * f.by_priority[p] as f64 / f.raised as f64);
    format!("{}, {} and {} %", part(0), part(1), part(2))
}

fn answered(f: &Figures) -> String {
    let waits = match f.waiting {
        0 => "none waits".to_owned(),
        1 => "1 waits at the end".to_owned(),
        n => format!("{n} wait at the end"),
    };
    match (f.answered_within(0.5), f.answered_within(0.9)) {
        (Some(half), Some(most)) => format!(
            "{} answered, half within {}, nine of ten within {}; {waits}",
            f.answered_s.len(),
            duration(half),
            duration(most)
        ),
        _ => format!("none was answered; {waits}"),
    }
}

fn hidden(f: &Figures) -> String {
    let [shelved, quiet, off] = f.hidden;
    if shelved + quiet + off == 0 {
        return "none".to_owned();
    }
    format!(
        "{shelved} paused, {quiet} kept quiet by the garden's plan, {off} switched off; {} without a reason noted",
        f.hidden_without_reason
    )
}

/// A group's line: what it was called for and sent.
pub(crate) fn group(it: &GroupFigures) -> String {
    let f = &it.figures;
    let a_day = it.messages_a_day().unwrap_or(0.0);
    let messages = format!(
        "{}, {} a day, {} on the day with the most ({} the aim of fewer than 2 a day)",
        counted(it.messages as usize, "message", "messages"),
        short(a_day),
        it.messages_most,
        verdict(messages_verdict(it))
    );
    let alarms = format!(
        "{}, {} a day",
        counted(f.raised, "alarm", "alarms"),
        short(f.an_hour().unwrap_or(0.0) * 24.0)
    );
    format!("{alarms}, at most {} in ten minutes; {}; {messages}", f.ten_minutes_most, answered(f))
}

/// How a group's messages stand to this project's own aim.
pub(crate) fn messages_verdict(it: &GroupFigures) -> Verdict {
    match it.messages_a_day() {
        Some(a_day) => Verdict::of(a_day < MESSAGES_A_DAY),
        None => Verdict::TooFew,
    }
}

/// What a short time says about the averages; `None` from a day on.
pub(crate) fn caution(period: Period) -> Option<&'static str> {
    (period.length_s() < 86_400.0).then_some("This is less than a day: the averages and shares say little.")
}

/// The part of the page.
pub(super) fn section(figures: &SiteFigures, view: &SiteView) -> Markup {
    let zone = &view.time_zone;
    html! {
        details class="alarm-figures" {
            summary { "Too many alarms? Counts of the last month, for whoever runs Trug" }
            @match &figures.all {
                None => p { "No reading is stored yet, so there are no figures." },
                Some(all) => {
                    p {
                        "From " (labels::full_moment(all.period.from, zone)) " to "
                        (labels::full_moment(all.period.to, zone)) "."
                        @if let Some(caution) = caution(all.period) { " " (caution) }
                        @if figures.cut { " Older steps are left out: there are too many." }
                    }
                    table class="stacks" {
                        (columns(&["Figure", "Here", "The standard's target"]))
                        tbody {
                            @for row in rows(all) {
                                tr {
                                    th scope="row" { (row.title) }
                                    td data-label="Here" { (row.value) }
                                    td data-label="Target" {
                                        @if row.verdict == Verdict::NoTarget { "It gives none." } @else {
                                            (row.target) @if row.from_memory { "*" } ": "
                                            strong { (verdict(row.verdict)) }
                                        }
                                    }
                                }
                            }
                        }
                    }
                    @if !figures.groups.is_empty() {
                        dl { @for it in &figures.groups { (item(&format!("For {}", it.who), group(it))) } }
                    }
                    p { (SOURCE) " " (FROM_MEMORY) }
                }
            }
        }
    }
}
