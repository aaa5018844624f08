//! An API over HTTP, as its description says: how its answers are read and its requests planned.

pub mod body;
pub mod description;
pub mod forms;
#[cfg(any(test, feature = "hostile"))]
pub mod hostile;
pub mod items;
pub mod json;
pub mod judge;
pub mod link;
pub mod listing;
pub mod pages;
pub mod plan;
pub mod reading;
pub mod template;
pub mod token;
