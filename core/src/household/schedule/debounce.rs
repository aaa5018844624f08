//! When to look because of a push. Pure: the times are arguments, since a common start.
//!
//! A push is a reason to look, never a truth, and may come for the stale address first. So there is a look at once, and
//! looks go on until one has begun a while after the last push. Pushes that come together share their looks, and a flood
//! of them causes no more looks than a bucket of tokens allows: forging pushes costs the forger, not the home.

use std::time::Duration;

/// The second look begins this long after the push. A router's announcements come 10 to 30 ms after a change, sometimes
/// the stale one first (measured).
pub const AGAIN: Duration = Duration::from_millis(500);

/// A look that begins this long after a push is late enough to serve as its second: else pushes a few milliseconds apart
/// would have second looks a few milliseconds apart.
pub const LATE: Duration = Duration::from_millis(250);

/// In the long run, one look because of pushes in this time.
pub const SPACING: Duration = Duration::from_secs(2);

/// Looks because of pushes that may come without spacing after a quiet time: two changes' worth.
pub const BURST: u32 = 4;

/// Turns pushes into looks.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Debounce {
    due: Option<Duration>,
    last_push: Option<Duration>,
    /// When all tokens are back (the theoretical arrival time of GCRA, ITU-T I.371).
    full: Duration,
    seen: u64,
    ignored: u64,
}

impl Debounce {
    /// Takes in a push that came at `now`.
    pub fn push(&mut self, now: Duration) {
        self.seen = self.seen.saturating_add(1);
        self.last_push = Some(now);
        if self.due.is_some() {
            self.ignored = self.ignored.saturating_add(1);
        } else {
            self.due = Some(self.allowed(now));
        }
    }

    /// When the next look because of a push is due. It may be over already.
    pub fn due(&self) -> Option<Duration> {
        self.due
    }

    /// Takes in that a look began at `now`, for whatever reason. Call it before the witnesses are asked: a push that comes
    /// while they answer asks for another look.
    pub fn looked(&mut self, now: Duration) {
        if self.due.is_some_and(|due| due <= now) {
            self.full = self.full.max(now) + SPACING;
        }
        let last = self.last_push.filter(|last| now < *last + LATE);
        self.due = last.map(|last| self.allowed(last + AGAIN));
    }

    /// Pushes up to now.
    pub fn seen(&self) -> u64 {
        self.seen
    }

    /// Pushes up to now that came while a look was due anyway, and so caused none.
    pub fn ignored(&self) -> u64 {
        self.ignored
    }

    /// The first moment from `wanted` on for which there is a token.
    fn allowed(&self, wanted: Duration) -> Duration {
        wanted.max(self.full.saturating_sub(SPACING * (BURST - 1)))
    }
}

#[cfg(test)]
mod tests;
