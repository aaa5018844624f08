//! What a round leaves behind for the next one.

pub mod outages;
pub mod reach;
