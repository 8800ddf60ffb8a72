//! The texts of a page. Only what a person reads is turned: the words between tags, and the
//! attributes that name something. Scripts, styles, code, fields and what is marked
//! `translate="no"` (HTML Living Standard, 3.2.6.3) stay as they are.
//!
//! A difference of two temperatures that stands alone, without a word that tells, is marked
//! `data-apart` on its element, a column of them on its heading.
//!
//! A table whose column is headed by a unit ("Coldest, °C", "Rain (mm), total") has bare
//! numbers below it: its heading gets the customary unit, each number its own.

use super::LocalText;
use super::figures::{Unit, number_end};

/// Elements whose text is no words for people.
const SILENT: [&str; 6] = ["script", "style", "code", "pre", "textarea", "kbd"];
/// Attributes that are read to people.
const READ: [&str; 5] = ["aria-label", "title", "alt", "placeholder", "data-label"];
/// Elements that have no end.
const VOID: [&str; 6] = ["br", "hr", "img", "input", "link", "meta"];

/// Where in the page the walk is.
#[derive(Default)]
struct PageWalk {
    /// The element below which nothing is turned, and how often it is open.
    silent: Option<(String, u32)>,
    columns: TableColumns,
    /// Whether the text that follows is of differences of two temperatures: its element says so
    /// with `data-apart`.
    apart: bool,
}

/// The columns of the table that is open.
#[derive(Default)]
struct TableColumns {
    /// The unit of each, and whether its figures are differences.
    units: Vec<Option<(&'static Unit, bool)>>,
    /// The column of the open cell, and whether it is a head.
    cell: Option<usize>,
    in_head: bool,
    next: usize,
}

pub(super) fn turn(local: &LocalText, page: &str) -> String {
    // Names stand in a page with its own signs for `&`, `<`, `>` and `"`.
    let escaped = |name: &String| {
        name.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
    };
    let names: Vec<String> = local.names.iter().map(escaped).collect();
    let mut out = String::with_capacity(page.len() + page.len() / 8);
    let mut walk = PageWalk::default();
    let mut at = 0;
    while at < page.len() {
        let rest = &page[at..];
        if !rest.starts_with('<') {
            let end = rest.find('<').unwrap_or(rest.len());
            let text = &rest[..end];
            if walk.silent.is_some() {
                out.push_str(text);
            } else {
                walk.text(local, &names, text, &mut out);
            }
            at += end;
            continue;
        }
        let end = tag_end(rest);
        let tag = &rest[..end];
        walk.tag(local, &names, tag, &mut out);
        at += end;
    }
    out
}

/// Where a tag ends; a `>` within quotes is none.
fn tag_end(rest: &str) -> usize {
    let mut quoted = false;
    for (at, byte) in rest.bytes().enumerate() {
        match byte {
            b'"' => quoted = !quoted,
            b'>' if !quoted => return at + 1,
            _ => {}
        }
    }
    rest.len()
}

impl PageWalk {
    fn tag(&mut self, local: &LocalText, names: &[String], tag: &str, out: &mut String) {
        let closes = tag.starts_with("</");
        let bare = tag.trim_start_matches(['<', '/']);
        let name = &bare[..bare.find(|c: char| !c.is_ascii_alphanumeric()).unwrap_or(bare.len())];
        if let Some((silent, depth)) = &mut self.silent {
            if name == silent && !VOID.contains(&name) {
                *depth = if closes { *depth - 1 } else { *depth + 1 };
                if *depth == 0 {
                    self.silent = None;
                }
            }
            out.push_str(tag);
            return;
        }
        self.columns.tag(name, closes);
        self.apart = !closes && tag.contains(" data-apart");
        if !closes && !VOID.contains(&name) && (SILENT.contains(&name) || tag.contains(" translate=\"no\"")) {
            self.silent = Some((name.to_owned(), 1));
            out.push_str(tag);
            return;
        }
        if name == "html" && !closes {
            out.push_str(&tag.replace("lang=\"en-AU\"", &format!("lang=\"{}\"", local.locale.tag())));
            return;
        }
        attributes(local, names, tag, out);
    }

