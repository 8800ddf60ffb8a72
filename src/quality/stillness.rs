//! How often a sensor moves, and so how long it may stand still.
//!
//! A sensor shows steps of its own resolution. One that resolves 0.0003 m3/m3 moves
//! with nearly each reading, by its noise alone; one that resolves 0.001 m3/m3 in
//! quiet soil may show one number for more than a week and be well. So the time that
//! [`Flat`] names holds for sensors that move with nearly every reading; one that
//! moves seldom has a multiple of its own mean time between two moves, up to
//! [`Flat::longest_s`]. Where like sensors of the garden are known, the caller asks
//! them too ([`Stillness::range_since`]): where nothing moves, nothing is stuck.
//!
//! The numbers are this project's own. They were chosen on an open record of grassland
//! soil (36 sensor-years at each of three depths, hourly, 0.001 m3/m3) and hold for
//! estuary water at 0.1 °C and 0.1 pH; the module's tests show which sensors they leave alone.

use std::collections::VecDeque;

use jiff::Timestamp;

use crate::model::push_tight;

use super::limits::{Flat, LONGEST_STILL_S};

/// What is remembered of a sensor's moves, seconds: twelve days and a half. With the
/// longest stretch that counts ([`STRETCH_MOST_S`]) it stays below what a restart
/// gives back.
pub const MOVES_KEPT_S: i64 = PIECES * PIECE_S;
const PIECE_S: i64 = 12 * 3600;
const PIECES: i64 = 25;
const _: () = assert!(MOVES_KEPT_S as f64 == LONGEST_STILL_S, "what is longer cannot be judged");
/// One still stretch counts as this long at most.
const STRETCH_MOST_S: i64 = 60 * 3600;
/// A sensor that moves seldom may stand still for so many of its mean times between
/// moves. Moves come in bursts (rain, noon): for evenly scattered ones 10 would do.
const MEAN_TIMES: f64 = 24.0;
/// A sensor whose mean time between moves is below so many of its intervals moves with
/// nearly every reading: four in five.
const NEARLY_EVERY: f64 = 1.25;
/// A sensor whose values lie within so many of its steps has only stood on the edge between them.
const STEPS_OF_AN_EDGE: f64 = 2.5;
/// One that has never moved yet gets this part of the longest time.
const NEVER_MOVED_PART: f64 = 0.25;
/// Like sensors must have moved by so many of the sensor's own steps.
pub const LIKE_STEPS: f64 = 10.0;

/// Twelve hours of a sensor.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
struct MovesPiece {
    moves: u32,
    /// Length of the still stretches that ended in it, seconds.
    stretches_s: u32,
    /// Lowest and highest value, and smallest step; in the quantity's unit.
    low: f32,
    high: f32,
    step: f32,
}

impl MovesPiece {
    const EMPTY: Self =
        Self { moves: 0, stretches_s: 0, low: f32::INFINITY, high: f32::NEG_INFINITY, step: f32::INFINITY };
}

/// Twelve hours that are over, in 14 bytes: moves to 65,535, stretches in steps of four
/// seconds; what is between highest and lowest, and the step, to the 65,536th part of them,
/// where the tests ask for a thousandth.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct PastPiece {
    high: [u8; 4],
    range: [u8; 3],
    step: [u8; 3],
    moves: [u8; 2],
    stretches: [u8; 2],
}

/// Seconds of a step of a past piece's stretches: 60 hours and a piece have room.
const STRETCH_STEP_S: u32 = 4;
const _: () = assert!(STRETCH_MOST_S + PIECE_S < u16::MAX as i64 * STRETCH_STEP_S as i64);

impl PastPiece {
    fn of(piece: MovesPiece) -> Self {
        let to_u16 = |it: u32| u16::try_from(it).unwrap_or(u16::MAX).to_le_bytes();
        // Of an empty one it is infinite.
        let range = if piece.low <= piece.high { piece.high - piece.low } else { f32::INFINITY };
        Self {
            high: piece.high.to_le_bytes(),
            range: short(range),
            step: short(piece.step),
            moves: to_u16(piece.moves),
            stretches: to_u16(piece.stretches_s.saturating_add(STRETCH_STEP_S / 2) / STRETCH_STEP_S),
        }
    }

    fn open(self) -> MovesPiece {
        let high = f32::from_le_bytes(self.high);
        let range = long(self.range);
        MovesPiece {
            moves: u16::from_le_bytes(self.moves).into(),
            stretches_s: u32::from(u16::from_le_bytes(self.stretches)) * STRETCH_STEP_S,
            low: if range.is_finite() { high - range } else { f32::INFINITY },
            high,
            step: long(self.step),
        }
    }
}

