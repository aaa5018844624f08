//! What people are told, and when.

pub mod alerts;
pub mod outbox;
