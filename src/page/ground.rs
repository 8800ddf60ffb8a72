//! The garden's drawing on the page: each place as it stands.

use maud::{Markup, html};

use super::places::mark;
use crate::chart::ground::{self, BedGround, DrawnPlace, PlaceFill};
use crate::garden::ground_layout::lay_out;
use crate::garden::plan::Garden;
use crate::garden::view::{BedView, RainView, SiteView, TankView};
use crate::model::Condition;
use crate::text::labels;

/// Rain since nine that fills the drawn gauge, mm: a wet day.
const GAUGE_FULL_MM: f64 = 25.0;
/// Above this part of available water a bed is drawn wet.
const WET: f64 = 1.1;

/// The drawing, with how to read it; nothing where no place is watched.
pub(super) fn drawing(garden: &Garden, view: &SiteView) -> Markup {
    let layout = lay_out(garden);
    let site = &view.id;
    let bed_of = |bed: &BedView| {
        let (_, rect) = layout.beds.iter().find(|(id, _)| *id == bed.id)?;
        Some(DrawnPlace {
            rect: *rect,
            name: bed.name.clone(),
            address: format!("/site/{site}/bed/{}", bed.id),
            condition: bed.condition,
            mark: mark(bed.condition),
            fill: PlaceFill::Bed(ground_of(bed)),
        })
    };
    let tank_of = |tank: &TankView| {
        let (_, rect) = layout.tanks.iter().find(|(id, _)| *id == tank.id)?;
        Some(DrawnPlace {
            rect: *rect,
            name: tank.name.clone(),
            address: format!("/site/{site}/tank/{}", tank.id),
            condition: tank.condition,
            mark: mark(tank.condition),
            fill: PlaceFill::Tank(warmth(tank)),
        })
    };
    let gauge_of = |rain: &RainView| {
        let figure = rain.since_9am_mm.filter(|mm| mm.is_finite());
        Some(DrawnPlace {
            rect: layout.gauge?,
            name: "Rain gauge".to_owned(),
            address: format!("/site/{site}/rain"),
            condition: rain.condition,
            mark: mark(rain.condition),
            fill: PlaceFill::Gauge(figure.map(|mm| (mm / GAUGE_FULL_MM, labels::millimetres(mm)))),
        })
    };
    let places: Vec<DrawnPlace> = view
        .beds
        .iter()
        .filter_map(bed_of)
        .chain(view.tanks.iter().filter_map(tank_of))
        .chain(view.rain.iter().filter_map(gauge_of))
        .collect();
    let described = format!("{} from above; each place leads to its own page", view.name);
    html! {
        @if let Some(drawing) = ground::draw(&layout, &places, &described, &view.local) {
            figure class="garden" { (drawing) }
        }
    }
}

/// How the ground of a bed looks, by the water that is left; under ice, and without a
/// probe, nobody knows.
fn ground_of(bed: &BedView) -> BedGround {
    let content = bed.water_content.filter(|it| it.is_finite() && bed.condition != Condition::Unknown);
    content.map_or(BedGround::Unknown, |content| {
        ground_with(content, bed.refill_point, bed.field_capacity, bed.available_left)
    })
}

/// The ground at a water content, between the refill point and field capacity, m3/m3.
fn ground_with(content: f64, refill_point: f64, field_capacity: f64, left: Option<f64>) -> BedGround {
    let used_up = (field_capacity - content) / (field_capacity - refill_point);
    match left {
        Some(left) if left > WET => BedGround::Wet,
        _ if used_up > 1.0 => BedGround::Dry,
        _ if used_up > 0.8 => BedGround::Drying,
        _ => BedGround::Moist,
    }
}

