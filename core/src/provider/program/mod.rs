//! A program of the owner's: one JSON request on its standard input, one JSON answer on its standard output.

pub mod protocol;
