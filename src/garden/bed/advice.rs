//! How much water a bed wants and when it may run, in words.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::garden::plan::{Bed, Garden};
use crate::garden::site::BedWater;
use crate::soil::litres_to_fill;
use crate::text::spoken::{clock, day, duration, litres, methods};
use crate::watering::{
    AllowedHours, DAYS_AHEAD, PlannedRun, Runs, WateringMethod, minute_of_day, minutes, next_stretch, runs,
};

/// When a bed may be watered, seen from a moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct When<'a> {
    hours: AllowedHours<'a>,
    /// Where some way of watering by hand has other hours than the bed's own watering.
    by_hand: Option<AllowedHours<'a>>,
    zone: &'a TimeZone,
    now: Timestamp,
    /// Days by their dates: words that are kept are read on other days too.
    dated: bool,
}

impl<'a> When<'a> {
    /// By the bed's own rules, else the site's.
    pub(crate) fn of(garden: &'a Garden, bed: &'a Bed, now: Timestamp) -> Self {
        let hours = garden.watering_hours(&bed.id);
        let by_hand = hours.same_every_day().is_none().then(|| garden.hand_watering_hours(&bed.id));
        Self { hours, by_hand, zone: &garden.site.time_zone, now, dated: false }
    }

    /// The same, with dates instead of "today" and "tomorrow".
    #[must_use]
    pub(crate) fn dated(self) -> Self {
        Self { dated: true, ..self }
    }

    /// "now, before 9 am", "today after 6 pm", "on Thursday 9 April after 5 am"; dated,
    /// "after 6 pm on Tuesday 7 April". `None` where no hour is allowed.
    fn next(&self) -> Option<String> {
        let (from, to) = next_stretch(self.hours, self.zone, self.now)?;
        Some(if from > self.now {
            self.after(from, None)
        } else {
            match self.before(to) {
                Some(before) => format!("now, {before}"),
                None => "now".to_owned(),
            }
        })
    }

    /// " By a can or a trigger hose it may have water before that: now, before 9 am.":
    /// where the bed's own watering has to wait longer. Empty where it has not.
    fn sooner_by_hand(&self) -> String {
        let first = |hours| next_stretch(hours, self.zone, self.now);
        let Some(by_hand) = self.by_hand else { return String::new() };
        let (Some(hand), own) = (first(by_hand), first(self.hours)) else { return String::new() };
        if own.is_some_and(|own| own.0 <= hand.0) {
            return String::new();
        }
        let on = self.zone.to_datetime(hand.0);
        let ways = by_hand.allowing(on);
        let when = Self { hours: by_hand, ..*self }.next().unwrap_or_default();
        format!(" With {} it may be watered {when}.", methods(ways))
    }

    /// "before 9 am", dated "before 9 am on Tuesday 7 April"; `None` if that is more
    /// than a day away.
    fn before(&self, to: Timestamp) -> Option<String> {
        let a_day = self.now.saturating_add(jiff::SignedDuration::from_hours(24)).ok()?;
        (to <= a_day).then(|| {
            let hour = clock(minute_of_day(self.zone.to_datetime(to)));
            if !self.dated {
                return format!("before {hour}");
            }
            // Midnight ends the day before it.
            let last = to.saturating_sub(jiff::SignedDuration::from_secs(1)).unwrap_or(to);
            format!("before {hour} on {}", day(self.zone.to_datetime(last).date()))
        })
    }

    /// "today after 6 pm", or "after 6 pm" where the day needs no saying. `before` is
    /// the beginning of the run that was said just before.
    fn after(&self, from: Timestamp, before: Option<Timestamp>) -> String {
        let (now, from) = (self.zone.to_datetime(self.now), self.zone.to_datetime(from));
        let hour = clock(minute_of_day(from));
        if self.dated {
            return if before.is_some_and(|before| self.zone.to_datetime(before).date() == from.date()) {
                format!("after {hour}")
            } else if minute_of_day(from) == 0 {
                format!("early on {}, after midnight", day(from.date()))
            } else {
                format!("after {hour} on {}", day(from.date()))
            };
        }
        if from.date() == now.date() {
            if before.is_none() { format!("today after {hour}") } else { format!("after {hour}") }
        } else if now.date().tomorrow().is_ok_and(|tomorrow| tomorrow == from.date()) {
            if minute_of_day(from) == 0 {
                "tonight after midnight".to_owned()
            } else {
                format!("tomorrow after {hour}")
            }
        } else {
            format!("on {} after {hour}", day(from.date()))
        }
    }

