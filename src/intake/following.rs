//! What a session listens to, and how it goes over to something else.

use std::time::Duration;

use rumqttc::v5::AsyncClient;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, RetainForwardRule};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use super::session_filters::SessionFilters;
use crate::settings::Broker;

/// How long the last acknowledgements may take when we leave.
const LEAVE: Duration = Duration::from_millis(700);
/// Topic filters in one subscribe packet.
const FILTERS_AT_ONCE: usize = 50;

/// The last will and the status messages.
#[derive(Clone, Debug)]
pub struct Presence {
    /// The topic that the broker sets to `offline` when we vanish.
    pub will_topic: String,
    /// Topics that are set to `online` after each connect.
    pub status_topics: Vec<String>,
}

/// What is listened to, and what is said of us.
#[derive(Clone, Debug)]
pub struct Listening {
    pub broker: Broker,
    pub presence: Presence,
}

impl Listening {
    /// Whether a session of `self` can go on as one of `next`: only topics differ.
    fn goes_on_as(&self, next: &Self) -> bool {
        let topics = self.broker.topics.clone();
        self.presence.will_topic == next.presence.will_topic
            && self.broker == (Broker { topics, ..next.broker.clone() })
    }
}

/// How a session ended where nothing failed.
pub(super) enum SessionOver {
    Stopped,
    /// It is to be built again: the way to the broker has changed.
    Changed,
}

/// Waits for `stop` or a change that needs another connection, and meanwhile subscribes to what
/// is new. At the end it says that nobody listens any more, and leaves that and the
/// acknowledgements of the last batch time to go out.
pub(super) async fn follow(
    session: &AsyncClient,
    filters: &SessionFilters,
    mut current: Listening,
    listening: &mut watch::Receiver<Listening>,
    stop: &CancellationToken,
) -> SessionOver {
    loop {
        tokio::select! {
            () = stop.cancelled() => break,
            Ok(()) = listening.changed() => {}
        }
        let next = listening.borrow_and_update().clone();
        let over =
            current.presence.status_topics.iter().filter(|it| !next.presence.status_topics.contains(it));
        for topic in over {
            let _ = session.try_publish(topic.clone(), QoS::AtLeastOnce, true, "offline");
        }
        filters.note(&next.broker.topics);
        if !current.goes_on_as(&next) || change_topics(session, &current, &next).is_err() {
            // What was said above, and acknowledgements, go out first.
            tokio::time::sleep(LEAVE).await;
            return SessionOver::Changed;
        }
        current = next;
    }
    let _ = say(session, &current.presence, "offline");
    tokio::time::sleep(LEAVE).await;
    SessionOver::Stopped
}

/// Goes over to other topics within one session.
fn change_topics(session: &AsyncClient, from: &Listening, to: &Listening) -> Result<(), String> {
    let (before, after) = (&from.broker.topics, &to.broker.topics);
    let new: Vec<&String> = after.iter().filter(|it| !before.contains(it)).collect();
    subscribe(&new, session)?;
    let over: Vec<String> = before.iter().filter(|it| !after.contains(it)).cloned().collect();
    give_up(&over, session)?;
    say(session, &to.presence, "online")
}

/// Unsubscribes from topics.
pub(super) fn give_up(topics: &[String], session: &AsyncClient) -> Result<(), String> {
    for topic in topics {
        session.try_unsubscribe(topic.clone()).map_err(|e| format!("unsubscribing {topic}: {e}"))?;
    }
    Ok(())
}

pub(super) fn say(session: &AsyncClient, presence: &Presence, status: &'static str) -> Result<(), String> {
    for topic in &presence.status_topics {
        session
            .try_publish(topic.clone(), QoS::AtLeastOnce, true, status)
            .map_err(|e| format!("publishing {topic}: {e}"))?;
    }
    Ok(())
}

pub(super) fn subscribe(topics: &[&String], session: &AsyncClient) -> Result<(), String> {
    for topics in topics.chunks(FILTERS_AT_ONCE) {
        let filters = topics.iter().map(|topic| {
            let mut filter = Filter::new((*topic).clone(), QoS::AtLeastOnce);
            // What this session itself publishes (its status) does not come back. The
            // alarms are published by another session; the router leaves them out.
            filter.nolocal = true;
            // Only what the broker had kept is marked as retained: a message that is
            // published with the mark while we listen is news.
            filter.preserve_retain = false;
            filter.retain_forward_rule = RetainForwardRule::OnEverySubscribe;
            filter
        });
        session.try_subscribe_many(filters).map_err(|e| format!("subscribing: {e}"))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn listening(topics: &str, more: &str, will: &str) -> Listening {
        let trug = format!(
            "[broker]\nurl = \"mqtt://127.0.0.1\"\ntopics = {topics}\n{more}\n[store]\npath = \"x.db\"\n"
        );
        let garden = include_str!("../../config/gardens/saltbush-gully.toml");
        let settings =
            crate::settings::from_text(("trug.toml", &trug), &[("garden.toml", garden)], std::iter::empty());
        let presence = Presence { will_topic: will.to_owned(), status_topics: vec![will.to_owned()] };
        Listening { broker: settings.expect("no faults").broker, presence }
    }

    #[test]
    fn a_session_goes_on_where_only_topics_differ() {
        let of = |topics, more, will| listening(topics, more, will);
        let now = of("[\"#\"]", "", "trug/a/status");
        assert!(now.goes_on_as(&now));
        assert!(now.goes_on_as(&of("[\"saltbush-gully/#\"]", "", "trug/a/status")));
        assert!(
            !now.goes_on_as(&of("[\"#\"]", "", "trug/trug/status")),
            "the will is given with the connection"
        );
        assert!(!now.goes_on_as(&of("[\"#\"]", "keep_alive_s = 60", "trug/a/status")));
    }
}
