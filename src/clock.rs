//! The machine's clock. What a moment is, and the clock that is passed around, are the core's.

use std::time::{Duration, SystemTime};

pub use fingerpost_core::clock::*;

/// The machine's clock.
pub fn system() -> Clock {
    // Time in which the machine sleeps counts.
    let steady = || {
        let time = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
        Duration::new(time.tv_sec.try_into().unwrap_or(0), time.tv_nsec.try_into().unwrap_or(0))
    };
    Clock::kept(|| Timestamp::from(SystemTime::now()), steady)
}
