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
    /// Every chart and table of the month.
    Figures,
}

impl ReportPage {
    /// Every page; those of the level that was asked for first.
    pub fn all(front: Level) -> Vec<Self> {
        let others = || Level::ALL.into_iter().filter(move |level| *level != front);
        let levels = || std::iter::once(front).chain(others());
        let mut pages: Vec<Self> = levels().map(Self::Lesson).collect();
        pages.extend(levels().map(Self::Worksheet));
        pages.extend([Self::Answers, Self::Figures]);
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
            Self::Figures => "figures.html".to_owned(),
        }
    }

    /// Whether a name is that of a page, of whatever level was asked for.
    pub fn is_file(name: &str) -> bool {
        Level::ALL.into_iter().any(|front| Self::all(front).iter().any(|page| page.file(front) == name))
    }
}
