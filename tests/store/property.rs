//! Whatever batches come, with whatever repeats: each reading is there once. And
//! what a row costs.

#![allow(clippy::float_cmp, reason = "numbers must come back to the bit")]

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::time::Instant;

use crate::support::garden::{START_MS, only, probes, reading};
use proptest::prelude::*;
use trug::garden::record::Batch;
use trug::store::{Reader, ReadingFilter, Store, Transaction};

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn each_key_is_stored_once_and_the_first_raw_number_stays(
        batches in prop::collection::vec(
            prop::collection::vec((0_u32..4, 0_i64..30, 0_u8..3), 0..40),
            1..8,
        ),
        reopen in any::<bool>(),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("trug.db");
        let mut store = Store::open(&path, &[probes(4)]).unwrap();
        let mut model: BTreeMap<(i64, u32), f64> = BTreeMap::new();
        for keys in &batches {
            let readings = keys.iter().map(|&(sensor, ms, raw)| reading(sensor, ms, f64::from(raw))).collect();
            let (mut stored, mut repeated, mut conflicting) = (0, 0, 0);
            for &(sensor, ms, raw) in keys {
                match model.get(&(ms, sensor)) {
                    None => {
                        model.insert((ms, sensor), f64::from(raw));
                        stored += 1;
                    }
                    Some(there) if there.to_bits() == f64::from(raw).to_bits() => repeated += 1,
                    Some(_) => conflicting += 1,
                }
            }
            if reopen {
                drop(store);
                store = Store::open(&path, &[probes(4)]).unwrap();
            }
            let batch = Batch { readings, ..Batch::default() };
            let committed = store.commit(&Transaction { forward: true, ..only(&batch) }).unwrap();
            prop_assert_eq!(
                (committed.stored, committed.repeated, committed.conflicting),
                (stored, repeated, conflicting)
            );
        }
        let reader = Reader::open(&path).unwrap();
        let mut found = Vec::new();
        reader
            .readings(&ReadingFilter::default(), |row| {
                let sensor = row.series.sensor.trim_start_matches("probe-").parse().unwrap();
                found.push(((row.at.as_millisecond() - START_MS, sensor), row.raw));
                ControlFlow::Continue(())
            })
            .unwrap();
        prop_assert_eq!(found, model.clone().into_iter().collect::<Vec<_>>());
        // The queue holds each of them once too, with numbers in order.
        let rows = reader.forward_rows(0, 10_000).unwrap();
        prop_assert_eq!(rows.len(), model.len());
        prop_assert!(rows.iter().zip(1..).all(|(row, seq)| row.seq == seq));
    }
}

/// Prints what a row costs: 1,000 sensors, 1,000 rows in each commit.
#[test]
#[ignore = "a measurement, not a check: run it by name with --release --nocapture"]
fn cost_of_a_row() {
    const SENSORS: u32 = 1000;
    const COMMITS: i64 = 300;
    for forward in [false, true] {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(&folder.path().join("trug.db"), &[probes(SENSORS)]).unwrap();
        let mut batch = Batch::default();
        let mut worst = 0.0_f64;
        let begin = Instant::now();
        for commit in 0..COMMITS {
            batch.clear();
            batch.readings.extend((0..SENSORS).map(|sensor| {
                reading(sensor, commit * 60_000 + i64::from(sensor) * 60, f64::from(sensor) + 0.5)
            }));
            let one = Instant::now();
            let committed = store.commit(&Transaction { forward, ..only(&batch) }).unwrap();
            assert_eq!(committed.stored, SENSORS as usize, "every reading is new");
            worst = worst.max(one.elapsed().as_secs_f64() * 1e3);
        }
        let rows = f64::from(SENSORS) * COMMITS as f64;
        println!(
            "forward {forward}: {:.2} microseconds a row over {rows} rows, slowest commit {worst:.1} ms",
            begin.elapsed().as_secs_f64() * 1e6 / rows
        );
    }
}
