//! A garden drawn from above and small, for a list of many: where something is wrong.
//!
//! Nothing is told by colour alone: what needs doing is full, what wants an eye has a thick
//! edge, what is not known a broken one.

use maud::{Markup, html};

use super::svg::short;
use crate::garden::ground::GroundRect;
use crate::garden::ground_layout::GroundLayout;
use crate::model::Condition;

/// Width and height of the drawing in its own units.
const WIDTH: f64 = 96.0;
const HEIGHT: f64 = 64.0;
/// No place is drawn smaller than this.
const LEAST: f64 = 3.0;

/// One watched place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SmallPlace {
    pub(crate) rect: GroundRect,
    pub(crate) condition: Condition,
    /// Whether it has round corners, as a tank.
    pub(crate) round: bool,
}

/// The drawing, hidden from those who hear the page: the words stand beside it. Nothing where
/// there is nothing to draw.
pub(crate) fn draw_small(layout: &GroundLayout, places: &[SmallPlace]) -> Option<Markup> {
    let scale = (WIDTH / layout.width_m).min(HEIGHT / layout.height_m);
    if places.is_empty() || !(scale.is_finite() && scale > 0.0) {
        return None;
    }
    let at = |it: f64| short(it * scale);
    let size = |it: f64| short((it * scale).max(LEAST));
    Some(html! {
        svg class="small-ground" viewBox=(format!("-2 -2 {} {}", short(WIDTH + 4.0), short(HEIGHT + 4.0))) aria-hidden="true" {
            @for SmallPlace { rect, condition, round } in places {
                rect class=(condition.name()) x=(at(rect.x_m)) y=(at(rect.y_m)) width=(size(rect.width_m))
                    height=(size(rect.height_m)) rx=[round.then_some("6")] {}
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(x_m: f64, condition: Condition) -> SmallPlace {
        SmallPlace {
            rect: GroundRect { x_m, y_m: 1.0, width_m: 4.0, height_m: 2.0 },
            condition,
            round: condition == Condition::Well,
        }
    }

    #[test]
    fn each_place_is_a_shape_with_its_condition() {
        let layout = GroundLayout { width_m: 24.0, height_m: 8.0, ..GroundLayout::default() };
        let text = draw_small(&layout, &[place(1.0, Condition::Act), place(7.0, Condition::Well)])
            .expect("something to draw")
            .into_string();
        // 96 units for 24 m.
        assert!(text.contains(r#"class="act" x="4" y="4" width="16" height="8">"#), "{text}");
        assert!(text.contains(r#"class="well" x="28" y="4" width="16" height="8" rx="6""#), "{text}");
        assert!(draw_small(&layout, &[]).is_none());
        assert!(draw_small(&GroundLayout::default(), &[place(0.0, Condition::Act)]).is_none(), "no area");
    }
}
