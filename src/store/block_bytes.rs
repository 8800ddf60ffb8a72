//! Readings of one series as few bytes, and back again bit for bit.
//!
//! A column each: times, raw numbers and values, and what there is of flag, tests, whose clock
//! it was and lateness, of which a sensor has few mixtures. The columns are compressed by `pco`
//! (<https://docs.rs/pco>), which takes differences of times and finds the decimal step of
//! numbers by itself. A sensor that repeats itself has few pairs of raw number and value: these
//! are kept once, and a column says which it is. Short columns stand as they are: to compress
//! them would take longer and save nothing.

use pco::ChunkConfig;
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};

/// How the bytes are laid out; another layout gets another number.
pub(super) const FORMAT: i64 = 1;

/// How values are kept.
mod values {
    /// Raw numbers in a column, values in another.
    pub(super) const APART: u8 = 0;
    /// Every value is its raw number.
    pub(super) const AS_RAW: u8 = 1;
    /// Pairs of both, and a column that says which.
    pub(super) const PAIRS: u8 = 2;
}

/// Columns of fewer numbers stand as they are.
const SHORT: usize = 32;

/// A number of a column.
trait ColumnNumber: Number + Default {
    const BYTES: usize;

    fn put(self, bytes: &mut Vec<u8>);

    /// From [`ColumnNumber::BYTES`] bytes.
    fn get(bytes: &[u8]) -> Option<Self>;
}

macro_rules! column_numbers {
    ($($number:ty),*) => {
        $(impl ColumnNumber for $number {
            const BYTES: usize = size_of::<Self>();

            fn put(self, bytes: &mut Vec<u8>) {
                bytes.extend_from_slice(&self.to_le_bytes());
            }

            fn get(bytes: &[u8]) -> Option<Self> {
                bytes.try_into().ok().map(Self::from_le_bytes)
            }
        })*
    };
}

column_numbers!(i64, u32, f64);

/// Why bytes cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(super) enum BrokenBlock {
    #[error("its checksum is another one")]
    Checksum,
    #[error("it has the layout {0}, which this program does not know")]
    Format(i64),
    #[error("{0} cannot be read")]
    Part(&'static str),
}

/// What a reading has beside its numbers, as it stands in the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct RowKind {
    pub(super) flag: i64,
    pub(super) tests: i64,
    pub(super) time_from: i64,
    pub(super) late: i64,
    /// Whether there is a value.
    valued: bool,
}

/// A row of the table of readings as it stands there, without its series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct PlainRow {
    /// Milliseconds since 1970-01-01 UTC.
    pub(super) at: i64,
    pub(super) raw: f64,
    pub(super) value: Option<f64>,
    pub(super) flag: i64,
    pub(super) tests: i64,
    pub(super) time_from: i64,
    pub(super) late: i64,
}

impl PlainRow {
    fn kind(&self) -> RowKind {
        let Self { flag, tests, time_from, late, .. } = *self;
        RowKind { flag, tests, time_from, late, valued: self.value.is_some() }
    }

    /// Whether both are the same to the last bit.
    pub(super) fn is(&self, other: &Self) -> bool {
        let bits = |row: &Self| (row.raw.to_bits(), row.value.map(f64::to_bits));
        self.at == other.at && self.kind() == other.kind() && bits(self) == bits(other)
    }
}

/// Readings of one series in order of time, column by column.
#[derive(Clone, Debug, Default)]
pub(super) struct RowColumns {
    at: Vec<i64>,
    raw: Vec<f64>,
    /// 0 where there is none.
    value: Vec<f64>,
    /// Which of `kinds`.
    kind: Vec<u32>,
    kinds: Vec<RowKind>,
}

impl RowColumns {
    pub(super) fn len(&self) -> usize {
        self.at.len()
    }

    pub(super) fn times(&self) -> &[i64] {
        &self.at
    }

    pub(super) fn push(&mut self, row: &PlainRow) {
        let kind = row.kind();
        let known = self.kinds.iter().position(|it| *it == kind);
        let number = known.unwrap_or_else(|| {
            self.kinds.push(kind);
            self.kinds.len() - 1
        });
        self.at.push(row.at);
        self.raw.push(row.raw);
        self.value.push(row.value.unwrap_or(0.0));
        self.kind.push(u32::try_from(number).expect("a block has few readings"));
    }

