//! Delivery workers: each message is brought or given up, whatever the other side does.

use std::collections::{HashMap, HashSet};
use std::time::Duration;

use crate::support::garden::at;
use crate::support::people::message;
use crate::support::post::{Does, Post, Scripted};
use trug::alarms::Priority;
use trug::deliver::channel::Failure;
use trug::deliver::worker::WorkerPace;
use trug::garden::plan::Channel;
use trug::store::MessageState;
use trug::telling::Message;

const HOUR: Duration = Duration::from_secs(3600);

fn to(n: u32, to: &str, priority: Priority) -> Message {
    message(n, Channel::Webhook, to, priority, 0)
}

fn some(count: u32, address: &str) -> Vec<Message> {
    (0..count).map(|n| to(n, address, Priority::Medium)).collect()
}

fn later() -> Does {
    Does::Fails(Failure::Later("answered 500".to_owned()))
}

#[tokio::test(start_paused = true)]
async fn messages_go_out_in_order_and_once() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, _| Does::TakesAfter(Duration::from_millis(50)));
    let messages = some(100, "office");
    post.add(&messages);
    post.start(Channel::Webhook, by.clone());
    post.all_done(HOUR).await;
    post.stop().await;
    let keys: Vec<_> = messages.iter().map(|it| it.key.clone()).collect();
    assert_eq!(by.taken(), keys);
    assert!(post.kept().iter().all(|it| it.state == MessageState::Sent && it.tries == 1));
    assert_eq!(post.given_up().len(), 0);
}

#[tokio::test(start_paused = true)]
async fn a_new_message_goes_out_at_once() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, _| Does::Takes);
    post.start(Channel::Webhook, by.clone());
    tokio::time::sleep(Duration::from_secs(1000)).await;
    let made = post.clock().ms();
    post.add(&[message(1, Channel::Webhook, "office", Priority::High, made)]);
    post.all_done(HOUR).await;
    let waited = by.tried()[0].0 - made;
    assert!(waited < 1000, "{waited} ms");
    post.stop().await;
}

#[tokio::test(start_paused = true)]
async fn addresses_that_hang_hold_up_nobody_else() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, it| match it.address.to.as_str() {
        hangs if hangs.starts_with("hangs") => Does::Hangs,
        _ => Does::Takes,
    });
    let hanging: Vec<_> = (0..300).map(|n| to(n, &format!("hangs-{}", n % 3), Priority::Medium)).collect();
    post.add(&hanging);
    post.add(&(300..400).map(|n| to(n, "office", Priority::Medium)).collect::<Vec<_>>());
    post.start(Channel::Webhook, by.clone());
    let from = post.clock().ms();
    tokio::time::timeout(HOUR, async {
        while by.taken().len() < 100 {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    })
    .await
    .unwrap();
    let took = post.clock().ms() - from;
    assert!(took < 1000, "{took} ms with three addresses of four places hanging");
    assert_eq!(by.most(), (4, 1), "places, and to one address");
    post.stop().await;
}

/// Even if all places are taken by what hangs.
#[tokio::test(start_paused = true)]
async fn places_are_kept_for_what_is_urgent() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, it| match it.priority {
        Priority::High => Does::Takes,
        Priority::Medium | Priority::Low => Does::Hangs,
    });
    post.add(&(0..50).map(|n| to(n, &format!("hangs-{n}"), Priority::Low)).collect::<Vec<_>>());
    post.start(Channel::Webhook, by.clone());
    tokio::time::sleep(Duration::from_secs(10)).await;
    assert_eq!(by.most().0, 4);
    let made = post.clock().ms();
    post.add(&[message(99, Channel::Webhook, "office", Priority::High, made)]);
    tokio::time::sleep(Duration::from_secs(2)).await;
    assert_eq!(by.taken(), ["saltbush-gully/tank-too-warm/perch-tank/99/webhook"]);
    post.stop().await;
}

