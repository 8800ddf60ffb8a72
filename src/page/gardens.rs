//! The gardens of a visitor who sees several: what needs doing where, first of all where
//! it does; each with its places drawn from above, and found by a part of its name.

use std::cmp::Reverse;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::PageSource;
use super::access::GardensSeen;
use super::context::PageContext;
use super::forms::FormFields;
use super::garden_lines::{GardenLine, TaskSummary};
use super::layout::PageFrame;
use super::lists::topics_table;
use super::places::{shape, trouble_first};
use super::problem::Problem;
use super::tasks::summary;
use super::wait::ask;
use crate::chart::small_ground::{SmallPlace, draw_small};
use crate::garden::ground_layout::lay_out;
use crate::garden::plan::Garden;
use crate::garden::view::SiteView;
use crate::model::{Condition, Id};
use crate::text::labels;
use crate::text::spoken::counted;

/// Gardens on one page.
const LISTED_MAX: usize = 50;
/// Places of a garden that are drawn: its small picture stays small.
const DRAWN_MAX: usize = 24;
/// Characters of a part of a name that is looked for.
const FIND_MAX: usize = 60;
/// The lines of all gardens, where there is most to do first.
async fn lines<V: PageSource>(context: &PageContext<V>) -> Result<Arc<Vec<GardenLine>>, Problem> {
    let kept = &context.garden_lines;
    if let Some(lines) = kept.fresh(context.moment()) {
        return Ok(lines);
    }
    // Asked once for all who wait.
    let _asking = kept.asking.lock().await;
    let moment = context.moment();
    if let Some(lines) = kept.fresh(moment) {
        return Ok(lines);
    }
    let mut lines = Vec::with_capacity(context.record.gardens().len());
    loop {
        let some = ask(context.views.briefs(lines.len())).await?;
        if some.is_empty() {
            break;
        }
        lines.extend(some.iter().map(line_of));
    }
    // Stable: gardens that are alike stay in the order of their files.
    lines.sort_by_key(|line| (line.tasks.rank, trouble_first(line.condition), Reverse(line.tasks.count)));
    Ok(kept.keep(moment, lines))
}

fn line_of(view: &SiteView) -> GardenLine {
    let conditions = view.beds.iter().map(|it| it.condition).chain(view.tanks.iter().map(|it| it.condition));
    let conditions = conditions.chain(view.rain.iter().map(|it| it.condition));
    GardenLine {
        id: view.id.clone(),
        name: view.name.clone(),
        condition: conditions.min_by_key(|it| trouble_first(*it)).unwrap_or(Condition::Unknown),
        tasks: summary(view),
        beds: view.beds.iter().map(|it| it.condition).collect(),
        tanks: view.tanks.iter().map(|it| it.condition).collect(),
    }
}

fn small_drawing(garden: &Garden, line: &GardenLine) -> Option<Markup> {
    let layout = lay_out(garden);
    let beds = garden.beds.iter().zip(&line.beds).filter_map(|(bed, condition)| {
        let (_, rect) = layout.beds.iter().find(|(id, _)| *id == bed.id)?;
        Some(SmallPlace { rect: *rect, condition: *condition, round: false })
    });
    let tanks = garden.tanks.iter().zip(&line.tanks).filter_map(|(tank, condition)| {
        let (_, rect) = layout.tanks.iter().find(|(id, _)| *id == tank.id)?;
        Some(SmallPlace { rect: *rect, condition: *condition, round: true })
    });
    let places: Vec<SmallPlace> = beds.chain(tanks).take(DRAWN_MAX).collect();
    draw_small(&layout, &places)
}

/// `/` where the visitor sees several gardens, or none. `sites` are those.
pub(super) async fn gardens<V: PageSource>(
    context: &PageContext<V>,
    frame: PageFrame,
    query: Option<&str>,
    seen: &GardensSeen,
    sites: &[(Id, String)],
) -> Result<Markup, Problem> {
    let lines = lines(context).await?;
    let lines: Vec<&GardenLine> = lines.iter().filter(|line| seen.holds(line.id.as_str())).collect();
    // A topic without a sensor may be any garden's, so it is for those who see all.
    let topics = if *seen == GardensSeen::All { context.topics_not_placed().await? } else { Vec::new() };
    let fields = FormFields::of(query.unwrap_or_default());
    let part: String = fields.text("find").trim().chars().take(FIND_MAX).collect();
    let from = fields.text("from").parse::<usize>().unwrap_or(1).max(1);
    let shown = ShownGardens { lines, gardens: context.record.gardens(), part, from };
    let body = html! {
        h1 { "Gardens" }
        @if sites.is_empty() { p { (no_garden(seen)) } } @else { (shown.draw()) }
        // The list belongs to no one site, so its times are in UTC and dated.
        (topics_table(&topics, Timestamp::UNIX_EPOCH, &TimeZone::UTC, None))
        @if !topics.is_empty() { p { "Times on this page are UTC." } }
    };
    let searched = !shown.part.is_empty() || from > 1;
    Ok(if searched { frame.still("Gardens", &body) } else { frame.page("Gardens", &body) })
}

fn no_garden(seen: &GardensSeen) -> &'static str {
    match seen {
        GardensSeen::All => "There is no garden in the gardens folder yet.",
        GardensSeen::Only(_) => "The gardens of this sign-in are not here any more. Ask whoever runs Trug.",
    }
}