    fn text(&mut self, local: &LocalText, names: &[String], text: &str, out: &mut String) {
        let trimmed = text.trim();
        if trimmed.is_empty() {
            out.push_str(text);
            return;
        }
        let Some(cell) = self.columns.cell else {
            // A heading or the name of a chart's panel: "Temperature of the water, °C".
            match unit_behind(local, trimmed) {
                Some((unit, at)) => {
                    let lead = text.len() - text.trim_start().len();
                    out.push_str(&local.turn(&text[..lead + at], names, false));
                    out.push_str(&format!("{} ({})", unit.si, unit.customary));
                    out.push_str(&local.turn(&text[lead + at + unit.si.len()..], names, false));
                }
                None => out.push_str(&local.turn(text, names, self.apart)),
            }
            return;
        };
        if self.columns.in_head {
            let found = head_unit(local, trimmed);
            if self.columns.units.len() <= cell {
                self.columns.units.resize(cell + 1, None);
            }
            if self.columns.units[cell].is_none() {
                self.columns.units[cell] = found.map(|(unit, _)| {
                    let lower = trimmed.to_lowercase();
                    (
                        unit,
                        ["swing", "change", "difference", "minus", "apart"]
                            .iter()
                            .any(|it| lower.contains(it)),
                    )
                });
            }
            out.push_str(&head(local, names, text));
            return;
        }
        out.push_str(&local.turn(text, names, self.apart));
        if let Some(Some((unit, difference))) = self.columns.units.get(cell).copied() {
            out.push_str(&beside(trimmed, unit, difference));
        }
    }
}

impl TableColumns {
    fn tag(&mut self, name: &str, closes: bool) {
        match (name, closes) {
            ("table", _) => *self = Self::default(),
            ("thead", _) => self.in_head = !closes,
            ("tr", false) => self.next = 0,
            ("th" | "td", false) => {
                self.cell = Some(self.next);
                self.next += 1;
            }
            ("th" | "td", true) => self.cell = None,
            _ => {}
        }
    }
}

/// A column's heading with the customary unit behind its own.
fn head(local: &LocalText, names: &[String], text: &str) -> String {
    match head_unit(local, text) {
        Some((unit, at)) => {
            let (before, after) = (&text[..at], &text[at + unit.si.len()..]);
            let (before, after) = (local.turn(before, names, false), local.turn(after, names, false));
            match after.strip_prefix(')') {
                Some(rest) => format!("{before}{}; {}){rest}", unit.si, unit.customary),
                None => format!("{before}{} ({}){after}", unit.si, unit.customary),
            }
        }
        None => local.turn(text, names, false),
    }
}

/// The unit of a column's heading, "Coldest, °C" or "Rain (mm), total", and where it stands.
fn head_unit(local: &LocalText, text: &str) -> Option<(&'static Unit, usize)> {
    if let Some(open) = text.find(" (")
        && let Some(close) = text[open..].find(')')
        && let Some(unit) = local.locale.customary(&text[open + 2..open + close])
    {
        return Some((unit, open + 2));
    }
    unit_behind(local, text)
}

/// The unit at the end of a heading behind a comma.
fn unit_behind(local: &LocalText, text: &str) -> Option<(&'static Unit, usize)> {
    let trimmed = text.trim_end();
    let comma = trimmed.rfind(", ")?;
    local.locale.customary(&trimmed[comma + 2..]).map(|unit| (unit, comma + 2))
}

/// The customary figures of a cell that holds nothing but figures: " (86.5)".
fn beside(cell: &str, unit: &Unit, difference: bool) -> String {
    let mut numbers = Vec::new();
    for part in cell.split(" to ") {
        match number_end(part, 0) {
            Some(end) if end == part.len() || part[end..].starts_with(", ") => numbers.push(&part[..end]),
            _ => return String::new(),
        }
    }
    format!(" ({})", unit.beside(&numbers, difference).join(" to "))
}

/// A tag with those of its attributes turned that are read to people.
fn attributes(local: &LocalText, names: &[String], tag: &str, out: &mut String) {
    let mut rest = tag;
    while let Some(open) = rest.find("=\"") {
        let value_from = open + 2;
        let Some(length) = rest[value_from..].find('"') else { break };
        let name = rest[..open].rsplit(' ').next().unwrap_or_default();
        let value = &rest[value_from..value_from + length];
        out.push_str(&rest[..value_from]);
        if name == "data-label" {
            out.push_str(&head(local, names, value));
        } else if READ.contains(&name) {
            out.push_str(&local.turn(value, names, false));
        } else {
            out.push_str(value);
        }
        rest = &rest[value_from + length..];
    }
    out.push_str(rest);
}
