//! How water is given to a bed, and when a garden's rules allow it.
//!
//! Authorities rule by method: while sprinklers are forbidden by day, drip, a can and a
//! hand-held hose with a trigger are often allowed. They also rule by days of the week,
//! by even and odd dates, and for a part of the year. Which hours hold where is for the
//! water supplier and the council to say; nothing here knows any authority's rules.

use std::borrow::Cow;

use jiff::civil::{Date, DateTime};

use crate::model::{LocalHours, minute_of_day, names};

/// How water is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WateringMethod {
    /// Thrown through the air, fixed or moved by hand.
    Sprinkler,
    /// Let out at the soil: drippers, drip line, seeping hose.
    Drip,
    /// A hose held in the hand; a rule for it also holds for a can and a trigger hose
    /// that have none of their own.
    Hand,
    /// A can or a bucket.
    Can,
    /// A hose held in the hand, with a trigger that shuts by itself.
    TriggerHose,
}

names!(WateringMethod {
    Sprinkler = "sprinkler",
    Drip = "drip",
    Hand = "hand",
    Can = "can",
    TriggerHose = "trigger-hose",
});

impl WateringMethod {
    /// "a sprinkler".
    pub fn words(self) -> &'static str {
        match self {
            Self::Sprinkler => "a sprinkler",
            Self::Drip => "drip",
            Self::Hand => "a hand-held hose",
            Self::Can => "a can",
            Self::TriggerHose => "a trigger hose",
        }
    }
}

/// Several methods.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WateringMethods(u8);

impl WateringMethods {
    pub const ANY: Self = Self(0b1_1111);
    /// What somebody must stand beside.
    pub const BY_HAND: Self = Self(0b1_1100);
    /// What runs by itself.
    pub const INSTALLED: Self = Self(0b0_0011);

    /// One method alone.
    pub fn one(method: WateringMethod) -> Self {
        Self(1 << method as u8)
    }

    /// These and another.
    #[must_use]
    pub fn and(self, method: WateringMethod) -> Self {
        Self(self.0 | Self::one(method).0)
    }

    /// These and those.
    #[must_use]
    pub fn or(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Whether a method is one of them.
    pub fn contains(self, method: WateringMethod) -> bool {
        self.0 & Self::one(method).0 != 0
    }

    /// In the order of the contract.
    pub fn iter(self) -> impl Iterator<Item = WateringMethod> {
        WateringMethod::ALL.into_iter().filter(move |method| self.contains(*method))
    }
}

/// Which days of the month a rule speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MonthDays {
    Every,
    Even,
    Odd,
}

/// One rule: on these days these methods may water in these hours, and on no other day
/// of the rule's time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WateringRule {
    /// What people call it; may be empty.
    pub name: String,
    pub methods: WateringMethods,
    /// Days of the week, Monday first.
    pub days: [bool; 7],
    pub month_days: MonthDays,
    /// The first and the last day of its time, in the site's own calendar.
    pub from: Option<Date>,
    pub to: Option<Date>,
    pub hours: LocalHours,
}

impl WateringRule {
    /// Whether its time holds a day.
    pub fn holds_on(&self, date: Date) -> bool {
        self.from.is_none_or(|from| from <= date) && self.to.is_none_or(|to| date <= to)
    }

    /// Whether it allows anything on a day.
    fn gives_on(&self, date: Date) -> bool {
        let weekday = usize::try_from(date.weekday().to_monday_zero_offset()).unwrap_or(7);
        let of_month = match self.month_days {
            MonthDays::Every => true,
            MonthDays::Even => date.day() % 2 == 0,
            MonthDays::Odd => date.day() % 2 == 1,
        };
        of_month && self.days.get(weekday) == Some(&true)
    }

    fn is_dated(&self) -> bool {
        self.from.is_some() || self.to.is_some()
    }
}

/// When water may run in a garden, or in a bed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WateringRules {
    /// For every method that no rule speaks of on a day.
    pub allowed: LocalHours,
    pub rules: Vec<WateringRule>,
}

impl From<LocalHours> for WateringRules {
    fn from(allowed: LocalHours) -> Self {
        Self { allowed, rules: Vec::new() }
    }
}

