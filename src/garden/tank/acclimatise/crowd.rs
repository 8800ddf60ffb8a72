//! How full a tank is with new fish in it.

use crate::garden::plan::Tank;
use crate::tank::{
    GROWN_G, PRACTICE_KG_M3, STOCKING_MOST_KG_M3, Stocking, density_kg_m3, equations, stocking,
};
use crate::why::Why;

/// The tank with the new fish in it.
pub(super) struct NewCrowd {
    pub(super) kg_m3: f64,
    /// When all of them are grown to table size.
    grown_kg_m3: f64,
    /// The equations behind both.
    pub(super) why: Why,
}

impl NewCrowd {
    /// Fish whose weight nobody has written down count as grown: the cautious case.
    pub(super) fn of(tank: &Tank, there: Option<u32>, weigh_g: Option<f64>, fish: u32, grams: f64) -> Self {
        let (old, volume_l) = (there.unwrap_or(0), tank.volume_l);
        let old_g = weigh_g.unwrap_or(GROWN_G);
        let kg_m3 = density_kg_m3(old, old_g, volume_l) + density_kg_m3(fish, grams, volume_l);
        let all = old.saturating_add(fish);
        let grown_kg_m3 = density_kg_m3(all, GROWN_G, volume_l);
        let why = vec![
            equations::DENSITY.step(format!(
                "({old} x {old_g:.0} g + {fish} x {grams:.0} g) / {volume_l:.0} L = {kg_m3:.1} kg/m3"
            )),
            equations::GROWN
                .step(format!("{all} x {GROWN_G:.0} g / {volume_l:.0} L = {grown_kg_m3:.1} kg/m3")),
        ];
        Self { kg_m3, grown_kg_m3, why }
    }

    /// Why they are too many.
    pub(super) fn too_many_words(&self, tank: &Tank, fish: u32, grams: f64) -> String {
        format!(
            "with {fish} more fish of {grams:.0} g {} would hold {:.1} kg of fish; for its {:.0} L that is too many, the \
             most is {:.0} kg.",
            tank.name,
            self.kg_m3 * tank.volume_l / 1000.0,
            tank.volume_l,
            STOCKING_MOST_KG_M3 * tank.volume_l / 1000.0,
        )
    }

    pub(super) fn words(&self, tank: &Tank, fish: u32, there: Option<u32>) -> String {
        let Some(old) = there else {
            return "How many fish are in it already is not in the Garden log, so Trug can't tell whether there is room."
                .to_owned();
        };
        let all = old.saturating_add(fish);
        let is = format!("That makes {all} fish in {:.0} L", tank.volume_l);
        let room = |kg_m3: f64| (kg_m3 * tank.volume_l / GROWN_G).floor().max(0.0);
        let (least, most) = (room(PRACTICE_KG_M3.0), room(PRACTICE_KG_M3.1));
        let fewer = most - f64::from(old);
        let fewer =
            if fewer >= 1.0 { format!("Take {fewer:.0} at most") } else { "Better take none".to_owned() };
        let then = match stocking(self.grown_kg_m3) {
            Stocking::Fits => return format!("{is}: there is room for them when they are grown."),
            Stocking::Dense => "",
            Stocking::TooMany => " Plan now where some of them go when they grow.",
        };
        format!(
            "{is}, and by common practice it has room for {least:.0} to {most:.0} grown ones. {fewer} if you can. If all go \
             in, feed half, and test ammonia and nitrite every day for two weeks.{then}"
        )
    }
}
