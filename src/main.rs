//! The fairpanel program: everything lives in the library.

fn main() {}