#[tokio::test(start_paused = true)]
async fn what_is_urgent_goes_before_what_has_waited_longer() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, _| Does::TakesAfter(Duration::from_secs(1)));
    post.add(&some(60, "office"));
    post.start(Channel::Webhook, by.clone());
    tokio::time::sleep(Duration::from_millis(5500)).await;
    post.add(&[to(99, "office", Priority::High)]);
    post.all_done(HOUR).await;
    let place = by.taken().iter().position(|key| key.contains("/99/"));
    assert_eq!(place, Some(6), "five were taken, one was under way");
    post.stop().await;
}

/// The gaps double from 5 s to 10 min (1 min), each shortened by up to a half, until a
/// day (half an hour) is over.
#[tokio::test(start_paused = true)]
async fn tries_come_ever_more_rarely_until_the_time_is_over() {
    for (priority, most_s, end_s) in [(Priority::Low, 600, 86_400), (Priority::High, 60, 1800)] {
        let mut post = Post::new();
        let by = Scripted::new(post.clock(), |_, _| later());
        post.add(&[to(1, "office", priority)]);
        post.start(Channel::Webhook, by.clone());
        post.all_done(HOUR * 30).await;
        post.stop().await;
        let times: Vec<i64> = by.tried().iter().map(|it| it.0).collect();
        let end = times.len() - 2;
        assert!(times.len() > 10, "{times:?}");
        for (n, pair) in times.windows(2).enumerate() {
            let gap = pair[1] - pair[0];
            let full = (5000 << n.min(20)).min(most_s * 1000);
            // The courier looks again each second.
            let least = if n == end { 0 } else { full / 2 };
            assert!((least..=full + 1100).contains(&gap), "gap {n} of {priority:?}: {gap} ms, {full} ms");
        }
        let last_s = times.last().unwrap() / 1000;
        // A machine with much to do reads slowly, and paused time does not wait for it.
        assert!((end_s - most_s..=end_s + 31).contains(&last_s), "the last try after {last_s} s");
        let given_up = post.given_up();
        assert_eq!(given_up.len(), 1);
        let at_s = (given_up[0].at.as_millisecond() - at(0).as_millisecond()) / 1000;
        assert!((end_s..=end_s + 31).contains(&at_s), "given up after {at_s} s");
        assert_eq!((given_up[0].reason.as_str(), given_up[0].reached_otherwise), ("answered 500", false));
        let kept = &post.kept()[0];
        assert_eq!((kept.state, kept.reason.as_str()), (MessageState::GivenUp, "answered 500"));
        let tries = usize::try_from(kept.tries).unwrap();
        assert!((times.len()..=times.len() + 1).contains(&tries), "{tries} of {}", times.len());
    }
}

#[tokio::test(start_paused = true)]
async fn a_pause_that_is_asked_for_is_kept_within_bounds() {
    for (priority, asked_s, expected_s) in [
        (Priority::Low, 120, 120..=121),
        (Priority::Low, 86_400, 600..=601),
        (Priority::High, 86_400, 60..=61),
        // Less than the courier would wait by itself.
        (Priority::Low, 0, 2..=6),
    ] {
        let mut post = Post::new();
        let by = Scripted::new(post.clock(), move |number, _| match number {
            1 => Does::Fails(Failure::Busy {
                reason: "answered 429".to_owned(),
                wait: Duration::from_secs(asked_s),
            }),
            _ => Does::Takes,
        });
        post.add(&[to(1, "office", priority), to(2, "office", priority)]);
        post.start(Channel::Webhook, by.clone());
        post.all_done(HOUR).await;
        let tried = by.tried();
        assert_eq!(tried.len(), 3);
        for next in &tried[1..] {
            let waited_s = (next.0 - tried[0].0) / 1000;
            assert!(expected_s.contains(&waited_s), "{priority:?}, {asked_s} s: {waited_s} s");
        }
        post.stop().await;
    }
}

/// An urgent message is not kept back by the longer pause of others.
#[tokio::test(start_paused = true)]
async fn an_address_in_trouble_gets_what_is_urgent_within_a_minute() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, it| match it.priority {
        Priority::High => Does::Takes,
        Priority::Medium | Priority::Low => later(),
    });
    post.add(&some(3, "office"));
    post.start(Channel::Webhook, by.clone());
    tokio::time::sleep(HOUR * 3).await;
    let made = post.clock().ms();
    post.add(&[message(99, Channel::Webhook, "office", Priority::High, made)]);
    tokio::time::sleep(Duration::from_secs(62)).await;
    assert_eq!(by.taken().len(), 1);
    post.stop().await;
}

