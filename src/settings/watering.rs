//! `[watering]`: when water may run, by method, day and date.

use super::document::Want;
use super::fault::any_of;
use super::hours::{cool_hours, hours};
use super::table::SettingsTable;
use super::text::named;
use super::value::SettingsItem;
use crate::model::WEEK;
use crate::watering::{MonthDays, WateringMethod, WateringMethods, WateringRule, WateringRules};

const ALLOWED: &str = "a list of intervals, [\"18:00-21:00\"], or [] where no water may run";
const DAYS: &str = "a list of at least one day of the week: [\"wed\", \"sat\"]";
const MONTH_DAYS: [(&str, MonthDays); 2] = [("even", MonthDays::Even), ("odd", MonthDays::Odd)];
/// Rules of one garden at most.
const RULES_MAX: usize = 50;

/// The site's rules; without the section, before 9 am and after 6 pm.
pub(super) fn watering(table: Option<SettingsTable<'_>>) -> Option<WateringRules> {
    let Some(table) = table else { return Some(cool_hours().into()) };
    let before = table.faults();
    let allowed = table.read_or("allowed", Want::List, cool_hours(), hours);
    let tables = table.sections("rule", "name");
    if tables.len() > RULES_MAX {
        table.fault("rule", format!("{} rules", tables.len()), format!("at most {RULES_MAX} in a garden"));
    }
    let rules: Vec<_> = tables.into_iter().map(rule).collect();
    table.finish_whole(before)?;
    Some(WateringRules { allowed: allowed?, rules: rules.into_iter().collect::<Option<_>>()? })
}

/// A bed's own hours and how it is watered, each where the file says.
pub(super) fn of_bed(table: SettingsTable<'_>) -> (Option<WateringRules>, Option<WateringMethod>) {
    let allowed = table.get("allowed", Want::List);
    if allowed.is_none() && table.get("method", Want::Text).is_none() {
        table.missing("allowed", "allowed = [\"00:00-09:00\"], the bed's own hours, or method = \"drip\"");
    }
    let method = method(&table);
    let allowed = allowed.and_then(|item| hours(&item)).map(WateringRules::from);
    table.finish();
    (allowed, method)
}

/// How water is given, where the table says.
pub(super) fn method(table: &SettingsTable<'_>) -> Option<WateringMethod> {
    table.get("method", Want::Text).and_then(|item| item.name(WateringMethod::from_name, names()))
}

fn names() -> [&'static str; WateringMethod::ALL.len()] {
    WateringMethod::ALL.map(WateringMethod::name)
}

fn rule(table: SettingsTable<'_>) -> Option<WateringRule> {
    let before = table.faults();
    let name = table.get("name", Want::Text).and_then(|item| named(&item)).unwrap_or_default();
    let methods = table.read_or("methods", Want::List, WateringMethods::ANY, |item| {
        let accepted = format!("a list of at least one method: {}", any_of(names()));
        let found = item.list_all(&accepted, 1.., |part| part.name(WateringMethod::from_name, names()))?;
        found.into_iter().map(WateringMethods::one).reduce(WateringMethods::or)
    });
    let days = table.read_or("days", Want::List, [true; 7], |item| item.marked(DAYS, WEEK));
    let month_days = table.read_or("dates", Want::Text, MonthDays::Every, |item| item.word(&MONTH_DAYS));
    let from = table.read_if("from", Want::Value, SettingsItem::date);
    let to = table.last_day(from);
    let hours = table.read("allowed", Want::List, ALLOWED, hours);
    table.finish_whole(before)?;
    Some(WateringRule {
        name,
        methods: methods?,
        days: days?,
        month_days: month_days?,
        from: from?,
        to: to?,
        hours: hours?,
    })
}
