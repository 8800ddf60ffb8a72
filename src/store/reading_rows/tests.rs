//! Many readings at once come to the same as a few at a time.

use super::*;
use crate::garden::record::Batch;
use crate::store::Store;
use crate::store::test_garden::{at, only, probes, reading};

/// What is stored of readings that come so many at a time, and what was said of them.
fn taken(readings: &[Reading], at_once: usize) -> (Vec<String>, Committed) {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(&folder.path().join("trug.db"), &[probes(4)]).unwrap();
    let number = store.begin_import("past.csv", at(0)).unwrap();
    let mut sum = Committed::default();
    for some in readings.chunks(at_once) {
        let batch = Batch { readings: some.to_vec(), ..Batch::default() };
        let Committed { stored, repeated, conflicting, .. } = store.commit(&only(&batch)).unwrap();
        sum.stored += stored;
        sum.repeated += repeated;
        sum.conflicting += conflicting;
    }
    store.end_import(number).unwrap();
    let rows = [
        "SELECT format('%d %d %.17g %.17g %d %d %d %d', at, series, raw, value, flag, tests, time_from, late) FROM reading
         ORDER BY at, series",
        "SELECT format('%d %d %d', import, at, series) FROM import_reading ORDER BY at, series",
        "SELECT format('%d %s %s %s', at, topic, payload, reason) FROM reject ORDER BY seq",
        "SELECT format('%d %d', number, readings) FROM import_batch",
    ];
    let rows = rows
        .iter()
        .flat_map(|sql| query::list::<String>(&store.connection, sql, [], |row| row.get(0)).unwrap());
    (rows.collect(), sum)
}

/// First whole runs of new readings; then some that are there, some of which say another
/// number; then some in no order; and now and then one twice on end.
#[test]
fn readings_come_to_the_same_however_many_come_at_once() {
    let mut readings = Vec::new();
    for i in 0..2_400_u32 {
        let (time, raw) = match i {
            0..900 => (i, 1000.0),
            900..1200 => (i - 900, if i.is_multiple_of(3) { 1001.0 } else { 1000.0 }),
            _ => (900 + i * 7919 % 700, 1000.0 + f64::from(i % 2)),
        };
        readings.extend(vec![reading(i % 4, i64::from(time) * 1000, raw); if i % 97 == 96 { 2 } else { 1 }]);
    }
    let few = taken(&readings, RUN / 9);
    assert!(few.1.stored > 1000 && few.1.repeated > 100 && few.1.conflicting > 100, "{:?}", few.1);
    for at_once in [RUN, 2 * RUN + 3, readings.len()] {
        let many = taken(&readings, at_once);
        assert_eq!(many.1, few.1, "{at_once} at once");
        assert!(many.0 == few.0, "{at_once} at once: other rows");
    }
}