impl WateringRules {
    /// The hours of one method on one day.
    ///
    /// The rules whose time holds the day decide: those with dates before those
    /// without, and several together by all their hours. A can and a trigger hose
    /// without a rule follow that of hand-held hoses; what no rule speaks of has
    /// [`WateringRules::allowed`].
    pub fn hours_on(&self, method: WateringMethod, date: Date) -> Cow<'_, LocalHours> {
        self.ruled_on(method, date)
            .or_else(|| match method {
                WateringMethod::Can | WateringMethod::TriggerHose => {
                    self.ruled_on(WateringMethod::Hand, date)
                }
                WateringMethod::Sprinkler | WateringMethod::Drip | WateringMethod::Hand => None,
            })
            .unwrap_or(Cow::Borrowed(&self.allowed))
    }

    fn ruled_on(&self, method: WateringMethod, date: Date) -> Option<Cow<'_, LocalHours>> {
        let holding = |dated: bool| {
            let of = move |rule: &&WateringRule| {
                rule.is_dated() == dated && rule.methods.contains(method) && rule.holds_on(date)
            };
            let mut of = self.rules.iter().filter(of).peekable();
            of.peek()?;
            let hours = of.filter(|rule| rule.gives_on(date)).map(|rule| Cow::Borrowed(&rule.hours));
            Some(hours.reduce(|a, b| Cow::Owned(a.or(&b))).unwrap_or(Cow::Owned(LocalHours::new(vec![]))))
        };
        holding(true).or_else(|| holding(false))
    }

    /// The hours in which each of these methods may water.
    pub fn all(&self, methods: WateringMethods) -> AllowedHours<'_> {
        AllowedHours { rules: self, methods, each: true }
    }

    /// The hours in which at least one of these methods may water.
    pub fn any(&self, methods: WateringMethods) -> AllowedHours<'_> {
        AllowedHours { rules: self, methods, each: false }
    }
}

/// When some methods may water, day by day.
#[derive(Clone, Copy, Debug)]
pub struct AllowedHours<'a> {
    rules: &'a WateringRules,
    methods: WateringMethods,
    /// Every one of them, not only one.
    each: bool,
}

impl<'a> From<&'a WateringRules> for AllowedHours<'a> {
    fn from(rules: &'a WateringRules) -> Self {
        rules.all(WateringMethods::ANY)
    }
}

