//! The core: places, rules, what each alarm says and why.

pub mod plan;
pub mod record;
pub mod view;
