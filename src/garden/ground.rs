//! Where things lie in a garden as its file says, for its drawing.

/// A rectangle on the drawing: metres to the right and downwards from its upper left
/// corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroundRect {
    /// Left edge, 0 to 1000 m.
    pub x_m: f64,
    /// Upper edge, 0 to 1000 m.
    pub y_m: f64,
    /// Above 0 m.
    pub width_m: f64,
    /// Above 0 m.
    pub height_m: f64,
}

impl GroundRect {
    /// Right edge, m.
    pub(crate) fn right(&self) -> f64 {
        self.x_m + self.width_m
    }

    /// Lower edge, m.
    pub(crate) fn bottom(&self) -> f64 {
        self.y_m + self.height_m
    }

    /// How much two of them share, m².
    pub fn shared_m2(&self, other: &Self) -> f64 {
        let width = self.right().min(other.right()) - self.x_m.max(other.x_m);
        let height = self.bottom().min(other.bottom()) - self.y_m.max(other.y_m);
        width.max(0.0) * height.max(0.0)
    }

    fn corners(&self) -> [(f64, f64); 4] {
        let (left, top, right, bottom) = (self.x_m, self.y_m, self.right(), self.bottom());
        [(left, top), (right, top), (right, bottom), (left, bottom)]
    }

    /// Whether it lies within a polygon, its edge included; rectangles are tried at their
    /// corners and their middle.
    pub fn lies_within(&self, outline: &[(f64, f64)]) -> bool {
        // A corner on the edge itself counts as inside.
        let (mid_x, mid_y) = (self.x_m + self.width_m / 2.0, self.y_m + self.height_m / 2.0);
        let inward = |(x, y): (f64, f64)| (x + (mid_x - x) * 1e-6, y + (mid_y - y) * 1e-6);
        self.corners().into_iter().map(inward).chain([(mid_x, mid_y)]).all(|point| inside(point, outline))
    }
}

/// Whether a point lies in a polygon, by how often a ray to the right crosses its edge.
fn inside((x, y): (f64, f64), outline: &[(f64, f64)]) -> bool {
    let edges = outline.iter().zip(outline.iter().cycle().skip(1));
    let crossed = |((x1, y1), (x2, y2)): (&(f64, f64), &(f64, f64))| {
        (*y1 > y) != (*y2 > y) && x < (x2 - x1) * (y - y1) / (y2 - y1) + x1
    };
    edges.filter(|(one, next)| crossed((one, next))).count() % 2 == 1
}

/// Something that is drawn and not watched.
#[derive(Clone, Debug, PartialEq)]
pub struct Landmark {
    pub name: String,
    pub kind: LandmarkKind,
    pub rect: GroundRect,
}

/// What a landmark is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LandmarkKind {
    Tap,
    Shed,
    Tree,
    WormFarm,
    Compost,
    RainTank,
    Path,
    Gate,
    Other,
}

impl LandmarkKind {
    /// Each with its name in files.
    pub const ALL: [(&'static str, Self); 9] = [
        ("tap", Self::Tap),
        ("shed", Self::Shed),
        ("tree", Self::Tree),
        ("worm-farm", Self::WormFarm),
        ("compost", Self::Compost),
        ("rain-tank", Self::RainTank),
        ("path", Self::Path),
        ("gate", Self::Gate),
        ("other", Self::Other),
    ];
}

/// Where things lie as the garden's file says; nothing where it does not.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ground {
    /// Corners of the garden, metres; empty where the file has none.
    pub outline: Vec<(f64, f64)>,
    /// Of each bed and each tank, by its number; empty where the file draws none.
    pub beds: Vec<Option<GroundRect>>,
    pub tanks: Vec<Option<GroundRect>>,
    /// Of the rain gauge.
    pub gauge: Option<GroundRect>,
    pub landmarks: Vec<Landmark>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rect(x_m: f64, y_m: f64, width_m: f64, height_m: f64) -> GroundRect {
        GroundRect { x_m, y_m, width_m, height_m }
    }

    #[test]
    fn rectangles_share_what_lies_in_both() {
        assert!((rect(0.0, 0.0, 4.0, 2.0).shared_m2(&rect(3.0, 1.0, 4.0, 2.0)) - 1.0).abs() < 1e-12);
        assert!(rect(0.0, 0.0, 4.0, 2.0).shared_m2(&rect(4.0, 0.0, 4.0, 2.0)).abs() < 1e-12);
        assert!(rect(0.0, 0.0, 1.0, 1.0).shared_m2(&rect(5.0, 5.0, 1.0, 1.0)).abs() < 1e-12);
    }

    #[test]
    fn a_rectangle_on_the_fence_is_inside_and_one_over_it_is_not() {
        // A garden that goes round a corner.
        let outline = [(0.0, 0.0), (10.0, 0.0), (10.0, 4.0), (4.0, 4.0), (4.0, 10.0), (0.0, 10.0)];
        assert!(rect(0.0, 0.0, 10.0, 4.0).lies_within(&outline));
        assert!(rect(0.0, 4.0, 4.0, 6.0).lies_within(&outline));
        assert!(!rect(5.0, 5.0, 2.0, 2.0).lies_within(&outline));
        assert!(!rect(8.0, 1.0, 3.0, 2.0).lies_within(&outline));
        assert!(!rect(3.0, 3.0, 3.0, 3.0).lies_within(&outline));
    }
}