impl<'a> AllowedHours<'a> {
    /// The hours of a local day.
    pub fn on(self, date: Date) -> Cow<'a, LocalHours> {
        if self.rules.rules.is_empty() {
            return Cow::Borrowed(&self.rules.allowed);
        }
        let hours = self.methods.iter().map(|method| self.rules.hours_on(method, date));
        let joined = hours.reduce(|a, b| Cow::Owned(if self.each { a.and(&b) } else { a.or(&b) }));
        joined.unwrap_or(Cow::Borrowed(&self.rules.allowed))
    }

    /// Whether a minute of the local clock is inside.
    pub fn contains(self, local: DateTime) -> bool {
        self.on(local.date()).contains(minute_of_day(local))
    }

    /// Where every day is like every other and every method like every other: the
    /// hours.
    pub fn same_every_day(self) -> Option<&'a LocalHours> {
        self.rules.rules.is_empty().then_some(&self.rules.allowed)
    }

    /// Those of the methods that may water at a local time.
    pub fn allowing(self, local: DateTime) -> WateringMethods {
        let may = |method| self.rules.hours_on(method, local.date()).contains(minute_of_day(local));
        self.methods.iter().filter(|method| may(*method)).fold(WateringMethods(0), WateringMethods::and)
    }

    /// Days on which a rule begins, and the days after one ends.
    pub fn edges(self) -> impl Iterator<Item = Date> {
        let ends = |rule: &'a WateringRule| [rule.from, rule.to.and_then(|to| to.tomorrow().ok())];
        self.rules.rules.iter().flat_map(ends).flatten()
    }

    /// The methods that are meant.
    pub fn methods(self) -> WateringMethods {
        self.methods
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use WateringMethod::{Can, Drip, Hand, Sprinkler, TriggerHose};

    fn hours(intervals: &[(u16, u16)]) -> LocalHours {
        LocalHours::new(intervals.to_vec())
    }

    fn date(text: &str) -> Date {
        text.parse().expect("a date")
    }

    fn rule(methods: WateringMethods, intervals: &[(u16, u16)]) -> WateringRule {
        WateringRule {
            name: String::new(),
            methods,
            days: [true; 7],
            month_days: MonthDays::Every,
            from: None,
            to: None,
            hours: hours(intervals),
        }
    }

    /// Sprinklers on Wednesdays and Saturdays in the evening from December to March;
    /// drip and what is held in the hand at any hour.
    fn summer() -> WateringRules {
        let mut days = [false; 7];
        (days[2], days[5]) = (true, true);
        WateringRules {
            allowed: hours(&[(0, 540), (1080, 1440)]),
            rules: vec![
                WateringRule {
                    days,
                    from: Some(date("2026-12-01")),
                    to: Some(date("2027-03-31")),
                    ..rule(WateringMethods::one(Sprinkler), &[(1080, 1260)])
                },
                rule(WateringMethods::one(Drip).and(Hand), &[(0, 1440)]),
            ],
        }
    }

    #[test]
    fn a_rule_holds_for_its_methods_days_and_dates() {
        let rules = summer();
        let of = |method, day: &str| rules.hours_on(method, date(day)).intervals().to_vec();
        assert_eq!(of(Sprinkler, "2026-12-02"), [(1080, 1260)], "a Wednesday");
        assert_eq!(of(Sprinkler, "2026-12-03"), [], "a Thursday within its time");
        assert_eq!(of(Sprinkler, "2026-11-30"), [(0, 540), (1080, 1440)], "the day before its first");
        assert_eq!(of(Sprinkler, "2027-03-31"), [(1080, 1260)], "its last day, a Wednesday");
        assert_eq!(of(Sprinkler, "2027-04-01"), [(0, 540), (1080, 1440)]);
        for by_hand in [Drip, Hand, Can, TriggerHose] {
            assert_eq!(of(by_hand, "2026-12-03"), [(0, 1440)], "{}", by_hand.name());
        }
    }

    #[test]
    fn dates_go_before_none_and_a_can_may_have_its_own() {
        let mut rules = summer();
        rules.rules.push(WateringRule {
            from: Some(date("2027-01-10")),
            to: Some(date("2027-01-11")),
            ..rule(WateringMethods::one(Hand), &[])
        });
        let of = |rules: &WateringRules, method| rules.hours_on(method, date("2027-01-10")).into_owned();
        assert_eq!(of(&rules, Hand), hours(&[]));
        assert_eq!(of(&rules, Can), hours(&[]), "as a hand-held hose");
        assert_eq!(of(&rules, Drip), hours(&[(0, 1440)]));
        rules.rules.push(rule(WateringMethods::one(Can), &[(360, 480)]));
        assert_eq!(of(&rules, Can), hours(&[(360, 480)]));
    }

    #[test]
    fn even_and_odd_dates_differ() {
        let even = WateringRule {
            month_days: MonthDays::Even,
            ..rule(WateringMethods::one(Sprinkler), &[(360, 480)])
        };
        let odd = WateringRule { month_days: MonthDays::Odd, hours: hours(&[(1200, 1260)]), ..even.clone() };
        let of = |rules: &[&WateringRule], day: &str| {
            let rules = rules.iter().map(|rule| (*rule).clone()).collect();
            let rules = WateringRules { allowed: hours(&[(0, 1440)]), rules };
            rules.hours_on(Sprinkler, date(day)).intervals().to_vec()
        };
        assert_eq!(of(&[&even], "2026-04-30"), [(360, 480)]);
        assert_eq!(of(&[&even], "2026-05-01"), []);
        assert_eq!(of(&[&even, &odd], "2026-05-01"), [(1200, 1260)]);
        assert_eq!(of(&[&even, &odd], "2026-05-02"), [(360, 480)]);
    }

    #[test]
    fn several_methods_share_some_hours_or_all_of_them() {
        let rules = summer();
        let day = date("2026-12-02");
        let installed = WateringMethods::INSTALLED;
        assert_eq!(rules.all(installed).on(day).intervals(), [(1080, 1260)]);
        assert_eq!(rules.any(installed).on(day).intervals(), [(0, 1440)]);
        assert!(rules.all(installed).on(date("2026-12-03")).intervals().is_empty());
        let plain = WateringRules::from(hours(&[(0, 540)]));
        assert_eq!(plain.all(installed).same_every_day(), Some(&hours(&[(0, 540)])));
        assert_eq!(rules.all(installed).same_every_day(), None);
    }
}
