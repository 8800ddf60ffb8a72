use super::*;
use crate::watering::TimerRun;

fn at(s: i64) -> Timestamp {
    Timestamp::from_second(1_776_000_000 + s).expect("in range")
}

/// A clear rise at noon, one believed gauge, no rain, no meter.
fn evidence() -> WettingEvidence {
    let wetting = Wetting {
        onset: at(0),
        seen: at(7200),
        rise: 0.03,
        found_rise: 0.03,
        slow: false,
        usual: 0.0,
        least: 0.01,
        standing: 1.0,
    };
    WettingEvidence {
        wetting,
        earliest: at(-3600),
        time: WateringTime::Within,
        together: BedsTogether { beds: 1, at_once: 1, watched: 3, by_program: 0 },
        rain_mm: 0.0,
        rain_left_mm: 0.0,
        depth_m: 0.15,
        meter: MeterEvidence::None,
        logged: None,
        answer: None,
        program: None,
        people_about: true,
        coldest: Some(Coldest::Soil(15.0)),
        air: AirMoisture::NotMeasured,
        water_content: Some(0.2),
        gauges: Ok(1),
        gauge_works: true,
        same_time: false,
        like_rain_at: None,
    }
}

const LOGGED: Option<LoggedWatering> = Some(LoggedWatering { at: Timestamp::UNIX_EPOCH, litres: Some(20.0) });
const SITE_RAN: MeterEvidence = MeterEvidence::Ran { litres: 50.0, own: false };
const OWN_RAN: MeterEvidence = MeterEvidence::Ran { litres: 50.0, own: true };

#[test]
fn what_explains_a_rise_by_itself_comes_first() {
    let known = |basis| WettingCause::Watering { basis };
    let cold = WettingEvidence { coldest: Some(Coldest::Soil(1.0)), ..evidence() };
    assert_eq!(WettingEvidence { logged: LOGGED, ..cold }.cause(), known(WateringBasis::Log));
    assert_eq!(WettingEvidence { meter: OWN_RAN, ..cold }.cause(), known(WateringBasis::Meter));
    let unknown = WettingCause::Unknown(CauseUnknown::SoilCold);
    assert_eq!(WettingEvidence { meter: SITE_RAN, ..cold }.cause(), unknown, "it may have filled a tank");
    let site = WettingEvidence { meter: SITE_RAN, ..evidence() };
    assert_eq!(site.cause(), known(WateringBasis::Meter));
    let wet = WettingEvidence { rain_mm: 3.0, rain_left_mm: 3.0, ..evidence() };
    assert_eq!(wet.cause(), WettingCause::Rain { mm: 3.0, seen: false });
    for both in [WettingEvidence { logged: LOGGED, ..wet }, WettingEvidence { meter: SITE_RAN, ..wet }] {
        assert_eq!(both.cause(), WettingCause::RainAndWatering { mm: 3.0 });
    }
}

/// The soil above the probe gained 0.055 x 150 mm = 8.2 mm.
#[test]
fn what_was_gained_beyond_the_rain_is_not_rain() {
    let wetting = Wetting { rise: 0.055, ..evidence().wetting };
    let fell = |mm| WettingEvidence { wetting, rain_mm: mm, rain_left_mm: mm, ..evidence() };
    let both = WettingCause::RainAndWatering { mm: 1.4 };
    assert_eq!(fell(1.4).cause(), both);
    assert_eq!(fell(5.0).cause(), WettingCause::Rain { mm: 5.0, seen: false });
    // 1.25 x 4.9 + 2 is 8.1 mm.
    assert_eq!(fell(4.9).cause(), WettingCause::RainAndWatering { mm: 4.9 });
    let moist = WettingEvidence { air: AirMoisture::Moist { percent: 90.0 }, ..fell(1.4) };
    assert_eq!(moist.cause(), WettingCause::Unknown(CauseUnknown::MoreThanFell));
    assert!(moist.unexplained_by_rain() && !fell(5.0).unexplained_by_rain());
    let taken = WettingEvidence { rain_left_mm: 0.4, ..fell(6.0) };
    assert_eq!(taken.cause(), WettingCause::RainAndWatering { mm: 6.0 }, "an earlier wetting took the rest");
    let timer = WettingEvidence { same_time: true, ..fell(9.0) };
    assert_eq!(timer.cause(), WettingCause::RainAndWatering { mm: 9.0 });
    let seen = WettingEvidence { answer: Some(WettingAnswer::Rain), ..fell(1.4) };
    assert_eq!(seen.cause(), WettingCause::Rain { mm: 1.4, seen: false }, "people know better");
    let cold = WettingEvidence { coldest: Some(Coldest::Soil(1.0)), ..fell(1.4) };
    assert_eq!(cold.cause(), WettingCause::Unknown(CauseUnknown::SoilCold));
}

