//! Rain: days, intensity, gauges, roofs and months.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use trug::rain::{
    self, BUCKET_MOVES_S, Follows, RainDays, Roof, Total, effective_scs_mm, rain_day, rain_day_bounds,
};

use crate::harness::{Checks, Row, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![
        intensity_of_tips(),
        tip_interval(),
        intensity_classes(),
        rain_day_to_9_am(),
        rain_days_where_the_clock_changes(),
        days_of_a_half_year(),
        effective_rain(),
        roof_in_a_year(),
        roof_in_an_event(),
    ]
}

fn intensity_of_tips() -> Checks {
    let mut checks = Checks::of("rain_tips_intensity.csv");
    for row in table(checks.table) {
        let got = rain::intensity_mm_h(row.number("depth_mm"), row.number("window_s"));
        checks.printed(&row, "intensity_mm_h", got);
    }
    checks
}

/// The loss is from memory: this shows that it is computed as it says, no more.
fn tip_interval() -> Checks {
    let mut checks = Checks::of("rain_tip_interval_loss.csv");
    for row in table(checks.table) {
        let (mm_h, mm_per_tip) = (row.number("intensity_mm_h"), row.number("resolution_mm"));
        checks.printed(&row, "tip_interval_s", rain::tip_interval_s(mm_h, mm_per_tip).unwrap());
        let loss = rain::undercatch_pct(mm_h, mm_per_tip, BUCKET_MOVES_S).unwrap();
        checks.printed(&row, "undercatch_pct_at_035s", loss);
    }
    checks
}

fn intensity_classes() -> Checks {
    let mut checks = Checks::of("rain_intensity_classes.csv");
    for row in table(checks.table) {
        let lower = row.number("lower_mm_h_inclusive");
        // Rain that falls at 0 mm/h does not fall.
        let lowest = if lower > 0.0 { lower } else { 0.01 };
        let highest = row.maybe("upper_mm_h_exclusive").map_or(500.0, f64::next_down);
        for mm_h in [lowest, f64::midpoint(lowest, highest), highest] {
            let what = format!("{} at {mm_h} mm/h", row.text("scheme"));
            checks.same(&row, &what, &rain::class_wmo(mm_h).unwrap(), &Some(row.text("class")));
        }
    }
    checks
}

/// The rule names no zone; this one changes no clock.
fn rain_day_to_9_am() -> Checks {
    let mut checks = Checks::of("rain_day_9am.csv");
    let zone = TimeZone::get("Australia/Brisbane").unwrap();
    for row in table(checks.table) {
        let local: DateTime = row.text("local_clock_time").parse().unwrap();
        let got = rain_day(zone.to_timestamp(local).unwrap(), &zone);
        checks.same(&row, row.text("local_clock_time"), &got, &row.text("rain_day_date").parse().unwrap());
    }
    checks
}

fn rain_days_where_the_clock_changes() -> Checks {
    let mut checks = Checks::of("rain_day_dst_length.csv");
    for row in table(checks.table) {
        let zone = TimeZone::get(row.text("zone")).unwrap();
        let date: Date = row.text("rain_day_date").parse().unwrap();
        let (from, to) = rain_day_bounds(date, &zone);
        let what = format!("{} {date}", row.text("zone"));
        checks.same(&row, &what, &from, &row.text("start_utc").parse().unwrap());
        let seconds = to.as_second() - from.as_second();
        checks.near(&row, &what, seconds as f64, row.number("length_h") * 3600.0, 0.0);
    }
    checks
}

const QUARTER_S: i64 = 900;

