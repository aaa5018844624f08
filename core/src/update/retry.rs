//! How long to wait after a passing fault. How the bounds grow is a library's, and comes from outside; the rest is here.

use std::fmt;
use std::time::Duration;

use crate::provider::LONGEST_ASKED;
use crate::settings;

/// Between two looks for what was sent and is not to be seen: soon at first, for most show it soon.
pub const SIGHT: settings::Retry = settings::Retry { initial: Duration::from_secs(1), max: Duration::from_secs(60) };

/// Bounds of waits that double from the shortest to the longest, and stay there.
pub trait Growth: fmt::Debug {
    /// The next bound.
    fn next(&mut self) -> Duration;
    /// The shortest comes next.
    fn reset(&mut self);
}

/// Makes the bounds that some settings ask for.
pub(crate) type Grow = fn(settings::Retry) -> Box<dyn Growth>;

/// Growing waits with full jitter: each is drawn evenly between nothing and the present bound. Full jitter keeps many homes
/// from returning at the same moment (common practice, no source).
#[derive(Debug)]
pub struct Retry(Box<dyn Growth>);

impl Retry {
    /// Waits as `settings` say.
    pub fn new(grow: Grow, settings: settings::Retry) -> Self {
        Self(grow(settings))
    }

    /// The next wait; `draw` is uniform in [0, 1). A wait the other side asked for is a floor, up to
    /// [`LONGEST_ASKED`].
    pub fn next(&mut self, draw: f64, asked: Option<Duration>) -> Duration {
        self.0.next().mul_f64(draw.clamp(0.0, 1.0)).max(asked.unwrap_or_default().min(LONGEST_ASKED))
    }

    /// To be called after a success: the next wait begins with the shortest bound again.
    pub fn reset(&mut self) {
        self.0.reset();
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    #[derive(Debug)]
    struct Doubling {
        settings: settings::Retry,
        next: Duration,
    }

    impl Growth for Doubling {
        fn next(&mut self) -> Duration {
            let bound = self.next;
            self.next = (bound * 2).min(self.settings.max);
            bound
        }

        fn reset(&mut self) {
            self.next = self.settings.initial;
        }
    }

    pub(crate) fn doubling(settings: settings::Retry) -> Box<dyn Growth> {
        Box::new(Doubling { settings, next: settings.initial })
    }

    fn retry() -> Retry {
        Retry::new(doubling, settings::Retry { initial: Duration::from_secs(5), max: Duration::from_secs(60) })
    }

    #[test]
    fn jitter_is_full_and_a_wait_asked_for_is_a_floor() {
        assert_eq!(retry().next(0.0, None), Duration::ZERO);
        assert_eq!(retry().next(0.5, None), Duration::from_millis(2500));
        assert_eq!(retry().next(0.5, Some(Duration::from_secs(90))), Duration::from_secs(90));
        assert_eq!(retry().next(0.5, Some(Duration::from_secs(1))), Duration::from_millis(2500));
    }

    #[test]
    fn a_success_begins_anew() {
        let mut retry = retry();
        let waits = |retry: &mut Retry| -> Vec<u64> { (0..3).map(|_| retry.next(1.0, None).as_secs()).collect() };
        assert_eq!(waits(&mut retry), [5, 10, 20]);
        retry.reset();
        assert_eq!(waits(&mut retry), [5, 10, 20]);
    }
}
