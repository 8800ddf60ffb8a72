//! Quarter hours of UTC, and which of them lie within one hour or day of a zone.
//!
//! The hours and days of nearly every zone begin on a quarter hour of UTC: offsets such
//! as +5:45 and +12:45 are whole quarters (IANA time zone database, as bundled with
//! jiff). The test below goes through all its zones from 1970 on and names the few
//! stretches where it is not so; there [`Edges::holds`] says no, and the single readings
//! are to be looked at instead.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{BinWidth, bin_of};

/// Milliseconds in a quarter hour.
pub const QUARTER_MS: i64 = 900_000;

/// The beginning of the quarter hour in which a moment lies, both in milliseconds since
/// 1970-01-01 UTC.
pub fn quarter_of(ms: i64) -> i64 {
    ms.saturating_sub(ms.rem_euclid(QUARTER_MS))
}

/// Finds the bins of moments that come in order, without asking the zone each time.
#[derive(Clone, Debug)]
pub struct Edges<'a> {
    zone: &'a TimeZone,
    step: BinWidth,
    bin: (Timestamp, Timestamp),
    /// Moments in this stretch lie in `bin`: no change of the clock is in it.
    from: Timestamp,
    until: Timestamp,
    /// The clock is not changed in this stretch. To ask the zone for its next change
    /// takes longer than all the rest.
    steady: (Timestamp, Timestamp),
}

impl<'a> Edges<'a> {
    pub fn new(zone: &'a TimeZone, step: BinWidth) -> Self {
        let none = (Timestamp::MIN, Timestamp::MIN);
        Self { zone, step, bin: none, from: Timestamp::MAX, until: Timestamp::MIN, steady: none }
    }

    /// The same as [`bin_of`].
    pub fn bin_of(&mut self, at: Timestamp) -> (Timestamp, Timestamp) {
        if at < self.from || at >= self.until {
            self.bin = bin_of(at, self.step, self.zone);
            if at < self.steady.0 || at >= self.steady.1 {
                let change = self.zone.following(at).next();
                self.steady = (at, change.map_or(Timestamp::MAX, |change| change.timestamp()));
            }
            (self.from, self.until) = (at, self.bin.1.min(self.steady.1));
        }
        self.bin
    }

    /// The end of the stretch in which moments lie in the bin that was found last.
    pub fn until(&self) -> Timestamp {
        self.until
    }

    /// The bin that holds all of the quarter hour that begins at `start`; `None` where
    /// it lies in two, or the clock is changed within it.
    pub fn holds(&mut self, start: Timestamp) -> Option<(Timestamp, Timestamp)> {
        let last = Timestamp::from_millisecond(start.as_millisecond() + QUARTER_MS - 1).ok()?;
        let bin = self.bin_of(start);
        (self.step != BinWidth::Raw && start >= bin.0 && last < self.until).then_some(bin)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    /// Every zone of the bundled database, at each change of its clock from 1970 to
    /// 2040 and once more in each year: the hours and days there begin and end on
    /// quarter hours of UTC. What does not hold is listed, and is not taken for whole.
    #[test]
    fn hours_and_days_of_every_zone_begin_on_quarters() {
        let mut unlike = std::collections::BTreeSet::new();
        let (mut zones, mut looked_at) = (0, 0);
        let database = jiff::tz::TimeZoneDatabase::bundled();
        for name in database.available() {
            let zone = database.get(name.as_str()).expect("a zone that is listed");
            zones += 1;
            let end = at("2040-01-01T00:00:00Z");
            let changes = zone.following(at("1970-01-01T00:00:00Z")).map(|it| it.timestamp());
            let plain = (0..70).map(|year| {
                Timestamp::from_second(year * 31_556_952 + 43_200).expect("a time of this century")
            });
            for moment in changes.take_while(|it| *it < end).chain(plain) {
                for step in [BinWidth::Hour, BinWidth::Day] {
                    looked_at += 1;
                    let bin = bin_of(moment, step, &zone);
                    let mut edges = Edges::new(&zone, step);
                    for near in [bin.0, moment, bin.1] {
                        for quarters in -2..2 {
                            let start = quarter_of(near.as_millisecond()) + quarters * QUARTER_MS;
                            let time = |ms| Timestamp::from_millisecond(ms).expect("a time of this century");
                            let (first, last) = (time(start), time(start + QUARTER_MS - 1));
                            if let Some(bin) = edges.holds(first) {
                                // Moments between may not lie elsewhere either.
                                for ms in [0, 60_000, QUARTER_MS - 1] {
                                    assert_eq!(bin_of(time(start + ms), step, &zone), bin, "{name} {first}");
                                }
                            } else {
                                unlike.insert((name.to_string(), first.strftime("%Y").to_string()));
                            }
                            for at in [first, last] {
                                assert_eq!(edges.bin_of(at), bin_of(at, step, &zone), "{name} {at}");
                            }
                        }
                    }
                }
            }
        }
        assert!(zones > 300 && looked_at > 50_000, "{zones} zones, {looked_at} moments");
        println!("{zones} zones, {looked_at} moments; not on quarters: {unlike:?}");
        let mut found: Vec<(&str, &str, &str)> = Vec::new();
        for (name, year) in &unlike {
            match found.last_mut() {
                Some(last) if last.0 == name => last.2 = year,
                _ => found.push((name, year, year)),
            }
        }
        assert_eq!(found, UNLIKE);
    }

    /// Zones in which it does not hold, with the first and the last year. Liberia was 44.5
    /// minutes behind UTC, and Kiritimati 10 hours 40 minutes. The others changed their
    /// clocks at one minute past midnight.
    const UNLIKE: &[(&str, &str, &str)] = &[
        ("Africa/Monrovia", "1970", "1972"),
        ("America/Goose_Bay", "1987", "2011"),
        ("America/Moncton", "1993", "2006"),
        ("America/St_Johns", "1987", "2011"),
        ("Antarctica/Casey", "2010", "2022"),
        ("Asia/Gaza", "2010", "2011"),
        ("Asia/Hebron", "2011", "2011"),
        ("Canada/Newfoundland", "1987", "2011"),
        ("Pacific/Guam", "1976", "1976"),
        ("Pacific/Kiritimati", "1970", "1979"),
        ("Pacific/Saipan", "1976", "1976"),
    ];
}
