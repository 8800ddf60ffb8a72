//! What people answer when they are told of an alarm: links with a signature, and
//! messages. Pure: key and time come in as arguments.

mod link;
mod order;

pub use link::{Checked, Claim, LINK_HOURS_MAX, Links, SECRET_MIN, TOKEN_MAX};
pub use order::{ORDER_MAX, OrderError, SHELF_MAX_DAYS, note, read_order, shelf_accepted, shelf_end};
