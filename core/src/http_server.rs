//! Who is let in at the small servers, and who is dropped for it.

pub mod admission;
