//! The simulator program.
fn main() {}