#[tokio::test(start_paused = true)]
async fn what_will_never_be_taken_is_given_up_and_the_next_goes_out() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, it| match it.key.contains("/1/") {
        true => Does::Fails(Failure::Never("refused the message with 400".to_owned())),
        false => Does::Takes,
    });
    post.add(&some(3, "office"));
    post.start(Channel::Webhook, by.clone());
    post.all_done(HOUR).await;
    assert_eq!(by.tried().len(), 3);
    assert!(post.clock().ms() < 10_000, "nobody waited for it");
    let given_up = post.given_up();
    assert_eq!(given_up.len(), 1);
    assert_eq!(given_up[0].reason, "refused the message with 400");
    assert!(given_up[0].message.key.contains("/1/"));
    post.stop().await;
}

#[tokio::test(start_paused = true)]
async fn a_way_that_is_not_there_gives_up_at_once_and_says_whether_another_did() {
    let mut post = Post::new();
    let both = [
        message(1, Channel::Webhook, "office", Priority::High, 0),
        message(1, Channel::MessageFile, "record", Priority::High, 0),
        message(2, Channel::Webhook, "office", Priority::High, 1),
    ];
    post.add(&both);
    post.start(Channel::MessageFile, Scripted::new(post.clock(), |_, _| Does::Takes));
    tokio::time::sleep(Duration::from_secs(5)).await;
    post.stop().await;
    let none = Scripted::new(post.clock(), |_, _| Does::Fails(Failure::Never("it is not set up".to_owned())));
    post.start(Channel::Webhook, none);
    post.all_done(HOUR).await;
    let mut given_up = post.given_up();
    given_up.sort_by_key(|it| it.message.made_at);
    let said: Vec<_> = given_up.iter().map(|it| (it.reached_otherwise, it.reason.as_str())).collect();
    assert_eq!(said, [(true, "it is not set up"), (false, "it is not set up")]);
    post.stop().await;
}

/// The keeper cannot commit for a minute, say; what it was told is not tried again.
#[tokio::test(start_paused = true)]
async fn nothing_is_tried_again_before_its_outcome_is_committed() {
    let mut post = Post::new();
    post.keeper_wait = Duration::from_secs(60);
    let by = Scripted::new(post.clock(), |number, _| if number % 2 == 1 { later() } else { Does::Takes });
    let messages: Vec<_> = (0..20).map(|n| to(n, &format!("address-{n}"), Priority::Low)).collect();
    post.add(&messages);
    post.start(Channel::Webhook, by.clone());
    post.all_done(HOUR * 2).await;
    post.stop().await;
    let mut times: HashMap<String, Vec<i64>> = HashMap::new();
    for (ms, _, key) in by.tried() {
        times.entry(key).or_default().push(ms);
    }
    for (key, times) in times {
        assert!(times.windows(2).all(|pair| pair[1] - pair[0] >= 60_000), "{key}: {times:?}");
    }
    let taken = by.taken();
    assert_eq!(taken.len(), 20);
    assert_eq!(taken.iter().collect::<HashSet<_>>().len(), 20, "each once");
}

#[tokio::test(start_paused = true)]
async fn what_was_under_way_is_sent_again_with_the_same_key() {
    let mut post = Post::new();
    let hangs = Scripted::new(post.clock(), |_, _| Does::Hangs);
    post.add(&some(1, "office"));
    post.start(Channel::Webhook, hangs.clone());
    tokio::time::sleep(Duration::from_secs(1)).await;
    post.stop().await;
    assert_eq!((hangs.tried().len(), post.waiting()), (1, 1));
    let by = Scripted::new(post.clock(), |_, _| Does::Takes);
    post.start(Channel::Webhook, by.clone());
    post.all_done(HOUR).await;
    assert_eq!(by.taken(), [hangs.tried()[0].2.clone()]);
    post.stop().await;
}

