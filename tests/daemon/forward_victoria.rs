//! Forwarding to a real VictoriaMetrics (1.79 from Debian), which answers before it has
//! written to its disk: what it took last is lost when it is killed.

use std::time::Duration;

use trug::deliver::forward::ForwardTarget;

use crate::support::forwarding::Forwarding;
use crate::support::garden::{START_MS, reading};
use crate::support::victoria::Victoria;

/// Three kills within 60,000 points: with what was taken last sent again, all of them are
/// there; without it, what it took in the seconds before each kill is lost.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_reading_reaches_victoria_metrics_although_it_is_killed_on_the_way() {
    const COUNT: i64 = 60_000;
    let mut victoria = Victoria::start();
    let mut forwarding = Forwarding::new(12);
    let target = ForwardTarget {
        keep_back: Duration::from_secs(60),
        gzip: true,
        ..Forwarding::target(victoria.write_url(), 5000)
    };
    forwarding.start(target.clone());
    let part = COUNT / 4;
    for from in (0..COUNT).step_by(part as usize) {
        forwarding.add((from..from + part).map(|n| reading((n % 12) as u32, n, n as f64)).collect());
        // It has taken some or all of them, and told nobody that it keeps them.
        tokio::time::sleep(Duration::from_millis(1500)).await;
        if from + part < COUNT {
            victoria.kill();
            // The next readings find nobody.
            forwarding.add(vec![reading(0, COUNT + from, 0.5)]);
            tokio::time::sleep(Duration::from_millis(300)).await;
            victoria.restart();
        }
    }
    assert_eq!(forwarding.position(), 0, "nothing counts as kept before a minute has gone");
    let expected = |sensor: i64| {
        let late = [0, part, 2 * part].map(|from| (START_MS + COUNT + from, 0.5));
        let all = (sensor..COUNT).step_by(12).map(|n| (START_MS + n, n as f64));
        all.chain(late.into_iter().filter(move |_| sensor == 0)).collect::<Vec<_>>()
    };
    for sensor in 0..12 {
        let mut found = Vec::new();
        for _ in 0..100 {
            found = victoria.points("garden_reading_raw", &format!("probe-{sensor}")).await;
            found.dedup();
            if found.len() == expected(sensor).len() {
                break;
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        assert!(found == expected(sensor), "probe {sensor}: {} of {}", found.len(), expected(sensor).len());
    }
    forwarding.stop().await;
}

/// Killed and started again while nothing is sent, and long before the next reading: only
/// that its connection is another one tells of it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn victoria_metrics_that_is_started_again_between_two_requests_loses_nothing() {
    const COUNT: i64 = 20_000;
    let mut victoria = Victoria::start();
    let mut forwarding = Forwarding::new(4);
    let target = ForwardTarget {
        keep_back: Duration::from_secs(60),
        ..Forwarding::target(victoria.write_url(), 5000)
    };
    forwarding.start(target);
    forwarding.add((0..COUNT).map(|n| reading((n % 4) as u32, n, n as f64)).collect());
    // It has taken all of them.
    tokio::time::sleep(Duration::from_millis(1500)).await;
    victoria.kill();
    victoria.restart();
    let mut found = Vec::new();
    for _ in 0..200 {
        found = victoria.points("garden_reading_raw", "probe-3").await;
        found.dedup();
        if found.len() == COUNT as usize / 4 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let expected: Vec<_> = (3..COUNT).step_by(4).map(|n| (START_MS + n, n as f64)).collect();
    assert!(found == expected, "{} of {}", found.len(), expected.len());
    forwarding.stop().await;
}
