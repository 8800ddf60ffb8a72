//! `/site/ID/more`: the ways to all that is not looked at every day.

use jiff::Timestamp;
use maud::{Markup, html};

use super::PageSource;
use super::access::{GardensSeen, enter_address};
use super::context::SitePage;
use super::problem::Problem;
use super::wait::ask;
use crate::garden::system::health::QueueHealth;
use crate::model::Condition;
use crate::store::Reader;
use crate::text::spoken;

/// One group of ways: its heading, and address below the site's, name and purpose of each.
type Group = (&'static str, &'static [(&'static str, &'static str, &'static str)]);

const GROUPS: [Group; 5] = [
    (
        "Safety",
        &[("/care", "Take care", "Water, electricity, fish, lifting, ladders, chemicals, soil and food.")],
    ),
    (
        "Garden log",
        &[
            ("/write", "Add to the Garden log", "Watering, water tests, planting, mulch, fish, harvest."),
            ("/log", "Read the Garden log", "What people did and saw. Correct or strike an entry."),
        ],
    ),
    (
        "Jobs",
        &[
            ("/jobs", "Jobs that come round", "What is due, and when it was last done."),
            ("/handover", "Holiday sheet", "To print for whoever looks after the garden in the holidays."),
        ],
    ),
    (
        "Setting up",
        &[
            (
                "/placing",
                "Where to put sensors",
                "Probes, thermometers and the rain gauge, with drawings to print.",
            ),
            ("/probe", "Check a probe", "Dry and wet, and a calibration sheet for a class."),
            ("/soil-test", "Soil test in a jar", "Find out what kind of soil a bed has."),
            ("/new-sensor", "Add a sensor", "The lines that a new sensor needs in the garden's file."),
            ("/drawing", "Move the places", "Where beds, tanks and gauge lie on the garden's drawing."),
            ("/keys", "All settings", "Every key of the files, for whoever runs Trug."),
        ],
    ),
    (
        "Sensors and data",
        &[("/sensors", "Sensors", "Each sensor's last reading and battery, and what to check.")],
    ),
];

pub(super) async fn more<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, view) = (site.frame("/more"), &site.view);
    let own = format!("/site/{}", view.id);
    let item = |to: &str, name: &str, purpose: &str| html! { li { a href=(to) { (name) } p { (purpose) } } };
    let unknown = view.sensors.iter().any(|sensor| sensor.silent || sensor.last_at.is_none());
    let queues = ask(site.context.record.read("reading what is sent on", Reader::forwarding)).await?;
    let body = html! {
        h1 { "More" }
        @for (title, ways) in GROUPS {
            section class="more" {
                h2 { (title) }
                ul {
                    @for (to, name, purpose) in ways {
                        (item(&format!("{own}{to}"), name, purpose))
                    }
                    @if title == "Sensors and data" {
                        @if frame.several { (item("/", "All gardens", "The list of them.")) }
                        (item("/api/v1/openapi.json", "For programs", "The interface (API), in the OpenAPI format."))
                    }
                }
                @if title == "Sensors and data" && unknown {
                    p class="condition" { (super::places::shape(Condition::Unknown)) "Some sensors have no reading." }
                }
            }
        }
        @if !queues.is_empty() && frame.visitor.gardens == GardensSeen::All { (servers(&queues, &site)) }
        section class="more" {
            h2 { "Sign in" }
            @if frame.visitor.has_entered() {
                p { "You are signed in." }
                (frame.visitor.corner(&frame.path))
            } @else if frame.visitor.can_enter {
                ul { (item(&enter_address(&own), "Sign in", "Needed once, to save entries and answers.")) }
            } @else {
                (frame.visitor.how_to_change())
            }
        }
    };
    Ok(frame.still(&format!("More about {}", view.name), &body))
}

/// How sending readings on to each other server goes.
fn servers<V: PageSource>(queues: &[QueueHealth], site: &SitePage<V>) -> Markup {
    let (now, waits) = (site.context.views.now(), site.context.views.figures().forward_waits);
    let why = |name: &str| waits.iter().find(|(known, _)| known == name).map(|(_, why)| why.as_str());
    html! {
        section class="more" {
            h2 { "Other servers" }
            p { "Readings are also sent to these servers. All readings stay in Trug's own record." }
            ul {
                @for queue in queues {
                    li {
                        strong { (queue.name) }
                        p { (behind(queue, now)) }
                        @if queue.refused > 0 {
                            p {
                                "Refused " (spoken::counted(queue.refused, "reading", "readings"))
                                ". Ask whoever runs Trug to put the cause right, then to send them again."
                            }
                        }
                        @match (why(&queue.name), queue.refused) {
                            (Some(why), _) => p { "Last answer: " (why) },
                            (None, 1..) => p { "Last answer: " (queue.refused_why) },
                            (None, 0) => {}
                        }
                    }
                }
            }
        }
    }
}

/// How far behind a server is.
fn behind(queue: &QueueHealth, now: Timestamp) -> String {
    let readings = spoken::counted(queue.rows, "reading", "readings");
    match queue.oldest {
        _ if queue.rows == 0 => "It has every reading.".to_owned(),
        None => format!("{readings} behind."),
        Some(oldest) => {
            let age = spoken::duration((now.as_second() - oldest.as_second()).max(0));
            format!("{readings} behind. The oldest is from {age} ago.")
        }
    }
}
