//! Mutations, and which inputs are kept.

use std::collections::HashSet;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::time::{Duration, Instant};

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

/// Longest input, bytes.
const LONGEST: usize = 16 * 1024;
/// Inputs that are kept.
const KEPT_MAX: usize = 4000;
/// An input that takes longer hangs; a busy computer is given room.
const HANGS: Duration = Duration::from_secs(15);

fn folder() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fuzz"))
}

fn from_environment<T: std::str::FromStr>(name: &str, usual: T) -> T {
    std::env::var(name).map_or(usual, |text| text.parse().ok().expect("a number"))
}

fn seeds(target: &str) -> Vec<Vec<u8>> {
    let mut files: Vec<_> =
        fs::read_dir(folder().join("seeds").join(target)).unwrap().map(|it| it.unwrap().path()).collect();
    files.sort();
    files.iter().map(|file| fs::read(file).unwrap()).collect()
}

fn dictionary() -> Vec<Vec<u8>> {
    let text = fs::read_to_string(folder().join("dictionary.txt")).unwrap();
    text.lines().skip(1).map(unescaped).collect()
}

fn unescaped(line: &str) -> Vec<u8> {
    let (mut bytes, mut rest) = (Vec::new(), line.as_bytes());
    while let Some((&first, after)) = rest.split_first() {
        rest = after;
        let escape = if first == b'\\' { rest.first().copied() } else { None };
        match escape {
            Some(b'x') => {
                let hex = std::str::from_utf8(&rest[1..3]).unwrap();
                bytes.push(u8::from_str_radix(hex, 16).unwrap());
                rest = &rest[3..];
                continue;
            }
            Some(b'r') => bytes.push(b'\r'),
            Some(b'n') => bytes.push(b'\n'),
            Some(b't') => bytes.push(b'\t'),
            Some(b'0') => bytes.push(0),
            Some(b'\\') => bytes.push(b'\\'),
            _ => {
                bytes.push(first);
                continue;
            }
        }
        rest = &rest[1..];
    }
    bytes
}

/// The kind of an outcome: its words, without what the input had in them.
pub(crate) fn kind_of(text: &str) -> String {
    let mut kind = String::new();
    let mut quoted = false;
    for letter in text.chars().take(200) {
        match letter {
            '"' | '`' => quoted = !quoted,
            _ if quoted => {}
            letter if letter.is_ascii_alphabetic() => kind.push(letter),
            _ if !kind.ends_with(' ') => kind.push(' '),
            _ => {}
        }
    }
    kind
}

struct Mutator {
    random: ChaCha8Rng,
    dictionary: Vec<Vec<u8>>,
}

impl Mutator {
    fn at(&mut self, length: usize) -> usize {
        self.random.random_range(0..=length)
    }

    fn mutated(&mut self, kept: &[Vec<u8>]) -> Vec<u8> {
        let first = self.random.random_range(0..kept.len());
        let mut it = kept[first].clone();
        for _ in 0..self.random.random_range(1..=6) {
            let from = self.at(it.len());
            let to = (from + self.random.random_range(0..=24)).min(it.len());
            match self.random.random_range(0..10) {
                0 if from < it.len() => it[from] ^= 1 << self.random.random_range(0..8),
                1 if from < it.len() => it[from] = self.random.random_range(0..=255),
                2 => {
                    it.drain(from..to);
                }
                3 => {
                    let piece = it[from..to].to_vec();
                    let place = self.at(it.len());
                    it.splice(place..place, piece);
                }
                4 | 5 => {
                    let word = self.random.random_range(0..self.dictionary.len());
                    it.splice(from..from, self.dictionary[word].clone());
                }
                6 => {
                    let word = self.random.random_range(0..self.dictionary.len());
                    it.splice(from..to, self.dictionary[word].clone());
                }
                7 => {
                    let other = &kept[self.random.random_range(0..kept.len())];
                    let cut = self.random.random_range(0..=other.len());
                    it.truncate(from);
                    it.extend_from_slice(&other[cut..]);
                }
                8 => {
                    // A number in the text becomes another one.
                    if let Some(digit) = it[from..].iter().position(u8::is_ascii_digit) {
                        let begin = from + digit;
                        let length = it[begin..].iter().take_while(|it| it.is_ascii_digit()).count();
                        let number: u64 = self.random.random();
                        let number = number >> self.random.random_range(0..64);
                        it.splice(begin..begin + length, number.to_string().into_bytes());
                    }
                }
                _ => {
                    let times = self.random.random_range(1..200);
                    let byte = it.get(from).copied().unwrap_or(b'[');
                    it.splice(from..from, std::iter::repeat_n(byte, times));
                }
            }
            it.truncate(LONGEST);
        }
        it
    }
}

/// Runs a target on mutations of its seeds for the time that is set. It returns the kind of an
/// outcome.
///
/// # Panics
/// Where the target panics or hangs.
pub(crate) fn fuzz(name: &str, mut target: impl FnMut(&[u8]) -> String) {
    let (seconds, seed) = (from_environment("FUZZ_SECONDS", 1.0), from_environment("FUZZ_SEED", 10_u64));
    let mut kept = seeds(name);
    let from_seeds = kept.len();
    let mut mutator = Mutator { random: ChaCha8Rng::seed_from_u64(seed), dictionary: dictionary() };
    let mut kinds = HashSet::new();
    let (began, mut executions, mut slowest) = (Instant::now(), 0_u64, Duration::ZERO);
    while executions < from_seeds as u64 || began.elapsed().as_secs_f64() < seconds {
        let number = usize::try_from(executions).unwrap_or(usize::MAX);
        let input = if number < from_seeds { kept[number].clone() } else { mutator.mutated(&kept) };
        let start = Instant::now();
        let outcome = catch_unwind(AssertUnwindSafe(|| target(&input)));
        let took = start.elapsed();
        slowest = slowest.max(took);
        executions += 1;
        let Ok(kind) =
            outcome.as_ref().map_err(|_| ()).and_then(|kind| if took < HANGS { Ok(kind) } else { Err(()) })
        else {
            let left = Path::new(env!("CARGO_TARGET_TMPDIR")).join("fuzz");
            fs::create_dir_all(&left).unwrap();
            let file = left.join(format!("{name}-{seed}-{executions}"));
            fs::write(&file, &input).unwrap();
            panic!(
                "{name}: seed {seed}, execution {executions}, {took:?}, input in {}:\n{}",
                file.display(),
                input.escape_ascii()
            );
        };
        if number >= from_seeds && !kinds.contains(kind) && kept.len() < KEPT_MAX {
            kept.push(input);
        }
        kinds.insert(kind.clone());
    }
    println!(
        "{name}: {executions} executions in {:.1} s, {} kinds of outcome, {} inputs kept of {from_seeds} seeds, slowest \
         {slowest:?}, seed {seed}",
        began.elapsed().as_secs_f64(),
        kinds.len(),
        kept.len()
    );
    assert!(kinds.len() > 3, "{name}: the target tells nothing apart: {kinds:?}");
}
