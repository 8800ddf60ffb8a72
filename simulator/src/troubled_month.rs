//! A random month in which beds get too much water, or shed it.

use jiff::civil::{Date, Time};
use jiff::{Span, ToSpan as _};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::random_month::GaugeState;
use crate::scenario::{Event, Scenario};
use crate::school::School;

impl Scenario {
    /// A random month with a healthy gauge in which one bed's tap stays open for
    /// a day or two, another bed does not drain, and a third sheds water, with
    /// some heavy rain for the two. What the weather lets be seen is for the
    /// truth to say. The numbers are invented.
    pub fn troubled_month(school: &School, seed: u64) -> Self {
        let mut scenario = Self::random_month(school, seed, GaugeState::Healthy);
        "troubled-month".clone_into(&mut scenario.name);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(8);
        let beds = school.beds.len();
        if beds == 0 {
            return scenario;
        }
        let first = scenario.start;
        let day = |days: i64| first.saturating_add(Span::new().days(days));
        let at = |date: Date, hour: i8| date.to_datetime(Time::constant(hour, 0, 0, 0));
        let offset = rng.random_range(0..beds);
        let bed = |n: usize| &school.beds[(offset + n) % beds];

        let tap = bed(0);
        let opened = at(day(rng.random_range(3..22)), rng.random_range(7..22));
        scenario.event.push(Event::TapLeftOn {
            bed: tap.id.clone(),
            from: opened,
            to: opened.saturating_add(i64::from(rng.random_range(26..60)).hours()),
            // From a dribble that needs not be told to a tap full on.
            litres_per_hour: tap.area_m2 / tap.efficiency * rng.random_range(4.0..18.0),
        });

        let soggy = bed(1);
        let closed = rng.random_range(2..10);
        scenario.event.push(Event::BlockedDrain {
            bed: soggy.id.clone(),
            from: at(day(closed), 0),
            to: at(day(closed + rng.random_range(10..18)), 12),
        });
        for _ in 0..rng.random_range(1..4) {
            scenario.event.push(Event::Shower {
                at: at(day(closed + rng.random_range(0..4)), rng.random_range(0..23)),
                mm: rng.random_range(20.0..45.0),
                minutes: rng.random_range(120..420),
            });
        }

        // Nobody waters the bed that sheds; now and then it rains on all.
        let shedding = bed(2);
        scenario.watering.retain(|schedule| schedule.bed != shedding.id);
        scenario.event.retain(|event| !matches!(event, Event::Watering { bed, .. } if *bed == shedding.id));
        scenario.event.push(Event::Repellent {
            bed: shedding.id.clone(),
            from: at(first, 0),
            to: at(day(rng.random_range(24..30)), 9),
        });
        if rng.random_bool(0.5) {
            scenario.start_available = rng.random_range(0.15..0.45);
        }
        let mut next = rng.random_range(5..9);
        while next < 28 {
            scenario.event.push(Event::Shower {
                at: at(day(next), rng.random_range(0..23)),
                mm: rng.random_range(18.0..40.0),
                minutes: rng.random_range(120..600),
            });
            next += rng.random_range(4..8);
        }
        scenario
    }
}
