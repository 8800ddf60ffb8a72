//! The alarms of a site: where they stand, what they say, and what time does to them.

mod kept_text;
pub(super) mod last_reading;
pub(super) mod note_limit;
pub(super) mod place;
pub(super) mod removed;
pub(super) mod slot;
pub(super) mod slots;
pub(super) mod timers;
