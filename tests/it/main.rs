//! All tests that see the program from outside.

mod cards;
