//! `/site/ID/keys`: every key of both kinds of files, as `trug keys` prints them.

use maud::{Markup, html};

use super::still;
use crate::page::PageSource;
use crate::page::context::SitePage;
use crate::page::problem::Problem;
use crate::settings::{KeyFile, KeyTable, key_reference};

pub(in crate::page) async fn keys<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let frame = site.frame("/keys");
    // The first time it is worked out.
    let reference = tokio::task::spawn_blocking(key_reference).await.map_err(|_| Problem::Fault)?;
    let body = html! {
        h1 { "All settings" }
        p { "For whoever runs Trug: every key that may stand in its files. The command \"trug keys\" prints the same." }
        @for (file, about) in [
            (KeyFile::Garden, "One file for each garden."),
            (KeyFile::Daemon, "The file of the program, kept by whoever runs the computer."),
        ] {
            section {
                h2 { code { (file.name()) } }
                p { (about) }
                @for table in reference.iter().filter(|table| table.file == file) { (folded(table)) }
            }
        }
    };
    Ok(still(&frame, "All settings", &body))
}

fn folded(table: &KeyTable) -> Markup {
    html! {
        details class="keys" {
            summary { code { (table.heading) } " " (table.meaning) }
            dl {
                @for key in &table.keys {
                    dt { code { (key.name) } }
                    dd { (key.meaning) " Accepted: " (key.accepted) ". Without it: " (key.default) "." }
                }
            }
        }
    }
}
