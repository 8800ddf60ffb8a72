//! Where things lie on the garden's drawing: `plan` of beds, tanks and the rain gauge,
//! `[[landmark]]`, and the site's `outline`.

use super::document::Want;
use super::range::Range;
use super::table::SettingsTable;
use super::text::{Names, own_name};
use super::value::SettingsItem;
use crate::garden::ground::{Ground, GroundRect, Landmark, LandmarkKind};

const PLAN: &str =
    "{ x = 0, y = 0, w = 4, h = 1.8 } in metres, to the right and down from a corner of the garden";
const OUTLINE: &str = "three to 60 corners in metres, each [x, y]: [[0, 0], [18, 0], [18, 12], [0, 12]]";
/// From a corner; a school's garden is far below a kilometre.
const ALONG: Range = Range::from_to(0.0, 1000.0, "metres");
const SIZE: Range = Range::above_to(0.0, 1000.0, "metres");
/// Two edges that were paced out may cross by so much, m².
const SHARED_M2: f64 = 0.05;
/// Landmarks of one garden at most.
const LANDMARKS_MAX: usize = 200;

/// The corners of the garden, where its file has them.
pub(super) fn outline(site: &SettingsTable<'_>) -> Option<Vec<(f64, f64)>> {
    let item = site.get("outline", Want::List)?;
    let corners = item.list_all(OUTLINE, 3..=60, |corner| {
        let [x, y] = corner.numbers::<2>(OUTLINE)?;
        let on_ground = |along: f64| ALONG.contains(along);
        if on_ground(x) && on_ground(y) { Some((x, y)) } else { corner.refused(OUTLINE) }
    })?;
    let edges = corners.iter().zip(corners.iter().cycle().skip(1));
    let twice: f64 = edges.map(|((x1, y1), (x2, y2))| x1 * y2 - x2 * y1).sum();
    if twice.abs() < 1e-6 {
        return item.refused(format!("corners with ground between them: {OUTLINE}"));
    }
    Some(corners)
}

/// Reads where things lie, then says what lies over something else.
pub(super) struct GroundReader<'t> {
    ground: Ground,
    /// Each rectangle with its name and where it stands in the file.
    placed: Vec<(String, GroundRect, SettingsItem<'t>)>,
}

impl<'t> GroundReader<'t> {
    pub(super) fn new(outline: Option<Vec<(f64, f64)>>) -> Self {
        Self {
            ground: Ground { outline: outline.unwrap_or_default(), ..Ground::default() },
            placed: Vec::new(),
        }
    }

    /// `plan` of each bed, in the file's order.
    pub(super) fn read_beds(&mut self, tables: &[SettingsTable<'t>]) {
        self.ground.beds = tables.iter().map(|table| self.watched(table)).collect();
    }

    pub(super) fn read_tanks(&mut self, tables: &[SettingsTable<'t>]) {
        self.ground.tanks = tables.iter().map(|table| self.watched(table)).collect();
    }

    /// `plan` of a sensor, which only a rain gauge has.
    pub(super) fn read_sensor(&mut self, table: &SettingsTable<'t>) {
        let Some(item) = table.get("plan", Want::TextOrTable) else { return };
        let measures = table.get("measures", Want::Text);
        if measures.as_ref().and_then(|it| it.value().as_str()) != Some("rain") {
            item.refuse("a plan for beds, tanks and the rain gauge only; other sensors are not drawn");
        } else if let Some(rect) = rect(table) {
            self.ground.gauge = self.ground.gauge.or(Some(rect));
            self.placed.push(("The rain gauge".to_owned(), rect, item));
        }
    }

    fn watched(&mut self, table: &SettingsTable<'t>) -> Option<GroundRect> {
        let item = table.get("plan", Want::TextOrTable)?;
        let rect = rect(table)?;
        let name = ["name", "id"]
            .iter()
            .find_map(|key| table.get(key, Want::Text).and_then(|it| it.value().as_str().map(str::to_owned)));
        self.placed.push((name.unwrap_or_default(), rect, item));
        Some(rect)
    }

    /// `[[landmark]]`: what is drawn and not watched.
    pub(super) fn read_landmarks(&mut self, tables: Vec<SettingsTable<'t>>) {
        let mut names = Names::new("a name of its own for each landmark");
        let count = tables.len();
        for (number, table) in tables.into_iter().enumerate() {
            if number == LANDMARKS_MAX {
                table.fault("", format!("{count} landmarks"), format!("at most {LANDMARKS_MAX} in a garden"));
            }
            let name = own_name(&table, "name", "the landmark's name", &mut names);
            let kind = table.read("kind", Want::Text, kinds(), |item| item.word(&LandmarkKind::ALL));
            let before = table.faults();
            let rect = rect(&table);
            if rect.is_none() && table.faults() == before && table.get("plan", Want::TextOrTable).is_none() {
                table.missing("plan", PLAN);
            }
            table.finish();
            if let (Some(name), Some(kind), Some(rect)) = (name, kind, rect)
                && number < LANDMARKS_MAX
            {
                self.ground.landmarks.push(Landmark { name, kind, rect });
            }
        }
    }

    /// Notes what lies over something else or over the fence: the drawing then hides a
    /// part of it, so `trug check` says so, and the daemon goes on.
    pub(super) fn finish(mut self) -> Ground {
        for (number, (name, rect, item)) in self.placed.iter().enumerate() {
            for (other, other_rect, _) in &self.placed[..number] {
                let shared = rect.shared_m2(other_rect);
                if shared > SHARED_M2 {
                    let given = format!("{name} lies over {shared:.1} m2 of {other}");
                    item.borne_fault(given, "places that do not lie over each other");
                }
            }
            if !self.ground.outline.is_empty() && !rect.lies_within(&self.ground.outline) {
                item.borne_fault(
                    format!("{name} lies outside the garden's outline"),
                    "a place within the outline of [site]",
                );
            }
        }
        for list in [&mut self.ground.beds, &mut self.ground.tanks] {
            if list.iter().all(Option::is_none) {
                list.clear();
            }
            list.shrink_to_fit();
        }
        self.ground
    }
}

fn kinds() -> String {
    super::fault::any_of(LandmarkKind::ALL.iter().map(|(name, _)| *name))
}

/// The rectangle at a table's `plan`.
fn rect(table: &SettingsTable<'_>) -> Option<GroundRect> {
    table.section_like("plan", PLAN).and_then(rect_of)
}

fn rect_of(table: SettingsTable<'_>) -> Option<GroundRect> {
    let (x_m, y_m) = (table.number("x", ALONG), table.number("y", ALONG));
    let (width_m, height_m) = (table.number("w", SIZE), table.number("h", SIZE));
    table.finish();
    Some(GroundRect { x_m: x_m?, y_m: y_m?, width_m: width_m?, height_m: height_m? })
}
