//! `[[gateway]]`, and the gateways that sensors name.
//!
//! A sensor may name a gateway that has no section: it is then called by its id.
//! Where the file has sections, each name must be one of theirs, so that a slip of
//! the pen does not make a gateway of its own.

use super::document::Want;
use super::fault::{any_of, nearest};
use super::table::SettingsTable;
use super::text::{ID_ACCEPTED, Names, id, name_or_id};
use super::value::SettingsItem;
use crate::garden::plan::Gateway;
use crate::model::Id;

/// Gateways of one garden at most; their numbers have 16 bits.
const GATEWAYS_MAX: u16 = 10_000;

/// The gateways of one garden.
pub(super) struct Gateways<'t> {
    all: Vec<Gateway>,
    /// Of the sections, those that no sensor has named yet.
    unnamed: Vec<(u16, SettingsItem<'t>)>,
    /// The file has sections.
    written: bool,
    /// A section was at fault: what names it is not told once more.
    faulty: bool,
    site: Option<Id>,
}

impl<'t> Gateways<'t> {
    /// Reads the sections.
    pub(super) fn read(tables: Vec<SettingsTable<'t>>, site: Option<&Id>) -> Self {
        let mut gateways = Self {
            all: Vec::new(),
            unnamed: Vec::new(),
            written: !tables.is_empty(),
            faulty: false,
            site: site.cloned(),
        };
        let mut ids = Names::new("an id of its own for each gateway");
        for table in tables {
            gateways.add(table, &mut ids);
        }
        gateways
    }

    fn add(&mut self, table: SettingsTable<'t>, ids: &mut Names) {
        let before = table.faults();
        let item = table.need("id", Want::Text, ID_ACCEPTED);
        let id = item.as_ref().and_then(|item| {
            let id = self.id(item)?;
            ids.claim(item, id.as_str()).then_some(id)
        });
        let name = name_or_id(&table, id.as_ref());
        match (id, name, item, table.finish_whole(before)) {
            (Some(id), Some(name), Some(item), Some(())) => {
                let Some(number) = self.room(&item) else { return };
                self.unnamed.push((number, item));
                self.all.push(Gateway { id, name });
            }
            _ => self.faulty = true,
        }
    }

    /// An id that is not the site's: what belongs to no gateway is told there.
    fn id(&self, item: &SettingsItem<'_>) -> Option<Id> {
        let id = id(item)?;
        if self.site.as_ref() == Some(&id) {
            return item.refused("an id that is not the site's own");
        }
        Some(id)
    }

    /// The next number.
    fn room(&self, item: &SettingsItem<'_>) -> Option<u16> {
        let next = u16::try_from(self.all.len()).ok().filter(|n| *n < GATEWAYS_MAX);
        next.or_else(|| item.refused(format!("at most {GATEWAYS_MAX} gateways in a garden")))
    }

    /// The number of the gateway that a sensor names; `None` where a fault was noted.
    pub(super) fn named_by(&mut self, item: &SettingsItem<'_>) -> Option<u16> {
        let id = self.id(item)?;
        if let Some(at) = self.all.iter().position(|gateway| gateway.id == id) {
            let number = u16::try_from(at).ok()?;
            self.unnamed.retain(|(unnamed, _)| *unnamed != number);
            return Some(number);
        }
        if self.faulty {
            return None;
        }
        if self.written {
            let known: Vec<&str> = self.all.iter().map(|gateway| gateway.id.as_str()).collect();
            let near = nearest(id.as_str(), known.iter().copied());
            let accepted = format!("the id of a [[gateway]] of this garden: {}", any_of(known));
            return item.faulty(format!("{}, which is not there", item.given()), accepted, near);
        }
        let number = self.room(item)?;
        self.all.push(Gateway { name: id.to_string(), id });
        Some(number)
    }

    /// All of them; a section that no sensor has named is a fault.
    pub(super) fn finish(self) -> Vec<Gateway> {
        for (_, item) in &self.unnamed {
            item.fault("a gateway that no sensor names", "at least one sensor with this gateway", None);
        }
        self.all
    }
}
