//! The web page, its interface and the class month, over real HTTP and in a real
//! browser.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod access;
mod answer_page;
mod api;
mod browser;
mod care;
mod chart;
mod drawing_page;
mod first_task;
mod forms;
mod live;
mod older;
mod place_pages;
mod plain_words;
mod report;
mod setup_pages;
mod shut_out;
mod thinned;
mod usage;
mod users;
mod views;

#[path = "../support/mod.rs"]
mod support;
