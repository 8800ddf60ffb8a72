//! What several integration tests need. Each test program uses a part of it.
#![allow(dead_code, unreachable_pub, reason = "each test program uses a part of it")]

pub mod garden;