    /// The reading at a place.
    pub(super) fn row(&self, index: usize) -> PlainRow {
        let RowKind { flag, tests, time_from, late, valued } = self.kinds[self.kind[index] as usize];
        let value = valued.then_some(self.value[index]);
        PlainRow { at: self.at[index], raw: self.raw[index], value, flag, tests, time_from, late }
    }

    pub(super) fn rows(&self) -> impl ExactSizeIterator<Item = PlainRow> {
        (0..self.len()).map(|index| self.row(index))
    }

    /// Times, values (0 where there is none) and kinds of all readings.
    pub(super) fn numbers(&self) -> (&[i64], &[f64], &[u32]) {
        (&self.at, &self.value, &self.kind)
    }

    /// A reading of each kind, in the order of their numbers; time and numbers mean nothing.
    pub(super) fn one_of_each_kind(&self) -> impl Iterator<Item = PlainRow> {
        self.kinds.iter().map(|kind| {
            let RowKind { flag, tests, time_from, late, valued } = *kind;
            PlainRow { at: 0, raw: 0.0, value: valued.then_some(0.0), flag, tests, time_from, late }
        })
    }

    /// How many readings are of a kind that `takes` says.
    pub(super) fn count_of(&self, takes: impl Fn(&PlainRow) -> bool) -> usize {
        let taken: Vec<bool> = self.one_of_each_kind().map(|row| takes(&row)).collect();
        self.kind.iter().filter(|kind| taken[**kind as usize]).count()
    }

    /// The places of the readings with `from` <= time < `to`.
    pub(super) fn within(&self, from: i64, to: i64) -> std::ops::Range<usize> {
        let first = self.at.partition_point(|at| *at < from);
        let end = self.at.partition_point(|at| *at < to);
        first..end.max(first)
    }

    /// Only the readings at these places.
    pub(super) fn keep(&mut self, places: std::ops::Range<usize>) {
        fn cut<T>(column: &mut Vec<T>, places: &std::ops::Range<usize>) {
            column.truncate(places.end);
            column.drain(..places.start);
            column.shrink_to_fit();
        }
        cut(&mut self.at, &places);
        cut(&mut self.raw, &places);
        cut(&mut self.value, &places);
        cut(&mut self.kind, &places);
    }

    /// As bytes. Times rise from one to the next.
    pub(super) fn pack(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        section(&mut bytes, &self.at);
        section(&mut bytes, &self.kind);
        number(&mut bytes, self.kinds.len() as u64);
        for it in &self.kinds {
            for part in [it.flag, it.tests, it.time_from, it.late, i64::from(it.valued)] {
                // Small ones of either sign become small: -1 is 1, 1 is 2.
                number(&mut bytes, ((part << 1) ^ (part >> 63)).cast_unsigned());
            }
        }
        let valued: Vec<bool> = self.kind.iter().map(|it| self.kinds[*it as usize].valued).collect();
        let same = (0..self.len()).all(|n| !valued[n] || self.raw[n].to_bits() == self.value[n].to_bits());
        let pairs = if same { None } else { self.pairs() };
        match pairs {
            Some(NumberPairs { pairs, which }) => {
                bytes.push(values::PAIRS);
                number(&mut bytes, pairs.len() as u64);
                section(&mut bytes, &which);
                section(&mut bytes, &pairs.iter().map(|it| it.0).collect::<Vec<f64>>());
                section(&mut bytes, &pairs.iter().map(|it| it.1).collect::<Vec<f64>>());
            }
            None => {
                bytes.push(if same { values::AS_RAW } else { values::APART });
                section(&mut bytes, &self.raw);
                if !same {
                    section(&mut bytes, &self.value);
                }
            }
        }
        bytes
    }

