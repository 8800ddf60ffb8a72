//! Which pages a report has, and what each is called.

use super::level::Level;

/// A page of the report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReportPage {
    /// The lesson, and the month folded below it.
    Lesson(Level),
    /// Ten rows and empty axes, on one sheet of paper.
    Worksheet(Level),
    /// For the teacher: what comes out.
    Answers,
    /// A part of the charts and tables of the month.
    Figures(FiguresPart),
}

/// A part of the month's figures. Each is a page of its own, so that none is heavy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FiguresPart {
    Measured,
    Rain,
    /// So many beds at a time, by the page's number from zero on.
    Beds(u16),
    Drying,
    Bands,
    Balance,
    Tanks,
    Compared,
    Alarms,
}

impl FiguresPart {
    /// Beds on one page: a chart and its figures are some 20 kB.
    pub const BEDS_A_PAGE: u16 = 2;

    /// The parts of a month of so many beds, in their order.
    pub fn all(beds: usize) -> Vec<Self> {
        let pages = beds.div_ceil(Self::BEDS_A_PAGE.into()).max(1);
        let beds = (0..u16::try_from(pages).unwrap_or(u16::MAX)).map(Self::Beds);
        let after = [Self::Drying, Self::Bands, Self::Balance, Self::Tanks, Self::Compared, Self::Alarms];
        [Self::Measured, Self::Rain].into_iter().chain(beds).chain(after).collect()
    }

    /// The numbers of its beds in the month's order: the first, and the first that is not.
    pub(super) fn beds(page: u16) -> (usize, usize) {
        let first = usize::from(page) * usize::from(Self::BEDS_A_PAGE);
        (first, first + usize::from(Self::BEDS_A_PAGE))
    }

    /// As an address and a file's name have it.
    pub fn key(self) -> String {
        match self {
            Self::Measured => "measured".to_owned(),
            Self::Rain => "rain".to_owned(),
            Self::Beds(0) => "beds".to_owned(),
            Self::Beds(page) => format!("beds-{}", u32::from(page) + 1),
            Self::Drying => "drying".to_owned(),
            Self::Bands => "bands".to_owned(),
            Self::Balance => "balance".to_owned(),
            Self::Tanks => "tanks".to_owned(),
            Self::Compared => "compared".to_owned(),
            Self::Alarms => "alarms".to_owned(),
        }
    }

    /// The part of a key, whichever beds there are.
    pub fn of(key: &str) -> Option<Self> {
        if let Some(page) = key.strip_prefix("beds-").and_then(|page| page.parse().ok()) {
            let part = Self::Beds(u16::checked_sub(page, 1)?);
            return (part.key() == key).then_some(part);
        }
        Self::all(0).into_iter().find(|part| part.key() == key)
    }

    /// As people read it.
    pub(super) fn name(self) -> String {
        match self {
            Self::Measured => "The garden and its sensors".to_owned(),
            Self::Rain => "Rain".to_owned(),
            Self::Beds(0) => "Water in the beds".to_owned(),
            Self::Beds(page) => format!("Water in the beds, page {}", u32::from(page) + 1),
            Self::Drying => "How the beds dried".to_owned(),
            Self::Bands => "Dry, moist and wet days".to_owned(),
            Self::Balance => "Water needed and got".to_owned(),
            Self::Tanks => "Tanks".to_owned(),
            Self::Compared => "Two beds beside each other".to_owned(),
            Self::Alarms => "Alarms and Garden log".to_owned(),
        }
    }
}

impl ReportPage {
    /// Every page of a month of so many beds; those of the level that was asked for first.
    pub fn all(front: Level, beds: usize) -> Vec<Self> {
        let others = || Level::ALL.into_iter().filter(move |level| *level != front);
        let levels = || std::iter::once(front).chain(others());
        let mut pages: Vec<Self> = levels().map(Self::Lesson).collect();
        pages.extend(levels().map(Self::Worksheet));
        pages.push(Self::Answers);
        pages.extend(FiguresPart::all(beds).into_iter().map(Self::Figures));
        pages
    }

    /// The file's name, where `front` is the level that was asked for: its pages have the short
    /// names.
    pub fn file(self, front: Level) -> String {
        let of_level = |name: &str, level: Level| {
            if level == front { format!("{name}.html") } else { format!("{name}-{}.html", level.name()) }
        };
        match self {
            Self::Lesson(level) => of_level("report", level),
            Self::Worksheet(level) => of_level("worksheet", level),
            Self::Answers => "answers.html".to_owned(),
            Self::Figures(FiguresPart::Measured) => "figures.html".to_owned(),
            Self::Figures(part) => format!("figures-{}.html", part.key()),
        }
    }

    /// Whether a name is that of a page, of whatever level was asked for.
    pub fn is_file(name: &str) -> bool {
        let part = name.strip_prefix("figures-").and_then(|rest| rest.strip_suffix(".html"));
        part.and_then(FiguresPart::of).is_some_and(|part| part != FiguresPart::Measured)
            || Level::ALL
                .into_iter()
                .any(|front| Self::all(front, 0).iter().any(|page| page.file(front) == name))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_part_of_the_figures_has_its_key() {
        assert_eq!(FiguresPart::all(0).len(), FiguresPart::all(2).len(), "no bed is said as well");
        assert_eq!(FiguresPart::all(5).len(), FiguresPart::all(0).len() + 2);
        for part in FiguresPart::all(9) {
            assert_eq!(FiguresPart::of(&part.key()), Some(part));
            assert!(ReportPage::is_file(&ReportPage::Figures(part).file(Level::default())), "{part:?}");
        }
        for wrong in ["", "beds-", "beds-0", "beds-1", "beds-02", "beds-x", "beds-65537", "all"] {
            assert_eq!(FiguresPart::of(wrong), None, "{wrong}");
        }
        assert!(!ReportPage::is_file("figures-measured.html") && !ReportPage::is_file("figures-.html"));
    }

    #[test]
    fn each_bed_stands_on_one_page() {
        for beds in 0..9_usize {
            let mut on = vec![0; beds];
            for part in FiguresPart::all(beds) {
                if let FiguresPart::Beds(page) = part {
                    let (from, to) = FiguresPart::beds(page);
                    on[from.min(beds)..to.min(beds)].iter_mut().for_each(|count| *count += 1);
                }
            }
            assert!(on.iter().all(|count| *count == 1), "{beds}: {on:?}");
        }
    }
}
