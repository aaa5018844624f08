//! How long to wait after a passing fault. The `backoff` crate is used here and nowhere else.

use std::time::Duration;

use backoff::ExponentialBackoff;
use backoff::backoff::Backoff as _;

use crate::provider::LONGEST_ASKED;
use crate::settings;

/// Between two looks for what was sent and is not to be seen: soon at first, for most show it soon.
pub const SIGHT: settings::Retry = settings::Retry { initial: Duration::from_secs(1), max: Duration::from_secs(60) };

/// Exponentially growing waits with full jitter: each is drawn evenly between nothing and the present bound,
/// which doubles from `initial` to `max`. Full jitter keeps many homes from returning at the same moment.
#[derive(Debug)]
pub struct Retry(ExponentialBackoff);

impl Retry {
    /// Waits as `settings` say.
    pub fn new(settings: settings::Retry) -> Self {
        let bounds = backoff::ExponentialBackoffBuilder::new()
            .with_initial_interval(settings.initial)
            .with_max_interval(settings.max)
            .with_multiplier(2.0)
            // The crate's own jitter is around the bound; ours is drawn below from the caller's randomness.
            .with_randomization_factor(0.0)
            // Its default is to give up after 15 minutes. A home does not.
            .with_max_elapsed_time(None)
            .build();
        Self(bounds)
    }

    /// The next wait; `draw` is uniform in [0, 1). A wait the other side asked for is a floor, up to
    /// [`LONGEST_ASKED`].
    pub fn next(&mut self, draw: f64, asked: Option<Duration>) -> Duration {
        let bound = self.0.next_backoff().unwrap_or(self.0.max_interval);
        bound.mul_f64(draw.clamp(0.0, 1.0)).max(asked.unwrap_or_default().min(LONGEST_ASKED))
    }

    /// To be called after a success: the next wait begins with the shortest bound again.
    pub fn reset(&mut self) {
        self.0.reset();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn retry() -> Retry {
        Retry::new(settings::Retry { initial: Duration::from_secs(5), max: Duration::from_secs(60) })
    }

    #[test]
    fn the_bound_doubles_up_to_the_longest_and_never_gives_up() {
        let mut retry = retry();
        let seconds: Vec<u64> = (0..7).map(|_| retry.next(1.0, None).as_secs()).collect();
        assert_eq!(seconds, [5, 10, 20, 40, 60, 60, 60]);
        retry.reset();
        assert_eq!(retry.next(1.0, None).as_secs(), 5);
    }

    #[test]
    fn jitter_is_full_and_a_wait_asked_for_is_a_floor() {
        assert_eq!(retry().next(0.0, None), Duration::ZERO);
        assert_eq!(retry().next(0.5, None), Duration::from_millis(2500));
        assert_eq!(retry().next(0.5, Some(Duration::from_secs(90))), Duration::from_secs(90));
        assert_eq!(retry().next(0.5, Some(Duration::from_secs(1))), Duration::from_millis(2500));
    }
}
