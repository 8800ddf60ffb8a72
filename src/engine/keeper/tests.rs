//! Core, store and outbox under a simulated clock, broker, disk and network, all from one
//! seed. Faults come at each step; after each step the invariants hold; when the faults
//! stop, everything arrives.
//!
//! `FAULT_SEEDS=100000` tries so many seeds, `FAULT_SEED=7` one of them and prints what
//! happened. A failure prints its seed and the command that plays it again.

mod broker;
mod counts;
mod disk;
mod record;
mod world;

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::time::{Duration, Instant};

use counts::{FaultCounts, WorldKind};
use world::FaultyWorld;

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014; constants from memory): any even spread
/// will do.
pub(super) struct Draw(u64);

impl Draw {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub(super) fn below(&mut self, bound: u64) -> u64 {
        self.next() % bound.max(1)
    }

    pub(super) fn one_in(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }
}

/// Seeds in `tests/run`, for each of the two kinds of world.
const SEEDS: u64 = 1000;
/// How long they may take; what is left of them then is left out and said so.
const LONGEST: Duration = Duration::from_secs(20);

fn seeds(kind: WorldKind, test: &str) {
    let number = |key: &str| -> Option<u64> {
        std::env::var(key).ok().map(|text| text.parse().unwrap_or_else(|_| panic!("{key} is a whole number")))
    };
    let one = number("FAULT_SEED");
    let (from, to) = one.map_or((0, number("FAULT_SEEDS").unwrap_or(SEEDS)), |seed| (seed, seed + 1));
    let began = Instant::now();
    let mut total = FaultCounts::default();
    let mut played = 0;
    for seed in from..to {
        if began.elapsed() > LONGEST && number("FAULT_SEEDS").is_none() {
            break;
        }
        let mut world = FaultyWorld::new(kind, seed, one.is_some());
        let ended = catch_unwind(AssertUnwindSafe(|| world.play()));
        if let Err(reason) = ended {
            eprintln!("{}", world.story());
            eprintln!(
                "seed {seed} failed; again: FAULT_SEED={seed} cargo nextest run --locked --workspace --lib -E 'test({test})' --no-capture"
            );
            resume_unwind(reason);
        }
        total.add(&world.counts);
        played += 1;
    }
    println!("{played} seeds in {:.1} s: {total}", began.elapsed().as_secs_f64());
    if let Some(file) = std::env::var_os("FAULTS_ROWS") {
        let row = total.row(kind, played, began.elapsed());
        std::fs::create_dir_all(&file).expect("the folder of the rows");
        std::fs::write(std::path::Path::new(&file).join(format!("1-{kind:?}")), row).expect("a row");
    }
    assert!(
        played > 0 && total.crashes + total.stops > 0 && total.resumed > 0 || one.is_some(),
        "nothing was tried"
    );
}

#[test]
fn faults_change_nothing_of_what_is_kept_and_told() {
    seeds(WorldKind::SameAsCalm, "faults_change_nothing_of_what_is_kept_and_told");
}

#[test]
fn faults_and_clocks_that_jump_lose_nothing_and_tell_nothing_twice() {
    seeds(WorldKind::ClockJumps, "faults_and_clocks_that_jump_lose_nothing_and_tell_nothing_twice");
}