/// A dead address costs few tries, and no message of it outlives its time by much.
#[tokio::test(start_paused = true)]
async fn a_thousand_messages_for_a_dead_address_are_given_up_in_time() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, _| Does::Hangs);
    let messages: Vec<_> = (0..1000).map(|n| to(n, "office", Priority::High)).collect();
    post.add(&messages);
    post.start(Channel::Webhook, by.clone());
    tokio::time::sleep(Duration::from_secs(1790)).await;
    assert_eq!(post.waiting(), 1000, "none too early");
    // One more try may be under way: two minutes at most.
    post.all_done(Duration::from_secs(10 + 120 + 65)).await;
    post.stop().await;
    assert!(by.tried().len() < 60, "{} tries", by.tried().len());
    let given_up = post.given_up();
    assert_eq!(given_up.len(), 1000);
    assert!(given_up.iter().all(|it| it.at >= at(1_800_000)));
}

/// Trug was off for two days: what waited is tried once before it is given up.
#[tokio::test(start_paused = true)]
async fn what_is_too_old_after_a_long_night_is_tried_once() {
    let mut post = Post::new();
    post.add(&some(5, "office"));
    post.add(&[to(7, "library", Priority::High)]);
    post.clock().put_on(2 * 86_400_000);
    let by = Scripted::new(post.clock(), |_, it| match it.address.to.as_str() {
        "office" => Does::Takes,
        _ => later(),
    });
    post.start(Channel::Webhook, by.clone());
    post.all_done(HOUR).await;
    post.stop().await;
    assert_eq!(by.taken().len(), 5);
    assert_eq!(by.tried().len(), 6);
    assert_eq!(post.given_up().len(), 1);
}

/// A message that is put off until 11:00 is not put off by a day when the clock goes
/// back to yesterday.
#[tokio::test(start_paused = true)]
async fn a_clock_that_is_put_back_holds_up_nothing() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |number, _| if number == 1 { later() } else { Does::Takes });
    post.add(&some(1, "office"));
    post.start(Channel::Webhook, by.clone());
    tokio::time::sleep(Duration::from_secs(2)).await;
    post.clock().put_on(-86_400_000);
    post.all_done(Duration::from_secs(120)).await;
    assert_eq!(by.taken().len(), 1);
    post.stop().await;
}

#[tokio::test(start_paused = true)]
async fn a_channel_that_panics_is_a_failure_like_others() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |number, _| if number == 1 { Does::Panics } else { Does::Takes });
    post.add(&some(3, "office"));
    post.start(Channel::Webhook, by.clone());
    post.all_done(HOUR).await;
    assert_eq!(by.taken().len(), 3);
    post.stop().await;
}

/// Five thousand at once, to 500 addresses of which 50 are dead.
#[tokio::test(start_paused = true)]
async fn thousands_at_once_go_out_once_each() {
    let mut post = Post::new();
    let by = Scripted::new(post.clock(), |_, it| match it.address.to.ends_with("-7") {
        true => Does::Hangs,
        false => Does::Takes,
    });
    let messages: Vec<_> =
        (0..5000).map(|n| to(n, &format!("address-{}-{}", n % 500, n % 10), Priority::Medium)).collect();
    post.add(&messages);
    // As a webhook's own time would be.
    let pace = WorkerPace { longest_try: Duration::from_secs(10), ..WorkerPace::default() };
    post.start_with(Channel::Webhook, by.clone(), post.reader.clone(), pace);
    let all = tokio::time::timeout(HOUR, async {
        while by.taken().len() < 4500 {
            tokio::time::sleep(Duration::from_secs(1)).await;
        }
    });
    assert!(all.await.is_ok(), "only {} were taken", by.taken().len());
    let took_s = post.clock().ms() / 1000;
    post.stop().await;
    let taken = by.taken();
    assert_eq!(taken.iter().collect::<HashSet<_>>().len(), 4500);
    assert_eq!(taken.len(), 4500, "none twice");
    assert_eq!(by.most(), (4, 1));
    // Each dead address costs its ten seconds in one of four places, the first time in any.
    assert!(took_s < 200, "{took_s} s");
    println!("4500 of 5000 taken after {took_s} s with 50 dead addresses");
}
