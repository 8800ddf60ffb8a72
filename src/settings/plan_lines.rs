//! A garden's file, and the `plan = { ... }` lines in it that the page writes.
//!
//! Only the bytes of those values change, found by the places that the parser gives; a place
//! without a plan gets a line of its own behind its id. Before it is kept, the new text is read
//! again: all else in it must mean what it did, and the settings' check must find no new fault.

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use ring::digest::{SHA256, digest};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::written::read_alone;
use super::{Fault, files};
use crate::model::Id;

/// The file of one garden, and what was in it when it was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GardenFile {
    pub site: Id,
    pub path: PathBuf,
    /// Of its bytes.
    digest: Vec<u8>,
}

/// A place of a garden's file: its list and its number in that list.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct PlanPlace {
    /// `bed`, `tank`, `sensor` or `landmark`.
    pub list: &'static str,
    pub number: usize,
}

/// Where a place lies: metres from the left and the top, width and depth.
pub type PlanNumbers = [f64; 4];

/// Why a garden's file was left as it is, as people read it.
#[derive(Debug, thiserror::Error)]
pub enum PlanRefused {
    #[error("The garden's file cannot be read ({0}). Nothing is saved.")]
    Unreadable(String),
    #[error(
        "Somebody changed the garden's file after Trug read it. Nothing is saved. Run \"trug reload\", then move the places."
    )]
    Changed,
    #[error(
        "This page cannot change a plan that is written the way this file has it. Put the lines in by hand."
    )]
    OtherwiseWritten,
    #[error("The check of the garden's file would refuse this: {0} Nothing is saved.")]
    Faulty(String),
    #[error(
        "Trug may not write the garden's file ({0}). Nothing is saved. Whoever runs Trug puts the lines in, or lets Trug write the file."
    )]
    NotWritable(String),
}

impl GardenFile {
    /// The file of a site, as it is read now.
    pub(super) fn new(site: Id, path: PathBuf, text: &str) -> Self {
        Self { site, path, digest: digest_of(text) }
    }

    /// Whether both were read with the same text.
    pub fn has_text_of(&self, other: &Self) -> bool {
        self.site == other.site && self.digest == other.digest
    }

    /// The text, as long as nobody else has changed the file.
    ///
    /// # Errors
    /// [`PlanRefused::Unreadable`] and [`PlanRefused::Changed`].
    fn text(&self) -> Result<String, PlanRefused> {
        let text = files::text(&self.path).map_err(|faults| {
            let why = faults.first().map_or_else(String::new, |fault| fault.given.clone());
            PlanRefused::Unreadable(why)
        })?;
        if digest_of(&text) == self.digest { Ok(text) } else { Err(PlanRefused::Changed) }
    }

    /// The plans that the file has now; none where it was changed or cannot be read.
    pub fn plans(&self) -> Vec<(PlanPlace, PlanNumbers)> {
        self.text().map_or_else(|_| Vec::new(), |text| plans_of(&text))
    }

    /// Writes where places lie: the whole file at once, with all else as it was.
    ///
    /// # Errors
    /// Why nothing was written.
    pub fn write_plans(&mut self, plans: &[(PlanPlace, PlanNumbers)]) -> Result<(), PlanRefused> {
        let before = self.text()?;
        let after = with_plans(&before, plans)?;
        if after != before {
            // Once more, since reading and checking took a while.
            self.text()?;
            replace_file(&self.path, after.as_bytes())?;
            self.digest = digest_of(&after);
        }
        Ok(())
    }
}

fn digest_of(text: &str) -> Vec<u8> {
    digest(&SHA256, text.as_bytes()).as_ref().to_vec()
}

