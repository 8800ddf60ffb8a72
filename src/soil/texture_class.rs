//! The texture class of mineral soil, from its sand, silt and clay.
//!
//! Source: Soil Survey Manual (USDA Handbook 18, edition of 2017), chapter 3, "Texture
//! classes", pages 122 to 124: twelve classes, each by limits of sand, silt and clay in per
//! cent of the mineral part by weight. A point on a boundary belongs to the class on its
//! finer side, as "less than" and "or more" of the definitions say.
//!
//! A jar in which shaken soil settles gives the three parts by height. That is common
//! practice in schools and rougher than a laboratory's weights: clay settles loosely and
//! stands too high, so neighbouring classes can be mistaken for each other.

use super::{Texture, texture};

/// A texture class of the United States Department of Agriculture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TextureClass {
    Sand,
    LoamySand,
    SandyLoam,
    Loam,
    SiltLoam,
    Silt,
    SandyClayLoam,
    ClayLoam,
    SiltyClayLoam,
    SandyClay,
    SiltyClay,
    Clay,
}

impl TextureClass {
    /// The class of a soil, from its sand and clay in per cent; the rest is silt. `None`
    /// where the two are no parts of a whole.
    pub fn of(sand: f64, clay: f64) -> Option<Self> {
        let silt = 100.0 - sand - clay;
        if !(sand >= 0.0 && clay >= 0.0 && silt >= -1e-9) {
            return None;
        }
        Some(if silt + 1.5 * clay < 15.0 {
            Self::Sand
        } else if silt + 2.0 * clay < 30.0 {
            Self::LoamySand
        } else if clay < 7.0 {
            match silt {
                silt if silt < 50.0 => Self::SandyLoam,
                silt if silt < 80.0 => Self::SiltLoam,
                _ => Self::Silt,
            }
        } else if clay < 20.0 && sand > 52.0 {
            Self::SandyLoam
        } else if clay < 12.0 && silt >= 80.0 {
            Self::Silt
        } else if clay < 27.0 && silt >= 50.0 {
            Self::SiltLoam
        } else if clay < 27.0 && silt >= 28.0 {
            Self::Loam
        } else if clay < 35.0 && sand > 45.0 {
            Self::SandyClayLoam
        } else if sand > 45.0 {
            Self::SandyClay
        } else if clay < 40.0 && sand > 20.0 {
            Self::ClayLoam
        } else if clay < 40.0 {
            Self::SiltyClayLoam
        } else if silt >= 40.0 {
            Self::SiltyClay
        } else {
            Self::Clay
        })
    }

    /// The class's name, as the source has it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Sand => "sand",
            Self::LoamySand => "loamy sand",
            Self::SandyLoam => "sandy loam",
            Self::Loam => "loam",
            Self::SiltLoam => "silt loam",
            Self::Silt => "silt",
            Self::SandyClayLoam => "sandy clay loam",
            Self::ClayLoam => "clay loam",
            Self::SiltyClayLoam => "silty clay loam",
            Self::SandyClay => "sandy clay",
            Self::SiltyClay => "silty clay",
            Self::Clay => "clay",
        }
    }

    /// The water that it holds by FAO-56 table 19; three classes are not in it.
    pub fn texture(self) -> Option<&'static Texture> {
        texture(self.name())
    }
}

/// The layers that soil makes in a jar, millimetres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JarLayers {
    pub sand_mm: f64,
    pub silt_mm: f64,
    pub clay_mm: f64,
}

/// The parts of a soil, per cent; together 100.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoilParts {
    pub sand: f64,
    pub silt: f64,
    pub clay: f64,
}

