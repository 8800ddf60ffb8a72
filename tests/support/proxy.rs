//! A connection between Trug and its broker that can be cut anywhere, and that notes what
//! Trug told the broker is stored.

use std::collections::{HashMap, HashSet};
use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Nothing is to be cut.
const NEVER: i64 = -1;

/// Topic and payload of a message.
pub(crate) type Brought = (Vec<u8>, Vec<u8>);

#[derive(Default)]
struct ProxyState {
    /// Bytes that still pass from the broker and to it before the cut.
    left: [AtomicI64; 2],
    cuts: AtomicU64,
    acknowledged: Mutex<HashSet<Brought>>,
    stop: AtomicBool,
}

/// It ends with the value; connections end with their own ends.
pub(crate) struct Proxy {
    port: u16,
    state: Arc<ProxyState>,
}

impl Proxy {
    /// A loopback port whose connections go on to the broker's.
    pub(crate) fn start(broker: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a loopback port");
        listener.set_nonblocking(true).expect("a listener that does not block");
        let port = listener.local_addr().expect("a bound listener").port();
        let state = Arc::new(ProxyState::default());
        state.left.iter().for_each(|left| left.store(NEVER, Ordering::SeqCst));
        let shared = Arc::clone(&state);
        std::thread::spawn(move || {
            while !shared.stop.load(Ordering::SeqCst) {
                match listener.accept() {
                    Ok((client, _)) => connect(client, broker, &shared),
                    Err(_) => std::thread::sleep(Duration::from_millis(5)),
                }
            }
        });
        Self { port, state }
    }

    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    /// Cuts when so many more bytes have passed, from the broker or to it.
    pub(crate) fn cut_after(&self, from_broker: bool, bytes: i64) {
        self.state.left[usize::from(!from_broker)].store(bytes, Ordering::SeqCst);
    }

    pub(crate) fn cuts(&self) -> u64 {
        self.state.cuts.load(Ordering::SeqCst)
    }

    /// What the broker was told is stored.
    pub(crate) fn acknowledged(&self) -> HashSet<Brought> {
        self.state.acknowledged.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.state.stop.store(true, Ordering::SeqCst);
    }
}

/// Messages of a connection that wait for their acknowledgement, by packet identifier.
type OnTheWay = Arc<Mutex<HashMap<u16, Brought>>>;

fn connect(client: TcpStream, broker: u16, state: &Arc<ProxyState>) {
    let Ok(server) = TcpStream::connect(("127.0.0.1", broker)) else { return };
    client.set_nonblocking(false).expect("a stream that blocks");
    let on_the_way = OnTheWay::default();
    for from_broker in [true, false] {
        let (from, to) = if from_broker { (&server, &client) } else { (&client, &server) };
        let (from, to) = (from.try_clone().expect("a handle"), to.try_clone().expect("a handle"));
        let (state, on_the_way) = (Arc::clone(state), Arc::clone(&on_the_way));
        std::thread::spawn(move || {
            pass(&from, &to, from_broker, &state, &on_the_way);
            let _ = from.shutdown(Shutdown::Both);
            let _ = to.shutdown(Shutdown::Both);
        });
    }
}

fn pass(mut from: &TcpStream, mut to: &TcpStream, from_broker: bool, state: &ProxyState, way: &OnTheWay) {
    let left = &state.left[usize::from(!from_broker)];
    let (mut bytes, mut packets) = (vec![0; 4096], Vec::new());
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        let may = left.load(Ordering::SeqCst);
        let cut = may >= 0 && (count as i64) > may;
        let passed = if cut { may as usize } else { count };
        if to.write_all(&bytes[..passed]).is_err() {
            return;
        }
        packets.extend_from_slice(&bytes[..passed]);
        while let Some((first, body)) = next_packet(&mut packets) {
            note(first, &body, from_broker, state, way);
        }
        if cut {
            // Only the one that brings it to an end counts it.
            if left.compare_exchange(may, NEVER, Ordering::SeqCst, Ordering::SeqCst).is_ok() {
                state.cuts.fetch_add(1, Ordering::SeqCst);
            }
            return;
        }
        if may >= 0 {
            left.fetch_sub(count as i64, Ordering::SeqCst);
        }
    }
}

/// Takes a whole packet out of the bytes: its first byte and what follows its length (MQTT
/// 5.0, section 2.1).
fn next_packet(bytes: &mut Vec<u8>) -> Option<(u8, Vec<u8>)> {
    let (length, digits) = number(bytes.get(1..)?)?;
    let end = 1 + digits + length;
    if bytes.len() < end {
        return None;
    }
    let packet: Vec<u8> = bytes.drain(..end).collect();
    Some((packet[0], packet[1 + digits..].to_vec()))
}

/// A number of one to four bytes and how many they are (section 1.5.5).
fn number(bytes: &[u8]) -> Option<(usize, usize)> {
    let mut value = 0;
    for (digit, byte) in bytes.iter().take(4).enumerate() {
        value |= usize::from(byte & 0x7F) << (7 * digit);
        if byte & 0x80 == 0 {
            return Some((value, digit + 1));
        }
    }
    None
}

/// Notes a PUBLISH of the broker (section 3.3) or a PUBACK of Trug (section 3.4).
fn note(first: u8, body: &[u8], from_broker: bool, state: &ProxyState, way: &OnTheWay) {
    let two = |at: usize| Some(u16::from_be_bytes([*body.get(at)?, *body.get(at + 1)?]));
    let mut way = way.lock().unwrap_or_else(PoisonError::into_inner);
    if from_broker && first >> 4 == 3 && first & 0b110 != 0 {
        let message = || {
            let topic_end = 2 + usize::from(two(0)?);
            let (properties, digits) = number(body.get(topic_end + 2..)?)?;
            let payload = body.get(topic_end + 2 + digits + properties..)?.to_vec();
            Some((two(topic_end)?, (body.get(2..topic_end)?.to_vec(), payload)))
        };
        let (packet, brought) = message().expect("a broker's message is well formed");
        way.insert(packet, brought);
    } else if !from_broker
        && first >> 4 == 4
        && let Some(brought) = two(0).and_then(|packet| way.remove(&packet))
    {
        state.acknowledged.lock().unwrap_or_else(PoisonError::into_inner).insert(brought);
    }
}
