//! Sites' states, packed for the store and opened again: the seal says of which program,
//! plan and clock each one is, and that it is whole.

use std::fmt::{self, Write as _};
use std::io::{Read as _, Write as _};

use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use jiff::Timestamp;
use ring::digest::{Context, SHA256, digest};

use crate::garden::plan::Garden;
use crate::garden::{Clock, Core, RESTORE_S, StateUnfit};
use crate::store::SiteSnapshot;

/// The form of a row. It grows where the same columns come to mean something else.
const FORMAT: i64 = 1;
/// Longest state that is opened, bytes: a thousand times that of a school.
const LENGTH_MAX: i64 = 1 << 30;
/// A clock that is set right by less has not jumped, seconds.
const CLOCK_S: i64 = 300;

/// Why a kept state is not used. Its site's readings are taken again instead.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(super) enum NotUsed {
    #[error("it is of a newer program")]
    Newer,
    #[error("the program or the garden's file has changed since")]
    Changed,
    #[error("it is not whole")]
    Torn,
    #[error("it is from a time that has not come")]
    Ahead,
    #[error("an entry of its log was struck since")]
    Struck,
    #[error("it is so old that the last fortnight's readings say more")]
    Old,
    #[error(transparent)]
    Unfit(#[from] StateUnfit),
}

/// Makes one string of what was written piece by piece into its digest.
struct PlanDigest(Context);

impl fmt::Write for PlanDigest {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.0.update(text.as_bytes());
        Ok(())
    }
}

/// For whom a state is made: the rules of this program with this plan and clock.
pub(super) fn made_for(garden: &Garden, clock: Clock) -> Vec<u8> {
    let mut digest = PlanDigest(Context::new(&SHA256));
    // All of the plan, whatever comes to it.
    let written = write!(digest, "{} {clock:?} {garden:?}", env!("TRUG_CORE_DIGEST"));
    written.expect("a digest takes all that is written");
    digest.0.finish().as_ref().to_vec()
}

/// Packs the present state of a site, by its number; `log_to` is the last entry of the log
/// that the core has taken.
pub(super) fn seal(core: &Core, site: usize, log_to: i64, now: Timestamp) -> Option<SiteSnapshot> {
    let garden = core.sites().nth(site)?;
    let state = core.state_bytes(site);
    let mut packer = ZlibEncoder::new(Vec::with_capacity(state.len() / 2), Compression::fast());
    packer.write_all(&state).expect("memory takes as many bytes as there are");
    let mut row = SiteSnapshot {
        site: garden.site.id.to_string(),
        format: FORMAT,
        made_for: made_for(garden, core.clock()),
        // As it will be stored.
        kept_at: Timestamp::from_millisecond(now.as_millisecond()).unwrap_or(now),
        log_to,
        length: i64::try_from(state.len()).ok()?,
        checksum: Vec::new(),
        packed: packer.finish().expect("memory takes as many bytes as there are"),
    };
    row.checksum = checksum(&row);
    Some(row)
}

/// Lets a site, by its number, go on from a kept state.
pub(super) fn open(
    core: &mut Core,
    site: usize,
    row: &SiteSnapshot,
    latest: Option<Timestamp>,
    now: Timestamp,
) -> Result<(), NotUsed> {
    let Some(garden) = core.sites().nth(site) else { return Err(StateUnfit::NoSuchSite.into()) };
    if row.format > FORMAT {
        return Err(NotUsed::Newer);
    }
    // First: of a torn row nothing else is to be believed.
    if row.checksum != checksum(row) || !(0..=LENGTH_MAX).contains(&row.length) {
        return Err(NotUsed::Torn);
    }
    if row.format != FORMAT || row.made_for != made_for(garden, core.clock()) {
        return Err(NotUsed::Changed);
    }
    if row.kept_at.as_second() > now.as_second() + CLOCK_S {
        return Err(NotUsed::Ahead);
    }
    let newest = latest.map_or(row.kept_at, |latest| latest.min(now));
    if core.clock() == Clock::Arrival && newest.as_second() - row.kept_at.as_second() > RESTORE_S {
        return Err(NotUsed::Old);
    }
    let mut state = Vec::with_capacity(usize::try_from(row.length).unwrap_or(0));
    let length = row.length.unsigned_abs();
    let whole = ZlibDecoder::new(row.packed.as_slice()).take(length + 1).read_to_end(&mut state);
    if whole.ok() != usize::try_from(length).ok() {
        return Err(NotUsed::Torn);
    }
    core.resume(site, &state)?;
    Ok(())
}

fn checksum(row: &SiteSnapshot) -> Vec<u8> {
    let SiteSnapshot { site, format, made_for, kept_at, log_to, length, checksum: _, packed } = row;
    let mut sum = Context::new(&SHA256);
    for part in [site.as_bytes(), made_for, packed] {
        sum.update(digest(&SHA256, part).as_ref());
    }
    for number in [*format, kept_at.as_millisecond(), *log_to, *length] {
        sum.update(&number.to_be_bytes());
    }
    sum.finish().as_ref().to_vec()
}
