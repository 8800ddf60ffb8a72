//! Writes that fail when a test wants them to.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use super::Store;

/// How the writes of a store fail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum WriteFault {
    /// At this instruction of SQLite's virtual machine from now on, once.
    Step(u64),
    /// Each transaction, when it ends.
    End,
    /// The disk has room for so many more pages.
    Full(i64),
}

impl Store {
    /// Lets the writes from now on fail; `None`: the disk is sound again.
    pub(crate) fn fail_writes(&mut self, fault: Option<WriteFault>) {
        let connection = &mut self.connection;
        connection.progress_handler(1, None::<fn() -> bool>).expect("a handler");
        connection.commit_hook(None::<fn() -> bool>).expect("a hook");
        let most = i64::from(u32::MAX) - 1;
        connection.pragma_update(None, "max_page_count", most).expect("a number");
        match fault {
            None => {}
            Some(WriteFault::Step(step)) => {
                let steps = Arc::new(AtomicU64::new(0));
                let interrupt = move || steps.fetch_add(1, Ordering::Relaxed) + 1 == step;
                connection.progress_handler(1, Some(interrupt)).expect("a handler");
            }
            Some(WriteFault::End) => connection.commit_hook(Some(|| true)).expect("a hook"),
            Some(WriteFault::Full(pages)) => {
                let used: i64 =
                    connection.pragma_query_value(None, "page_count", |row| row.get(0)).expect("a number");
                connection.pragma_update(None, "max_page_count", used + pages).expect("a number");
            }
        }
    }

    /// Tears each site's kept state; returns how many there are.
    pub(crate) fn tear_snapshots(&mut self) -> usize {
        self.settle().expect("the record can be read");
        let tear = "UPDATE snapshot SET packed = substr(packed, 1, length(packed) / 2)";
        self.connection.execute(tear, []).expect("the record can be written")
    }

    /// Brings what the log holds into the database each time that it has so many pages.
    pub(crate) fn checkpoint_after(&self, pages: i64) {
        self.connection.pragma_update(None, "wal_autocheckpoint", pages).expect("a number");
    }
}