/// Where the water lies between its limits, with its temperature.
fn warmth(tank: &TankView) -> Option<(f64, String)> {
    let celsius = tank.temperature_c.filter(|it| it.is_finite())?;
    let part = (celsius - tank.cold_c) / (tank.warm_c - tank.cold_c);
    part.is_finite().then(|| (part, labels::degrees(celsius)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garden::ground::GroundRect;
    use crate::text::locale::LocalText;

    fn rect(x_m: f64, y_m: f64, width_m: f64, height_m: f64) -> GroundRect {
        GroundRect { x_m, y_m, width_m, height_m }
    }

    fn place(name: &str, rect: GroundRect, fill: PlaceFill) -> DrawnPlace {
        let condition = Condition::Act;
        DrawnPlace {
            rect,
            name: name.to_owned(),
            address: "/there".to_owned(),
            condition,
            mark: mark(condition),
            fill,
        }
    }

    fn drawn(places: &[DrawnPlace]) -> String {
        let layout =
            crate::garden::ground_layout::GroundLayout { width_m: 12.0, height_m: 8.0, ..Default::default() };
        ground::draw(&layout, places, "A garden", &LocalText::default())
            .expect("something to draw")
            .into_string()
    }

    /// What colour would tell is told by a word as well, to eyes and ears.
    #[test]
    fn each_state_has_a_word_and_a_pattern_of_its_own() {
        let mut seen = std::collections::BTreeSet::new();
        for ground in
            [BedGround::Dry, BedGround::Drying, BedGround::Moist, BedGround::Wet, BedGround::Unknown]
        {
            let text = drawn(&[place("Pea bed", rect(1.0, 1.0, 5.0, 3.0), PlaceFill::Bed(ground))]);
            let word =
                text.split("class=\"spot-word\"").nth(1).and_then(|rest| rest.split(['>', '<']).nth(1));
            let said = text.split("aria-label=\"Pea bed: ").nth(1).and_then(|rest| rest.split('.').next());
            assert_eq!(word, said, "{text}");
            let pattern = text.split("class=\"soil ").nth(1).and_then(|rest| rest.split('"').next());
            assert!(seen.insert((word.unwrap().to_owned(), pattern.unwrap().to_owned())));
        }
        assert_eq!(seen.len(), 5);
    }

    #[test]
    fn a_name_that_has_no_room_loses_its_end_or_leaves_the_mark_alone() {
        let long = "Kitchen bed of the whole of the year three class, behind the library";
        let dry = PlaceFill::Bed(BedGround::Dry);
        let beds = [
            place("Pea bed", rect(1.0, 1.0, 4.0, 2.0), dry.clone()),
            place(long, rect(6.0, 1.0, 4.0, 6.9), dry.clone()),
            place("Bean bed", rect(1.0, 7.0, 0.5, 0.5), dry),
        ];
        let text = drawn(&beds);
        assert!(text.contains(">Pea bed</text>") && text.contains(">Kitchen bed of…</text>"), "{text}");
        assert!(text.contains(&format!("aria-label=\"{long}: dry.")), "{text}");
        assert!(text.contains(&format!("<title>{long}</title>")) && text.contains("<title>Bean bed</title>"));
        assert!(!text.contains(">Bean bed</text>"), "{text}");
    }

    /// What stands below a place stands on no other place and on none of their words.
    #[test]
    fn words_below_a_place_keep_clear_of_each_other() {
        let tank = |name: &str, x_m| place(name, rect(x_m, 1.0, 1.5, 1.5), PlaceFill::Tank(None));
        let text = drawn(&[tank("Perch tank", 3.0), tank("Yabby tank", 4.6), tank("Eel tank", 9.0)]);
        // 1 m is 30 units: their words are about 74 wide, and the first two are 48 apart.
        assert!(text.contains(">Perch tank</text>") && text.contains(">Eel tank</text>"), "{text}");
        assert!(!text.contains(">Yabby tank</text>") && text.contains("<title>Yabby tank</title>"), "{text}");
    }

    /// Where a second unit stands beside a figure, the mark stands farther out.
    #[test]
    fn a_figure_with_two_units_has_its_room() {
        use crate::text::locale::Locale;
        let layout =
            crate::garden::ground_layout::GroundLayout { width_m: 12.0, height_m: 8.0, ..Default::default() };
        let water = PlaceFill::Tank(Some((0.5, "20.0 °C".to_owned())));
        let tank = [place("Tank", rect(4.0, 1.0, 4.0, 3.0), water)];
        let mark_at = |locale| {
            let text = ground::draw(&layout, &tank, "A garden", &LocalText::new(locale, []));
            let text = text.expect("something to draw").into_string();
            let mark = text.split("spot-mark").nth(1).and_then(|it| it.split("translate(").nth(1));
            let x = mark.and_then(|it| it.split(' ').next()).expect("the mark's place");
            x.parse::<f64>().expect("a number")
        };
        assert!(mark_at(Locale::EnUs) + 20.0 < mark_at(Locale::EnAu));
    }

    #[test]
    fn markup_in_a_name_is_text() {
        let text = drawn(&[place("<b>\"x\"", rect(1.0, 1.0, 4.0, 2.0), PlaceFill::Tank(None))]);
        assert!(!text.contains("<b>") && text.contains("&lt;b&gt;"), "{text}");
    }

    #[test]
    fn the_fish_swims_between_its_limits_and_stays_in_the_water() {
        let height = |part: f64| {
            let fill = PlaceFill::Tank(Some((part, "20.0 °C".to_owned())));
            let text = drawn(&[place("Tank", rect(1.0, 1.0, 4.0, 3.0), fill)]);
            let at = text
                .split("translate(")
                .nth(1)
                .and_then(|rest| rest.split([' ', ')']).nth(1))
                .expect("a fish");
            at.parse::<f64>().expect("a number")
        };
        assert!(height(0.2) > height(0.5) && height(0.5) > height(0.8));
        // 1 m is 30 units: the tank reaches from 30 to 120.
        for part in [-1e9, 1e9] {
            assert!((30.0..=120.0).contains(&height(part)), "{}", height(part));
        }
    }

    #[test]
    fn a_bed_is_drawn_by_its_water() {
        for (content, expected) in [
            (0.12, BedGround::Dry),
            (0.2199, BedGround::Dry),
            (0.23, BedGround::Drying),
            (0.28, BedGround::Moist),
            (0.35, BedGround::Wet),
        ] {
            let left = (content - 0.10) / 0.20;
            assert_eq!(ground_with(content, 0.22, 0.30, Some(left)), expected, "{content}");
        }
    }
}