/// The upper three bytes of a number that is not below 0, rounded.
fn short(value: f32) -> [u8; 3] {
    let bits = value.to_bits();
    let [_, a, b, c] = if value.is_finite() { bits.saturating_add(0x80) } else { bits }.to_le_bytes();
    [a, b, c]
}

fn long([a, b, c]: [u8; 3]) -> f32 {
    f32::from_le_bytes([0, a, b, c])
}

/// One sensor's moves in the last days: at most half a kilobyte.
///
/// After a restart it is rebuilt from the stored readings of the last fifteen days.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Stillness {
    /// The pieces before the present one, without a hole, oldest first.
    past: VecDeque<PastPiece>,
    /// The present piece's number since 1970; `None`: there is none.
    present: Option<(i32, MovesPiece)>,
    /// The last value.
    last: Option<LastValue>,
    /// The present stretch has been judged too long.
    stuck: bool,
}

/// A value, its time and since when it has stood still, seconds since 1970.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct LastValue {
    value: f64,
    at_s: i64,
    since_s: i64,
}

impl Stillness {
    /// Takes a value that is no gross error, later than all before it, and whether it
    /// was judged to stand still for too long.
    pub fn push(&mut self, at: Timestamp, value: f64, flat: &Flat, gap_s: f64, stuck: bool) {
        let at_s = at.as_second();
        let last = self.last;
        let piece = self.piece(at_s);
        let shown = value as f32;
        (piece.low, piece.high) = (piece.low.min(shown), piece.high.max(shown));
        let since_s = match last {
            None => at_s,
            Some(LastValue { value: before, at_s: before_s, since_s }) => {
                let step = (value - before).abs();
                let gap = (at_s - before_s) as f64 > gap_s;
                if !gap && step < flat.tolerance {
                    since_s
                } else {
                    // Beside a gap nobody knows when it moved, or whether it did.
                    let to_s = if gap { before_s } else { at_s };
                    let stretch_s = (to_s - since_s).clamp(0, STRETCH_MOST_S);
                    piece.stretches_s = piece.stretches_s.saturating_add(stretch_s as u32);
                    if !gap {
                        piece.moves = piece.moves.saturating_add(1);
                        piece.step = piece.step.min(step as f32);
                    }
                    at_s
                }
            }
        };
        self.stuck = stuck || (self.stuck && since_s != at_s);
        self.last = Some(LastValue { value, at_s, since_s });
    }

    fn piece(&mut self, at_s: i64) -> &mut MovesPiece {
        // Whole millennia of them have room.
        let number = at_s.div_euclid(PIECE_S) as i32;
        if let Some((before, piece)) = self.present.filter(|(before, _)| *before < number) {
            self.present = None;
            if i64::from(number - before) >= PIECES {
                self.past.clear();
            } else {
                self.end(piece);
                (before + 1..number).for_each(|_| self.end(MovesPiece::EMPTY));
            }
        }
        &mut self.present.get_or_insert((number, MovesPiece::EMPTY)).1
    }

    /// Keeps a piece that is over.
    fn end(&mut self, piece: MovesPiece) {
        if self.past.len() as i64 >= PIECES - 1 {
            self.past.pop_front();
        }
        push_tight(&mut self.past, PastPiece::of(piece));
    }