    /// "run the dripper for 40 minutes before 9 am and 25 minutes after 6 pm". `over`: the
    /// allowed hours do not hold it all.
    fn each(&self, run: &str, planned: &[PlannedRun], over: bool) -> String {
        let [first, rest @ ..] = planned else { return String::new() };
        let takes = |run: &PlannedRun| run_time(run.to.as_second() - run.from.as_second());
        let when = |run: &PlannedRun, before: Option<&PlannedRun>| {
            if run.from > self.now {
                self.after(run.from, before.map(|run| run.from))
            } else {
                self.before(run.allowed_to).unwrap_or_else(|| "now".to_owned())
            }
        };
        let begun = format!("{run} for {}", takes(first));
        match rest {
            [] if !over => {
                if first.from > self.now {
                    return format!("{begun}, {}.", self.after(first.from, None));
                }
                match self.before(first.allowed_to) {
                    Some(before) => format!("{begun} now, {before}."),
                    None => format!("{begun} now."),
                }
            }
            [second] if !over => {
                format!("{begun} {} and {} {}.", when(first, None), takes(second), when(second, Some(first)))
            }
            _ => {
                let more_s = rest.iter().map(|run| run.to.as_second() - run.from.as_second()).sum();
                let by = rest.last().map_or(first, |last| last).from;
                let go_on = if rest.is_empty() {
                    String::new()
                } else {
                    format!(
                        " Go on in the next allowed hours: {} more by {}.",
                        run_time(more_s),
                        day(self.zone.to_datetime(by).date())
                    )
                };
                format!("{begun} {}.{go_on}", when(first, None))
            }
        }
    }
}

/// How long water runs, at least a minute.
fn run_time(seconds: i64) -> String {
    duration(seconds.max(60))
}

/// "run the dripper": what is done to give a bed its own water.
fn run_words(bed: &Bed) -> &'static str {
    match bed.method {
        Some(WateringMethod::Drip) => "run the dripper",
        Some(WateringMethod::Sprinkler) => "run the sprinkler",
        Some(WateringMethod::Hand | WateringMethod::TriggerHose) => "run the hose",
        Some(WateringMethod::Can) | None => "run its watering",
    }
}

/// A part of a dose below this is left out: the next look at the bed asks for it. Ours.
const SMALL_PART: f64 = 0.1;
/// More than this at once runs off or past the roots of dry soil, so that a dose is split
/// into lots, mm; a pause between them, seconds, and the most of them. Common practice gives
/// lots with pauses; the figures are ours.
const LOT_MM: f64 = 20.0;
const PAUSE_S: i64 = 1800;
const LOTS_MOST: i64 = 3;

/// " Split it into 3 lots, half an hour apart."; empty where it is little, or where its
/// hours have no room for a pause.
fn lots(bed: &Bed, litres: f64, run: Option<&PlannedRun>) -> String {
    let wanted = (litres / bed.area_m2 / LOT_MM).ceil() as i64;
    let room = run.map_or(LOTS_MOST, |run| 1 + (run.allowed_to.as_second() - run.to.as_second()) / PAUSE_S);
    match wanted.min(room).min(LOTS_MOST) {
        ..=1 => String::new(),
        lots => format!(" Split it into {lots} lots, half an hour apart."),
    }
}

/// Litres that bring a bed to field capacity.
pub(crate) fn litres_wanted(bed: &Bed, water: &BedWater) -> f64 {
    litres_to_fill(water.depletion_mm, bed.area_m2, bed.efficiency())
}

/// "Give it about 64 L: run the dripper for 32 minutes, today after 6 pm."
pub(crate) fn advice(bed: &Bed, water: &BedWater, when: &When<'_>) -> String {
    let said = in_own_way(bed, water, when);
    if litres_wanted(bed, water) > 0.0 { said + &when.sooner_by_hand() } else { said }
}