/// To the centimetre, without zeros that say nothing.
pub fn plan_metres(number: f64) -> String {
    let text = format!("{number:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// "{ x = 0.8, y = 0.8, w = 4, h = 1.8 }"
pub fn plan_value(numbers: &PlanNumbers) -> String {
    let [x, y, w, h] = numbers.map(plan_metres);
    format!("{{ x = {x}, y = {y}, w = {w}, h = {h} }}")
}

/// The tables of a list of a file, in their order.
fn listed<'t, 'd>(tree: &'t DeTable<'d>, list: &str) -> Vec<&'t DeTable<'d>> {
    let Some(DeValue::Array(tables)) = tree.get(list).map(Spanned::get_ref) else { return Vec::new() };
    tables.iter().filter_map(|one| one.get_ref().as_table()).collect()
}

fn number_at(plan: &DeTable<'_>, key: &str) -> Option<f64> {
    super::value::number_of(plan.get(key)?.get_ref())
}

fn numbers_of(plan: &DeValue<'_>) -> Option<PlanNumbers> {
    let plan = plan.as_table()?;
    let number = |key| number_at(plan, key);
    Some([number("x")?, number("y")?, number("w")?, number("h")?])
}

/// Every plan of a text.
fn plans_of(text: &str) -> Vec<(PlanPlace, PlanNumbers)> {
    let Ok(tree) = DeTable::parse(text) else { return Vec::new() };
    let tree = tree.get_ref();
    let mut found = Vec::new();
    for list in ["bed", "tank", "sensor", "landmark"] {
        for (number, table) in listed(tree, list).into_iter().enumerate() {
            let numbers = table.get("plan").and_then(|plan| numbers_of(plan.get_ref()));
            found.extend(numbers.map(|numbers| (PlanPlace { list, number }, numbers)));
        }
    }
    found
}

/// The text with these plans in it, and all else as it was.
fn with_plans(text: &str, plans: &[(PlanPlace, PlanNumbers)]) -> Result<String, PlanRefused> {
    let tree = DeTable::parse(text).map_err(|_| PlanRefused::OtherwiseWritten)?;
    let mut changes: Vec<(usize, usize, String)> = Vec::new();
    for (place, numbers) in plans {
        let tables = listed(tree.get_ref(), place.list);
        let table = tables.get(place.number).ok_or(PlanRefused::OtherwiseWritten)?;
        changes.extend(change(text, table, numbers).ok_or(PlanRefused::OtherwiseWritten)?);
    }
    changes.sort_by_key(|(from, ..)| *from);
    let mut changed = String::with_capacity(text.len() + 64 * changes.len());
    let mut at = 0;
    for (from, to, new) in &changes {
        // Two changes of the same bytes come of a place that is named twice.
        let kept = text.get(at..*from).ok_or(PlanRefused::OtherwiseWritten)?;
        changed.push_str(kept);
        changed.push_str(new);
        at = *to;
    }
    changed.push_str(text.get(at..).unwrap_or_default());
    means_the_same(text, &changed, plans)?;
    no_new_fault(text, &changed)?;
    Ok(changed)
}

/// The bytes that make way for a place's new plan, and what comes there; nothing where the file
/// has it already. The outer `None`: it is written in another way.
#[expect(clippy::option_option, reason = "the outer one says whether it can be written")]
fn change(text: &str, table: &DeTable<'_>, numbers: &PlanNumbers) -> Option<Option<(usize, usize, String)>> {
    let new = plan_value(numbers);
    if let Some(plan) = table.get("plan") {
        let span = plan.span();
        let written = text.get(span.clone())?;
        let is_inline = written.starts_with('{') && written.ends_with('}');
        let same = numbers_of(plan.get_ref()).is_some_and(|old| plan_value(&old) == new);
        return match (same, is_inline) {
            (true, _) => Some(None),
            (false, true) => Some(Some((span.start, span.end, new))),
            (false, false) => None,
        };
    }
    let (key, named) = table.get_key_value("id").or_else(|| table.get_key_value("name"))?;
    let start = text.get(..key.span().start)?.rfind('\n').map_or(0, |at| at + 1);
    let indent = text.get(start..key.span().start)?;
    if !indent.trim().is_empty() {
        return None;
    }
    let rest = text.get(named.span().end..)?;
    let line_end = named.span().end + rest.find('\n').unwrap_or(rest.len());
    let before_end = text.get(..line_end)?;
    let (at, end) = if before_end.ends_with('\r') { (line_end - 1, "\r\n") } else { (line_end, "\n") };
    Some(Some((at, at, format!("{end}{indent}plan = {new}"))))
}

/// Whether a changed text says of everything but the plans what the other said.
fn means_the_same(before: &str, after: &str, plans: &[(PlanPlace, PlanNumbers)]) -> Result<(), PlanRefused> {
    let without = |text: &str| {
        let mut tree: toml::Table = text.parse().ok()?;
        for (place, _) in plans {
            let list = tree.get_mut(place.list).and_then(toml::Value::as_array_mut)?;
            list.get_mut(place.number).and_then(toml::Value::as_table_mut)?.remove("plan");
        }
        Some(tree)
    };
    let same = without(before).zip(without(after)).is_some_and(|(before, after)| before == after);
    let found = plans_of(after);
    let written = |(place, numbers): &(PlanPlace, PlanNumbers)| {
        found.iter().any(|(it, there)| it == place && plan_value(there) == plan_value(numbers))
    };
    if same && plans.iter().all(written) { Ok(()) } else { Err(PlanRefused::OtherwiseWritten) }
}

/// Whether the check finds no more wrong than before.
fn no_new_fault(before: &str, after: &str) -> Result<(), PlanRefused> {
    let faults = |text: &str| -> Vec<Fault> {
        let mut found = match read_alone(text) {
            Ok(settings) => settings.borne.map_or_else(Vec::new, |it| it.as_slice().to_vec()),
            Err(faults) => faults.as_slice().to_vec(),
        };
        // Lines move where a plan is new.
        found.iter_mut().for_each(|fault| fault.line = None);
        found
    };
    let known = faults(before);
    match faults(after).into_iter().find(|fault| !known.contains(fault)) {
        None => Ok(()),
        Some(fault) => Err(PlanRefused::Faulty(format!("{}. Accepted: {}.", fault.given, fault.accepted))),
    }
}

/// Puts bytes in the place of a file at once, with the file's own permissions: whoever reads it
/// meanwhile has the old ones or the new ones, never a part.
fn replace_file(path: &Path, bytes: &[u8]) -> Result<(), PlanRefused> {
    let write = || -> std::io::Result<()> {
        // Through a link to the file itself, which stays a link.
        let path = fs::canonicalize(path)?;
        let kept = fs::OpenOptions::new().write(true).open(&path)?.metadata()?.permissions();
        let folder = path.parent().unwrap_or(Path::new("/"));
        let mut new = tempfile::Builder::new().prefix(".trug-plan-").tempfile_in(folder)?;
        new.write_all(bytes)?;
        new.as_file().set_permissions(kept)?;
        new.as_file().sync_all()?;
        new.persist(&path).map_err(|fault| fault.error)?;
        fs::File::open(folder)?.sync_all()
    };
    write().map_err(|fault| PlanRefused::NotWritable(fault.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHIPPED: &str = include_str!("../../config/gardens/saltbush-gully.toml");

    const fn bed(number: usize) -> PlanPlace {
        PlanPlace { list: "bed", number }
    }

    /// Lines of the one text that the other has not, in order.
    fn changed_lines<'t>(before: &'t str, after: &'t str) -> Vec<(&'t str, &'t str)> {
        before.lines().zip(after.lines()).filter(|(before, after)| before != after).collect()
    }

    #[test]
    fn a_plan_that_is_there_changes_and_nothing_else() {
        let moved = [1.0, 0.85, 4.0, 1.8];
        let after = with_plans(SHIPPED, &[(bed(0), moved)]).expect("it is written");
        let [(before, now)] = changed_lines(SHIPPED, &after)[..] else { panic!("{after}") };
        assert!(before.starts_with("plan = { x = 0.8, y = 0.8, w = 4.0, h = 1.8 }   # where it lies"));
        assert_eq!(
            now,
            before.replacen(
                "{ x = 0.8, y = 0.8, w = 4.0, h = 1.8 }",
                "{ x = 1, y = 0.85, w = 4, h = 1.8 }",
                1
            )
        );
        assert_eq!(SHIPPED.lines().count(), after.lines().count());
        assert!(plans_of(&after).contains(&(bed(0), moved)));
    }

    #[test]
    fn what_is_as_it_was_leaves_each_byte() {
        let all = plans_of(SHIPPED);
        assert_eq!(all.len(), 8, "four beds, two landmarks, a tank and the gauge");
        assert_eq!(with_plans(SHIPPED, &all).expect("it is written"), SHIPPED);
    }

    #[test]
    fn a_place_without_a_plan_gets_a_line_behind_its_id() {
        for end in ["\n", "\r\n"] {
            let bare: String = SHIPPED
                .lines()
                .filter(|line| !line.starts_with("plan = { x = 5.6"))
                .flat_map(|line| [line, end])
                .collect();
            let after = with_plans(&bare, &[(bed(1), [5.6, 0.8, 4.0, 1.5])]).expect("it is written");
            let line = format!(
                "id = \"pea-bed\"{end}plan = {{ x = 5.6, y = 0.8, w = 4, h = 1.5 }}{end}name = \"Pea bed\""
            );
            assert!(after.contains(&line), "{after}");
            assert_eq!(
                after.len(),
                bare.len() + end.len() + "plan = { x = 5.6, y = 0.8, w = 4, h = 1.5 }".len()
            );
        }
    }

    #[test]
    fn what_the_check_refuses_or_cannot_be_found_is_not_written() {
        let over = with_plans(SHIPPED, &[(bed(1), [0.8, 0.8, 4.0, 1.5])]);
        assert!(matches!(over, Err(PlanRefused::Faulty(_))), "{over:?}");
        let unknown = with_plans(SHIPPED, &[(bed(9), [1.0, 1.0, 1.0, 1.0])]);
        assert!(matches!(unknown, Err(PlanRefused::OtherwiseWritten)), "{unknown:?}");
        let dotted = SHIPPED.replacen(
            "plan = { x = 0.8, y = 0.8, w = 4.0, h = 1.8 }",
            "plan.x = 0.8\nplan.y = 0.8\nplan.w = 4.0\nplan.h = 1.8",
            1,
        );
        let refused = with_plans(&dotted, &[(bed(0), [1.0, 0.85, 4.0, 1.8])]);
        assert!(matches!(refused, Err(PlanRefused::OtherwiseWritten)), "{refused:?}");
        let same = with_plans(&dotted, &[(bed(0), [0.8, 0.8, 4.0, 1.8])]);
        assert_eq!(same.expect("nothing is to do"), dotted);
    }

    #[test]
    fn a_file_that_somebody_changed_is_left_alone() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("garden.toml");
        fs::write(&path, SHIPPED).expect("a file");
        fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).expect("permissions");
        let link = folder.path().join("link.toml");
        std::os::unix::fs::symlink(&path, &link).expect("a link");
        let mut file = GardenFile::new(Id::new("saltbush-gully"), link.clone(), SHIPPED);
        file.write_plans(&[(bed(0), [1.0, 0.85, 4.0, 1.8])]).expect("it is written");
        // And again, since what was written is known.
        file.write_plans(&[(bed(0), [1.0, 0.9, 4.0, 1.8])]).expect("it is written again");
        let now = fs::read_to_string(&path).expect("the file");
        assert!(now.contains("{ x = 1, y = 0.9, w = 4, h = 1.8 }") && link.is_symlink());
        assert_eq!(fs::metadata(&path).expect("it is there").permissions().mode() & 0o777, 0o640);
        assert_eq!(file.plans().len(), 8);

        fs::write(&path, format!("{now}# by hand\n")).expect("a file");
        let refused = file.write_plans(&[(bed(0), [1.0, 1.0, 4.0, 1.8])]);
        assert!(matches!(refused, Err(PlanRefused::Changed)), "{refused:?}");
        assert!(fs::read_to_string(&path).expect("the file").ends_with("# by hand\n"));
        fs::remove_file(&path).expect("it was there");
        let gone = file.write_plans(&[(bed(0), [1.0, 1.0, 4.0, 1.8])]);
        assert!(matches!(gone, Err(PlanRefused::Unreadable(_))), "{gone:?}");
        let left: Vec<_> =
            fs::read_dir(folder.path()).expect("the folder").flatten().map(|it| it.file_name()).collect();
        assert_eq!(left, ["link.toml"], "nothing half written stays");
    }

    /// Where nobody may make a file, not even root.
    #[test]
    fn a_file_that_cannot_be_written_is_told() {
        let refused = replace_file(Path::new("/proc/self/comm"), b"x");
        assert!(matches!(refused, Err(PlanRefused::NotWritable(_))), "{refused:?}");
    }

    proptest::proptest! {
        #![proptest_config(proptest::test_runner::Config { failure_persistence: None, ..Default::default() })]
        #[test]
        fn no_text_stops_it(text in "[ -~\n\\[\\]{}=\"#]{0,200}", number in 0usize..3) {
            let _ = with_plans(&text, &[(bed(number), [1.0, 1.0, 1.0, 1.0])]);
        }
    }
}