/// What of the list is shown.
struct ShownGardens<'a> {
    /// All that the visitor sees.
    lines: Vec<&'a GardenLine>,
    /// Their plans, in any order.
    gardens: &'a [Arc<Garden>],
    /// What is looked for; empty: nothing.
    part: String,
    /// The number of the first, from 1.
    from: usize,
}

impl ShownGardens<'_> {
    fn draw(&self) -> Markup {
        let part = self.part.to_lowercase();
        let found: Vec<&GardenLine> =
            self.lines.iter().copied().filter(|line| part.is_empty() || line.is_found_by(&part)).collect();
        let busy = self.lines.iter().filter(|line| line.tasks.count > 0).count();
        let page: Vec<&GardenLine> = found.iter().copied().skip(self.from - 1).take(LISTED_MAX).collect();
        html! {
            p class="as-of" {
                @if busy == 0 { "Nothing needs doing in " (counted(self.lines.len(), "garden", "gardens")) "." }
                @else if busy == 1 { "1 of " (self.lines.len()) " gardens has something to do." }
                @else { (busy) " of " (self.lines.len()) " gardens have something to do." }
            }
            @if self.lines.len() > 5 {
                form class="find" method="get" action="/" role="search" {
                    label for="find" { "Find a garden" }
                    input id="find" name="find" type="search" maxlength=(FIND_MAX) value=(self.part);
                    button type="submit" { "Find" }
                }
            }
            @if !part.is_empty() {
                p { (counted(found.len(), "garden has", "gardens have")) " \"" bdi { (self.part) } "\" in the name. "
                    a href="/" { "Show all" } }
            }
            ol class="gardens" start=[(self.from > 1).then_some(self.from)] {
                @for line in &page { (garden(line, self.drawing(line))) }
            }
            (self.onward(found.len()))
        }
    }

    /// The places of a garden from above, as the line says that they stand.
    fn drawing(&self, line: &GardenLine) -> Option<Markup> {
        let garden = self.gardens.iter().find(|garden| garden.site.id == line.id)?;
        small_drawing(garden, line)
    }

    /// The way to the gardens before and after; nothing where all are shown.
    fn onward(&self, found: usize) -> Markup {
        let to = |from: usize| {
            let find: String = url::form_urlencoded::byte_serialize(self.part.as_bytes()).collect();
            if self.part.is_empty() { format!("/?from={from}") } else { format!("/?find={find}&from={from}") }
        };
        let next = self.from + LISTED_MAX;
        html! {
            @if found > LISTED_MAX || self.from > 1 {
                p class="onward" {
                    @if self.from > 1 { a href=(to(self.from.saturating_sub(LISTED_MAX).max(1))) { "The gardens before" } }
                    @if next <= found { a href=(to(next)) { "The gardens after" } }
                    @if self.from <= found {
                        span { "Gardens " (self.from) " to " (found.min(next - 1)) " of " (found) }
                    }
                }
            }
        }
    }
}

fn garden(line: &GardenLine, drawing: Option<Markup>) -> Markup {
    let TaskSummary { count, first, .. } = &line.tasks;
    html! {
        li class=(line.condition.name()) {
            @if let Some(drawing) = drawing { (drawing) }
            div {
                h2 { a href={ "/site/" (line.id) } { (line.name) } }
                p class="state" { (shape(line.condition)) " " (labels::condition(line.condition)) }
                @match first {
                    None => p { "Nothing to do today." },
                    Some(first) => p {
                        (first)
                        @if *count > 1 { ", and " (count - 1) " more" }
                    },
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(id: &str, name: &str, count: usize) -> GardenLine {
        let first = (count > 0).then(|| "Perch tank: too warm".to_owned());
        GardenLine {
            id: Id::new(id),
            name: name.to_owned(),
            condition: Condition::Act,
            tasks: TaskSummary { count, rank: 0, first },
            beds: Vec::new(),
            tanks: Vec::new(),
        }
    }

    fn drawn(lines: &[GardenLine], part: &str, from: usize) -> String {
        let lines = lines.iter().collect();
        ShownGardens { lines, gardens: &[], part: part.to_owned(), from }.draw().into_string()
    }

    #[test]
    fn a_garden_is_found_by_a_part_of_its_name_or_id() {
        let lines = [line("a", "Östra School", 0), line("north-b", "Hill School", 2), line("c", "Dale", 0)];
        let text = drawn(&lines, "östra", 1);
        assert!(text.contains("/site/a\"") && !text.contains("/site/c\""), "{text}");
        assert!(drawn(&lines, "north", 1).contains("Hill School"));
        assert!(drawn(&lines, "<b>", 1).contains("&lt;b&gt;"));
        assert!(text.contains("1 of 3 gardens has something to do"), "{text}");
    }

    #[test]
    fn thousands_of_gardens_come_a_page_at_a_time() {
        let lines: Vec<GardenLine> =
            (1..=2500).map(|n| line(&format!("g{n}"), &format!("School {n}"), 1)).collect();
        let first = drawn(&lines, "", 1);
        assert_eq!(first.matches("<li").count(), LISTED_MAX);
        assert!(first.contains("/?from=51") && !first.contains("before"), "{first}");
        let last = drawn(&lines, "", 2451);
        assert!(
            last.contains("Gardens 2451 to 2500 of 2500") && !last.contains("The gardens after"),
            "{last}"
        );
        assert!(last.contains("/?from=2401"));
        let beyond = drawn(&lines, "", usize::MAX - LISTED_MAX);
        assert!(!beyond.contains("<li") && beyond.contains("before"), "{beyond}");
        assert!(drawn(&lines, "School 24", 51).contains("/?find=School+24&amp;from=1"));
    }
}
