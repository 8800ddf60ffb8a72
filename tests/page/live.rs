//! News for open pages over a real connection: an event for each change, a bound on
//! who may listen, and an end with the page.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use crate::support::http::{Answer, Served};
use crate::support::views::{self, Fixed};
use crate::support::wait_until;
use trug::page::LISTENERS_MAX;

/// A page that listens.
struct Listening(BufReader<TcpStream>);

impl Listening {
    /// Connects and reads the head of the answer.
    fn start(served: &Served) -> Self {
        let mut stream = served.connect();
        stream
            .write_all(b"GET /live HTTP/1.1\r\nHost: localhost\r\nAccept: text/event-stream\r\n\r\n")
            .expect("it can be sent");
        let mut listening = Self(BufReader::new(stream));
        let status = listening.line();
        assert!(status.starts_with("HTTP/1.1 200"), "{status}");
        let kind = listening.line_with("content-type");
        assert!(kind.contains("text/event-stream"), "{kind}");
        listening.line_with(": listening");
        listening
    }

    fn line(&mut self) -> String {
        let mut line = String::new();
        let read = self.0.read_line(&mut line).expect("the stream speaks within the connection's patience");
        assert!(read > 0, "the stream ended");
        line
    }

    fn line_with(&mut self, part: &str) -> String {
        loop {
            let line = self.line();
            if line.contains(part) {
                return line;
            }
        }
    }

    /// The number of the next event about a change.
    fn next_change(&mut self) -> u64 {
        self.line_with("event: changed");
        let id = self.line_with("id: ");
        assert!(self.line_with("data").trim() != "data:", "browsers drop an event without data");
        id.trim().trim_start_matches("id: ").parse().expect("a number")
    }
}

#[test]
fn each_change_is_told_with_a_number_that_grows() {
    let fixed = Fixed::of(vec![views::well()]);
    let change = fixed.changed.clone();
    let served = Served::new(fixed, None);
    let mut one = Listening::start(&served);
    let mut other = Listening::start(&served);
    change.send_replace(41);
    assert_eq!((one.next_change(), other.next_change()), (41, 41));
    // Changes that come close together are one piece of news, the last.
    let began = Instant::now();
    for number in 42..=99 {
        change.send_replace(number);
    }
    assert_eq!(one.next_change(), 99);
    assert!(began.elapsed() > Duration::from_millis(500), "two events within {:?}", began.elapsed());
}

#[test]
fn one_listener_too_many_is_told_when_to_ask_again() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    let mut listening: Vec<_> = (0..LISTENERS_MAX).map(|_| Listening::start(&served)).collect();
    let refused = served.get("/live");
    assert_eq!(refused.status, 503);
    assert_eq!(refused.header("retry-after"), Some("60"));
    assert_eq!(served.get("/").status, 200, "pages are still answered");
    drop(listening.pop());
    wait_until("a place to be free again", Duration::from_secs(20), || {
        let mut stream = served.connect();
        stream.write_all(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n").expect("it can be sent");
        let mut head = [0; 12];
        stream.read_exact(&mut head).expect("an answer");
        (&head == b"HTTP/1.1 200").then_some(())
    });
}

#[test]
fn listening_only_reads() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    let request = "POST /live HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: 0\r\n\r\n";
    let answer: Answer = served.ask(request);
    assert!(matches!(answer.status, 403 | 405), "{}", answer.status);
}

#[test]
fn listeners_end_with_the_page() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    let mut listening = Listening::start(&served);
    let began = Instant::now();
    served.stop().expect("a clean end");
    // Well before the patience with answers under way is at its end.
    assert!(began.elapsed() < Duration::from_secs(4), "{:?}", began.elapsed());
    let mut rest = Vec::new();
    listening.0.read_to_end(&mut rest).expect("the stream ends");
}
