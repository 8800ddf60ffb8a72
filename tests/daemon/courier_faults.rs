//! Delivery workers under random faults of everything around them.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use crate::support::people::message;
use crate::support::post::{Does, Post, Scripted};
use jiff::Timestamp;
use proptest::prelude::*;
use trug::alarms::Priority;
use trug::deliver::channel::Failure;
use trug::deliver::worker::{GiveUp, MessageSource, WorkerPace};
use trug::garden::plan::Channel;
use trug::store::{DueMessage, MessageLook, MessageState, Reader, StoreError};
use trug::telling::Message;

/// A store that cannot be read, on average each so many times.
#[derive(Clone)]
struct Unsure {
    reader: Reader,
    asked: Arc<AtomicU32>,
    fails_each: u32,
}

impl Unsure {
    fn may(&self) -> Result<(), StoreError> {
        // Drawn, not counted: a courier asks the same questions in the same order, and
        // each seventh may always be the same one.
        let number = self.asked.fetch_add(1, Ordering::SeqCst);
        let drawn = number.wrapping_mul(2_654_435_761).rotate_left(16) ^ number;
        if self.fails_each > 0 && (drawn.wrapping_mul(2_246_822_519) >> 8).is_multiple_of(self.fails_each) {
            return Err(Reader::open("/nowhere/trug.db".as_ref()).map(|_| ()).unwrap_err());
        }
        Ok(())
    }
}

impl MessageSource for Unsure {
    fn wanted(&self, look: &MessageLook) -> Result<Vec<DueMessage>, StoreError> {
        self.may()?;
        self.reader.messages_wanted(look)
    }

    fn next_due(&self, channel: Channel) -> Result<Option<Timestamp>, StoreError> {
        self.may()?;
        self.reader.next_due(channel)
    }

    fn waiting(&self, seqs: &[i64]) -> Result<Vec<(i64, u32)>, StoreError> {
        self.may()?;
        self.reader.messages_waiting(seqs)
    }

    fn reached(&self, message: &Message) -> Result<bool, StoreError> {
        self.may()?;
        self.reader.reached(message)
    }
}

/// What happens in a case.
#[derive(Clone, Debug)]
struct Case {
    /// Address and urgency of each message.
    messages: Vec<(u8, bool)>,
    /// What the try of that number does, over and over.
    script: Vec<u8>,
    /// The store fails on average each so many times; 0: never.
    fails_each: u32,
    keeper_wait_ms: u64,
    /// After so many seconds each, the courier is stopped or killed and started anew.
    breaks: Vec<(u16, bool)>,
}

fn cases() -> impl Strategy<Value = Case> {
    (
        proptest::collection::vec((0..6u8, any::<bool>()), 1..60),
        proptest::collection::vec(0..9u8, 1..40),
        prop_oneof![Just(0), 2..9u32],
        prop_oneof![Just(0), 1..5000u64],
        proptest::collection::vec((0..900u16, any::<bool>()), 0..5),
    )
        .prop_map(|(messages, script, fails_each, keeper_wait_ms, breaks)| Case {
            messages,
            script,
            fails_each,
            keeper_wait_ms,
            breaks,
        })
}

fn does(number: u8) -> Does {
    match number {
        0..=2 => Does::Takes,
        3 => Does::TakesAfter(Duration::from_secs(7)),
        4 => Does::Fails(Failure::Later("answered 500".to_owned())),
        5 => Does::Fails(Failure::Busy { reason: "answered 429".to_owned(), wait: Duration::from_secs(100) }),
        6 => Does::Fails(Failure::Never("refused the message with 400".to_owned())),
        7 => Does::Hangs,
        _ => Does::TakesAndFails,
    }
}

async fn check(case: &Case) {
    let mut post = Post::new();
    post.keeper_wait = Duration::from_millis(case.keeper_wait_ms);
    post.give_up = GiveUp { after: Duration::from_secs(3600), urgent_after: Duration::from_secs(900) };
    let messages: Vec<Message> = (0..)
        .zip(&case.messages)
        .map(|(n, (to, urgent))| {
            let priority = if *urgent { Priority::High } else { Priority::Low };
            message(n, Channel::Webhook, &format!("address-{to}"), priority, 0)
        })
        .collect();
    let script = case.script.clone();
    let by = Scripted::new(post.clock(), move |number, _| does(script[(number - 1) % script.len()]));
    let source = Unsure { reader: post.reader.clone(), asked: Arc::default(), fails_each: case.fails_each };
    post.start_with(Channel::Webhook, by.clone(), source.clone(), WorkerPace::default());
    post.add(&messages);
    for (after_s, kill) in &case.breaks {
        tokio::time::sleep(Duration::from_secs(u64::from(*after_s))).await;
        if *kill {
            post.kill().await
        } else {
            post.stop().await
        }
        post.start_with(Channel::Webhook, by.clone(), source.clone(), WorkerPace::default());
    }
    post.all_done(Duration::from_secs(4 * 3600)).await;
    post.stop().await;

    let taken: HashSet<String> = by.taken().into_iter().collect();
    let given_up: HashSet<String> = post.given_up().into_iter().map(|it| it.message.key).collect();
    let states = post.states();
    assert_eq!(states.len(), messages.len());
    for (key, state) in &states {
        match state {
            MessageState::Sent => assert!(taken.contains(key), "{key} was sent and nobody took it"),
            MessageState::GivenUp => assert!(given_up.contains(key), "{key} was given up and nobody told"),
            MessageState::Waiting => panic!("{key} still waits"),
        }
    }
    let (most, most_each) = by.most();
    assert!(most <= 8 && most_each <= 1, "{most} at once, {most_each} to one address");
    // Without a break and a lost answer nobody gets anything twice.
    if case.breaks.is_empty() && !case.script.contains(&8) {
        let mut times: HashMap<String, usize> = HashMap::new();
        by.taken().into_iter().for_each(|key| *times.entry(key).or_default() += 1);
        assert!(times.values().all(|times| *times == 1), "{times:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Each message is sent or given up, and what is given up is said.
    #[test]
    fn no_message_is_lost(case in cases()) {
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
        runtime.block_on(check(&case));
    }
}