/// A half year of a tipping bucket in quarter hours, as the daemon would take
/// it: the file says each value once, and it stands until the next line.
fn days_of_a_half_year() -> Checks {
    let mut checks = Checks::of("rain_days_apalachicola.csv");
    let zone = TimeZone::get("America/New_York").unwrap();
    let record = table("records/apalachicola_rain_15min.csv");
    let at = |row: &Row| row.text("time_utc").parse::<Timestamp>().unwrap();
    let mut days = RainDays::default();
    for (row, next) in record.iter().zip(record.iter().skip(1).map(Some).chain([None])) {
        let end = next.map_or(at(row).as_second() + QUARTER_S, |next| at(next).as_second());
        for second in (at(row).as_second()..end).step_by(QUARTER_S as usize) {
            let at = Timestamp::from_second(second).unwrap();
            match row.maybe("rain_mm") {
                Some(mm) => days.push(at, mm, Follows::At, &zone),
                None => days.miss(at, &zone),
            }
        }
    }
    for row in table(checks.table) {
        let date: Date = row.text("rain_day").parse().unwrap();
        let day = days.day(date).unwrap();
        if day.runs {
            checks.same(&row, "the record ends before the day", &row.text("complete"), &"no");
            continue;
        }
        let complete = row.text("complete") == "yes";
        match day.total {
            Total::Whole(mm) => {
                checks.same(&row, &format!("{date} is complete"), &complete, &true);
                checks.near(&row, &format!("{date} rain_mm"), mm, row.number("rain_mm"), 1e-6);
            }
            Total::AtLeast { mm, days: 1 } => {
                checks.same(&row, &format!("{date} is complete"), &complete, &false);
                checks.near(&row, &format!("{date} rain_mm"), mm, row.number("rain_mm"), 1e-6);
            }
            other => checks.same(&row, &format!("{date}"), &format!("{other:?}"), &"one day".to_owned()),
        }
        if let Some(peak) = row.maybe("peak_30min_mm_h") {
            let got = day.peak.map_or(f64::NAN, |peak| peak.mm_h);
            checks.near(&row, &format!("{date} peak"), got, peak, 1e-4);
        }
        if let Some(dry) = row.maybe("dry_spell_days") {
            let spell = days.dry_spell(date).unwrap();
            checks.near(&row, &format!("{date} dry spell"), spell.days.into(), dry, 0.0);
        }
    }
    months(&mut checks, &days);
    checks
}

/// A month is the sum of its days, and known where all of them are.
fn months(checks: &mut Checks, days: &RainDays) {
    let rows = table(checks.table);
    for (from, to) in [("2012-02-01", "2012-02-29"), ("2012-05-01", "2012-05-31"), ("2012-06-01", "2012-06-30")] {
        let of_month: Vec<&Row> =
            rows.iter().filter(|row| (from..=to).contains(&row.text("rain_day"))).collect();
        let sum: f64 = of_month.iter().map(|row| row.number("rain_mm")).sum();
        let got = days.between(from.parse().unwrap(), to.parse().unwrap());
        let got_mm = got.whole_mm().unwrap_or(f64::NAN);
        checks.near(of_month[0], &format!("rain from {from} to {to}"), got_mm, sum, 1e-6);
    }
    let march = days.between("2012-03-01".parse().unwrap(), "2012-03-31".parse().unwrap());
    let first = rows.iter().find(|row| row.text("rain_day") == "2012-03-01").unwrap();
    checks.same(first, "March has a day with a gap", &(march.unknown_days, march.whole_mm()), &(1, None));
}

fn effective_rain() -> Checks {
    let mut checks = Checks::of("rain_effective_monthly.csv");
    for row in table(checks.table) {
        let month_mm = row.number("p_month_mm");
        checks.printed(&row, "pe_usda_scs_mm", effective_scs_mm(month_mm).unwrap());
    }
    checks
}

fn roof_in_a_year() -> Checks {
    let mut checks = Checks::of("rain_roof_yield.csv");
    for row in table(checks.table) {
        let roof = Roof { area_m2: row.number("roof_area_m2"), runoff: row.number("efficiency_A") };
        let litres =
            roof.litres(row.number("rain_annual_mm"), row.number("loss_B_mm_per_year")).unwrap();
        checks.printed(&row, "yield_kl", litres / 1000.0);
        // The table rounds some cells and cuts others; one cell disagrees with its
        // own equation and is left out.
        if row.text("within_1kl") == "yes" {
            checks.near(&row, "yield_published_kl", litres / 1000.0, row.number("yield_published_kl"), 1.0);
        }
    }
    checks
}

fn roof_in_an_event() -> Checks {
    let mut checks = Checks::of("rain_roof_event.csv");
    for row in table(checks.table) {
        let roof = Roof { area_m2: row.number("roof_area_m2"), runoff: row.number("efficiency_A") };
        checks.printed(
            &row,
            "yield_l",
            roof.litres(row.number("rain_mm"), row.number("event_loss_mm")).unwrap(),
        );
    }
    checks
}
