//! The page of all places.

use maud::{Markup, html};

use super::PageSource;
use super::care;
use super::context::SitePage;
use super::ground;
use super::places;
use super::problem::Problem;
use crate::garden::ground::LandmarkKind;
use crate::garden::plan::Garden;
use crate::text::cautions::{
    CHEMICALS, Caution, ELECTRICITY, FISH, SMALL_CHILDREN, SOIL, WATERING_RULES, WORM_FARM,
};
use crate::text::labels;

/// `/site/ID/places`: the garden's drawing and all of its places, trouble first.
pub(super) async fn all<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, view) = (site.frame("/places"), &site.view);
    let body = html! {
        h1 { "Places" }
        p class="as-of" { (labels::full_moment(view.now, &view.time_zone)) }
        @if let Ok(garden) = site.garden() {
            (ground::drawing(garden, view))
            p class="way-to-move" { a href={ "/site/" (view.id) "/drawing" } { "Move or size the places of this drawing" } }
        }
        (places::beds(view))
        (places::tanks(view))
        (places::rain(view))
        (places::weather(view))
        @if let Ok(garden) = site.garden() { (care::ways(&view.id, &hazards(garden))) }
    };
    Ok(frame.page(&format!("Places at {}", view.name), &body))
}

/// The subjects of care that a garden's places ask for.
fn hazards(garden: &Garden) -> Vec<&'static Caution> {
    let landmark = |kind: LandmarkKind| garden.ground.landmarks.iter().any(|it| it.kind == kind);
    let tanks = !garden.tanks.is_empty();
    let mut all = vec![&SOIL, &WATERING_RULES];
    if landmark(LandmarkKind::WormFarm) {
        all.push(&WORM_FARM);
    }
    if tanks {
        all.extend([&FISH, &ELECTRICITY, &CHEMICALS]);
    }
    if tanks || landmark(LandmarkKind::RainTank) {
        all.push(&SMALL_CHILDREN);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(garden: &str) -> Vec<&'static str> {
        let trug = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";
        let read =
            crate::settings::from_text(("trug.toml", trug), &[("garden.toml", garden)], std::iter::empty());
        hazards(&read.expect("no faults").gardens[0]).iter().map(|it| it.key).collect()
    }

    #[test]
    fn a_worm_farm_and_a_tank_bring_their_cautions() {
        let shipped = include_str!("../../config/gardens/saltbush-gully.toml");
        let with_tank = ["soil", "watering-rules", "fish", "electricity", "chemicals", "small-children"];
        assert_eq!(keys(shipped), with_tank);
        let farm = shipped.replacen("kind = \"shed\"", "kind = \"worm-farm\"", 1);
        assert!(keys(&farm).contains(&"worm-farm"));
    }
}