    /// The pieces, oldest first, each with its number since 1970.
    fn pieces(&self) -> impl Iterator<Item = (i32, MovesPiece)> + '_ {
        let first = self.present.map_or(0, |(number, _)| number - self.past.len() as i32);
        (first..).zip(self.past.iter().map(|it| it.open())).chain(self.present)
    }

    /// Since when the last value has stood still.
    pub fn since(&self) -> Option<Timestamp> {
        self.last.and_then(|last| Timestamp::from_second(last.since_s).ok())
    }

    /// Seconds for which the last value will have stood still at `at`, if it is still the same then.
    pub fn still_s(&self, at: Timestamp) -> f64 {
        self.last.map_or(0.0, |last| (at.as_second() - last.since_s) as f64)
    }

    /// Whether the present stretch has been judged too long: it stays so until the sensor moves.
    pub fn is_stuck(&self) -> bool {
        self.stuck
    }

    /// A fault that stood before a restart: where the readings given back show no move,
    /// it goes on.
    pub fn restore_stuck(&mut self) {
        if let Some(last) = self.last {
            self.stuck |= last.at_s - last.since_s >= MOVES_KEPT_S;
        }
    }

    /// Mean time between moves before the present stretch, seconds; `None`: there was none
    /// in [`MOVES_KEPT_S`].
    pub fn mean_s(&self) -> Option<f64> {
        let (moves, whole_s) = self.pieces().fold((0u32, 0i64), |(moves, whole_s), (_, piece)| {
            (moves.saturating_add(piece.moves), whole_s + i64::from(piece.stretches_s))
        });
        (moves > 0).then(|| whole_s as f64 / f64::from(moves))
    }

    /// How long this sensor, which speaks every `every_s` seconds, may stand still,
    /// seconds: not below [`Flat::suspect_s`].
    pub fn patience_s(&self, flat: &Flat, every_s: u32) -> f64 {
        let Some(longest_s) = flat.longest_s else { return flat.suspect_s };
        let own_s = match self.mean_s() {
            Some(mean_s) if mean_s <= NEARLY_EVERY * f64::from(every_s) => 0.0,
            // Between two neighbouring values it may have stood on the edge of both.
            Some(_) if self.range() <= STEPS_OF_AN_EDGE * self.step().unwrap_or(0.0) => longest_s,
            Some(mean_s) => (MEAN_TIMES * mean_s).min(longest_s),
            None if self.has_never_moved() => NEVER_MOVED_PART * longest_s,
            None => longest_s,
        };
        own_s.max(flat.suspect_s)
    }

    /// Highest less lowest value of all that is remembered.
    fn range(&self) -> f64 {
        self.range_from(i64::MIN).unwrap_or(0.0)
    }

    /// The present stretch is all that is known, and it is no longer than what is remembered.
    fn has_never_moved(&self) -> bool {
        let still_s = self.last.map_or(0, |last| last.at_s - last.since_s);
        still_s < MOVES_KEPT_S - PIECE_S && self.pieces().all(|(_, piece)| piece.stretches_s == 0)
    }

    /// The smallest step that it made, in the quantity's unit: its resolution, or more.
    pub fn step(&self) -> Option<f64> {
        let step = self.pieces().fold(f32::INFINITY, |least, (_, piece)| least.min(piece.step));
        step.is_finite().then(|| f64::from(step))
    }

    /// Highest less lowest value in the whole pieces of twelve hours since `since`;
    /// `None` where it has none.
    pub fn range_since(&self, since: Timestamp) -> Option<f64> {
        self.range_from(since.as_second())
    }

    fn range_from(&self, since_s: i64) -> Option<f64> {
        let within = |number: i32| i64::from(number) * PIECE_S >= since_s;
        let pieces = self.pieces().filter(|(number, it)| within(*number) && it.low <= it.high);
        let (low, high) = pieces.fold((f32::INFINITY, f32::NEG_INFINITY), |(low, high), (_, piece)| {
            (low.min(piece.low), high.max(piece.high))
        });
        (low <= high).then(|| f64::from(high - low))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Quantity;
    use crate::quality::Limits;

    const EVERY_S: u32 = 3600;

    fn limits() -> Limits {
        Limits::default_for(Quantity::SoilMoisture, EVERY_S)
    }

    fn flat() -> Flat {
        limits().flat.expect("soil moisture has the test")
    }

    fn at(hour: i64) -> Timestamp {
        Timestamp::from_second(1_776_384_000 + 3600 * hour).expect("in range")
    }

    fn fed(values: impl IntoIterator<Item = f64>) -> Stillness {
        let mut watch = Stillness::default();
        for (hour, value) in (0..).zip(values) {
            watch.push(at(hour), value, &flat(), limits().gap_s, false);
        }
        watch
    }

    fn patience_h(watch: &Stillness) -> f64 {
        watch.patience_s(&flat(), EVERY_S) / 3600.0
    }

    #[test]
    fn a_fine_sensor_has_half_a_day() {
        let watch = fed((0..200).map(|hour| 0.2 + 0.0003 * f64::from(hour % 7)));
        assert!((patience_h(&watch) - 12.0).abs() < 1e-9);
        assert!(watch.step().is_some_and(|step| (step - 0.0003).abs() < 1e-6), "{:?}", watch.step());
    }

    #[test]
    fn a_coarse_one_has_24_of_its_own_times() {
        // A step of 0.001 every five hours.
        let watch = fed((0..400).map(|hour| 0.3 - 0.001 * f64::from(hour / 5)));
        assert!((patience_h(&watch) - 120.0).abs() < 1.0, "{}", patience_h(&watch));
        assert!(watch.step().is_some_and(|step| (step - 0.001).abs() < 1e-6));
        // One in two days: as long as it is remembered.
        let watch = fed((0..400).map(|hour| 0.3 - 0.001 * f64::from(hour / 48)));
        assert!((patience_h(&watch) - 300.0).abs() < 1e-9);
    }

    #[test]
    fn one_that_never_moved_has_three_days() {
        assert!((patience_h(&fed(vec![0.2; 100])) - 75.0).abs() < 1e-9);
        assert!((patience_h(&Stillness::default()) - 75.0).abs() < 1e-9);
    }

    /// A value on the edge of two thousandths shows both in turn; off the edge it rests.
    #[test]
    fn to_and_fro_on_an_edge_shows_no_movement() {
        let watch = fed((0..200).map(|hour| 0.3 + 0.001 * f64::from(hour / 2 % 2)));
        assert!((patience_h(&watch) - 300.0).abs() < 1e-9);
    }

    /// A stretch for which it was stuck makes it hardly slower.
    #[test]
    fn two_stuck_days_teach_little() {
        let fine = |hour: i32| 0.2 + 0.0003 * f64::from(hour % 7);
        let watch = fed((0..300).map(|hour| if (100..148).contains(&hour) { 0.25 } else { fine(hour) }));
        assert!(patience_h(&watch) <= 30.0, "{}", patience_h(&watch));
    }

    #[test]
    fn what_is_stuck_stays_so_until_it_moves() {
        let mut watch = fed((0..20).map(f64::from));
        watch.push(at(20), 19.0, &flat(), limits().gap_s, true);
        watch.push(at(21), 19.0, &flat(), limits().gap_s, false);
        assert!(watch.is_stuck());
        watch.push(at(22), 19.5, &flat(), limits().gap_s, false);
        assert!(!watch.is_stuck());
        assert_eq!((watch.still_s(at(25)).round() as i64, watch.since()), (3 * 3600, Some(at(22))));
    }

    #[test]
    fn the_range_is_that_of_whole_half_days() {
        let watch = fed((0..72).map(|hour| 0.2 + 0.001 * f64::from(hour)));
        let range = |hour| watch.range_since(at(hour)).map(|range| (range * 1000.0).round());
        assert_eq!((range(0), range(1), range(12), range(61)), (Some(71.0), Some(59.0), Some(59.0), None));
    }

    /// After fifteen days of readings a rebuilt one knows the same as one that never stopped.
    #[test]
    fn fifteen_days_are_enough() {
        let mut seed = 7_u32;
        let mut value = 0.3;
        let readings: Vec<(i64, f64)> = (0..24 * 60)
            .map(|hour| {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let still = if hour / 240 % 2 == 0 { 6 } else { 90 };
                if (seed >> 16).is_multiple_of(still) {
                    value -= 0.001;
                }
                (hour, value)
            })
            .collect();
        let mut whole = Stillness::default();
        for end in 1..readings.len() {
            let (hour, value) = readings[end - 1];
            whole.push(at(hour), value, &flat(), limits().gap_s, false);
            if end % 37 == 0 {
                let mut rebuilt = Stillness::default();
                for &(hour, value) in &readings[end.saturating_sub(360)..end] {
                    rebuilt.push(at(hour), value, &flat(), limits().gap_s, false);
                }
                let apart_h = patience_h(&rebuilt) - patience_h(&whole);
                assert!(apart_h.abs() < 1e-9, "hour {hour}: {apart_h}");
                assert_eq!(rebuilt.step(), whole.step());
            }
        }
        assert!(whole.pieces().count() <= 25);
    }

    #[test]
    fn the_state_is_small() {
        assert_eq!(size_of::<PastPiece>(), 14);
        let watch = fed((0..2000).map(f64::from));
        assert!(watch.past.capacity() * size_of::<PastPiece>() + size_of::<Stillness>() <= 512);
    }

    /// The tests that ask for figures of a piece ask for a thousandth of them.
    #[test]
    fn a_past_piece_is_as_it_was() {
        let mut seed = 7_u32;
        let mut draw = |most: f32| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            most * (seed >> 8) as f32 / 16_777_216.0
        };
        for number in 0..10_000_u32 {
            let low = draw(1100.0) - 40.0;
            let piece = MovesPiece {
                moves: number,
                stretches_s: number * 25,
                low,
                high: low + draw(20.0),
                step: draw(0.01),
            };
            let past = PastPiece::of(piece).open();
            let near = |kept: f32, is: f32, within: f32| (kept - is).abs() <= within;
            assert!(past.moves == piece.moves && past.stretches_s.abs_diff(piece.stretches_s) <= 2);
            assert!(near(past.step, piece.step, piece.step / 65_000.0), "{piece:?}: {past:?}");
            let range = piece.high - piece.low;
            assert!(near(past.high - past.low, range, range / 65_000.0 + 0.000_13), "{piece:?}: {past:?}");
        }
        assert_eq!(PastPiece::of(MovesPiece::EMPTY).open(), MovesPiece::EMPTY);
        let still = MovesPiece { low: 0.3, high: 0.3, ..MovesPiece::EMPTY };
        assert_eq!(PastPiece::of(still).open(), still);
    }
}
