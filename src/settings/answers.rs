//! `[answers]`: how alarms may be answered beside the command line.

use std::path::Path;

use url::Url;

use super::address::{has_credentials, is_loopback, is_server_only, shown};
use super::document::Want;
use super::page::Page;
use super::secret::{Secret, secret};
use super::table::SettingsTable;
use super::value::SettingsItem;
use crate::answering::{LINK_HOURS_MAX, SECRET_MIN};

/// How alarms may be answered beside the command line.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Answers {
    /// Whether an answer may come by MQTT, on `trug/SITE/answer`.
    pub mqtt: bool,
    /// `None`: messages carry no links.
    pub links: Option<AnswerLinkSettings>,
}

/// What the links in messages are made with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AnswerLinkSettings {
    /// The address at which people reach the page, without a path: https, or http
    /// on this computer.
    pub page_url: Url,
    /// At least [`SECRET_MIN`] bytes.
    pub secret: Secret,
    /// How long a link holds, 1 to 720 hours.
    pub hours: u32,
}

const PAGE_URL: &str = "the address at which people reach the page, without a path: https://garden.school.example; \
                        http only for this computer, as http://127.0.0.1:8470";

/// Reads the section; relative paths of secrets start at `folder`. `None` where a
/// fault was noted.
pub(super) fn answers(
    table: Option<SettingsTable<'_>>,
    page: Option<&Page>,
    folder: &Path,
) -> Option<Answers> {
    let Some(table) = table else { return Some(Answers::default()) };
    let mqtt = table.flag("mqtt");
    let given = table.get("page_url", Want::Text);
    let before = table.faults();
    let secret = secret(&table, "link_secret", "link_secret_file", folder);
    let secret_at_fault = table.faults() > before;
    let hours = table.whole_or("link_hours", 1..=LINK_HOURS_MAX, 72, "hours");
    let links = match (given, secret) {
        (None, None) => Some(None),
        (None, Some(_)) => table.lacks("page_url", PAGE_URL),
        (Some(item), secret) => {
            let page_url = page_url(&item, page);
            if secret.is_none() && !secret_at_fault {
                table.missing(
                    "link_secret_file",
                    format!("a file that holds only the secret with which links are signed, at least {SECRET_MIN} bytes"),
                );
            }
            let secret = secret.filter(|secret| long_enough(&table, secret));
            page_url
                .zip(secret)
                .zip(hours)
                .map(|((page_url, secret), hours)| Some(AnswerLinkSettings { page_url, secret, hours }))
        }
    };
    table.finish();
    hours?;
    Some(Answers { mqtt: mqtt?, links: links.filter(|_| !secret_at_fault)? })
}

fn long_enough(table: &SettingsTable<'_>, secret: &Secret) -> bool {
    let length = secret.reveal().len();
    if length < SECRET_MIN {
        table.fault(
            "link_secret_file",
            format!("a secret of {length} bytes (not shown)"),
            format!("at least {SECRET_MIN} bytes, such as openssl rand -hex 32 prints"),
        );
    }
    length >= SECRET_MIN
}

fn page_url(item: &SettingsItem<'_>, page: Option<&Page>) -> Option<Url> {
    let text = item.text(PAGE_URL)?;
    if has_credentials(text) {
        let accepted = "an address without a user name and password: it goes into every message";
        return item.faulty(shown(text), accepted, None);
    }
    let fits = Url::parse(text).ok().filter(|url| {
        url.path() == "/"
            && is_server_only(url)
            && url.has_host()
            && (url.scheme() == "https" || (url.scheme() == "http" && is_loopback(url)))
    });
    if fits.is_none() {
        return item.refused(PAGE_URL);
    }
    if page.is_none() {
        return item.faulty(
            format!("{} without a section [page]", item.given()),
            "a section [page] with its listen address beside it: the link opens Trug's own page",
            None,
        );
    }
    fits
}