impl JarLayers {
    /// The parts that the layers are of the whole; `None` where a layer is no height, or
    /// there is no soil.
    pub fn parts(self) -> Option<SoilParts> {
        let Self { sand_mm, silt_mm, clay_mm } = self;
        let whole = sand_mm + silt_mm + clay_mm;
        let heights = [sand_mm, silt_mm, clay_mm].iter().all(|mm| *mm >= 0.0 && mm.is_finite());
        let part = |mm: f64| 100.0 * mm / whole;
        (heights && whole > 0.0).then(|| SoilParts {
            sand: part(sand_mm),
            silt: part(silt_mm),
            clay: part(clay_mm),
        })
    }
}

impl SoilParts {
    /// The texture class.
    pub fn class(self) -> Option<TextureClass> {
        TextureClass::of(self.sand, self.clay)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every definition of the source, one by one and in its own words.
    fn by_definition(sand: f64, silt: f64, clay: f64) -> Vec<&'static str> {
        let (thin, fine) = (silt + 1.5 * clay, silt + 2.0 * clay);
        [
            ("sand", sand > 85.0 && thin < 15.0),
            ("loamy sand", thin >= 15.0 && fine < 30.0),
            (
                "sandy loam",
                (7.0..20.0).contains(&clay) && sand > 52.0 && fine >= 30.0
                    || clay < 7.0 && silt < 50.0 && fine >= 30.0,
            ),
            ("loam", (7.0..27.0).contains(&clay) && (28.0..50.0).contains(&silt) && sand <= 52.0),
            (
                "silt loam",
                silt >= 50.0 && (12.0..27.0).contains(&clay) || (50.0..80.0).contains(&silt) && clay < 12.0,
            ),
            ("silt", silt >= 80.0 && clay < 12.0),
            ("sandy clay loam", (20.0..35.0).contains(&clay) && silt < 28.0 && sand > 45.0),
            ("clay loam", (27.0..40.0).contains(&clay) && sand > 20.0 && sand <= 45.0),
            ("silty clay loam", (27.0..40.0).contains(&clay) && sand <= 20.0),
            ("sandy clay", clay >= 35.0 && sand > 45.0),
            ("silty clay", clay >= 40.0 && silt >= 40.0),
            ("clay", clay >= 40.0 && sand <= 45.0 && silt < 40.0),
        ]
        .into_iter()
        .filter_map(|(name, holds)| holds.then_some(name))
        .collect()
    }

    /// The whole triangle in steps of half a per cent: each point has one class.
    #[test]
    fn each_point_of_the_triangle_has_the_one_class_whose_definition_holds() {
        for sand in 0..=200u8 {
            for clay in 0..=200 - sand {
                let (sand, clay) = (f64::from(sand) / 2.0, f64::from(clay) / 2.0);
                let silt = 100.0 - sand - clay;
                let class = TextureClass::of(sand, clay).expect("parts of a whole");
                assert_eq!(by_definition(sand, silt, clay), [class.name()], "sand {sand}, clay {clay}");
            }
        }
    }

    #[test]
    fn what_is_no_part_of_a_whole_has_no_class() {
        for (sand, clay) in [(-1.0, 20.0), (20.0, -1.0), (60.0, 41.0), (f64::NAN, 1.0), (1.0, f64::NAN)] {
            assert_eq!(TextureClass::of(sand, clay), None, "{sand} {clay}");
        }
        for layers in [(0.0, 0.0, 0.0), (-1.0, 2.0, 3.0), (f64::INFINITY, 1.0, 1.0), (f64::NAN, 1.0, 1.0)] {
            let (sand_mm, silt_mm, clay_mm) = layers;
            assert_eq!(JarLayers { sand_mm, silt_mm, clay_mm }.parts(), None, "{layers:?}");
        }
    }

    #[test]
    fn layers_are_parts_of_their_sum() {
        let parts = JarLayers { sand_mm: 52.0, silt_mm: 20.0, clay_mm: 8.0 }.parts().expect("parts");
        assert_eq!((parts.sand, parts.silt, parts.clay), (65.0, 25.0, 10.0));
        assert_eq!(parts.class(), Some(TextureClass::SandyLoam));
    }
}
