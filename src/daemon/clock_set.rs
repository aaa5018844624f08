//! Hears when somebody sets the clock: the status is not to show the old time until the next round.
//!
//! By a timer that never ends and is cancelled then (timerfd_create(2), `TFD_TIMER_CANCEL_ON_SET`). Where there is none, it
//! is only seen when the daemon has something to do.

use std::io;
use std::os::fd::OwnedFd;

use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

/// 9999-12-31, later than any clock is set to (`clock.rs`).
const NEVER: Timespec = Timespec { tv_sec: 253_402_300_799, tv_nsec: 0 };

/// Hears when somebody sets the clock.
#[derive(Debug)]
pub(super) struct ClockSet(Option<AsyncFd<OwnedFd>>);

impl ClockSet {
    pub(super) fn listen() -> Self {
        match arm() {
            Ok(timer) => Self(Some(timer)),
            Err(error) => {
                tracing::debug!("nobody will tell when the clock is set: {error}");
                Self(None)
            }
        }
    }

    /// Waits until somebody has set it since this was last waited for.
    pub(super) async fn set(&mut self) {
        if let Some(timer) = &self.0
            && timer.async_io(Interest::READABLE, heard).await.is_ok()
        {
            return;
        }
        // What fails once would fail at once each time.
        self.0 = None;
        std::future::pending().await
    }
}

fn arm() -> io::Result<AsyncFd<OwnedFd>> {
    let timer = timerfd_create(TimerfdClockId::Realtime, TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC)?;
    let never = Itimerspec { it_interval: Timespec { tv_sec: 0, tv_nsec: 0 }, it_value: NEVER };
    timerfd_settime(&timer, TimerfdTimerFlags::ABSTIME | TimerfdTimerFlags::CANCEL_ON_SET, &never)?;
    #[expect(deprecated, reason = "sound for an OwnedFd, which keeps its descriptor; the other way is unsafe code")]
    let timer = AsyncFd::with_interest(timer, Interest::READABLE)?;
    Ok(timer)
}

/// Takes in that it was cancelled; `WouldBlock` where it was not.
fn heard(timer: &OwnedFd) -> io::Result<()> {
    match rustix::io::read(timer, &mut [0; 8]) {
        Ok(_) | Err(rustix::io::Errno::CANCELED) => Ok(()),
        Err(error) => Err(error.into()),
    }
}

#[cfg(test)]
mod tests {
    use futures_util::FutureExt as _;

    use super::*;

    #[tokio::test]
    async fn while_nobody_sets_it_nothing_is_heard() {
        let mut clock = ClockSet::listen();
        assert!(clock.0.is_some());
        assert_eq!(clock.set().now_or_never(), None);
        assert!(clock.0.is_some(), "it goes on listening");
    }
}
