//! What goes out of the daemon.

pub mod forward;
pub mod line;