#[test]
fn what_nothing_explains_is_inferred_or_unknown() {
    use CauseUnknown::*;
    let inferred = WettingCause::Watering { basis: WateringBasis::Inferred };
    assert_eq!(evidence().cause(), inferred);
    let several = BedsTogether { beds: 3, at_once: 1, watched: 3, by_program: 0 };
    let dry = MeterEvidence::Dry { litres: 0.0 };
    for (given, unknown) in [
        (WettingEvidence { water_content: Some(0.6), ..evidence() }, SoilPeaty),
        (WettingEvidence { meter: dry, ..evidence() }, MeterDry),
        (WettingEvidence { meter: MeterEvidence::Silent { own: true }, ..evidence() }, MeterSilent),
        (WettingEvidence { gauges: Err(GaugeSuspect), ..evidence() }, GaugeSuspect),
        (WettingEvidence { together: several, ..evidence() }, SeveralBeds),
        (WettingEvidence { like_rain_at: Some(at(-7 * 3600)), ..evidence() }, SameWeather),
        (WettingEvidence { wetting: Wetting { rise: 0.014, ..evidence().wetting }, ..evidence() }, Small),
    ] {
        assert_eq!(given.cause(), WettingCause::Unknown(unknown));
    }
    let two = WettingEvidence { gauges: Ok(2), together: several, ..evidence() };
    assert_eq!(two.cause(), inferred, "two gauges agree on no rain");
}

/// Three beds of a timer rise together at six, and the gauge is dry.
#[test]
fn a_program_that_can_have_begun_a_rise_explains_it() {
    let run = TimerRun { start: at(-1800), end: at(-600), old_clock: false };
    let program = Some(ProgramRun { program: 0, run });
    let together = BedsTogether { beds: 3, at_once: 0, watched: 3, by_program: 3 };
    let timed = WettingEvidence {
        program,
        together,
        gauges: Err(CauseUnknown::NoGauge),
        like_rain_at: Some(at(0)),
        water_content: Some(0.6),
        ..evidence()
    };
    assert_eq!(timed.cause(), WettingCause::Watering { basis: WateringBasis::Program });
    assert!(!timed.like_rain());
    assert_eq!(WettingEvidence { rain_mm: 1.0, ..timed }.cause(), WettingCause::RainAndWatering { mm: 1.0 });
    let logged = WettingEvidence { logged: LOGGED, ..timed };
    assert_eq!(logged.cause(), WettingCause::Watering { basis: WateringBasis::Log });
    let cold = WettingEvidence { coldest: Some(Coldest::Soil(1.0)), ..timed };
    assert_eq!(cold.cause(), WettingCause::Unknown(CauseUnknown::SoilCold));
}

#[test]
fn what_people_say_settles_it() {
    let unknown = WettingEvidence { gauges: Err(CauseUnknown::GaugeSuspect), ..evidence() };
    let rain = WettingEvidence { answer: Some(WettingAnswer::Rain), ..unknown };
    assert_eq!(rain.cause(), WettingCause::Rain { mm: 0.0, seen: true });
    assert_eq!(WettingEvidence { rain_mm: 3.0, ..rain }.cause(), WettingCause::Rain { mm: 3.0, seen: false });
    let timer = WettingEvidence { answer: Some(WettingAnswer::Timer), ..unknown };
    assert_eq!(timer.cause(), WettingCause::Watering { basis: WateringBasis::Timer });
    let both = WettingEvidence { logged: LOGGED, ..rain };
    assert_eq!(both.cause(), WettingCause::RainAndWatering { mm: 0.0 });
    let nobody = WettingEvidence { answer: Some(WettingAnswer::NotKnown), ..unknown };
    assert_eq!(nobody.cause(), unknown.cause());
}