/// The same, in the bed's own way of watering.
fn in_own_way(bed: &Bed, water: &BedWater, when: &When<'_>) -> String {
    let no_hours = match when.hours.same_every_day() {
        Some(_) => "The garden file allows no hours for watering, so no time can be given.".to_owned(),
        None => format!(
            "In the next {DAYS_AHEAD} days the garden file allows no hours for {}.",
            methods(when.hours.methods())
        ),
    };
    let wanted_l = litres_wanted(bed, water);
    let give = format!("Give it about {}", litres(wanted_l));
    let Some(irrigation) = bed.irrigation else {
        return match when.next() {
            _ if wanted_l <= 0.0 => "It needs no water.".to_owned(),
            Some(next) => format!("{give} {next}.{}", lots(bed, wanted_l, None)),
            None => format!("{give}. {no_hours}"),
        };
    };
    match runs(wanted_l, irrigation.litres_per_hour, when.hours, when.zone, when.now) {
        Runs::NoneWanted => "It needs no water.".to_owned(),
        Runs::NoAllowedHours => {
            let takes = run_time((60.0 * minutes(wanted_l, &irrigation)) as i64);
            format!("{give}: {} for {takes}. {no_hours}", run_words(bed))
        }
        Runs::Planned { runs, over_l } => {
            let big = |litres: f64| litres >= SMALL_PART * wanted_l;
            let kept: Vec<PlannedRun> = runs.iter().filter(|run| big(run.litres)).copied().collect();
            // A week of short hours.
            let kept = if kept.is_empty() { runs } else { kept };
            let planned_l: f64 = kept.iter().map(|run| run.litres).sum();
            let over = big(over_l);
            let give = format!("Give it about {}", litres(if over { wanted_l } else { planned_l }));
            let each = when.each(run_words(bed), &kept, over);
            let lots = match kept.as_slice() {
                [only] if !over => lots(bed, planned_l, Some(only)),
                _ => String::new(),
            };
            let missing = if over {
                format!(
                    " The allowed hours of {DAYS_AHEAD} days are too short for it all: {} stay missing.",
                    litres(over_l)
                )
            } else {
                String::new()
            };
            format!("{give}: {each}{lots}{missing}")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Id, LocalHours};
    use crate::watering::{Irrigation, MonthDays, WateringMethods, WateringRule, WateringRules};

    /// 120 L an hour at nine tenths on 7.2 m²: each millimetre is 8 L, 4 minutes.
    fn bed(irrigation: bool) -> Bed {
        Bed {
            id: Id::new("kitchen-bed"),
            name: "Kitchen bed".to_owned(),
            area_m2: 7.2,
            soil: "loamy sand".into(),
            field_capacity: 0.15,
            wilting_point: 0.065,
            saturation: None,
            composition: None,
            crop: None,
            root_depth_m: 0.5,
            depletion_fraction: 0.45,
            planted: None,
            stage_lengths: None,
            irrigation: irrigation.then_some(Irrigation { litres_per_hour: 120.0, efficiency: 0.9 }),
            mulch: None,
            fallow: false,
            potting_mix: false,
            watering_rules: None,
            method: Some(WateringMethod::Drip),
        }
    }

    fn water(depletion_mm: f64) -> BedWater {
        BedWater {
            water_content: 0.1,
            depletion_mm,
            readily_available_mm: 19.1,
            depletion_fraction: 0.45,
            readily_today_mm: 19.1,
            evapotranspiration_mm: None,
            available_left: 0.5,
            probes_used: 1,
            whole: true,
        }
    }

    fn told(irrigation: bool, depletion_mm: f64, hours: &[(u16, u16)], now: &str) -> String {
        told_as(false, irrigation, depletion_mm, hours, now)
    }

    fn told_as(dated: bool, irrigation: bool, depletion_mm: f64, hours: &[(u16, u16)], now: &str) -> String {
        let zone = TimeZone::get("Australia/Adelaide").expect("bundled");
        let local: jiff::civil::DateTime = now.parse().expect("a date-time");
        let rules = WateringRules::from(LocalHours::new(hours.to_vec()));
        let now = zone.to_timestamp(local).expect("unambiguous");
        advice(
            &bed(irrigation),
            &water(depletion_mm),
            &When { hours: (&rules).into(), by_hand: None, zone: &zone, now, dated },
        )
    }

    const USUAL: &[(u16, u16)] = &[(0, 540), (1080, 1440)];

    #[test]
    fn one_run_says_its_minutes_and_when() {
        let noon = told(true, 8.0, USUAL, "2026-04-07T12:00:00");
        assert_eq!(noon, "Give it about 64 L: run the dripper for 32 minutes, today after 6 pm.");
        let early = told(true, 8.0, USUAL, "2026-04-07T07:00:00");
        assert_eq!(early, "Give it about 64 L: run the dripper for 32 minutes now, before 9 am.");
        let evening = told(true, 8.0, USUAL, "2026-04-07T20:00:00");
        assert_eq!(evening, "Give it about 64 L: run the dripper for 32 minutes now, before 9 am.");
        let mornings = told(true, 8.0, &[(300, 540)], "2026-04-07T12:00:00");
        assert_eq!(mornings, "Give it about 64 L: run the dripper for 32 minutes, tomorrow after 5 am.");
        let nights = told(true, 8.0, &[(0, 540)], "2026-04-07T12:00:00");
        assert_eq!(nights, "Give it about 64 L: run the dripper for 32 minutes, tonight after midnight.");
        let always = told(true, 8.0, &[(0, 1440)], "2026-04-07T12:00:00");
        assert_eq!(always, "Give it about 64 L: run the dripper for 32 minutes now.");
    }

    #[test]
    fn what_does_not_fit_is_split() {
        let two = told(true, 16.25, USUAL, "2026-04-07T08:20:00");
        assert_eq!(
            two,
            "Give it about 130 L: run the dripper for 40 minutes before 9 am and 25 minutes after 6 pm."
        );
        let three = told(true, 20.0, &[(480, 500), (1080, 1110)], "2026-04-07T12:00:00");
        assert_eq!(
            three,
            "Give it about 160 L: run the dripper for 30 minutes today after 6 pm. Go on in the next allowed hours: 50 \
             minutes more by Wednesday 8 April."
        );
    }

    #[test]
    fn much_is_given_in_lots_and_a_small_rest_is_left_out() {
        let noon = "2026-04-07T12:00:00";
        assert_eq!(
            told(true, 20.0, USUAL, noon),
            "Give it about 160 L: run the dripper for 1 h 20 min, today after 6 pm. Split it into 2 lots, half an hour \
             apart."
        );
        assert_eq!(
            told(true, 60.0, USUAL, noon),
            "Give it about 480 L: run the dripper for 4 hours, today after 6 pm. Split it into 3 lots, half an hour \
             apart."
        );
        assert_eq!(
            told(false, 24.0, USUAL, noon),
            "Give it about 170 L today after 6 pm. Split it into 2 lots, half an hour apart."
        );
        // No room for a pause before 9 am, and five minutes that are left.
        assert_eq!(
            told(true, 20.0, USUAL, "2026-04-07T07:45:00"),
            "Give it about 150 L: run the dripper for 1 h 15 min now, before 9 am."
        );
    }

    #[test]
    fn what_is_run_goes_by_the_method() {
        for (method, words) in [
            (Some(WateringMethod::Drip), "run the dripper"),
            (Some(WateringMethod::Sprinkler), "run the sprinkler"),
            (Some(WateringMethod::TriggerHose), "run the hose"),
            (None, "run its watering"),
        ] {
            assert_eq!(run_words(&Bed { method, ..bed(true) }), words);
        }
    }

    #[test]
    fn words_that_are_kept_name_their_days() {
        let kept = |mm, hours, now| told_as(true, true, mm, hours, now);
        assert_eq!(
            kept(8.0, USUAL, "2026-04-07T12:00:00"),
            "Give it about 64 L: run the dripper for 32 minutes, after 6 pm on Tuesday 7 April."
        );
        assert_eq!(
            kept(8.0, USUAL, "2026-04-07T20:00:00"),
            "Give it about 64 L: run the dripper for 32 minutes now, before 9 am on Wednesday 8 April."
        );
        assert_eq!(
            kept(8.0, &[(1080, 1440)], "2026-04-07T20:00:00"),
            "Give it about 64 L: run the dripper for 32 minutes now, before midnight on Tuesday 7 April."
        );
        assert_eq!(
            kept(8.0, &[(0, 540)], "2026-04-07T12:00:00"),
            "Give it about 64 L: run the dripper for 32 minutes, early on Wednesday 8 April, after midnight."
        );
        assert_eq!(
            kept(16.25, USUAL, "2026-04-07T08:20:00"),
            "Give it about 130 L: run the dripper for 40 minutes before 9 am on Tuesday 7 April and 25 minutes after 6 pm."
        );
        assert_eq!(
            kept(20.0, &[(480, 500), (1080, 1110)], "2026-04-07T12:00:00"),
            "Give it about 160 L: run the dripper for 30 minutes after 6 pm on Tuesday 7 April. Go on in the next allowed \
             hours: 50 minutes more by Wednesday 8 April."
        );
        let by_hand = told_as(true, false, 8.0, USUAL, "2026-04-07T07:00:00");
        assert_eq!(by_hand, "Give it about 58 L now, before 9 am on Tuesday 7 April.");
    }

    #[test]
    fn a_week_that_does_not_hold_it_says_what_is_left_over() {
        let told = told(true, 20.0, &[(480, 490)], "2026-04-09T12:00:00");
        assert_eq!(
            told,
            "Give it about 160 L: run the dripper for 10 minutes tomorrow after 8 am. Go on in the next allowed hours: 50 \
             minutes more by Wednesday 15 April. The allowed hours of 7 days are too short for it all: 40 L stay missing."
        );
    }

    #[test]
    fn without_allowed_hours_it_says_so() {
        assert_eq!(
            told(true, 8.0, &[], "2026-04-07T12:00:00"),
            "Give it about 64 L: run the dripper for 32 minutes. The garden file allows no hours for watering, so no \
             time can be given."
        );
        assert_eq!(
            told(false, 8.0, &[], "2026-04-07T12:00:00"),
            "Give it about 58 L. The garden file allows no hours for watering, so no time can be given."
        );
    }

    #[test]
    fn a_bed_watered_by_hand_has_litres_and_a_time() {
        assert_eq!(told(false, 8.0, USUAL, "2026-04-07T12:00:00"), "Give it about 58 L today after 6 pm.");
        assert_eq!(told(false, 8.0, USUAL, "2026-04-07T07:00:00"), "Give it about 58 L now, before 9 am.");
        assert_eq!(told(true, 0.0, USUAL, "2026-04-07T07:00:00"), "It needs no water.");
    }

    /// Sprinklers on Saturdays alone, a can at any hour, an open hose never.
    #[test]
    fn a_can_may_go_before_the_sprinkler() {
        let zone = TimeZone::get("Australia/Adelaide").expect("bundled");
        let rule = |method, days, intervals: &[(u16, u16)]| WateringRule {
            name: String::new(),
            methods: WateringMethods::one(method),
            days,
            month_days: MonthDays::Every,
            from: None,
            to: None,
            hours: LocalHours::new(intervals.to_vec()),
        };
        let saturday = std::array::from_fn(|day| day == 5);
        let rules = WateringRules {
            allowed: LocalHours::new(USUAL.to_vec()),
            rules: vec![
                rule(WateringMethod::Sprinkler, saturday, &[(1080, 1200)]),
                rule(WateringMethod::Hand, [true; 7], &[]),
                rule(WateringMethod::Can, [true; 7], &[(0, 1440)]),
            ],
        };
        let told = |rules: &WateringRules, local: &str| {
            let local: jiff::civil::DateTime = local.parse().expect("a date-time");
            let now = zone.to_timestamp(local).expect("unambiguous");
            let when = When {
                hours: rules.all(WateringMethods::one(WateringMethod::Sprinkler)),
                by_hand: Some(rules.any(WateringMethods::BY_HAND)),
                zone: &zone,
                now,
                dated: false,
            };
            advice(&bed(true), &water(8.0), &when)
        };
        assert_eq!(
            told(&rules, "2026-04-07T12:00:00"),
            "Give it about 64 L: run the dripper for 32 minutes, on Saturday 11 April after 6 pm. With a can it may be \
             watered now."
        );
        assert_eq!(
            told(&rules, "2026-04-11T18:30:00"),
            "Give it about 64 L: run the dripper for 32 minutes now, before 8 pm."
        );
        let never = WateringRules { rules: vec![rule(WateringMethod::Sprinkler, [false; 7], &[])], ..rules };
        assert_eq!(
            told(&never, "2026-04-07T12:00:00"),
            "Give it about 64 L: run the dripper for 32 minutes. In the next 7 days the garden file allows no hours for a \
             sprinkler. With a hand-held hose, a can or a trigger hose it may be watered today after 6 pm."
        );
    }
}
