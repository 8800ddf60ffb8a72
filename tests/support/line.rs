//! A poor line to a server on this computer.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::Duration;

/// How late what goes to the server gets there: what is under way when the line is cut is lost.
const LATE: Duration = Duration::from_millis(15);

/// Bytes of the server's that come at a time, and the time that they take.
const SLOW: (usize, Duration) = (1024, Duration::from_millis(3));

/// A forwarder whose first connections are cut after some bytes of the server's.
pub(crate) struct PoorLine {
    port: u16,
    cuts: Arc<AtomicUsize>,
}

impl PoorLine {
    /// A line to a port that cuts the connections of its list after so many bytes each, within
    /// a packet or not, and holds from then on.
    pub(crate) fn to(server: u16, cut_after: Vec<usize>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port for the line");
        let port = listener.local_addr().expect("it is bound").port();
        let cuts = Arc::new(AtomicUsize::new(0));
        let counted = Arc::clone(&cuts);
        thread::spawn(move || {
            let mut cut_after = cut_after.into_iter();
            for client in listener.incoming() {
                let (Ok(client), Ok(server)) = (client, TcpStream::connect(("127.0.0.1", server))) else {
                    continue;
                };
                carry(&client, &server, cut_after.next().unwrap_or(usize::MAX), &counted);
            }
        });
        Self { port, cuts }
    }

    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    /// How often it was cut.
    pub(crate) fn cuts(&self) -> usize {
        self.cuts.load(Ordering::SeqCst)
    }
}

fn carry(client: &TcpStream, server: &TcpStream, limit: usize, cuts: &Arc<AtomicUsize>) {
    let both = |stream: &TcpStream| stream.try_clone().expect("a second handle");
    let (mut from_client, mut to_server) = (both(client), both(server));
    thread::spawn(move || {
        let mut bytes = [0; 4096];
        while let Ok(read @ 1..) = from_client.read(&mut bytes) {
            thread::sleep(LATE);
            if to_server.write_all(&bytes[..read]).is_err() {
                break;
            }
        }
        let _ = to_server.shutdown(Shutdown::Both);
    });
    let (mut from_server, mut to_client) = (both(server), both(client));
    let cuts = Arc::clone(cuts);
    thread::spawn(move || {
        let (mut left, mut bytes) = (limit, [0; SLOW.0]);
        while let Ok(read @ 1..) = from_server.read(&mut bytes) {
            thread::sleep(SLOW.1);
            let passed = read.min(left);
            left -= passed;
            if to_client.write_all(&bytes[..passed]).is_err() {
                break;
            }
            if left == 0 {
                cuts.fetch_add(1, Ordering::SeqCst);
                let _ = from_server.shutdown(Shutdown::Both);
                break;
            }
        }
        let _ = to_client.shutdown(Shutdown::Both);
    });
}