#[test]
fn of_answers_that_contradict_each_other_the_last_counts() {
    use LogEvent::{CauseNotKnown, Rained, TimerRan};
    let near = |entries: &[(i64, LogEvent)]| {
        let entries = entries.iter().map(|(s, what)| (at(*s), what));
        WettingAnswer::near(entries, at(-3600), at(7200))
    };
    assert_eq!(near(&[(0, Rained), (600, TimerRan)]), Some(WettingAnswer::Timer));
    assert_eq!(near(&[(0, TimerRan), (0, Rained)]), Some(WettingAnswer::Rain), "written last");
    assert_eq!(near(&[(0, Rained), (600, CauseNotKnown)]), Some(WettingAnswer::Rain));
    assert_eq!(near(&[(0, CauseNotKnown)]), Some(WettingAnswer::NotKnown));
    assert_eq!(near(&[(-5 * 3600, Rained), (7201, TimerRan), (0, LogEvent::Note)]), None);
}

#[test]
fn dry_air_overrules_several_beds_and_moist_air_leaves_it_unknown() {
    let several = BedsTogether { beds: 3, at_once: 3, watched: 3, by_program: 0 };
    let dry = AirMoisture::Dry { percent: 60.0 };
    let moist = AirMoisture::Moist { percent: 90.0 };
    let watered = WettingCause::Watering { basis: WateringBasis::Inferred };
    let in_dry_air = WettingEvidence { together: several, air: dry, ..evidence() };
    assert_eq!(in_dry_air.cause(), watered);
    assert!(!in_dry_air.like_rain());
    assert_eq!(WettingEvidence { like_rain_at: Some(at(-3600)), ..in_dry_air }.cause(), watered);
    let suspect = WettingEvidence { gauges: Err(CauseUnknown::GaugeSuspect), ..in_dry_air };
    assert_eq!(suspect.cause(), WettingCause::Unknown(CauseUnknown::GaugeSuspect));
    let unknown = WettingEvidence { air: moist, ..evidence() };
    assert_eq!(unknown.cause(), WettingCause::Unknown(CauseUnknown::AirMoist));
    let silent = WettingEvidence { air: AirMoisture::Silent, ..evidence() };
    assert_eq!(silent.cause(), WettingCause::Unknown(CauseUnknown::AirSilent));
    assert_eq!(WettingEvidence { same_time: true, ..unknown }.cause(), watered, "a timer");
    assert_eq!(
        WettingEvidence { logged: LOGGED, ..unknown }.cause(),
        WettingCause::Watering { basis: WateringBasis::Log }
    );
}

#[test]
fn frost_within_the_day_leaves_it_unknown() {
    let cold = WettingCause::Unknown(CauseUnknown::SoilCold);
    for coldest in [Coldest::Soil(2.4), Coldest::Air(-0.1)] {
        assert_eq!(WettingEvidence { coldest: Some(coldest), ..evidence() }.cause(), cold);
    }
    for coldest in [Coldest::Soil(2.5), Coldest::Air(0.0)] {
        let given = WettingEvidence { coldest: Some(coldest), ..evidence() };
        assert_eq!(given.cause(), WettingCause::Watering { basis: WateringBasis::Inferred });
    }
}

#[test]
fn a_single_bed_needs_a_gauge_that_works() {
    let one = WettingEvidence {
        together: BedsTogether { beds: 1, at_once: 1, watched: 1, by_program: 0 },
        gauge_works: false,
        ..evidence()
    };
    assert_eq!(one.cause(), WettingCause::Unknown(CauseUnknown::GaugeUnproven));
    let watered = WettingCause::Watering { basis: WateringBasis::Inferred };
    assert_eq!(WettingEvidence { gauge_works: true, ..one }.cause(), watered);
    assert_eq!(WettingEvidence { air: AirMoisture::Dry { percent: 40.0 }, ..one }.cause(), watered);
    assert_eq!(WettingEvidence { same_time: true, ..one }.cause(), watered);
}

#[test]
fn waterings_that_were_logged_about_then_add_up() {
    let logged =
        [(at(-5 * 3600), Some(9.0)), (at(600), Some(20.0)), (at(-600), Some(10.0)), (at(7201), None)];
    let found = LoggedWatering::near(logged.into_iter(), at(-3600), at(7200));
    assert_eq!(found, Some(LoggedWatering { at: at(-600), litres: Some(30.0) }));
    assert_eq!(LoggedWatering::near(logged.into_iter().take(1), at(-3600), at(7200)), None);
}