    /// The pairs of raw number and value in order, and which each reading has; `None` where they
    /// hardly repeat.
    fn pairs(&self) -> Option<NumberPairs> {
        let all = || self.raw.iter().copied().zip(self.value.iter().copied());
        let order = |a: &(f64, f64), b: &(f64, f64)| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1));
        let mut pairs: Vec<(f64, f64)> = all().collect();
        pairs.sort_unstable_by(order);
        pairs.dedup_by(|a, b| order(a, b).is_eq());
        if pairs.len() > self.len() / 2 {
            return None;
        }
        let place = |it: (f64, f64)| {
            let found = pairs.binary_search_by(|pair| order(pair, &it)).expect("each pair is among them");
            u32::try_from(found).expect("a block has few readings")
        };
        let which = all().map(place).collect();
        Some(NumberPairs { pairs, which })
    }

    /// From the bytes of so many readings.
    pub(super) fn unpack(bytes: &[u8], readings: usize) -> Result<Self, BrokenBlock> {
        let mut rest = bytes;
        let at: Vec<i64> = take(&mut rest, readings, "its times")?;
        let kind: Vec<u32> = take(&mut rest, readings, "its flags")?;
        let flags = || BrokenBlock::Part("its flags");
        let count = take_number(&mut rest).filter(|it| *it <= readings as u64).ok_or_else(flags)?;
        let mut kinds = Vec::new();
        for _ in 0..count {
            let mut parts = [0_i64; 5];
            for part in &mut parts {
                let coded = take_number(&mut rest).ok_or_else(flags)?;
                *part = (coded >> 1).cast_signed() ^ -(coded & 1).cast_signed();
            }
            let [flag, tests, time_from, late, valued] = parts;
            kinds.push(RowKind { flag, tests, time_from, late, valued: valued != 0 });
        }
        if kind.iter().any(|it| *it as usize >= kinds.len()) || at.windows(2).any(|it| it[0] >= it[1]) {
            return Err(BrokenBlock::Part("what it says of its readings"));
        }
        let (how, mut rest) = rest.split_first().ok_or(BrokenBlock::Part("its numbers"))?;
        let (raw, value) = match *how {
            values::PAIRS => {
                let count = take_number(&mut rest).and_then(|it| usize::try_from(it).ok());
                let count = count.filter(|it| *it <= readings).ok_or(BrokenBlock::Part("its numbers"))?;
                let which: Vec<u32> = take(&mut rest, readings, "its numbers")?;
                let raw: Vec<f64> = take(&mut rest, count, "its raw numbers")?;
                let value: Vec<f64> = take(&mut rest, count, "its values")?;
                if which.iter().any(|it| *it as usize >= count) {
                    return Err(BrokenBlock::Part("its numbers"));
                }
                let of = |column: &[f64]| which.iter().map(|it| column[*it as usize]).collect::<Vec<f64>>();
                (of(&raw), of(&value))
            }
            values::AS_RAW => {
                let raw: Vec<f64> = take(&mut rest, readings, "its raw numbers")?;
                let value = raw.clone();
                (raw, value)
            }
            values::APART => {
                (take(&mut rest, readings, "its raw numbers")?, take(&mut rest, readings, "its values")?)
            }
            _ => return Err(BrokenBlock::Part("its numbers")),
        };
        if !rest.is_empty() {
            return Err(BrokenBlock::Part("its end"));
        }
        Ok(Self { at, raw, value, kind, kinds })
    }
}

/// Pairs of raw number and value, and which each reading has.
struct NumberPairs {
    pairs: Vec<(f64, f64)>,
    which: Vec<u32>,
}

/// Adds a column, a long one with its length.
fn section<T: ColumnNumber>(bytes: &mut Vec<u8>, column: &[T]) {
    if column.len() < SHORT {
        column.iter().for_each(|it| it.put(bytes));
        return;
    }
    let packed = simple_compress(column, &ChunkConfig::default())
        .expect("the level is a known one, and a block is smaller than a chunk may be");
    number(bytes, packed.len() as u64);
    bytes.extend_from_slice(&packed);
}

/// The next column of so many numbers.
fn take<T: ColumnNumber>(rest: &mut &[u8], count: usize, what: &'static str) -> Result<Vec<T>, BrokenBlock> {
    let broken = || BrokenBlock::Part(what);
    if count < SHORT {
        let (column, after) = rest.split_at_checked(count * T::BYTES).ok_or_else(broken)?;
        *rest = after;
        return column.chunks_exact(T::BYTES).map(|it| T::get(it).ok_or_else(broken)).collect();
    }
    let length = take_number(rest).and_then(|it| usize::try_from(it).ok()).ok_or_else(broken)?;
    let (column, after) = rest.split_at_checked(length).ok_or_else(broken)?;
    *rest = after;
    let mut numbers = vec![T::default(); count];
    let progress = simple_decompress_into(column, &mut numbers).map_err(|_| broken())?;
    if progress.n_processed != count || !progress.finished {
        return Err(broken());
    }
    Ok(numbers)
}

