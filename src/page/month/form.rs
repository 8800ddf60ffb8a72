//! What a request chooses to see of a month, and the form that chooses it.

use maud::{Markup, html};

use crate::garden::plan::Garden;
use crate::model::Id;
use crate::page::forms::FormFields;
use crate::page::problem::Problem;
use crate::report::Level;

/// What a request chooses to see of a month.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct MonthChoice {
    pub(super) compare: Option<(Id, Id)>,
    pub(super) notes: bool,
    pub(super) level: Level,
}

impl MonthChoice {
    /// Reads a query such as `first=kitchen-bed&second=pea-bed&notes=no`. Empty fields
    /// are as if they were not there.
    pub(super) fn read(query: &FormFields, garden: &Garden) -> Result<Self, Problem> {
        let known = |id: &str| {
            let bed = garden.beds.iter().find(|bed| bed.id.as_str() == id);
            bed.map(|bed| bed.id.clone()).ok_or(Problem::WrongBeds)
        };
        let compare = match (query.given("first"), query.given("second")) {
            (None, None) => None,
            (Some(first), Some(second)) if first != second => Some((known(first)?, known(second)?)),
            _ => return Err(Problem::WrongBeds),
        };
        let notes = match query.given("notes") {
            None | Some("yes") => true,
            Some("no") => false,
            Some(_) => return Err(Problem::WrongBeds),
        };
        let level = match query.given("level") {
            None => Level::default(),
            Some(name) => Level::of(name).ok_or(Problem::NoSuchLevel)?,
        };
        Ok(Self { compare, notes, level })
    }

    /// What asks the same besides the level, as in `&first=a&second=b`; empty where nothing is
    /// asked.
    pub(super) fn more(&self) -> String {
        let mut parts = Vec::new();
        if let Some((first, second)) = &self.compare {
            parts.push(format!("first={first}&second={second}"));
        }
        if !self.notes {
            parts.push("notes=no".to_owned());
        }
        parts.iter().map(|part| format!("&{part}")).collect()
    }
}

/// The year of a list of months; `None`: the newest.
pub(super) fn year(query: &FormFields) -> Result<Option<i16>, Problem> {
    match query.given("year") {
        None => Ok(None),
        Some(text) if text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit()) => {
            text.parse().map(Some).map_err(|_| Problem::NoSuchMonth)
        }
        Some(_) => Err(Problem::NoSuchMonth),
    }
}

/// The form that chooses two beds; nothing where there are not two.
pub(super) fn choice(garden: &Garden, chosen: &MonthChoice, action: &str) -> Markup {
    if garden.beds.len() < 2 {
        return html! {};
    }
    let bed_of = |first: bool| chosen.compare.as_ref().map(|(one, other)| if first { one } else { other });
    html! {
        section class="choice" {
            h3 { "Two beds to compare" }
            form method="get" action=(action) {
                input type="hidden" name="level" value=(chosen.level.name());
                @for (name, label, first) in [("first", "First bed", true), ("second", "Second bed", false)] {
                    p {
                        label for=(name) { (label) }
                        select id=(name) name=(name) {
                            option value="" { "Choose for me" }
                            @for bed in &garden.beds {
                                option value=(bed.id) selected[bed_of(first) == Some(&bed.id)] { (bed.name) }
                            }
                        }
                    }
                }
                p {
                    input type="checkbox" id="notes" name="notes" value="no" checked[!chosen.notes];
                    label for="notes" { "leave out people's notes" }
                }
                button { "Show" }
            }
        }
    }
}
