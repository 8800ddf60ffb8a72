//! The trug program.
fn main() {}
