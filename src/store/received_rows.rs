//! Messages that the broker may send again, kept so that a restart knows them.

use rusqlite::{Connection, Transaction, params};

use super::query;
use super::records::ReceivedPacket;

/// Serial numbers that are remembered, back from the newest: there are no more packet
/// identifiers (MQTT 5.0, section 2.2.1), and each is of one message at a time.
const REMEMBERED: i64 = 65_535;

/// Bytes of one message: serial number, packet identifier, fingerprint.
const BYTES: usize = 8 + 2 + 16;

/// Adds messages, in the order of their serial numbers.
pub(super) fn add(transaction: &Transaction<'_>, received: &[ReceivedPacket]) -> rusqlite::Result<()> {
    let Some(last) = received.last() else { return Ok(()) };
    let mut packets = Vec::with_capacity(received.len() * BYTES);
    for packet in received {
        packets.extend_from_slice(&packet.serial.to_be_bytes());
        packets.extend_from_slice(&packet.packet.to_be_bytes());
        packets.extend_from_slice(&packet.fingerprint);
    }
    let last = number(last.serial);
    transaction
        .prepare_cached("INSERT OR REPLACE INTO received (last, packets) VALUES (?1, ?2)")?
        .execute(params![last, packets])?;
    delete(transaction, last - REMEMBERED)
}

/// Forgets those up to a serial number; those of one transaction together.
pub(super) fn forget(transaction: &Transaction<'_>, confirmed: u64) -> rusqlite::Result<()> {
    if confirmed == 0 { Ok(()) } else { delete(transaction, number(confirmed)) }
}

fn delete(transaction: &Transaction<'_>, to: i64) -> rusqlite::Result<()> {
    transaction.prepare_cached("DELETE FROM received WHERE last <= ?1")?.execute([to]).map(|_| ())
}

/// All of them in the order of their serial numbers.
pub(super) fn all(connection: &Connection) -> rusqlite::Result<Vec<ReceivedPacket>> {
    let rows: Vec<Vec<u8>> =
        query::list(connection, "SELECT packets FROM received ORDER BY last", [], |row| row.get(0))?;
    Ok(rows.iter().flat_map(|packets| packets.chunks_exact(BYTES)).map(read).collect())
}

fn read(bytes: &[u8]) -> ReceivedPacket {
    let (mut serial, mut packet, mut fingerprint) = ([0; 8], [0; 2], [0; 16]);
    serial.copy_from_slice(&bytes[..8]);
    packet.copy_from_slice(&bytes[8..10]);
    fingerprint.copy_from_slice(&bytes[10..BYTES]);
    ReceivedPacket { serial: u64::from_be_bytes(serial), packet: u16::from_be_bytes(packet), fingerprint }
}

fn number(serial: u64) -> i64 {
    i64::try_from(serial).unwrap_or(i64::MAX)
}