/// A number in as many sevens of bits as it needs, the lowest first (LEB128).
fn number(bytes: &mut Vec<u8>, mut it: u64) {
    while it >= 0x80 {
        bytes.push((it & 0x7f) as u8 | 0x80);
        it >>= 7;
    }
    bytes.push(it as u8);
}

fn take_number(rest: &mut &[u8]) -> Option<u64> {
    let mut it = 0;
    for shift in (0..64).step_by(7) {
        let (&byte, after) = rest.split_first()?;
        *rest = after;
        it |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Some(it);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn any_row() -> impl Strategy<Value = PlainRow> {
        let float = prop_oneof![
            any::<u64>().prop_map(f64::from_bits),
            (0_u16..40).prop_map(f64::from),
            Just(-0.0),
            Just(0.0)
        ];
        let number = prop_oneof![4 => 0_i64..6, 1 => any::<i64>()];
        let numbers = (number.clone(), number.clone(), number.clone(), number);
        (any::<i64>(), float.clone(), proptest::option::of(float), numbers, any::<bool>()).prop_map(
            |(at, raw, value, (flag, tests, time_from, late), same)| {
                let value = if same { Some(raw) } else { value };
                PlainRow { at, raw, value, flag, tests, time_from, late }
            },
        )
    }

    fn columns(mut rows: Vec<PlainRow>) -> (RowColumns, Vec<PlainRow>) {
        rows.sort_by_key(|row| row.at);
        rows.dedup_by_key(|row| row.at);
        let mut columns = RowColumns::default();
        for row in &rows {
            columns.push(row);
        }
        (columns, rows)
    }

    fn same(columns: &RowColumns, rows: &[PlainRow]) -> bool {
        columns.len() == rows.len() && columns.rows().zip(rows).all(|(a, b)| a.is(b))
    }

    proptest! {
        #[test]
        fn any_readings_come_back_to_the_last_bit(rows in proptest::collection::vec(any_row(), 1..400)) {
            let (columns, rows) = columns(rows);
            let back = RowColumns::unpack(&columns.pack(), rows.len()).expect("they can be read");
            prop_assert!(same(&back, &rows));
        }

        #[test]
        fn readings_of_a_few_numbers_come_back(
            rows in proptest::collection::vec((1_i64..5, 0_u8..4, 0_u8..3, 1_i64..4), 1..600),
        ) {
            let mut at = 0;
            let row = |(later, raw, value, flag): (i64, u8, u8, i64)| {
                at += later;
                let (raw, value) = (f64::from(raw) / 10.0, (value > 0).then(|| f64::from(value) / 3.0));
                PlainRow { at, raw, value, flag, tests: 0x2_2222, time_from: 0, late: 0 }
            };
            let (columns, rows) = columns(rows.into_iter().map(row).collect());
            let back = RowColumns::unpack(&columns.pack(), rows.len()).expect("they can be read");
            prop_assert!(same(&back, &rows));
        }

        /// What comes out where a checksum did not find the damage is another matter.
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300), count in 0_usize..500) {
            let _ = RowColumns::unpack(&bytes, count);
        }

        #[test]
        fn damage_does_not_make_it_panic(
            rows in proptest::collection::vec(any_row(), 1..60), place in any::<usize>(), bit in 0_u32..8,
            cut in any::<usize>(),
        ) {
            let (columns, rows) = columns(rows);
            let mut bytes = columns.pack();
            let place = place % bytes.len();
            bytes[place] ^= 1 << bit;
            let _ = RowColumns::unpack(&bytes, rows.len());
            bytes.truncate(cut % bytes.len());
            prop_assert!(RowColumns::unpack(&bytes, rows.len()).is_err());
        }
    }

    #[test]
    fn readings_at_places_are_kept() {
        let row = |at| PlainRow { at, raw: 1.0, value: None, flag: 1, tests: 2, time_from: 0, late: 0 };
        let (mut columns, _) = columns((0..10).map(row).collect());
        let places = columns.within(3, 7);
        columns.keep(places);
        assert_eq!(columns.times(), [3, 4, 5, 6]);
        assert_eq!(columns.within(7, 3), 4..4);
    }
}
