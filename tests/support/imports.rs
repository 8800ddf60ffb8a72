//! Who imports whom: the modules of `src` and the paths that each of them names.

use std::collections::{BTreeMap, BTreeSet};

use super::source::{Source, Token};

/// A module's path below the crate, such as `["garden", "bed", "dryness"]`.
pub(crate) type Module = Vec<String>;

/// The imports between the modules of a crate.
pub(crate) struct Imports {
    /// Importing module and line, imported module.
    pub(crate) arrows: BTreeMap<(Module, Module), usize>,
}

impl Imports {
    /// Reads the imports of source files, each named by its path below `src`.
    /// Names that a module hands on (`pub use`) count as those of the module that
    /// defines them.
    pub(crate) fn of(files: &[(String, Source)]) -> Self {
        let modules: BTreeMap<Module, &Source> =
            files.iter().filter_map(|(file, source)| Some((module_of(file)?, source))).collect();
        let known = |path: &[String]| modules.contains_key(path);
        let mut handed_on = BTreeMap::new();
        let mut named = Vec::new();
        for (module, source) in &modules {
            for path in paths(&source.code) {
                let Some(full) = absolute(module, &path.parts, &known) else { continue };
                let (name, from) = full.split_last().expect("a path has a name");
                if path.public {
                    handed_on.insert((module.clone(), name.clone()), from.to_vec());
                }
                // What a module hands on from its own children is no import.
                if !(path.public && from.starts_with(module)) {
                    named.push((module.clone(), path.line, full));
                }
            }
        }
        let mut arrows = BTreeMap::new();
        for (module, line, path) in named {
            if let Some(to) = defining(path, &known, &handed_on).filter(|to| *to != module) {
                arrows.entry((module, to)).or_insert(line);
            }
        }
        Self { arrows }
    }

    /// Imports from one room into another, as "file-like path:line", from, to.
    pub(crate) fn between_rooms(&self) -> impl Iterator<Item = (String, &str, &str)> {
        let rooms = self.arrows.iter().filter(|((from, to), _)| from[0] != to[0]);
        rooms.map(|((from, to), line)| (format!("{}:{line}", from.join("::")), &*from[0], &*to[0]))
    }

    /// Every import that is part of a circle of modules. A module and its own
    /// children may know each other.
    pub(crate) fn in_circles(&self) -> Vec<String> {
        let mut next: BTreeMap<&Module, Vec<&Module>> = BTreeMap::new();
        for (from, to) in self.arrows.keys() {
            if !from.starts_with(to) && !to.starts_with(from) {
                next.entry(from).or_default().push(to);
            }
        }
        let reaches = |from: &Module, wanted: &Module| {
            let (mut seen, mut waiting) = (BTreeSet::new(), vec![from]);
            while let Some(module) = waiting.pop() {
                if module == wanted {
                    return true;
                }
                if seen.insert(module) {
                    waiting.extend(next.get(module).into_iter().flatten());
                }
            }
            false
        };
        let all = next.iter().flat_map(|(from, to)| to.iter().map(move |to| (*from, *to)));
        all.filter(|(from, to)| reaches(to, from))
            .map(|(from, to)| format!("{} -> {}", from.join("::"), to.join("::")))
            .collect()
    }
}

/// The module that a file holds; `None` for the crate's own roots and for tests.
fn module_of(file: &str) -> Option<Module> {
    let mut parts: Module = file.strip_suffix(".rs")?.split('/').map(str::to_owned).collect();
    if parts.last().is_some_and(|last| last == "mod") {
        parts.pop();
    }
    let test = parts.last().is_some_and(|last| last == "tests" || last == "properties");
    (!test && file != "lib.rs" && file != "main.rs").then_some(parts)
}

/// One path as it stands in the code.
struct Named {
    line: usize,
    parts: Vec<String>,
    /// Handed on with `pub use`.
    public: bool,
}

/// Every path of a `use`, and every other that begins with `crate` or `super`.
fn paths(code: &[Token]) -> Vec<Named> {
    let word = |at: usize| code.get(at).map_or("", |token| token.text.as_str());
    let mut found = Vec::new();
    let mut at = 0;
    while at < code.len() {
        let line = code[at].line;
        match word(at) {
            "use" => {
                let public = at > 0 && matches!(word(at - 1), "pub" | ")");
                let mut trees = Vec::new();
                at = tree(code, at + 1, &[], &mut trees);
                found.extend(trees.into_iter().map(|parts| Named { line, parts, public }));
            }
            "crate" | "super" if word(at + 1) == ":" => {
                let mut parts = vec![word(at).to_owned()];
                at += 1;
                while word(at) == ":" && word(at + 1) == ":" && word(at + 2).starts_with(is_letter) {
                    parts.push(word(at + 2).to_owned());
                    at += 3;
                }
                found.push(Named { line, parts, public: false });
            }
            _ => at += 1,
        }
    }
    found
}

fn is_letter(first: char) -> bool {
    first.is_alphabetic() || first == '_'
}

/// Reads one tree of a `use` from `at`; returns where it ends.
fn tree(code: &[Token], mut at: usize, before: &[String], found: &mut Vec<Vec<String>>) -> usize {
    let word = |at: usize| code.get(at).map_or(";", |token| token.text.as_str());
    let mut path = before.to_vec();
    loop {
        match word(at) {
            "{" => {
                at += 1;
                while !matches!(word(at), "}" | ";") {
                    at = tree(code, at, &path, found);
                    if word(at) == "," {
                        at += 1;
                    }
                }
                return at + 1;
            }
            ":" => at += 1,
            ";" | "," | "}" => {
                if path.last().is_some_and(|last| last == "self" || last == "*") {
                    // The module itself, or all that it holds.
                    path.pop();
                }
                found.push(path);
                return at;
            }
            "as" => at += 2,
            part => {
                path.push(part.to_owned());
                at += 1;
            }
        }
    }
}

/// The path below the crate; `None` where it leads out of the crate.
fn absolute(module: &[String], path: &[String], known: &dyn Fn(&[String]) -> bool) -> Option<Vec<String>> {
    let full = match path.first()?.as_str() {
        "crate" => path[1..].to_vec(),
        "self" => [module, &path[1..]].concat(),
        "super" => {
            let up = path.iter().take_while(|part| *part == "super").count();
            [module.get(..module.len().checked_sub(up)?)?, &path[up..]].concat()
        }
        first => {
            let child = [module, &[first.to_owned()]].concat();
            known(&child).then(|| [module, path].concat())?
        }
    };
    (!full.is_empty()).then_some(full)
}

/// The module in which the last part of a path is defined.
fn defining(
    mut path: Vec<String>,
    known: &dyn Fn(&[String]) -> bool,
    handed_on: &BTreeMap<(Module, String), Module>,
) -> Option<Module> {
    // Each round follows one hand-over; a ring of them ends the search.
    for _ in 0..8 {
        let length = (1..=path.len()).rev().find(|length| known(&path[..*length]))?;
        let (module, rest) = path.split_at(length);
        let from = rest.first().and_then(|name| handed_on.get(&(module.to_vec(), name.clone())));
        match from {
            Some(from) => path = [from.as_slice(), rest].concat(),
            None => return Some(module.to_vec()),
        }
    }
    None
}
